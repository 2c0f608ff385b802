"""What a late reading makes again: its own hour, and of earlier elements what rests on something learned."""

from __future__ import annotations

from dataclasses import fields, replace
from functools import cache

import numpy as np
import pytest

from cleanside.ingest.restriction import FleetKnowledge, Readings, Summaries, study_housing, summarise_hours
from cleanside.ingest.restriction.measure.summary import HOUR_S
from tests.benchmark.bench_late import Late, held_back, lines, without
from tests.benchmark.bench_share_parts import Known, known_machines, readings_of
from tests.fleets.making import make_fleet

LATE_HOURS = 24


@cache
def machine() -> Known:
    """One with several elements, a reading every five minutes for 110 days."""
    fleet = make_fleet("plateau", machines=3, days=110, seed=3, interval_s=300.0)
    return known_machines(fleet)[2]


def rows_of(readings: Readings, mine: np.ndarray) -> Readings:
    given = {field.name: getattr(readings, field.name) for field in fields(readings)}
    return replace(readings, **{n: v[mine] for n, v in given.items() if isinstance(v, np.ndarray)})


def as_bytes(table: Summaries) -> dict[int, tuple[bytes, bytes]]:
    return {int(hour): packed for hour, packed in zip(table.hours["hour_s"], table.packed(), strict=True)}


@cache
def late_hours() -> list[Late]:
    known = machine()
    work = np.flatnonzero(known.table.working)
    rows = np.linspace(0.4 * len(work), 0.98 * len(work), LATE_HOURS).astype(np.int64)
    facts = known.facts(known.machine.evenings.at_s[-1], FleetKnowledge())
    return list(held_back(known.table, facts, work[rows]))


@pytest.mark.parametrize("part", [0.2, 0.5, 0.9])
def test_a_late_reading_changes_the_summary_of_its_own_hour_alone(part: float) -> None:
    readings = readings_of(machine().machine)
    at_s = readings.at_s
    late = int(part * len(at_s))
    hour = int(at_s[late] // HOUR_S * HOUR_S)
    on_time = np.arange(len(at_s)) != late
    before = as_bytes(summarise_hours(rows_of(readings, on_time)))
    after = as_bytes(summarise_hours(readings))
    assert {at for at in after if after[at] != before.get(at)} == {hour}


def test_a_late_hour_gives_what_it_gives_in_time() -> None:
    known = machine()
    row = int(np.flatnonzero(known.table.working)[200])
    facts = known.facts(known.machine.evenings.at_s[-1], FleetKnowledge())
    before, one = without(known.table, row)
    study_housing(before, facts)  # so that what is remembered of fewer hours is there to be used
    after = before.patched(one)
    assert after == known.table
    assert study_housing(after, facts).study == study_housing(known.table, facts).study


def test_of_elements_before_a_late_hour_the_same_is_said_unless_something_learned_moved() -> None:
    """So the element at work in a late hour and those after it are not the only ones that may move."""
    late = late_hours()
    same = [one for one in late if not one.is_learned_again]
    assert len(same) >= 4
    assert len(late) - len(same) >= 4  # else nothing is said of what is learned again
    assert not any(one.moves_lives for one in same)
    assert any(one.moves_lives for one in late)  # so that no more can be promised


def test_the_table_counts_hours_by_measure_of_flow() -> None:
    proxy = machine().machine.proxy
    rows = lines([(proxy, one) for one in late_hours()])
    cells = [cell.strip() for cell in rows[-1].strip("|").split("|")]
    again = np.mean([one.is_learned_again for one in late_hours()])
    assert cells[:2] == [f"{proxy}; {LATE_HOURS}", f"{again:.2f}"]
