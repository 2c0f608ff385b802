"""
What each constant of the forecast is worth: switched off one at a time or together, on benches that tuned it.

Each constant gets a value with which it does nothing; printed is how much larger the error and the score of
the 80 % interval are without it (mean of their ln over cells, and the most of a cell) and what the interval
then holds. Lives judged are not learned from. `--cells` says of which benches the cells are: those on which
it was tuned; the same with few lives, or with 1 to 16; those that were opened for tuning; or shapes, kinds
not seen, few weeks and censored lives (`bench_generality`).

    python -m tests.benchmark.bench_forecast_ablation [--cells tuning|few|learning|opened|generality]
        [--repeats 1] [--seed 11] [--rows-skipped 10] [--together] [NAME ...]

A name is a constant, or its file and the constant with a point between.
"""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from functools import partial
from typing import Any, NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.forecast.forecast import fit_forecaster
from tests.benches import scored, tuning
from tests.benches.form import Bench, as_life
from tests.benchmark import bench_generality as generality

ROOM = "cleanside.ingest.restriction.forecast."
TINY, HUGE = 1e-9, 1e9
MISSED = 10.0  # 2 / 0.2: what each hour beyond the 80 % interval counts in its score
CENSORED = 0.5  # of the lives to learn from, as in `bench_generality`
#: lives to learn from and whole ones to judge
Cell = Callable[[np.random.Generator], tuple[list[Life], list[Life]]]


def _of_bench(bench: Bench, lives: int, rng: np.random.Generator) -> tuple[list[Life], list[Life]]:
    learned, judged = bench(rng, lives)
    return [as_life(life) for life in learned], [as_life(life) for life in judged]


def _of_shape(bench: generality.Bench, lives: int, rng: np.random.Generator) -> tuple[list[Life], list[Life]]:
    taught = generality.make_lives(rng, bench, lives, CENSORED)
    return [one.life for one in taught], [one.life for one in generality.make_judged(rng, bench)]


CELLS: Mapping[str, Sequence[Cell]] = {
    "tuning": [
        partial(_of_bench, bench, lives)
        for bench, lives in (
            (tuning.unequal_noise, 8),
            (tuning.twin_batches, 8),
            (tuning.censored_kinds, 12),
            (tuning.passing_dust, 8),
            (scored.blocking_laws, 4),
            (scored.campaigns, 12),
            (tuning.exponential_sites, 5),
            (tuning.near_sites, 15),
        )
    ],
    "few": [partial(_of_bench, bench, n) for bench in tuning.BENCHES.values() for n in (1, 2, 4)],
    "learning": [partial(_of_bench, bench, n) for bench in tuning.BENCHES.values() for n in (1, 2, 4, 8, 16)],
    "opened": [partial(_of_bench, bench, n) for bench in scored.OPENED.values() for n in (4, 16, 40)],
    "generality": [
        partial(_of_shape, bench, n) for bench in generality.BENCHES.values() for n in (3, 12, 25)
    ],
}
#: file and constants, each with the value that switches it off
OFF: Mapping[str, Mapping[str, Any]] = {
    "blend": {
        "SET_LIVES": TINY,
        "PULL_LIVES": 0.0,
        "TAIL_LIVES": 0.0,
        "STRETCHES": (TINY, HUGE),
    },
    "forecast": {
        "OTHER_KIND_WEIGHT": 0.0,
        "CLEAR_PROGRESS": TINY,
        "SHARPNESS": 0.0,
        "LEAST_WEIGHT": 0.0,
        "LEAST_STRANGE": 0.0,
        "NEW_KIND_WEIGHT": np.zeros(3),
        "DOUBT_KINDS": HUGE,
    },
    "kinds": {
        "LEAST_AGE_SPREAD": TINY,
        "STRANGE_SHARE": TINY,
        "BEFORE_LIVES": TINY,
        "SHOWS_FROM": -1.0,
    },
    "modes": {"PRIOR_LIVES": TINY},
    "pace": {"POOLING_LIVES": 0.0, "EARLY_SHARE": 0.0, "REWEIGHTINGS": 0, "LEAST_RELATIVE_ERROR": TINY},
    "paths": {"CLEAN_PULL_ROWS": 1e-3, "LEAST_ROWS": 2},
    "prior": {"TAIL": HUGE, "SLOPE_SPREAD": HUGE, "LEVEL_ERROR": 1e-4},
    "spread": {
        "POOLING_LIVES": HUGE,
        "LEAST_SEEN_SHARE": HUGE,
    },
    "twins": {"TWINS": 1.0 + TINY, "LEAST_TWINS": HUGE, "MOST_APART": HUGE},
    "usual": {
        "PRIOR_LIVES": TINY,
        "KINDS_APART": TINY,
        "NEW_KIND_CURVE": 1.0,
        "MOST_OF_A_KIND": HUGE,
        "MEAN_CURVE_LIVES": TINY,
        "MEAN_CURVE_PULL_LIVES": 0.0,
        "MEAN_CURVE_SPREAD": 0.0,
        "LEAST_PROGRESS_ERROR": TINY,
        "CURVE_LIVES": TINY,
        "SLOPE_LIVES": 0.0,
        "SHAPE_LIVES": TINY,
        "INDEPENDENT": 1.0,
    },
}


