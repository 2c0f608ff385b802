"""The date at which the indicator latches, beside the date of the limit at full flow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cleanside.ingest.restriction import Assessment, HousingFacts, Study, assess_housing
from cleanside.ingest.restriction.measure.met import Met, met_of
from cleanside.ingest.restriction.measure.tuning import MET
from tests.unit.ingest.restriction.verdict.test_looked import (
    CHANGE_H,
    DAYS,
    FACTS,
    MEETS,
    SHIFT_H,
    TERMINAL_PA,
    at_hour,
    full_flow_pa,
    look,
    said,
    studied,
    worked,
)

FULL_FLOW_KG_S = 0.4 * (1.0 / MEETS) ** (1 / 1.6)  # what the machine meets is 0.4
BY_FLOW = replace(FACTS, reference_flow=FULL_FLOW_KG_S, reference_kind="air_mass_flow")
LIVED_H = DAYS * SHIFT_H - CHANGE_H


def age_h(share: float) -> float:
    """At which so much of the restriction at full flow is at the limit, by the made curve. [h]"""
    from_h = np.arange(0.0, CHANGE_H, 0.1)
    return float(from_h[np.argmax(share * full_flow_pa(from_h) >= TERMINAL_PA)])


@pytest.fixture(scope="module")
def by_flow() -> Study:
    return studied(facts=BY_FLOW, summaries=worked(DAYS, flow=True))


def test_where_work_stays_below_full_flow_the_indicator_latches_later_by_as_much(by_flow: Study) -> None:
    due, latch = by_flow.hours_left, by_flow.latch_hours_left
    assert due is not None
    assert latch is not None
    higher = studied(
        facts=replace(BY_FLOW, terminal_pa=TERMINAL_PA / MEETS), summaries=worked(DAYS, flow=True)
    ).hours_left
    assert higher is not None
    assert latch.p50 == pytest.approx(higher.p50, rel=0.1)
    assert latch.p50 > due.p50 + age_h(MEETS) - age_h(1.0)


def test_beside_a_limit_in_another_unit_nothing_is_said_that_is_measured_by_it() -> None:
    """6.2 kPa entered as inH2O: "used 357 %", with a date, and the lists said to plan by its indicator."""
    limit_pa = 6.2 * 249.08891
    found = studied(facts=replace(FACTS, terminal_pa=limit_pa, terminal_entered=(6.2, "inH2O")))
    assert [suspicion.cause for suspicion in found.suspicions] == ["terminal"]
    assert found.limit_in_doubt
    assert (found.share_used_percent, found.hours_left, found.latch_hours_left) == (None, None, None)
    assert not found.is_plan
    assert found.restriction_pa is not None


def test_where_the_readings_say_nothing_of_full_flow_both_are_nearly_one() -> None:
    found = studied()
    assert found.hours_left is not None
    assert found.latch_hours_left is not None
    assert found.latch_hours_left.p50 == pytest.approx(found.hours_left.p50, abs=8.0)


def test_no_hours_are_left_to_the_indicator_once_the_machine_met_the_limit(by_flow: Study) -> None:
    limit_pa = 0.95 * MEETS * float(full_flow_pa(np.array([LIVED_H - 1.0]))[0])
    found = studied(
        facts=replace(BY_FLOW, terminal_pa=limit_pa), summaries=worked(DAYS, flow=True)
    ).latch_hours_left
    assert found is not None
    assert (found.p10, found.p50) == (0.0, 0.0)
    assert by_flow.latch_hours_left != found


def test_both_dates_move_with_the_clock_alike() -> None:
    def seen(now_s: float) -> Assessment:
        return assess_housing(worked(DAYS), FACTS, now_s=now_s)

    before, after = seen(at_hour(DAYS * SHIFT_H)), seen(at_hour(DAYS * SHIFT_H) + 4 * 86_400.0)
    for dates in ("due_s", "latch_s"):
        assert getattr(after, dates).p50 > getattr(before, dates).p50
    assert assess_housing(worked(DAYS), HousingFacts(terminal_pa=None), now_s=0.0).latch_s is None


def test_looks_say_which_date_is_nearer() -> None:
    """Full flow was at 1.22 of the limit by the change, and the machine had met 1.06 of it."""
    summaries = worked(DAYS, flow=True)
    not_yet = look(age_h(MEETS) - 2.0, latched=False)
    found = studied(not_yet, facts=BY_FLOW, summaries=summaries)
    assert [values["chance"] > 0.8 for values in said(found, "indicator_by_met")] == [True]
    early = studied(look(age_h(0.94), latched=True), facts=BY_FLOW, summaries=summaries)
    assert len(said(early, "indicator_by_full_flow")) == 1
    assert not said(studied(facts=BY_FLOW, summaries=summaries), "indicator_by_met")


def test_what_shifts_meet_is_known_better_with_each_of_them() -> None:
    peak_pa, level_pa = np.full(200, 800.0), np.full(200, 1000.0)
    none, some = met_of(peak_pa[:0], level_pa[:0], MET), met_of(peak_pa, level_pa, MET)
    assert none == Met(MET.usual[0], float(np.hypot(MET.usual[1], MET.monitor_spread)))
    assert some.middle == pytest.approx(np.log(0.8), rel=0.1)
    assert some.spread < none.spread
    few = met_of(peak_pa[:25], level_pa[:25], MET)
    assert few.middle < few.middle / 2 + none.middle / 2
    assert met_of(0 * peak_pa, level_pa, MET) == none
