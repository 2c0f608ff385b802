"""The flow of an engine by its speed and load: the law fitted, and full flow where it was never met."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import least_squares

from cleanside.ingest.restriction import PackedHour, Readings, Summaries, summarise_hours
from cleanside.ingest.restriction.measure.load_response import (
    LoadResponse,
    WorkSteps,
    fit_response,
    usual_response,
)
from cleanside.ingest.restriction.measure.reference import (
    at_reference_flow,
    bin_flow,
    learn_reference,
    load_response,
)
from cleanside.ingest.restriction.measure.summary import BIN_TABLE
from cleanside.ingest.restriction.measure.tuning import FLOW
from tests.support.turbocharger import engine

START_S = 1_772_431_200.0
RATED_RAD_S = 220.0
DUCT_PA, MEDIUM_PA = 900.0, 2_100.0  # at full flow, together 3 kPa


def steps(response: LoadResponse, *, answer: float = 1.4, n: int = 400) -> WorkSteps:
    rng = np.random.default_rng(8)
    low, high = rng.uniform(0.4, 0.8, n), rng.uniform(0.6, 1.0, n)
    low_load, high_load = rng.uniform(0.1, 0.6, n), rng.uniform(0.3, 0.8, n)
    top = response.top_rad_s
    ln_drop = answer * np.log(response.flow(high * top, high_load) / response.flow(low * top, low_load))
    return WorkSteps(low * top, low_load, high * top, high_load, ln_drop, hours=60)


def worked(
    pressure_ratio: float,
    *,
    loads: tuple[float, float] = (0.1, 0.8),
    opens_at: tuple[float, float] = (1.0, 1.0),
    hours: int = 40,
) -> Readings:
    """Speeds and loads free of each other; full load is never met. The truth is a balance of powers."""
    rng = np.random.default_rng(3)
    n = 60 * hours
    speed = rng.choice([0.55, 0.7, 0.85, 0.95, 1.0], n // 3).repeat(3)
    load = np.round(rng.uniform(*loads, n // 3).repeat(3), 2)
    machine = engine(pressure_ratio, opens_at)
    known = {pair: machine.flow(*pair) for pair in set(zip(speed.tolist(), load.tolist(), strict=True))}
    flow = np.array([known[pair] for pair in zip(speed.tolist(), load.tolist(), strict=True)])
    drop = DUCT_PA * flow**2 + MEDIUM_PA * flow**1.1
    return Readings(
        at_s=START_S + 60.0 * np.arange(n, dtype=np.float64),
        restriction_pa=np.round((drop + rng.normal(0, 30, n)) / 50) * 50,
        engine_speed_rad_s=speed * RATED_RAD_S + rng.normal(0, 0.5, n),
        engine_load_ratio=load,
    )


def level_pa(summaries: Summaries, rated_rad_s: float | None = None) -> float:
    reference = learn_reference(summaries, reference_flow=rated_rad_s, reference_kind="engine_speed")
    return float(np.median(at_reference_flow(summaries, reference).restriction_pa))


def test_at_full_load_and_top_speed_flow_is_full() -> None:
    response = LoadResponse(unloaded=0.4, with_speed=0.7, with_load=1.0, top_rad_s=200.0)
    assert response.flow(np.array([200.0, 100.0]), np.array([1.0, 0.0])) == pytest.approx([200.0, 40.0])


@pytest.mark.parametrize(("unloaded", "with_speed"), [(0.4, 1.0), (0.5, 0.5), (0.45, 0.0), (0.35, 1.25)])
def test_the_law_is_found_from_how_restriction_goes_with_speed_and_load(unloaded, with_speed) -> None:
    true = LoadResponse(unloaded, with_speed, 1.0, 200.0)
    assert fit_response(steps(true), 200.0).response == pytest.approx(true, abs=0.01)


def test_the_slopes_are_those_of_the_law() -> None:
    """Against differences of the law itself."""
    response, by = LoadResponse(0.42, 0.8, 1.1, 200.0), 1e-6
    speed, load = np.array([90.0, 150.0, 200.0]), np.array([0.0, 0.4, 0.95])
    for column, name in enumerate(("unloaded", "with_speed", "with_load")):
        moved = response._replace(**{name: getattr(response, name) + by})
        slope = np.log(moved.flow(speed, load) / response.flow(speed, load)) / by
        assert response.slopes(speed, load)[:, column] == pytest.approx(slope, abs=1e-4)


def test_the_fit_is_that_of_general_least_squares() -> None:
    """scipy's solver on the same sum: residuals without outliers, and the prior."""
    made = steps(LoadResponse(0.4, 0.75, 1.1, 200.0))
    noisy = made._replace(ln_drop=made.ln_drop + np.random.default_rng(2).normal(0, 0.004, len(made.ln_drop)))
    usual, spread = np.transpose((FLOW.unloaded, FLOW.with_speed, FLOW.with_load, FLOW.exponent))
    share = np.sqrt(noisy.hours / len(noisy.ln_drop)) / FLOW.least_noise

    def left(of: np.ndarray) -> np.ndarray:
        unloaded, with_speed, with_load = of[:3].tolist()
        law = LoadResponse(unloaded, with_speed, with_load, 200.0)
        moved = np.log(
            law.flow(noisy.high_rad_s, noisy.high_load) / law.flow(noisy.low_rad_s, noisy.low_load)
        )
        return np.concatenate((share * (noisy.ln_drop - of[3] * moved), (of - usual) / spread))

    found = least_squares(left, usual)
    slopes = np.asarray(found.jac, dtype=np.float64)
    fitted = fit_response(noisy, 200.0)
    assert fitted.response[:3] == pytest.approx(found.x[:3], abs=0.01)
    assert np.sqrt(np.diag(fitted.covariance)) == pytest.approx(
        np.sqrt(np.diag(np.linalg.inv(slopes.T @ slopes))), rel=0.05
    )


