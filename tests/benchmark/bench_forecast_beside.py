"""
The forecast beside other ways on the benches of `tests/benches/laws.py`: error, bias, cost, interval, ranges.

    python -m tests.benchmark.bench_forecast_beside [--lives 4,16,40] [--repeats 6] [--seed 1000]
        [--bench NAME] [--no-learners] [--by-label]

- RMSE: of each judged life, and the mean over lives. Bias: mean of forecast minus truth; above 0 is late.
- Cost: an hour early costs 1, an hour late 3, as for the dates of `tests/fleets/score.py`.
- Holds: share of rows whose truth lies in the 80 % interval, mean over lives. Look-up and mean life have the
  10 and 90 % points of their errors on the lives that they learned from. The others have no interval.
- A range is 95 %, by drawing repeats and then their judged lives again, DRAWS times.
- "of it" is the RMSE of the forecast over that of the way, over the same draws: above 1 the forecast loses,
  and where all of the range is above 1, the line says so.
  Both are over the repeats in which there was enough to learn from for both ways.
The first ROWS_SKIPPED rows of a life are not scored. `tests/benches/FIGURES.md` has the figures.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.evaluate.baselines import fit_baselines
from cleanside.ingest.restriction.forecast.forecast import fit_forecaster
from tests.benches.form import Bench, MadeLife, as_life
from tests.benches.laws import BENCHES
from tests.benches.rivals import fit_rivals

ROWS_SKIPPED = 10
LATE_COSTS = 3.0
DRAWS = 1000
LIVES = {"compressible cake": "5,15,40", "depth then cake": "4,16,40", "few and cleaned": "1,2,4,8,16"}
FORECAST = "forecast"
SIMPLE = ("mean life minus age", "level look-up")
WAYS = (FORECAST, *SIMPLE, "survival curve", "Weibull curve", "forest", "boosting")
MEASURES = ("rmse", "bias", "cost", "holds")

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
#: hours left at each row: early, middle, late; shape (3, n). NaN: no interval
Way = Callable[[MadeLife], Array]
#: measure -> way -> shape (repeats, judged lives); NaN where a way needs more than it was given
Scores = Mapping[str, Mapping[str, Array]]


@dataclass(frozen=True, kw_only=True)
class Ranged:
    """A figure and its range."""

    value: float
    low: float
    high: float


def judge(bench: Bench, *, lives: int, repeats: int, seed: int, learners: bool = True) -> Scores:
    """Every way on every judged life of every repeat."""
    of_way: dict[str, dict[int, Array]] = {name: {} for name in WAYS}
    for repeat in range(repeats):
        learned, judged = bench(np.random.default_rng([seed, repeat]), lives)
        for name, way in fit(learned, learners=learners).items():
            of_way[name][repeat] = np.array([_scores(way(life), life) for life in judged])
        missing = np.full((len(judged), len(MEASURES)), np.nan)
    return {
        measure: {
            name: np.stack([of.get(repeat, missing)[:, place] for repeat in range(repeats)])
            for name, of in of_way.items()
        }
        for place, measure in enumerate(MEASURES)
    }


def fit(learned: Sequence[MadeLife], *, learners: bool) -> dict[str, Way]:
    """The ways that these lives are enough for."""
    lives = [as_life(life) for life in learned]
    forecaster, baselines = fit_forecaster(lives), fit_baselines(lives)

    def forecast(life: MadeLife) -> Array:
        points = forecaster.hours_left(
            life.hours, life.restriction, terminal_pa=life.terminal, kind=life.group
        )
        return np.asarray(points).T

    def simple(name: str) -> Way:
        def guess(life: Life) -> Array:
            share = life.restriction_pa / life.terminal_pa
            return np.asarray(baselines[name](life.hours, share, life.kind))

        low, high = _margins(guess, lives)
        return lambda life: np.maximum(guess(as_life(life)) + np.array([[low], [0.0], [high]]), 0.0)

    def bare(rival: Callable[[Life], Array]) -> Way:
        off = np.array([[np.nan], [0.0], [np.nan]])
        return lambda life: rival(as_life(life)) + off

    rivals = fit_rivals(lives, learners=learners)
    return {
        FORECAST: forecast,
        **{name: simple(name) for name in SIMPLE if name in baselines},
        **{name: bare(rival) for name, rival in rivals.items()},
    }


def _margins(guess: Callable[[Life], Array], lives: Sequence[Life]) -> tuple[float, float]:
    """10 and 90 % points of truth minus guess on whole lives, each life counting once; NaN: there is none."""
    shares = np.linspace(0.0, 1.0, 50)
    errors = [
        np.quantile(life.hours[-1] - life.hours - guess(life), shares) for life in lives if life.complete
    ]
    if not errors:
        return float("nan"), float("nan")
    low, high = np.quantile(np.concatenate(errors), (0.1, 0.9))
    return float(low), float(high)


def _scores(points: Array, life: MadeLife) -> tuple[float, float, float, float]:
    """As `MEASURES` names them."""
    truth = life.hours_left[ROWS_SKIPPED:]
    early, middle, late = points[:, ROWS_SKIPPED:]
    off = middle - truth
    cost = np.where(off > 0, LATE_COSTS * off, -off)
    holds = np.nan if np.isnan(early).any() else float(np.mean((early <= truth) & (truth <= late)))
    return float(np.sqrt(np.mean(off**2))), float(np.mean(off)), float(np.mean(cost)), holds


def ranged(values: Array, over: Array | None = None) -> Ranged:
    """Mean over all that is known, or the ratio of two such means, with its range; shape (repeats, lives)."""
    rng = np.random.default_rng(1)
    known = ~np.isnan(values).any(axis=1) & (True if over is None else ~np.isnan(over).any(axis=1))
    if not known.any():
        return Ranged(value=np.nan, low=np.nan, high=np.nan)
    values, over = values[known], None if over is None else over[known]

    def figure(rows: Ints, columns: Ints) -> float:
        top = float(np.mean(values[rows, columns]))
        return top if over is None else top / float(np.mean(over[rows, columns]))

    repeats, lives = values.shape
    drawn = [
        figure(rng.integers(repeats, size=(repeats, 1)), rng.integers(lives, size=(repeats, lives)))
        for _ in range(DRAWS)
    ]
    low, high = np.quantile(drawn, (0.025, 0.975))
    every = np.arange(repeats)[:, None], np.arange(lives)[None, :]
    return Ranged(value=figure(*every), low=float(low), high=float(high))


def by_label(name: str, found: Scores) -> dict[str, Scores]:
    """The scores of each label alone. A bench has the same labels in the same places in every repeat."""
    _, judged = BENCHES[name](np.random.default_rng(0), 1)
    places: dict[str, list[int]] = {}
    for place, life in enumerate(judged):
        places.setdefault(f"{name}, {life.group or 'no label'}", []).append(place)
    return {
        label: {m: {way: of[:, those] for way, of in ways.items()} for m, ways in found.items()}
        for label, those in places.items()
    }


def table(name: str, lives: int, found: Scores) -> list[str]:
    """A line a way, as Markdown."""
    lines = []
    for way in WAYS:
        rmse = ranged(found["rmse"][way])
        if np.isnan(rmse.value):
            continue
        cells = [_hours(rmse), _hours(ranged(found["bias"][way]), "+"), _hours(ranged(found["cost"][way]))]
        cells += [_percent(ranged(found["holds"][way])), _beside(found["rmse"], way)]
        lines.append(f"| {name} | {lives} | {way} | {' | '.join(cells)} |")
    return lines


def _beside(rmse: Mapping[str, Array], way: str) -> str:
    if way == FORECAST:
        return ""
    ratio = ranged(rmse[FORECAST], rmse[way])
    word = ", beats it" if ratio.low > 1 else ""
    return f"{ratio.value:.2f} ({ratio.low:.2f} to {ratio.high:.2f}){word}"


def _hours(figure: Ranged, sign: str = "") -> str:
    return f"{figure.value:{sign}.1f} ({figure.low:{sign}.1f} to {figure.high:{sign}.1f})"


def _percent(figure: Ranged) -> str:
    if np.isnan(figure.value):
        return "-"
    return f"{100 * figure.value:.0f} % ({100 * figure.low:.0f} to {100 * figure.high:.0f})"


def main(words: Sequence[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description="the forecast beside other ways, on benches by law")
    parser.add_argument("--bench", choices=BENCHES, help="only this one")
    parser.add_argument("--lives", metavar="N,N", help="lives to learn from; default: as the bench is meant")
    parser.add_argument("--repeats", type=int, default=6)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--by-label", action="store_true", help="the judged lives of each label alone")
    parser.add_argument("--no-learners", action="store_true", help="without forest and boosting, faster")
    given = parser.parse_args(words)
    print("| bench | lives | way | RMSE [h] | bias [h] | cost [h] | 80 % holds | forecast's RMSE of it |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- |")
    for name in [given.bench] if given.bench else BENCHES:
        for lives in map(int, (given.lives or LIVES[name]).split(",")):
            found = judge(
                BENCHES[name],
                lives=lives,
                repeats=given.repeats,
                seed=given.seed,
                learners=not given.no_learners,
            )
            parts = by_label(name, found) if given.by_label else {name: found}
            print("\n".join(line for part in parts for line in table(part, lives, parts[part])), flush=True)
    return 0


if __name__ == "__main__":
    main()
