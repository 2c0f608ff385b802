"""An element that is missing after a service is reported every evening, with and without an entry."""

from __future__ import annotations

import dataclasses
import functools

import numpy as np
import pytest

from cleanside.ingest.restriction import (
    Entry,
    FleetKnowledge,
    HourSummary,
    HousingFacts,
    Life,
    assess_housing,
    learn_fleet,
    summarise_hours,
)
from tests.support.demo_machine import changed_at_s, demo_readings, spec_of, terminal_pa_of

DAY_S = 86_400.0
EVENINGS = 14
DAYS = 11 + EVENINGS
SPEC = spec_of("loader-02")
CHANGED_S = changed_at_s(SPEC, days=DAYS)
TERMINAL_PA = terminal_pa_of(SPEC)
MISSING = 0.36  # of what the element would read


@functools.cache
def summaries(share: float, used: float = SPEC.used_at_fitting) -> tuple[HourSummary, ...]:
    """
    The demo's loader, from the change on at a share of what its new element would read.

    used : share of the first element's life that was behind it at fitting.
    """
    spec = dataclasses.replace(SPEC, used_at_fitting=used)
    readings = demo_readings(spec, days=DAYS, factor=lambda at_s: np.where(at_s >= CHANGED_S, share, 1.0))
    return tuple(summarise_hours(readings))


@functools.cache
def loaders() -> FleetKnowledge:
    """Three whole lives of other loaders, from a clean level of 2 kPa."""
    hours = np.arange(1.0, 211.0)
    level = 2000.0 + (TERMINAL_PA - 2000.0) * np.expm1(2.2 * hours / 210) / np.expm1(2.2)
    life = Life(hours=hours, restriction_pa=level, terminal_pa=TERMINAL_PA, complete=True, kind="loader")
    shares = {"loader-11": 0.95, "loader-12": 1.0, "loader-13": 1.05}
    return learn_fleet(
        [dataclasses.replace(life, machine=name, restriction_pa=level * f) for name, f in shares.items()]
    )


def evenings_told(
    share: float, entries: tuple[Entry, ...], fleet: FleetKnowledge, *, used: float = SPEC.used_at_fitting
) -> int:
    facts = HousingFacts(
        terminal_pa=TERMINAL_PA, entries=entries, fleet=fleet, machine=SPEC.name, kind=SPEC.kind
    )
    told = 0
    for evening in range(1, EVENINGS + 1):
        now_s = CHANGED_S // DAY_S * DAY_S + evening * DAY_S
        seen = [summary for summary in summaries(share, used) if summary.hour_s < now_s]
        found = assess_housing(seen, facts, now_s=now_s)
        told += any(suspicion.cause == "below_clean" for suspicion in found.study.suspicions)
    return told


@pytest.mark.parametrize("late_h", [-0.1, 4.5], ids=["on time", "at the end of the shift"])
def test_a_missing_element_is_reported_after_an_entered_change(late_h: float) -> None:
    assert evenings_told(MISSING, (Entry(at_s=CHANGED_S + 3600 * late_h),), loaders()) >= 13


@pytest.mark.parametrize("fleet", [True, False], ids=["its kind is known", "nothing is known"])
def test_a_missing_element_is_reported_after_an_entered_cleaning(fleet: bool) -> None:
    """An element that was taken out to be cleaned, and not put back."""
    cleaned = Entry(at_s=CHANGED_S - 300, what="cleaned")
    assert evenings_told(0.03, (cleaned,), loaders() if fleet else FleetKnowledge()) >= 13


def test_a_missing_element_is_reported_without_an_entry() -> None:
    assert evenings_told(MISSING, (), loaders()) >= 13


def test_a_missing_element_is_reported_on_a_machine_whose_own_first_element_was_seen_from_new() -> None:
    """Nothing is learned of its kind; the first element was entered on the day of fitting."""
    fitted = Entry(at_s=summaries(MISSING, used=0.0)[0].hour_s - 3600.0)
    entries = (fitted, Entry(at_s=CHANGED_S - 300))
    assert evenings_told(MISSING, entries, FleetKnowledge(), used=0.0) >= 13


@pytest.mark.parametrize("share", [1.0, 0.75])
def test_a_new_element_that_reads_lower_than_its_kind_is_no_missing_one(share: float) -> None:
    """Elements differ: 0.7 to 1.1 of each other in the open field series."""
    assert evenings_told(share, (Entry(at_s=CHANGED_S - 300),), loaders()) == 0


def test_the_first_shift_after_a_change_has_a_verdict_of_its_own() -> None:
    evening_s = CHANGED_S // DAY_S * DAY_S + DAY_S
    entries = (Entry(at_s=CHANGED_S - 300),)
    facts = HousingFacts(terminal_pa=TERMINAL_PA, entries=entries, fleet=loaders(), kind=SPEC.kind)
    verdicts = {}
    for share in (1.0, MISSING, 2.9):
        seen = [summary for summary in summaries(share) if summary.hour_s < evening_s]
        [weighed] = assess_housing(seen, facts, now_s=evening_s).study.entries
        verdicts[share] = weighed.verdict
    assert verdicts == {1.0: "fits", MISSING: "too_low", 2.9: "did_not_fall"}


def test_figures_stay_at_the_last_trusted_ones_while_a_fault_is_suspected() -> None:
    """
    Four days into its life a loader reads a quarter of its level; light work is the likelier cause.

    The suspicion stands, so no figure is taken from those hours: the share used does not fall, the likely
    hours left do not grow, and the evidence names the fault first, as the advice does.
    """
    lost_s = CHANGED_S + 4 * DAY_S
    readings = demo_readings(SPEC, days=DAYS, factor=lambda at_s: np.where(at_s >= lost_s, 0.25, 1.0))
    every = summarise_hours(readings)
    facts = HousingFacts(terminal_pa=TERMINAL_PA, machine=SPEC.name, kind=SPEC.kind)
    before, after = (
        assess_housing([one for one in every if one.hour_s < at_s], facts, now_s=at_s).study
        for at_s in (lost_s, lost_s + 0.6 * DAY_S)
    )
    assert [suspicion.cause for suspicion in after.suspicions] == ["below_clean"]
    assert before.share_used_percent is not None
    assert after.share_used_percent == pytest.approx(before.share_used_percent, abs=0.5)
    assert after.restriction_pa is not None
    assert after.restriction_pa == pytest.approx(before.restriction_pa, rel=0.01)
    assert after.newest_in_doubt is not None
    assert after.newest_in_doubt.restriction_pa < 0.3 * after.restriction_pa
    assert after.hours_left is not None
    assert before.hours_left is not None
    assert after.hours_left.p50 < before.hours_left.p50
    [step] = [said for said in after.evidence if said.code.startswith("step_")]
    assert (step.code, step.values["likely"], step.values["runner"]) == ("step_warned", "low", "light")
    assert step.values["chance"] < step.values["runner_chance"]
