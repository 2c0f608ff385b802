"""
For how long a source has measured, and never restriction: what a monitor of air filters is there for.

Promises: pure. Only time in which readings came counts, so that a machine at rest wants nothing. What a modem
or a receiver says of the link, and a supply voltage, is no measurement of an engine at work.
Leaves to others: why (the source says it), who hears of it (`gateway.commands.standing`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from cleanside.gateway.sources.link_words import UNITS
from cleanside.gateway.wire import Reading

RESTRICTION: Final = "restriction"
_NOT_OF_THE_ENGINE: Final = frozenset({*UNITS, "supply_voltage"})
#: without restriction a source wants it; a longer pause between two readings is none of its time. Chosen: a
#: bus wakes and a sensor warms up within seconds
WANTING_S: Final = 600.0


class Wanting:
    """Of one source, in this run of the gateway."""

    def __init__(self) -> None:
        self._read_us: int | None = None  # when restriction was last read
        self._since_us: int | None = None  # first reading without it, since then
        self._last_us = 0  # the last such
        #: why, in the words of the source; None: it has not said
        self.why: str | None = None

    def came(self, readings: Sequence[Reading], now_us: int) -> None:
        """Readings came. now_us : since boot."""
        named = [set(reading.values) for reading in readings]
        if any(RESTRICTION in names for names in named):
            self._read_us, self._since_us = now_us, None
        elif any(names - _NOT_OF_THE_ENGINE for names in named):
            is_new = self._since_us is None or now_us - self._last_us > 1e6 * WANTING_S
            self._since_us, self._last_us = now_us if is_new else self._since_us, now_us

    def told(self, now_us: int) -> dict[str, Any]:
        """In the form of `status`; spans in seconds, None: never, or it does not want it."""
        is_wanting = self._since_us is not None
        return {
            "restriction_s": None if self._read_us is None else (now_us - self._read_us) / 1e6,
            "without_restriction_s": (self._last_us - (self._since_us or 0)) / 1e6 if is_wanting else None,
            "without_restriction_because": self.why if is_wanting else None,
        }


def wanting(sources: Sequence[Mapping[str, Any]]) -> list[Mapping[str, Any]]:
    """Sources that measured without restriction, while no other source read it."""
    return [
        one
        for one in sources
        if (one.get("without_restriction_s") or 0.0) >= WANTING_S
        and not any(_read_meanwhile(other, one) for other in sources if other is not one)
    ]


def _read_meanwhile(other: Mapping[str, Any], one: Mapping[str, Any]) -> bool:
    """The other source read restriction about when this one last sent."""
    sent_s = one["last_reading"]["age_s"] if one["last_reading"] else 0.0
    read_s = other.get("restriction_s")
    return read_s is not None and read_s <= sent_s + WANTING_S
