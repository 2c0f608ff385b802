"""Why faults were missed and sound machines suspected: the reasons and their counts, at a tiny size."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.benchmark.bench_misses import Told, alarm_table, later_table, look, told_twice
from tests.fleets.alarms import what_went_on
from tests.fleets.knowing import say_the_truth
from tests.fleets.making import make_fleet
from tests.fleets.misses import (
    FEW,
    NO_REST,
    NO_STEP,
    OF_LEVEL,
    OF_ZERO,
    SAME_REST,
    UNDER_BAR,
    WITHDRAWN,
    AllHeld,
    Held,
    missed_lines,
    missed_of,
    reason_lines,
)
from tests.fleets.observing import Observation
from tests.fleets.score import FalseAlarm, false_alarms
from tests.fleets.truth import DAY_S, Cause, Fleet

HELD = Held(
    hours=20, low=0.1, is_asked=False, step=("new", 0.8, 0.9), above_clean=-0.4, rests=4, moved_pa=200.0
)


@cache
def fleet() -> Fleet:
    return make_fleet("plateau", machines=8, days=40, seed=3, interval_s=300.0)


@cache
def truth() -> tuple[Observation, ...]:
    return tuple(one for machine in fleet().machines for one in say_the_truth(machine))


def silent() -> list[Observation]:
    return [replace(one, causes=frozenset(), state="serving") for one in truth()]


def held_as(held: Held) -> AllHeld:
    return {(one.machine, one.at_s): held for one in truth()}


def reasons(said: list[Observation], held: Held, causes: tuple[Cause, ...]) -> set[str]:
    return {one.reason for one in missed_of(fleet(), said, held_as(held), causes)}


def test_who_says_the_truth_misses_nothing_and_who_says_nothing_all() -> None:
    assert missed_of(fleet(), truth(), held_as(HELD), OF_LEVEL + OF_ZERO) == []
    faults = [f for m in fleet().machines for f in m.faults if f.cause in OF_LEVEL + OF_ZERO]
    missed = missed_of(fleet(), silent(), held_as(HELD), OF_LEVEL + OF_ZERO)
    assert 2 <= len(missed) <= len(faults)
    assert [len(list(missed_lines(missed, fleet()))), {one.is_late for one in missed}] == [
        len(missed),
        {False},
    ]


@pytest.mark.parametrize(
    ("changed", "reason"),
    [
        ({}, "held for new"),
        ({"step": ("low", 0.4, 0.9)}, UNDER_BAR),
        ({"step": None}, NO_STEP),
        ({"hours": 2}, FEW),
    ],
)
def test_a_fault_of_the_level_was_held_for_what_the_step_was(changed: dict[str, object], reason: str) -> None:
    assert reasons(silent(), replace(HELD, **changed), OF_LEVEL) == {reason}  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changed", "reason"),
    [({}, UNDER_BAR), ({"rests": 0}, NO_REST), ({"moved_pa": 10.0}, SAME_REST)],
)
def test_a_moved_zero_is_missed_by_what_is_read_at_rest(changed: dict[str, object], reason: str) -> None:
    assert reasons(silent(), replace(HELD, **changed), OF_ZERO) == {reason}  # type: ignore[arg-type]


def test_another_cause_and_what_was_withdrawn_are_named() -> None:
    other = [replace(one, causes=frozenset({"ambient"})) for one in silent()]
    assert reasons(other, HELD, OF_LEVEL) == {"another cause told: ambient"}
    faults = [(m.name, f) for m in fleet().machines for f in m.faults if f.cause in OF_LEVEL]
    ends_s = {name: max(f.repaired_s for of, f in faults if of == name) - DAY_S for name, _ in faults}
    early = [
        one if one.at_s < ends_s.get(one.machine, 0.0) else replace(one, causes=frozenset())
        for one in truth()
    ]
    assert WITHDRAWN in reasons(early, HELD, OF_LEVEL)


def test_counts_by_reason_add_up_to_those_missed() -> None:
    missed = {"plateau": missed_of(fleet(), silent(), held_as(HELD), OF_LEVEL)}
    counted = {"plateau": Counter(one.label for one in missed["plateau"])}
    rows = [[cell.strip() for cell in row.strip("|").split("|")] for row in reason_lines(missed, counted)[2:]]
    told = [row for row in rows if row[1] != "all missed"]
    assert sum(int(row[2]) for row in told) == len(missed["plateau"])
    assert [row[2] for row in rows if row[1] == "all missed"] == [
        f"{n} of {n}" for _, n in sorted(counted["plateau"].items())
    ]


def test_a_suspicion_told_at_the_second_look_costs_the_first() -> None:
    said = [replace(truth()[0], at_s=at, causes=frozenset(c)) for at, c in enumerate(({"below_clean"},) * 2)]
    assert [one.causes for one in told_twice(said)] == [frozenset(), {"below_clean"}]
    flat = [replace(one, causes=frozenset({"flat"})) for one in said]
    assert told_twice(flat) == flat


def test_false_suspicions_are_counted_by_cause_and_by_what_went_on() -> None:
    small = make_fleet("moor", machines=2, days=20, seed=101, interval_s=300.0)
    said, held = look(small)
    assert {(one.machine, one.at_s) for one in said} >= set(held)
    cried = [replace(one, causes=frozenset({"ambient"}), state="suspect") for one in said]
    told = Told()
    told.add(small, cried, {(one.machine, one.at_s): HELD for one in cried})
    found = [alarm for alarm in false_alarms(small, cried) if alarm.what == "suspicion"]
    assert len(told.alarms) == len(found) >= 2
    assert sum(_counts(alarm_table({"moor": told}))) == len(found)
    assert later_table({"moor": told})[2].endswith(f"{len(found)}, {len(found)} |")
    assert {what_went_on(alarm) for alarm in found} & {_at_first(alarm) for alarm in found}


def _counts(rows: list[str]) -> list[int]:
    cells = [[cell.strip() for cell in row.strip("|").split("|")] for row in rows[2:]]
    return [
        int(row[2].split(" ")[0])
        for row in cells
        if row[0] not in ("all", "a machine-year", "machines suspected")
    ]


def _at_first(alarm: FalseAlarm) -> str:
    assert not np.isnan(alarm.at_s)
    return what_went_on(alarm)