def test_steps_in_any_order_give_the_same_law() -> None:
    made = steps(LoadResponse(0.4, 0.75, 1.0, 200.0))
    turned = WorkSteps(
        low_rad_s=made.low_rad_s[::-1],
        low_load=made.low_load[::-1],
        high_rad_s=made.high_rad_s[::-1],
        high_load=made.high_load[::-1],
        ln_drop=made.ln_drop[::-1],
        hours=made.hours,
    )
    assert fit_response(turned, 200.0).response == pytest.approx(fit_response(made, 200.0).response, rel=1e-9)


def test_without_steps_worth_judging_by_the_law_is_the_usual_one() -> None:
    found, usual = load_response(summarise_hours(worked(2.3, hours=1))), usual_response(RATED_RAD_S)
    assert found is not None
    assert found.response == pytest.approx(usual.response, rel=0.02)
    assert np.array_equal(found.covariance, usual.covariance)


@pytest.mark.parametrize("rated_rad_s", [None, RATED_RAD_S], ids=["learned", "entered"])
@pytest.mark.parametrize("pressure_ratio", [1.9, 2.3, 2.8])
def test_the_level_is_that_of_full_flow_though_the_engine_never_met_it(pressure_ratio, rated_rad_s) -> None:
    """Loads of 0.1 to 0.8, so 0.78 to 0.87 of full flow at most. Truth: a balance of powers."""
    summaries = summarise_hours(worked(pressure_ratio))
    assert level_pa(summaries, rated_rad_s) == pytest.approx(DUCT_PA + MEDIUM_PA, rel=0.12)


@pytest.mark.parametrize("pressure_ratio", [1.9, 2.3, 2.8])
@pytest.mark.parametrize("opens_at", [(1.0, 1.0), (0.7, 0.8)], ids=["no waste gate", "waste gate"])
def test_the_boost_follows_the_speed_unless_a_waste_gate_holds_it(pressure_ratio, opens_at) -> None:
    made = summarise_hours(worked(pressure_ratio, loads=(0.1, 0.95), opens_at=opens_at))
    fitted = load_response(made)
    assert fitted is not None
    assert (fitted.response.with_speed < 0.8) == (opens_at != (1.0, 1.0))
    assert level_pa(made) == pytest.approx(DUCT_PA + MEDIUM_PA, rel=0.22)


def test_the_spread_grows_with_what_lies_between_the_work_seen_and_full_flow() -> None:
    seen = [learn_reference(summarise_hours(worked(2.3, loads=(0.1, most)))) for most in (1.0, 0.8, 0.6)]
    spreads = [reference.level_spread for reference in seen]
    assert spreads == sorted(spreads)
    assert 0.03 < spreads[0] < 0.07
    assert spreads[-1] > 0.1


def test_readings_in_any_order_give_the_same_law() -> None:
    made = worked(2.3, hours=12)
    order = np.random.default_rng(1).permutation(len(made.at_s))
    assert made.restriction_pa is not None
    assert made.engine_speed_rad_s is not None
    assert made.engine_load_ratio is not None
    mixed = Readings(
        at_s=made.at_s[order],
        restriction_pa=made.restriction_pa[order],
        engine_speed_rad_s=made.engine_speed_rad_s[order],
        engine_load_ratio=made.engine_load_ratio[order],
    )
    assert learn_reference(summarise_hours(mixed)) == learn_reference(summarise_hours(made))


def before(packed: PackedHour) -> PackedHour:
    """An hour as an earlier release wrote it: without `unanswered`, with bins of five columns."""
    bins = np.frombuffer(packed.bins, dtype=BIN_TABLE)
    names = ["flow", "readings", "mean_pa", "p90_pa", "highest_pa"]
    old = np.empty(len(bins), dtype=[(name, BIN_TABLE[name]) for name in names])
    for name in names:
        old[name] = bins[name]
    return PackedHour(b"\x02" + packed.hour[1:-8], old.tobytes())


def test_hours_of_an_earlier_release_are_read_beside_those_of_today() -> None:
    """Until all hours know speed and load apart, the law of that release holds: no step between them."""
    made = summarise_hours(worked(2.3, hours=12))
    packed = made.packed()
    mixed = Summaries.unpacked([*map(before, packed[:6]), *packed[6:]])
    assert [hour.bins[0].speed_rad_s is None for hour in mixed] == [True] * 6 + [False] * 6
    assert np.array_equal(mixed.bins["mean_pa"], made.bins["mean_pa"])
    assert load_response(mixed) is None
    assert np.array_equal(bin_flow(mixed), made.bin_column("flow"))
    assert len(at_reference_flow(mixed, learn_reference(mixed)).hour_s) > 0
