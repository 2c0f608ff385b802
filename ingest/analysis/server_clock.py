"""
Is it the server's own clock that is wrong, where the times of many monitors are in its future?

Promises: pure; no time server is asked. It is a suspicion for a person, and no reading is judged otherwise.
Leaves to others: readings with a time in the future (`ingest.checking.plausible_time`), and what is said.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final, NamedTuple

MINUTE_US: Final = 60_000_000  # arithmetic
#: monitors that are ahead alike; chosen: two may have been set by one person, by one wrong watch
FEWEST: Final = 3
#: how much their leads may differ; chosen: a batch waits for minutes, and machines' own clocks differ by less
ALIKE_US: Final = 10 * MINUTE_US
#: within which they began; chosen: every machine that works sends once in a day
BEGAN_WITHIN_US: Final = 24 * 60 * MINUTE_US
#: of those heard since, the share that has to be ahead; chosen: a clock that is behind puts most ahead
LEAST_SHARE: Final = 0.5
#: a clock set by the network steps by less, and hosts of one shop differ by less; chosen
BACK_US: Final = MINUTE_US


class AheadOfServer(NamedTuple):
    """A monitor with readings in the server's future."""

    #: the most that one was ahead when it was received, beyond what is tolerated [us]
    lead_us: int
    #: when the first was received, by the server's clock [us]
    since_us: int


def ahead_alike(ahead: Mapping[str, AheadOfServer], heard_us: Sequence[int]) -> frozenset[str]:
    """
    The monitors that are ahead alike, where that is likely the server's clock; empty: it is not.

    ahead : by monitor. heard_us : when each monitor was received last, those that are not ahead too.
    """
    alike = max((_like(one, ahead) for one in ahead.values()), key=len, default=frozenset())
    if len(alike) < FEWEST:
        return frozenset()
    since_us = min(ahead[name].since_us for name in alike)
    heard_since = sum(at_us >= since_us for at_us in heard_us)
    return alike if len(alike) >= LEAST_SHARE * heard_since else frozenset()


def _like(one: AheadOfServer, ahead: Mapping[str, AheadOfServer]) -> frozenset[str]:
    """Those that are as much ahead as one, half of what may lie between any two, and began when it did."""
    return frozenset(
        name
        for name, other in ahead.items()
        if abs(other.lead_us - one.lead_us) <= ALIKE_US / 2
        and abs(other.since_us - one.since_us) <= BEGAN_WITHIN_US / 2
    )


def went_back_us(newest_us: int | None, now_us: int) -> int:
    """By how much the clock is behind what it once was; 0: it is not, or by no more than it may. [us]"""
    back_us = 0 if newest_us is None else newest_us - now_us
    return back_us if back_us > BACK_US else 0
