"""Benches of no tuning: with few and censored lives the forecast stays ahead, its interval honest."""

import pytest

from tests.benches import scored
from tests.benchmark import bench_other_benches
from tests.benchmark.bench_generality import BENCHES, judge


@pytest.mark.parametrize("name", ["exponential", "knee", "stepped"])
def test_censored_lives_neither_blow_up_nor_shrink_the_interval(name):
    """25 lives, half of them ended early: the interval score stays below every baseline's."""
    found = judge(BENCHES[name], lives=25, censored=0.5, repeats=1, seed=20)
    assert found["rmse_against_best"] < 1.0
    assert found["interval_score_against_best"] < 1.0
    assert 0.65 <= found["coverage"] <= 1.0


def test_without_a_single_life_the_interval_is_finite_and_holds():
    found = judge(BENCHES["exponential"], lives=0, censored=0.0, repeats=1, seed=20)
    assert found["coverage"] > 0.8
    assert found["width_h"] < 10 * 500


def test_a_fleet_in_its_first_weeks_is_no_worse_off_than_with_nothing_learned():
    taught, nothing = (
        judge(BENCHES["first weeks"], lives=n, censored=0.0, repeats=1, seed=20) for n in (12, 0)
    )
    assert taught["rmse_h"] < 1.1 * nothing["rmse_h"]
    assert taught["coverage"] > 0.8


def test_for_a_kind_far_longer_than_any_learned_the_forecast_stays_ahead():
    found = judge(BENCHES["new kind, long"], lives=12, censored=0.5, repeats=1, seed=20)
    assert found["interval_score_against_best"] < 0.5
    assert found["coverage"] > 0.6


@pytest.mark.parametrize(("name", "holds"), [("unlike, long", 0.4), ("unlike, short", 0.3)])
def test_where_nobody_says_that_the_work_is_another_the_forecast_notices(name, holds):
    """Not before it shows; without noticing, the interval held half as often."""
    assert judge(BENCHES[name], lives=12, censored=0.5, repeats=2, seed=20)["coverage"] > holds


@pytest.mark.parametrize(("name", "lives"), [("service interval", 12), ("campaigns", 2)])
def test_on_a_bench_of_another_pen_it_beats_look_up_and_mean_life_and_the_interval_holds(name, lives):
    bench = {**scored.BENCHES, **scored.OPENED}[name]
    found = bench_other_benches.judge(bench, lives=lives, repeats=1, seed=1000, learners=False)
    best = min(found["level look-up"], found["mean life minus age"], found["survival curve"])
    assert found["rmse"] < best
    assert 0.7 <= found["coverage"] <= 1.0
