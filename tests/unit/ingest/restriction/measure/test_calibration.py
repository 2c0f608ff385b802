"""The common error of a machine's levels, against integrals that scipy takes on its own."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import permutations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import integrate, stats

from cleanside.ingest.restriction.measure.calibration import (
    LN_DECADE,
    Calibration,
    Gauge,
    Latching,
    Likelihood,
    MachineLooks,
    Pointer,
    Prior,
    calibrate,
    looks_alone,
    prior_of,
)
from cleanside.ingest.restriction.measure.tuning import TUNING

LIMIT_PA = 6200.0
PRIOR = Prior(0.02, 0.14)


#: of a look, by c and d <= 0, arrays that broadcast
Density = Callable[[NDArray[np.float64], NDArray[np.float64]], NDArray[np.float64]]
#: steps of Simpson's rule; with ten times as many no mean or deviation here moves by 1e-6
STEPS = 400


def integrated(density: Density, prior: Prior) -> tuple[float, float]:
    """Mean and deviation of c by Simpson's rule, over six deviations of each normal error."""
    c = prior.middle + prior.spread * np.linspace(-6, 6, STEPS + 1)
    below = np.linspace(0, 6 * TUNING.met_below, STEPS + 1)
    met = stats.halfnorm.pdf(below, 0, TUNING.met_below) * density(c[:, np.newaxis], -below)
    weighed = stats.norm.pdf(c, prior.middle, prior.spread) * integrate.simpson(met, x=below)
    total, first, second = (float(integrate.simpson(weighed * c**power, x=c)) for power in range(3))
    return first / total, float(np.sqrt(second / total - (first / total) ** 2))


def by_latch(level_pa: float, *, latched: bool) -> Density:
    """Probit with the share of looks that are wrong, written out with scipy.stats."""

    def density(c: NDArray[np.float64], d: NDArray[np.float64]) -> NDArray[np.float64]:
        met = stats.norm.cdf(c + d + np.log(level_pa / LIMIT_PA), 0, TUNING.indicator_spread)
        right = met if latched else 1 - met
        return np.asarray((1 - TUNING.look_wrong) * right + TUNING.look_wrong / 2)

    return density


@pytest.mark.parametrize("share", [0.4, 0.85, 1.0, 1.3])
@pytest.mark.parametrize("latched", [True, False])
def test_what_an_indicator_says_is_the_integral_of_its_likelihood(share: float, latched: bool) -> None:
    level_pa = share * LIMIT_PA
    look = Latching(None, level_pa, LIMIT_PA) if latched else Latching(level_pa, None, LIMIT_PA)
    found = calibrate([look], PRIOR, TUNING)
    middle, spread = integrated(by_latch(level_pa, latched=latched), PRIOR)
    assert found.middle == pytest.approx(middle, abs=0.002)
    assert found.spread == pytest.approx(spread, abs=0.002)


def test_a_gauge_at_full_flow_weighs_with_the_prior_as_two_normal_errors_do() -> None:
    """The product of two normal densities (any textbook of statistics)."""
    sure = replace(TUNING, look_wrong=1e-9, gauge_at_full=1.0)
    found = calibrate([Gauge(4000.0, 4400.0, full_flow=True)], PRIOR, sure)
    precisions = np.array([PRIOR.spread**-2, TUNING.gauge_spread**-2])
    assert found.middle == pytest.approx(
        np.dot(precisions, [PRIOR.middle, np.log(1.1)]) / precisions.sum(), abs=1e-4
    )
    assert found.spread == pytest.approx(precisions.sum() ** -0.5, rel=1e-3)


@pytest.mark.parametrize("shown_pa", [2000.0, 3800.0, 4600.0])
def test_a_gauge_at_another_flow_only_bounds(shown_pa: float) -> None:
    """Evenly anywhere below what full flow shows, over a decade."""

    def density(c: NDArray[np.float64], d: NDArray[np.float64]) -> NDArray[np.float64]:
        below = stats.norm.sf(np.log(shown_pa / 4000.0), c + 0 * d, TUNING.gauge_spread)
        return np.asarray((1 - TUNING.look_wrong) * below + TUNING.look_wrong)

    found = calibrate([Gauge(4000.0, shown_pa, full_flow=False)], PRIOR, TUNING)
    most = max(PRIOR.middle, np.log(shown_pa / 4000.0))
    assert found.middle == pytest.approx(min(integrated(density, PRIOR)[0], most), abs=0.002)
    assert found.middle >= PRIOR.middle - 1e-9  # it never lowers the level


