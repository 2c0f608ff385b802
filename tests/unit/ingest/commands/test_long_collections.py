"""Full searches for garbage: what survived a long one is left out of the next, and later searched again."""

from __future__ import annotations

import subprocess
import sys

import pytest

from cleanside.ingest.commands.long_collections import LONG_S, MOST_LONG, OLDEST, LongCollections


class Searches:
    """Searches that take a stated time, and what follows from each."""

    def __init__(self) -> None:
        self.now_s = 0.0
        self.done: list[str] = []
        self._kept_short = LongCollections(
            lambda: self.now_s,
            leave_out=lambda: self.done.append("left out"),
            search_all=lambda: self.done.append("all"),
        )

    def take(self, took_s: float, generation: int = OLDEST) -> None:
        self._kept_short("start", {"generation": generation})
        self.now_s += took_s
        self._kept_short("stop", {"generation": generation})


def test_what_survived_a_long_search_is_left_out_of_the_next() -> None:
    searches = Searches()
    searches.take(LONG_S * 2)
    assert searches.done == ["left out"]


@pytest.mark.parametrize(("took_s", "generation"), [(LONG_S / 2, OLDEST), (LONG_S * 2, OLDEST - 1)])
def test_a_short_search_or_one_of_young_objects_changes_nothing(took_s: float, generation: int) -> None:
    searches = Searches()
    searches.take(took_s, generation)
    assert searches.done == []


def test_everything_is_searched_again_after_some_long_searches() -> None:
    searches = Searches()
    for _ in range(2 * (MOST_LONG + 1)):
        searches.take(LONG_S * 2)
    assert searches.done == 2 * [*MOST_LONG * ["left out"], "all"]


#: objects that stay, and a pair that refer to each other; in a process of its own, which has one collector
SCRIPT = """
import gc, itertools
from cleanside.ingest.commands.long_collections import LongCollections

class Node:
    pass

def pair():
    one, other = Node(), Node()
    one.other, other.other = other, one

def nodes():
    return sum(type(one) is Node for one in gc.get_objects())

gc.disable()
each_is_long_s = itertools.count()
gc.callbacks.append(
    LongCollections(lambda: next(each_is_long_s), leave_out=gc.freeze, search_all=gc.unfreeze)
)
kept = [[] for _ in range(100_000)]
gc.collect()
left_out, searched = gc.get_freeze_count(), len(gc.get_objects())
pair()
pairs = nodes()
gc.collect()
pairs_after = nodes()
before = gc.get_freeze_count()
kept.clear()
print(left_out, searched, pairs, pairs_after, before - gc.get_freeze_count(), flush=True)
"""


def test_what_is_left_out_is_freed_with_its_last_reference_and_new_groups_are_found() -> None:
    """Python documentation, module gc: later searches ignore frozen objects; counting still frees them."""
    left_out, searched, pairs, pairs_after, freed = subprocess.run(
        [sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True
    ).stdout.split()
    assert int(left_out) > 100_000
    assert int(searched) < 1_000
    assert (int(pairs), int(pairs_after)) == (2, 0)
    assert int(freed) == 100_000