@contextmanager
def switched_off(file: str, name: str, value: Any) -> Iterator[None]:
    """The constant with another value, in its file and wherever it was imported."""
    origin = importlib.import_module(ROOM + file)
    before = getattr(origin, name)
    places = [
        m for key, m in sys.modules.items() if key.startswith(ROOM) and getattr(m, name, None) is before
    ]
    for place in places:
        setattr(place, name, value)
    try:
        yield
    finally:
        for place in places:
            setattr(place, name, before)


class Scores(NamedTuple):
    """ln of the error and of the interval's score in each cell, and the share of rows that it holds."""

    error: np.ndarray
    interval: np.ndarray
    held: float


def score(cells: Sequence[Cell], *, repeats: int, seed: int, rows_skipped: int) -> Scores:
    """Of the forecast as it is now."""
    errors, intervals, held = [], [], []
    for cell in cells:
        of_lives, of_intervals = [], []
        for repeat in range(repeats):
            learned, judged = cell(np.random.default_rng([seed, repeat]))
            forecaster = fit_forecaster(learned)
            for life in judged:
                points = forecaster.hours_left(
                    life.hours, life.restriction_pa, terminal_pa=life.terminal_pa, kind=life.kind
                )[rows_skipped:]
                truth = (life.hours[-1] - life.hours)[rows_skipped:]
                low, middle, high = points.T
                beyond = np.maximum(low - truth, 0.0) + np.maximum(truth - high, 0.0)
                of_lives.append(float(np.sqrt(np.mean((middle - truth) ** 2))))
                of_intervals.append(float(np.mean(high - low + MISSED * beyond)))
                held.append(float(np.mean(beyond == 0.0)))
        errors.append(np.log(np.mean(of_lives)))
        intervals.append(np.log(np.mean(of_intervals)))
    return Scores(np.array(errors), np.array(intervals), float(np.mean(held)))


def main(arguments: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="The constants of the forecast, switched off.")
    parser.add_argument("names", nargs="*", metavar="NAME", help="only these; default: all")
    parser.add_argument("--cells", choices=CELLS, default="tuning", help="on which benches")
    parser.add_argument("--together", action="store_true", help="in one run, instead of one at a time")
    parser.add_argument("--repeats", type=int, default=1)
    parser.add_argument("--seed", type=int, default=11)
    parser.add_argument("--rows-skipped", type=int, default=10, help="first rows of a life, not scored")
    given = parser.parse_args(arguments)
    judge = partial(
        score, CELLS[given.cells], repeats=given.repeats, seed=given.seed, rows_skipped=given.rows_skipped
    )
    base = judge()
    print(f"{'switched off':32}{'error':>10}{'most':>10}{'interval':>12}{'most':>10}{'holds':>10}")
    print(f"{'nothing':74}{100 * base.held:>8.1f} %", flush=True)
    chosen = [
        (file, name, value)
        for file, constants in OFF.items()
        for name, value in constants.items()
        if not given.names or {name, f"{file}.{name}"} & set(given.names)
    ]
    for some in [chosen] if given.together else [[one] for one in chosen]:
        with ExitStack() as off:
            for one in some:
                off.enter_context(switched_off(*one))
            found = judge()
        label = "all together" if given.together else f"{some[0][0]}.py {some[0][1]}"
        costs = [(now - then) for now, then in ((found.error, base.error), (found.interval, base.interval))]
        figures = "  ".join(f"{100 * cost.mean():>+8.2f} %{100 * cost.max():>+8.2f} %" for cost in costs)
        print(f"{label:32}{figures}{100 * found.held:>8.1f} %", flush=True)


if __name__ == "__main__":
    main()