@pytest.mark.parametrize("full_flow", [False, True])
@pytest.mark.parametrize("shown", [0.5, 0.8, 0.95])
def test_a_gauge_that_shows_less_than_the_monitor_raises_no_machine(shown: float, full_flow: bool) -> None:
    before = Prior(0.0, 0.14)
    look = Gauge(4000.0, shown * 4000.0, full_flow=full_flow)
    assert calibrate([look], before, TUNING).middle <= 1e-9
    names = {"machine": "grader-07", "kind": "grader", "flow": "engine_speed"}
    alone = looks_alone([look], 0.14, TUNING, **names)
    assert alone is not None
    other = prior_of([alone], 0.14, TUNING, machine="hauler-21", kind="hauler", flow="engine_speed")
    assert other.middle <= 1e-9


def test_a_gauge_that_shows_less_takes_nothing_from_what_another_look_says() -> None:
    latched: Likelihood = Latching(None, 5000.0, LIMIT_PA)
    low: Likelihood = Gauge(4000.0, 3000.0, full_flow=False)
    alone, both = (calibrate(looks, PRIOR, TUNING).middle for looks in ([latched], [latched, low]))
    assert both == pytest.approx(alone, abs=1e-9)


def test_an_indicator_with_a_scale_shows_the_highest_that_was_met() -> None:
    def density(c: NDArray[np.float64], d: NDArray[np.float64]) -> NDArray[np.float64]:
        shown = stats.norm.pdf(np.log(5000.0 / 4600.0), c + d, TUNING.indicator_spread)
        return np.asarray((1 - TUNING.look_wrong) * shown + TUNING.look_wrong / LN_DECADE)

    found = calibrate([Pointer(4600.0, 5000.0)], PRIOR, TUNING)
    middle, spread = integrated(density, PRIOR)
    assert found.middle == pytest.approx(middle, abs=0.002)
    assert found.spread == pytest.approx(spread, abs=0.002)


def test_between_two_looks_the_limit_was_met() -> None:
    between = calibrate([Latching(5000.0, 5400.0, LIMIT_PA)], PRIOR, TUNING)
    later = calibrate([Latching(None, 5400.0, LIMIT_PA)], PRIOR, TUNING)
    assert between.spread < later.spread
    assert PRIOR.middle < between.middle


def test_a_look_that_the_levels_contradict_moves_little_and_is_likely_wrong() -> None:
    found = calibrate([Latching(None, LIMIT_PA / 3, LIMIT_PA)], Prior(0.0, 0.15), TUNING)
    assert abs(found.middle) < 0.005
    assert found.wrong[0] > 0.95
    fitting = calibrate([Latching(None, LIMIT_PA, LIMIT_PA)], Prior(0.0, 0.15), TUNING)
    assert fitting.middle > 0.05
    assert fitting.wrong[0] < 0.15


def test_without_a_look_the_prior_stands() -> None:
    assert calibrate([], PRIOR, TUNING) == Calibration(PRIOR.middle, PRIOR.spread)


LOOKS: Sequence[Likelihood] = (
    Latching(None, 6000.0, LIMIT_PA),
    Latching(5100.0, None, LIMIT_PA),
    Gauge(3000.0, 3300.0, full_flow=True),
    Pointer(4000.0, 4100.0),
)


def test_looks_in_any_order_say_the_same_to_the_last_bit() -> None:
    for order in permutations(range(len(LOOKS))):
        found = calibrate([LOOKS[place] for place in order], PRIOR, TUNING)
        assert found[:2] == calibrate(LOOKS, PRIOR, TUNING)[:2]


# ---------------------------------------------------------------- the fleet


SPREAD = 0.15


def machine(
    name: str, middle: float, precision: float, *, kind: str = "loader", flow: str = "none"
) -> MachineLooks:
    """middle [ln], precision [1/ln^2] : of what the looks say alone."""
    return MachineLooks(name, kind, flow, middle * precision * SPREAD, precision * SPREAD**2)


