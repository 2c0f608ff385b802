"""
A gauge that follows slowly: work in minutes is judged by the means of hours.

A first-order lag y' = (x - y) / tau has the gain 1 at rest, so it keeps the mean of what passes through it,
and lowers its peaks: after a step it is at 1 - exp(-t / tau) (K. Ogata, Modern Control Engineering, section
5-2, from memory).
"""

import dataclasses

import numpy as np
import pytest
from scipy.signal import lfilter

from cleanside.ingest.restriction import (
    HousingFacts,
    Labelled,
    Readings,
    Summaries,
    assess_housing,
    collect_shortfalls,
    summarise_hours,
)
from cleanside.ingest.restriction.measure.reference import (
    LAG_SPREAD,
    Reference,
    at_reference_flow,
    learn_reference,
)
from cleanside.ingest.restriction.measure.tuning import FLOW
from cleanside.ingest.restriction.measure.zero import still_falls

START_S = 1_772_431_200.0
STEP_S, FULL_FLOW, LEVEL_PA, EXPONENT = 30.0, 0.4, 4_000.0, 1.4
SHIFT_ROWS, STATE_ROWS = 8 * 120, 4  # eight hours; work in states of two minutes


def shifts(lag_s: float, *, days: int = 12, has_flow: bool = True) -> Summaries:
    """Shifts of work in bursts, with a quarter of an hour at rest after and before each."""
    chance, rest = np.random.default_rng(7), 30
    rows = SHIFT_ROWS + 2 * rest
    at_s = START_S + np.concatenate([day * 86_400.0 + STEP_S * np.arange(rows) for day in range(days)])
    runs = np.tile(np.r_[np.zeros(rest, bool), np.ones(SHIFT_ROWS, bool), np.zeros(rest, bool)], days)
    share = np.repeat(chance.choice((0.35, 0.6, 1.0), len(at_s) // STATE_ROWS + 1), STATE_ROWS)[: len(at_s)]
    flow = np.where(runs, FULL_FLOW * share, 0.0)
    true_pa = LEVEL_PA * (flow / FULL_FLOW) ** EXPONENT
    if lag_s:
        follows = 1.0 - np.exp(-STEP_S / lag_s)
        each = [lfilter([follows], [1.0, follows - 1.0], part) for part in np.split(true_pa, days)]
        true_pa = np.concatenate(each)
    given = {"supply_voltage_v": np.where(runs, 27.8, 25.0)}
    if has_flow:
        given |= {"air_mass_flow_kg_s": flow, "engine_speed_rad_s": np.where(runs, 180.0, 0.0)}
    return summarise_hours(
        Readings(at_s=at_s, restriction_pa=true_pa + chance.normal(0.0, 8.0, len(at_s)), **given)
    )


def level(table: Summaries, reference: Reference) -> float:
    return float(np.median(at_reference_flow(table, reference).restriction_pa)) / LEVEL_PA


@pytest.mark.parametrize("lag_s", [150.0, 240.0])
def test_a_gauge_that_lags_behind_the_work_shows_the_level_in_the_means_of_hours(lag_s: float) -> None:
    table = shifts(lag_s)
    reference = learn_reference(table, reference_flow=FULL_FLOW, reference_kind="air_mass_flow")
    assert reference.gauge_lags
    assert not reference.exponent_fitted  # steps of minutes show the gauge, not the element
    assert reference.exponent == FLOW.exponent[0]
    assert level(table, reference) == pytest.approx(1.0, abs=0.05)
    by_steps = dataclasses.replace(reference, gauge_lags=False, exponent=1.0)
    assert level(table, by_steps) < 0.8  # as it was judged before


def test_a_gauge_that_follows_is_judged_by_its_steps() -> None:
    table = shifts(0.0)
    reference = learn_reference(table, reference_flow=FULL_FLOW, reference_kind="air_mass_flow")
    assert not reference.gauge_lags
    assert reference.exponent_fitted
    assert reference.exponent == pytest.approx(EXPONENT, abs=0.03)
    assert level(table, reference) == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize(("flow", "kind"), [(FULL_FLOW, "air_mass_flow"), (None, None)])
def test_a_level_by_a_gauge_that_lags_is_less_sure(flow: float | None, kind: str | None) -> None:
    """With a flow, and without one, where nothing shows how far the peaks were missed."""
    table = shifts(240.0, has_flow=flow is not None)
    assert still_falls(table).any()
    lags = learn_reference(table, reference_flow=flow, reference_kind=kind)
    follows = dataclasses.replace(lags, gauge_lags=False)
    assert lags.gauge_lags
    assert lags.level_spread == pytest.approx(np.hypot(follows.level_spread, LAG_SPREAD))
    assert lags.met_share >= follows.met_share  # what the gauge does not follow, the indicator meets


@pytest.mark.parametrize(("lag_s", "teaches"), [(240.0, 0), (0.0, 1)])
def test_a_gauge_that_lags_teaches_no_other_machine_how_far_high_hours_lie_below_full_flow(
    lag_s: float, teaches: int
) -> None:
    labelled = Labelled("loader-1", "loader", shifts(lag_s, days=30), FULL_FLOW, "air_mass_flow")
    assert len(collect_shortfalls([labelled]).known) == teaches


@pytest.mark.parametrize(
    ("lag_s", "has_flow", "said"),
    [
        (240.0, True, {"sensor_follows_slowly"}),
        (240.0, False, {"sensor_misses_peaks"}),
        (0.0, True, set()),
        (0.0, False, set()),
    ],
)
def test_the_evidence_says_that_the_sensor_follows_slowly(
    lag_s: float, has_flow: bool, said: set[str]
) -> None:
    table = shifts(lag_s, has_flow=has_flow)
    facts = HousingFacts(terminal_pa=10_000.0)
    codes = {one.code for one in assess_housing(table, facts, now_s=START_S + 12 * 86_400.0).evidence}
    assert codes & {"sensor_follows_slowly", "sensor_misses_peaks"} == said
    assert ("flow_scaled" in codes) is (has_flow and not lag_s)
