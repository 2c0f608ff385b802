"""Constants of the flow moved and switched off, at a tiny size."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from cleanside.ingest.restriction.measure.tuning import FLOW, HELD, MET
from tests.benchmark.bench_flow_ablation import AS_IT_IS, OFF, Run, fleets_of, line, looks_of, moved, runs
from tests.fleets.making import make_fleet


def test_every_constant_of_flow_work_and_held_values_is_moved_both_ways_and_switched_off() -> None:
    every = list(runs())
    names = [field.name for table in (FLOW, MET, HELD) for field in fields(table)]
    assert [run.name for run in every] == [name for name in names for _ in range(2 + (name in OFF))]
    for run in every:
        assert np.shape(run.value) == np.shape(getattr(run.table, run.name))
        assert np.any(np.array(run.value) != np.array(getattr(run.table, run.name)))


def test_a_constant_is_moved_for_a_while() -> None:
    before = MET.high
    with moved(Run("high", MET, "high", 0.5)):
        assert MET.high == 0.5
    assert MET.high == before


def test_what_work_meets_moves_the_latch_and_nothing_else() -> None:
    fleets = fleets_of([make_fleet("plateau", machines=2, days=24, seed=14, interval_s=300.0)], every_days=10)
    found = looks_of(fleets, [run for run in runs() if run.label == "usual_shifts off"])
    before, other = found[AS_IT_IS], found["usual_shifts off"]
    assert [look.level_pa for look in before] == [look.level_pa for look in other]
    assert any(now.met.middle != then.met.middle for now, then in zip(other, before, strict=True))
    cells = [cell.strip() for cell in line("x", before, before, None).strip("|").split("|")]
    assert cells[3:] == ["0.00 %, +0.0 %", "0.00 %, +0.0 %", "0.00 %", ""]


@pytest.mark.parametrize("table", [FLOW, HELD])
def test_with_a_constant_moved_the_rules_find_another_level(table: object) -> None:
    name, value = ("short_level", (0.5, 0.1)) if table is FLOW else ("speed_step", 40.0)
    fleets = fleets_of([make_fleet("plateau", machines=3, days=24, seed=14, interval_s=300.0)], every_days=10)
    before = looks_of(fleets)[AS_IT_IS]
    with moved(Run(name, table, name, value)):
        other = looks_of(fleets)[AS_IT_IS]
    assert [look.level_pa for look in other] != [look.level_pa for look in before]
