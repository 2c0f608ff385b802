"""The benches by law: lives in the form of `backtest`, that follow the laws they name."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import weibull_min

from cleanside.ingest import cli
from cleanside.ingest.restriction.elements.lives import Life
from tests.benches.form import MadeLife
from tests.benches.laws import BENCHES, TERMINAL, _depth_then_cake
from tests.benches.rivals import fit_rivals
from tests.benchmark.bench_forecast_beside import by_label, fit, judge, ranged, table


def made(name: str, count: int = 12) -> tuple[list[MadeLife], list[MadeLife]]:
    learned, judged = BENCHES[name](np.random.default_rng([7, 0]), count)
    return list(learned), list(judged)


def write(folder: Path, lives: list[MadeLife], *, with_truth: bool) -> Path:
    folder.mkdir()
    for place, life in enumerate(lives):
        with (folder / f"{place:03d}.csv").open("w", newline="") as file:
            rows = csv.writer(file)
            rows.writerow(["hours", "restriction", "site", *(["hours_left"] if with_truth else [])])
            left = life.hours_left if with_truth else np.zeros(len(life.hours))
            for hours, level, truth in zip(life.hours, life.restriction, left, strict=True):
                rows.writerow([hours, level, life.group or "one", *([truth] if with_truth else [])])
    return folder


@pytest.mark.parametrize("name", BENCHES)
def test_backtest_takes_the_lives_as_files(name: str, tmp_path: Path) -> None:
    learned, judged = made(name)
    train = write(tmp_path / "train", learned, with_truth=False)
    test = write(tmp_path / "test", judged[:4], with_truth=True)
    words = ["backtest", "--train", str(train), "--test", str(test), "--terminal", str(TERMINAL)]
    assert cli.main([*words, "--unit", "kPa", "--group", "site", "--skip-rows", "10"]) == 0


@pytest.mark.parametrize("name", BENCHES)
def test_the_truth_ends_at_zero_and_lives_to_learn_from_are_as_many_as_asked_for(name: str) -> None:
    for count in (1, 2, 7):
        learned, judged = made(name, count)
        assert len(learned) == count
        assert len(judged) == 20
        assert all(life.complete and life.hours_left[-1] == 0 for life in judged)
        assert all(np.all(np.diff(life.hours) > 0) for life in (*learned, *judged))


def test_half_of_the_lives_with_seasons_are_censored() -> None:
    learned, _ = made("depth then cake", 200)
    assert 0.4 < np.mean([life.complete for life in learned]) < 0.6


def test_twins_of_a_batch_are_alike_and_batches_are_not() -> None:
    learned, _ = made("compressible cake", 60)
    ends = np.log([life.hours[-1] for life in learned]).reshape(-1, 5)
    assert ends.std(axis=1).mean() < 0.06
    assert ends.mean(axis=1).std() > 0.3


def test_depth_is_exponential_and_the_cake_straight() -> None:
    dust = np.linspace(0.0, 1.0, 11)
    level = _depth_then_cake(dust, 0.25, 0.8, 0.5)
    assert np.diff(np.log(level[:5])) == pytest.approx(0.16)
    assert np.diff(level[5:], n=2) == pytest.approx(0.0, abs=1e-12)
    assert (level[0], level[-1]) == pytest.approx((0.25, 1.0))


def test_the_weibull_curve_is_that_of_a_library() -> None:
    """scipy's fit by maximum likelihood; the median of what is left by the definition of the curve."""
    lengths = 500.0 * np.random.default_rng(3).weibull(2.0, 60)
    lives = [
        Life(hours=np.array([0.0, end]), restriction_pa=np.array([1.0, 6.2]), terminal_pa=6.2, complete=True)
        for end in lengths
    ]
    shape, _, scale = weibull_min.fit(lengths, floc=0)
    ages = np.array([0.0, 200.0, 600.0])
    wanted = weibull_min.isf(0.5 * weibull_min.sf(ages, shape, scale=scale), shape, scale=scale) - ages
    asked = Life(hours=ages, restriction_pa=np.ones(3), terminal_pa=6.2, complete=False)
    assert fit_rivals(lives, learners=False)["Weibull curve"](asked) == pytest.approx(wanted, rel=0.02)


def test_a_range_holds_its_figure_and_a_ratio_is_of_the_same_draws() -> None:
    values = np.random.default_rng(1).gamma(2.0, size=(4, 20))
    figure = ranged(values)
    assert figure.low < figure.value < figure.high
    assert figure.value == pytest.approx(values.mean())
    ratio = ranged(2 * values, values)
    assert (ratio.low, ratio.value, ratio.high) == pytest.approx((2.0, 2.0, 2.0))


def test_a_table_has_a_line_for_each_way_that_the_lives_are_enough_for() -> None:
    found = judge(BENCHES["few and cleaned"], lives=3, repeats=1, seed=7, learners=False)
    ways = [line.split(" | ")[2] for line in table("few and cleaned", 3, found)]
    learned, _ = BENCHES["few and cleaned"](np.random.default_rng([7, 0]), 3)
    assert set(ways) == set(fit(learned, learners=False))


def test_the_scores_of_all_labels_together_are_those_of_the_bench() -> None:
    found = judge(BENCHES["compressible cake"], lives=4, repeats=1, seed=7, learners=False)
    parts = by_label("compressible cake", found)
    assert sorted(label.split(", ")[1] for label in parts) == ["another site", "site 0", "site 1", "site 2"]
    together = np.concatenate([part["rmse"]["forecast"] for part in parts.values()], axis=1)
    assert np.sort(together) == pytest.approx(np.sort(found["rmse"]["forecast"]))
