"""
What each constant of the forecast is worth: switched off one at a time, on benches on which it was tuned.

Each constant gets a value with which it does nothing; printed is how much larger the error is without it
(mean of ln(RMSE) over cells, and the most of a cell) and what the 80 % interval then holds. Lives judged are
not learned from. Every cell has some whole lives, so what serves censored lives alone shows no cost here.

    python -m tests.benchmark.bench_forecast_ablation [--repeats 1] [--seed 11] [NAME ...]
"""

from __future__ import annotations

import argparse
import importlib
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import numpy as np

from cleanside.ingest.restriction.forecast.forecast import fit_forecaster
from tests.benches import scored, tuning
from tests.benches.form import Bench, as_life

ROOM = "cleanside.ingest.restriction.forecast."
ROWS_SKIPPED = 10
TINY, HUGE = 1e-9, 1e9
#: bench and lives to learn from
CELLS: tuple[tuple[Bench, int], ...] = (
    (tuning.unequal_noise, 8),
    (tuning.twin_batches, 8),
    (tuning.censored_kinds, 12),
    (tuning.passing_dust, 8),
    (scored.blocking_laws, 4),
    (scored.campaigns, 12),
    (tuning.exponential_sites, 5),
    (tuning.near_sites, 15),
)
#: file and constants, each with the value that switches it off
OFF: Mapping[str, Mapping[str, Any]] = {
    "blend": {
        "SET_LIVES": TINY,
        "WIDEN_PULL_LIVES": 0.0,
        "NARROW_PULL_LIVES": 0.0,
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
        "MOST_FREEDOM": HUGE,
        "SHOWS_FROM": -1.0,
    },
    "modes": {"PRIOR_LIVES": TINY, "LEAST_LIVES": 1.0},
    "pace": {"POOLING_LIVES": 0.0, "EARLY_SHARE": 0.0, "REWEIGHTINGS": 0, "LEAST_RELATIVE_ERROR": TINY},
    "paths": {"CLEAN_PULL_ROWS": 1e-3, "FIRST_SCATTER": TINY, "LEAST_ROWS": 2},
    "prior": {"TAIL": HUGE, "SLOPE_SPREAD": HUGE, "LEVEL_ERROR": 1e-4},
    "spread": {
        "POOLING_LIVES": HUGE,
        "RANK_LIVES": HUGE,
        "LEAST_SEEN_SHARE": HUGE,
    },
    "twins": {"TWINS": HUGE, "LEAST_TWINS": HUGE, "MOST_APART": HUGE},
    "usual": {
        "PRIOR_LIVES": TINY,
        "KINDS_APART": TINY,
        "NEW_KIND_CURVE": 1.0,
        "MOST_OF_A_KIND": HUGE,
        "LEAST_HEARD": TINY,
        "MEAN_CURVE_LIVES": TINY,
        "MEAN_CURVE_PULL_LIVES": 0.0,
        "MEAN_CURVE_SPREAD": 0.0,
        "LEAST_PROGRESS_ERROR": TINY,
        "CURVE_LIVES": TINY,
        "SLOPE_LIVES": 0.0,
        "SHAPE_LIVES": TINY,
        "LEAST_SHAPE_SPREAD": 0.0,
        "INDEPENDENT": 1.0,
        "ODD": HUGE,
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


def score(repeats: int, seed: int) -> tuple[np.ndarray, float]:
    """ln(RMSE) of each cell, and the share of rows that the 80 % interval holds."""
    errors, held = [], []
    for bench, lives in CELLS:
        for repeat in range(repeats):
            learned, judged = bench(np.random.default_rng([seed, repeat]), lives)
            forecaster = fit_forecaster([as_life(life) for life in learned])
            each = []
            for life in map(as_life, judged):
                points = forecaster.hours_left(
                    life.hours, life.restriction_pa, terminal_pa=life.terminal_pa, kind=life.kind
                )[ROWS_SKIPPED:]
                truth = (life.hours[-1] - life.hours)[ROWS_SKIPPED:]
                each.append(float(np.sqrt(np.mean((points[:, 1] - truth) ** 2))))
                held.append(float(np.mean((points[:, 0] <= truth) & (truth <= points[:, 2]))))
            errors.append(np.log(np.mean(each)))
    return np.array(errors), float(np.mean(held))


def main(arguments: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="The constants of the forecast, switched off one at a time.")
    parser.add_argument("names", nargs="*", metavar="NAME", help="only these; default: all")
    parser.add_argument("--repeats", type=int, default=1)
    parser.add_argument("--seed", type=int, default=11)
    given = parser.parse_args(arguments)
    base, held = score(given.repeats, given.seed)
    print(f"{'nothing':32}{'':>10}{'':>10}{100 * held:>8.1f} %", flush=True)
    for file, constants in OFF.items():
        for name, value in constants.items():
            if given.names and name not in given.names:
                continue
            with switched_off(file, name, value):
                errors, held = score(given.repeats, given.seed)
            cost = errors - base
            label = f"{file}.py {name}"
            print(
                f"{label:32}{100 * cost.mean():>+8.2f} %{100 * cost.max():>+8.2f} %{100 * held:>8.1f} %",
                flush=True,
            )


if __name__ == "__main__":
    main()
