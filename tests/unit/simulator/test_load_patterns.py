"""The plan of a run says when every reading is due, and its report is enough to make it again."""

from __future__ import annotations

import json
import uuid
from itertools import pairwise

import numpy as np
import pytest

from cleanside.gateway import wire
from cleanside.simulator.errors import CalledWrongly
from cleanside.simulator.load_patterns import PATTERNS, LoadPlan, plan_of


def plan(pattern: str = "steady", **more: object) -> LoadPlan:
    usual: dict[str, object] = {"run": "a1b2c3", "seed": 7, "machines": 10, "interval_s": 2.0}
    usual |= {"duration_s": 60.0, "backlog": 100, "start_us": 1_772_434_800_000_000}
    return LoadPlan(pattern=pattern, **usual | more)  # type: ignore[arg-type]


@pytest.mark.parametrize("pattern", PATTERNS)
def test_every_sample_of_a_run_is_due_within_it(pattern: str) -> None:
    made = plan(pattern)
    for machine in range(made.machines):
        live = np.arange(made.backlog_of(machine) + 1, made.samples_of(machine) + 1)
        due_ms = made.due_ms(machine, live)
        assert len(live) == 30
        assert due_ms[0] >= 0
        assert due_ms[-1] < 60_000
        assert set(np.diff(due_ms)) == {2_000}


def test_a_backlog_was_due_before_the_run_and_joins_it_without_a_gap() -> None:
    made = plan("herd")
    assert [made.backlog_of(machine) for machine in (0, 8, 9)] == [100, 100, 0]
    due_ms = made.due_ms(0, np.arange(1, made.samples_of(0) + 1))
    assert due_ms[99] == made.phase_ms(0) - 2_000
    assert set(np.diff(due_ms)) == {2_000}


def test_machines_are_spread_over_an_interval() -> None:
    made = plan(machines=100)
    phases = sorted(made.phase_ms(machine) for machine in range(100))
    assert max(b - a for a, b in pairwise(phases)) < 2 * 2_000 / 100


def test_instants_are_whole_milliseconds_so_that_batches_go_in_columns() -> None:
    made = plan(interval_s=0.3337)
    assert not (made.at_us(3, np.arange(1, 100)) % 1000).any()


def test_a_stream_is_a_uuid_of_version_7_and_each_machine_has_its_own() -> None:
    made = plan(machines=50)
    names = {made.stream(machine) for machine in range(50)}
    assert {uuid.UUID(name).version for name in names} == {7}
    assert len(names) == 50
    assert all(wire.is_name(made.device(machine)) for machine in range(50))


def test_a_region_loses_its_link_and_the_others_do_not() -> None:
    made = plan("outage")
    assert made.link_out_s(0) == (15.0, 36.0)
    assert made.link_out_s(9) == (0.0, 0.0)


def test_a_plan_is_made_again_from_its_report() -> None:
    made = plan("outage")
    assert plan_of(json.loads(json.dumps({"plan": made.as_json()}))) == made


@pytest.mark.parametrize("document", [{}, {"plan": {"pattern": "steady"}}, {"plan": plan("gust").as_json()}])
def test_a_report_without_a_plan_is_called_wrongly(document: object) -> None:
    with pytest.raises(CalledWrongly):
        plan_of(document)