def expected(fleet: Sequence[MachineLooks], *, kind: str = "loader", spread: float = SPREAD) -> float:
    return prior_of(fleet, spread, TUNING, machine="this", kind=kind, flow="none").middle


@pytest.mark.parametrize("kind", ["x", "y", "z"])
def test_what_a_fleet_lets_expect_is_the_mean_of_the_joint_normal(kind: str) -> None:
    """Conditional mean of a multivariate normal (any textbook of statistics), with numpy's solver."""
    said = [("x", 0.2, 50.0), ("y", 0.1, 25.0), ("x", -0.1, 80.0), ("w", 0.3, 10.0)]
    fleet = [machine(f"m{place}", at, sure, kind=of) for place, (of, at, sure) in enumerate(said)]
    kinds = np.array([of for of, _, _ in said])
    between = TUNING.fleet_share + TUNING.kind_share * (kinds[:, None] == kinds[None, :])
    np.fill_diagonal(between, 1.0)
    seen = between + np.diag([1.0 / (sure * SPREAD**2) for _, _, sure in said])
    with_this = TUNING.fleet_share + TUNING.kind_share * (kinds == kind)
    means = np.array([at / SPREAD for _, at, _ in said])
    assert expected(fleet, kind=kind) == pytest.approx(SPREAD * with_this @ np.linalg.solve(seen, means))
    assert expected(fleet[::-1], kind=kind) == expected(fleet, kind=kind)


def test_a_fleet_of_one_says_little_and_one_of_many_nearly_all() -> None:
    one = expected([machine("a", 0.2, 100.0)])
    many = expected([machine(str(n), 0.2, 100.0) for n in range(40)])
    assert 0.0 < one < 0.1 < 0.18 < many < 0.2


@pytest.mark.parametrize("own", [0.02, 0.0247, 0.08, 0.14])
@pytest.mark.parametrize("others", [0.0247, 0.14])
def test_one_machine_whose_indicator_latched_moves_no_other_more_than_itself(
    own: float, others: float
) -> None:
    """
    In units of what each may be off: a normal job at a machine near its limit multiplied others by 1.10.

    Its own level, by speed and load, was known to 2.5 % and moved by 1 %.
    """
    look = Latching(None, 0.99 * LIMIT_PA, LIMIT_PA)
    itself = calibrate([look], Prior(0.0, own), TUNING).middle / own
    alone = looks_alone([look], own, TUNING, machine="hauler-34", kind="hauler", flow="speed_load")
    assert alone is not None
    for kind in ("hauler", "grader"):
        found = prior_of([alone], others, TUNING, machine="other", kind=kind, flow="speed_load")
        assert 0.0 < found.middle / others < 0.7 * itself
        assert found.machines == 1
        assert found.spread == others


def test_machines_of_the_same_kind_count_more_and_by_another_flow_not_at_all() -> None:
    fleet = [machine("a", 0.2, 100.0, kind="loader"), machine("b", -0.2, 100.0, kind="grader")]
    assert expected(fleet, kind="loader") > 0.0 > expected(fleet, kind="grader")
    assert expected([machine("a", 0.2, 100.0, flow="engine_speed")]) == 0.0


def test_a_machine_is_not_told_by_its_own_looks_twice() -> None:
    fleet = [machine("this", 0.3, 100.0)]
    assert prior_of(fleet, 0.15, TUNING, machine="this", kind="loader", flow="none") == Prior(0.0, 0.15, 0)


def test_what_looks_say_alone_times_the_prior_is_what_they_say_with_it() -> None:
    alone = looks_alone(LOOKS, 0.14, TUNING, machine="a", kind="x", flow="none")
    assert alone is not None
    together = calibrate(LOOKS, Prior(0.0, 0.14), TUNING)
    precision = alone.precision + 1.0
    in_spreads = together.middle / 0.14, together.spread / 0.14
    assert (alone.pull / precision, precision**-0.5) == pytest.approx(in_spreads)
    assert looks_alone([], 0.14, TUNING, machine="a", kind="x", flow="none") is None
