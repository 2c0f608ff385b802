"""
What goes wrong under load: the server stands still, its database cannot be written, links are crooked.

Promises: each trouble ends with its span, and everything is as before. A trouble needs the simulator's own
server; links go through relays on loopback (`cleanside.simulator.crooked_link`).
Leaves to others: which trouble when (`load_patterns.py`).
"""

from __future__ import annotations

import random
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack, contextmanager
from typing import Final

from cleanside.simulator.crooked_link import MODES, STRAIGHT, CrookedLink
from cleanside.simulator.load_patterns import PATTERNS, LoadPlan
from cleanside.simulator.tried_shop import TriedShop

RELAYS: Final = 8  # each goes wrong in its own way at a time; chosen
MODE_S: Final = 1.0  # how long a relay stays in a mode; chosen
STRAIGHT_SHARE: Final = 0.5  # of the time a link is good; chosen
BETWEEN_S: Final = 1.0  # a server that stands still runs so long in between; chosen
_STRIKES: Final = {"held_up": ("pause", BETWEEN_S), "no_room": ("no_room", 0.0)}


class Troubles:
    """The trouble of a run."""

    def __init__(self, plan: LoadPlan, shop: TriedShop | None, links: Sequence[CrookedLink]) -> None:
        self._plan, self._shop, self._links = plan, shop, links
        self._over = threading.Event()
        self._chance = random.Random(f"{plan.seed} troubles")

    def run(self, elapsed_s: Callable[[], float]) -> None:
        """Make trouble in its span; returns once it is over. Blocks: for a thread of its own."""
        first_s, last_s = self._plan.trouble_s()
        trouble = PATTERNS[self._plan.pattern].trouble
        self._over.wait(max(0.0, first_s - elapsed_s()))
        while not self._over.is_set() and elapsed_s() < last_s:
            if trouble == "poor_links":
                self._turn_links()
            elif trouble in _STRIKES and self._shop is not None:
                what, pause_s = _STRIKES[trouble]
                self._shop.strike(what, 0.0)
                self._over.wait(pause_s)
            else:
                break
        for link in self._links:
            link.go(STRAIGHT)

    def end(self) -> None:
        """End it early."""
        self._over.set()

    def _turn_links(self) -> None:
        wrong = sorted(set(MODES) - {STRAIGHT})
        for link in self._links:
            is_straight = self._chance.random() < STRAIGHT_SHARE
            link.go(STRAIGHT if is_straight else self._chance.choice(wrong))
        self._over.wait(MODE_S)


@contextmanager
def relays(plan: LoadPlan, port: int) -> Iterator[list[CrookedLink]]:
    """The links that machines go through where the pattern has poor ones; else none. port : the server's."""
    with ExitStack() as stack:
        many = RELAYS if PATTERNS[plan.pattern].trouble == "poor_links" else 0
        yield [stack.enter_context(CrookedLink(port, seed=f"{plan.seed} {n}")) for n in range(many)]
