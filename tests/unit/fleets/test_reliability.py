"""How often what is said at a probability is right, at a tiny size."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

from tests.benchmark.bench_reliability import flow_of, watched, wrong_lines
from tests.fleets.knowing import say_the_truth
from tests.fleets.making import make_fleet
from tests.fleets.observing import FoundChange, Observation
from tests.fleets.reliability import Chances, ToldOnce, reliability_table, told_of
from tests.fleets.score import Watched, false_alarms
from tests.fleets.truth import DAY_S, Fleet

SURE, UNSURE = 0.97, 0.75


@cache
def fleet() -> Fleet:
    return make_fleet("plateau", machines=8, days=40, seed=3, interval_s=300.0)


def truth() -> list[Observation]:
    return [one for machine in fleet().machines for one in say_the_truth(machine)]


def told(said: list[Observation], low: float = UNSURE, opened: float = SURE) -> list[ToldOnce]:
    chances = {
        (one.machine, one.at_s): Chances(opened=tuple((f.at_s, opened) for f in one.found), low=low)
        for one in said
    }
    return told_of(fleet(), said, chances)


def cells(rows: list[str], row: str, which: str) -> list[str]:
    split = [[cell.strip() for cell in line.strip("|").split("|")] for line in rows]
    return next(line[2:] for line in split if line[:2] == [row, which])


def test_who_says_the_truth_is_right_at_every_probability() -> None:
    found = told(truth())
    assert len(found) >= 10
    assert all(one.is_right for one in found)


def test_a_change_counts_once_by_its_first_and_its_highest_probability() -> None:
    machine = fleet().machines[0]
    first, *_, last = [one for one in truth() if one.machine == machine.name]
    middle_s = (first.at_s + last.at_s) / 2
    free_s = next(
        s
        for s in (middle_s + day * DAY_S for day in range(-9, 9))
        if not Watched(machine, [], fleet()).is_near(FoundChange(at_s=s, kind="new"), s + 3 * DAY_S)
        and all(abs(change.at_s - s) > 3 * DAY_S for change in machine.changes)
    )
    change = (FoundChange(at_s=free_s, kind="new"),)
    said = [replace(one, causes=frozenset(), state="serving", found=()) for one in truth()]
    seen = [one for one in said if one.machine == machine.name and one.at_s > free_s][:3]
    with_it = [replace(one, found=change) if one in seen else one for one in said]
    chances = {(one.machine, one.at_s): Chances(opened=(), low=0.0) for one in said}
    for one, chance in zip(seen, (UNSURE, SURE, UNSURE), strict=True):
        chances[one.machine, one.at_s] = Chances(opened=((free_s, chance),), low=0.0)
    (found,) = told_of(fleet(), with_it, chances)
    assert (found.is_right, found.first, found.highest, found.looks) == (False, UNSURE, SURE, 3)
    rows = reliability_table([found], lambda one: one.what)
    assert [cell for cell in cells(rows, "new", "first") if cell] == ["0 of 1"]
    assert cells(rows, "new", "first").index("0 of 1") == 2
    assert cells(rows, "new", "highest").index("0 of 1") == 5
    assert len(wrong_lines(fleet(), [found])) == 1


def test_a_suspicion_of_a_sound_machine_is_wrong_and_one_without_a_probability_stands_apart() -> None:
    cried = [replace(one, causes=frozenset({"below_clean"}), state="suspect", found=()) for one in truth()]
    found = told(cried, low=UNSURE)
    wrong = [one for one in found if not one.is_right]
    assert len(wrong) == len([a for a in false_alarms(fleet(), cried) if a.what == "suspicion"]) >= 8
    assert {one.first for one in found} == {UNSURE}
    other = told([replace(one, causes=frozenset({"ambient"})) for one in cried])
    assert all(math.isnan(one.first) for one in other)
    row = cells(reliability_table(other, lambda one: one.what), "ambient", "first")
    assert row[:-1] == [""] * (len(row) - 1)
    assert row[-1].endswith(f"of {len(other)}")


def test_the_judge_gives_each_change_and_suspicion_of_the_level_a_probability() -> None:
    small = make_fleet("plateau", machines=3, days=30, seed=14, interval_s=300.0)
    found = watched(small, every_days=5)
    judged = [one for one in found if one.what in ("new", "cleaned", "below_clean")]
    assert judged
    assert all(0.0 < one.first <= one.highest <= 1.0 for one in judged)
    assert {flow_of(one) for one in judged} <= {"flow", "speed alone", "nothing"}
