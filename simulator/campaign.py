"""
Which fault strikes whom, and when: the schedule of a fault campaign.

Promises: pure; one seed gives one schedule. Faults are dealt like cards, so that each kind comes once before
one comes twice. A round ends with everything switched back on.
Leaves to others: doing it (`faults.py` and the files beside it), and what has to hold (`row_audit.py`).
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from cleanside.simulator.crooked_link import STRAIGHT

SHOP: Final = "shop"

#: what can happen to a gateway -> what it is
GATEWAY_FAULTS: Final = {
    "kill": "SIGKILL in mid-write; the same boot goes on",
    "key_off": "power gone without notice, some seconds dark, a new boot",
    "stop": "SIGTERM, and started again",
    "step_clock": "the wall clock jumps, by minutes or by years",
    "dead_disk": "no write succeeds, and more readings come than memory holds",
    "full_disk": "no file can grow for some seconds",
    "read_only": "its disk comes back mounted read-only, and is mended some seconds later",
    "damage": "killed, and the head of the spool's file overwritten",
    "rewind": "a person has it send again from the first number",
    "carry": "its backlog goes to the shop as a bundle too, twice",
    "copy": "powered off, its spool copied; both go on, each with readings of its own",
    "idle": "no new reading for a while",
}
#: what can happen to the server -> what it is
SHOP_FAULTS: Final = {
    "kill": "SIGKILL, and started again",
    "stop": "SIGTERM, and started again",
    "pause": "it stands still, and goes on",
    "no_room": "its database takes no write for some seconds",
    "back_up": "a backup while it serves",
    "restore": "its disk is lost; it comes back from one of its backups",
}
LINK_EVERY_S: Final = 3.0  # from one bad mode of a link to the next, about (chosen)
LINK_BAD_SHARE: Final = 0.6  # of that; the rest is straight, or a gateway that backs off would never be there
GATEWAY_EVERY_S: Final = 5.0
SHOP_EVERY_S: Final = 6.0


@dataclass(frozen=True, slots=True)
class Stroke:
    """One fault: when it begins [s since the round began], what it is, how strong."""

    at_s: float
    what: str
    #: 0 to 1, for whoever carries it out: how long, which backup, how far
    size: float


class Dealer:
    """Deals kinds in a random order, each once before one comes again."""

    def __init__(self, kinds: Sequence[str], chance: random.Random) -> None:
        self._kinds = tuple(kinds)
        self._chance = chance
        self._left: list[str] = []

    def deal(self) -> str:
        """The next kind."""
        if not self._left:
            self._left = self._chance.sample(self._kinds, len(self._kinds))
        return self._left.pop()


@dataclass(frozen=True, slots=True)
class Round:
    """What happens until everything is switched back on."""

    #: gateway -> what happens to it; the same for its link
    gateways: dict[str, list[Stroke]]
    links: dict[str, list[Stroke]]
    shop: list[Stroke]


def rounds(
    *, seed: int, gateways: Sequence[str], modes: Sequence[str], round_s: float, without: Sequence[str] = ()
) -> Iterator[Round]:
    """
    One round after the other, without an end.

    modes : of a link that go wrong. without : kinds of faults that cannot be had here.
    """
    chance = random.Random(f"campaign {seed}")
    bad = Dealer([mode for mode in modes if mode not in without], chance)
    struck = Dealer([kind for kind in GATEWAY_FAULTS if kind not in without], chance)
    shaken = Dealer([kind for kind in SHOP_FAULTS if kind not in without and kind != "back_up"], chance)
    while True:
        yield Round(
            gateways=dict(
                zip(gateways, _in_turn(gateways, struck, chance, GATEWAY_EVERY_S, round_s), strict=True)
            ),
            links=dict(zip(gateways, _links(gateways, bad, chance, round_s), strict=True)),
            shop=_shop(shaken, chance, round_s, backs_up="back_up" not in without),
        )


def _links(names: Sequence[str], dealer: Dealer, chance: random.Random, round_s: float) -> list[list[Stroke]]:
    """Bad modes in turn, each with a good time behind it."""
    well = LINK_EVERY_S * LINK_BAD_SHARE
    return [
        [one for bad in strokes for one in (bad, Stroke(bad.at_s + well, STRAIGHT, 0.0))]
        for strokes in _in_turn(names, dealer, chance, LINK_EVERY_S, round_s)
    ]


def _in_turn(
    names: Sequence[str], dealer: Dealer, chance: random.Random, every_s: float, round_s: float
) -> list[list[Stroke]]:
    """Strokes for each name, dealt in the order of time: a short round has as many kinds as it can."""
    begins = [chance.uniform(0.1, 1) * every_s for _ in names]
    times = sorted(
        (begin + every_s * (turn + chance.uniform(-0.1, 0.1)), number)
        for number, begin in enumerate(begins)
        for turn in range(max(1, int(round_s / every_s)))
    )
    dealt: list[list[Stroke]] = [[] for _ in names]
    for at_s, number in times:
        dealt[number].append(Stroke(at_s, dealer.deal(), chance.random()))
    return dealt


def _shop(dealer: Dealer, chance: random.Random, round_s: float, *, backs_up: bool) -> list[Stroke]:
    """A backup early in each round; whatever else comes after it."""
    times = [
        SHOP_EVERY_S * turn * chance.uniform(0.9, 1.1) for turn in range(1, int(round_s / SHOP_EVERY_S) + 1)
    ]
    first = [Stroke(SHOP_EVERY_S * 0.5 * chance.random(), "back_up", 0.0)] if backs_up else []
    return first + [Stroke(at_s, dealer.deal(), chance.random()) for at_s in times]
