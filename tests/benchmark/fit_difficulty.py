"""
What the open data say for `simulator/difficulty.toml`: the noise, the wander, the wet spells and the shape.

    CLEANSIDE_DATA=... python -m tests.benchmark.fit_difficulty

Field: hourly operation of a gas turbine's intake filter, 2011 and 2012 (UCI data set 551, doi
10.24432/C5WC95, CC BY 4.0). The level is ln(AFDP) - 1.6 ln(CDP). Noise and wander are read from its
structure function, the squared scaled median deviation of x(t + h) - x(t) over lags of 1 to 300 operating
hours, pairs across an annotated change or the turn of the year left out, to which is fitted

    D(h) = 2 w^2 + 2 f^2 (1 - exp(-h / tf)) + d^2 (1 - cos(2 pi h / 24)) + 2 s^2 (1 - exp(-h / ts)):

white noise w, fast wander f over tf hours, a swing over the day of amplitude d, slow wander s over ts hours.
A median deviation, so the wet spells do not count as wander; those are listed apart: stretches more than
8 % above the running median of 201 hours, with their length and their peak.
Bench: 100 lives of a filter mat (Mauthe, Braig, Zeiler, ESREL 2022; MIT). The shape is the power p of the
share of life in (restriction - clean) / (terminal - clean) = u^p; how much lives of one feed differ in length
is the spread of their logarithms.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import median_filter
from scipy.optimize import least_squares, minimize_scalar

from tests.support.bench_data import run_rows

Floats = npt.NDArray[np.float64]

FLOW_EXPONENT = 1.6
LAGS_H = (
    1,
    2,
    3,
    4,
    6,
    8,
    10,
    12,
    15,
    18,
    21,
    24,
    30,
    36,
    42,
    48,
    60,
    72,
    84,
    96,
    120,
    144,
    168,
    200,
    240,
    300,
)
EDGE_ROWS = 3  # the annotation of a change is good to a few hours
SPELL, SPELL_WINDOW_ROWS = 0.08, 201
QUANTILES = (0.0, 0.25, 0.5, 0.75, 0.9, 1.0)
BENCH_TERMINAL_PA, BENCH_LIVES, LIVES_A_FEED = 600.0, 100, 25
START_S = 6.0  # the fan comes up to speed


def field_level(folder: Path) -> tuple[Floats, list[int]]:
    """ln of the level at one load, one row an operating hour, and the rows at which it may jump."""
    years = [np.genfromtxt(folder / f"gt_{year}.csv", delimiter=",", names=True) for year in (2011, 2012)]
    level = np.concatenate([np.log(y["AFDP"]) - FLOW_EXPONENT * np.log(y["CDP"]) for y in years])
    marks = np.genfromtxt(
        folder / "element_changes_annotated.csv", delimiter=",", names=True, dtype=None, encoding="utf-8"
    )
    jumps = [int(m["last_hour_index_before"]) for m in marks if m["judgement"] == "filter_change"]
    return level, [*jumps, len(years[0]) - 1]


def structure_function(level: Floats, jumps: list[int], lags_h: Floats) -> Floats:
    """Squared scaled median deviation of the differences over each lag, shape of lags_h. [1]"""
    found = []
    for lag in lags_h.astype(int):
        step = level[lag:] - level[:-lag]
        use = np.ones(len(step), dtype=bool)
        for row in jumps:
            use[max(0, row - lag + 1 - EDGE_ROWS) : row + 1 + EDGE_ROWS] = False
        step = step[use]
        found.append((1.4826 * np.median(np.abs(step - np.median(step)))) ** 2)
    return np.array(found)


def modelled(parameters: Floats, lags_h: Floats) -> Floats:
    """D(h) of the module's formula; parameters w, f, tf, d, s, ts."""
    w, f, tf, d, s, ts = parameters
    day = d**2 * (1 - np.cos(2 * np.pi * lags_h / 24))
    wander = f**2 * (1 - np.exp(-lags_h / tf)) + s**2 * (1 - np.exp(-lags_h / ts))
    return np.asarray(2 * w**2 + day + 2 * wander)


def fit_noise(level: Floats, jumps: list[int]) -> dict[str, float]:
    """Noise and wander of a level, by least squares on the logarithm of the structure function."""
    lags_h = np.array(LAGS_H, dtype=np.float64)
    seen = np.log(structure_function(level, jumps, lags_h))
    start = np.log([0.005, 0.02, 6.0, 0.015, 0.02, 100.0])

    def misfit(logs: Floats) -> Floats:
        return np.asarray(np.log(modelled(np.exp(logs), lags_h)) - seen)

    fit = least_squares(misfit, start)
    names = ("white", "fast", "fast_h", "day_swing", "slow", "slow_h")
    found = dict(zip(names, np.exp(fit.x).tolist(), strict=True))
    return found | {"misfit": float(np.sqrt(np.mean(fit.fun**2)))}


def wet_spells(level: Floats) -> dict[str, Any]:
    """How often the level stands out for hours, how long and by how much."""
    above = level - median_filter(level, SPELL_WINDOW_ROWS)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], above > SPELL, [False])).astype(np.int8)))
    first, last = edges[::2], edges[1::2]
    peak = np.array([np.expm1(above[a:b].max()) for a, b in zip(first, last, strict=True)])
    return {
        "per_1000_h": len(first) / len(level) * 1000,
        "quantiles": QUANTILES,
        "hours": np.quantile(last - first, QUANTILES).round(1).tolist(),
        "rise": np.quantile(peak, QUANTILES).round(3).tolist(),
    }


def bench_shape() -> dict[str, Any]:
    """The power of the loading curve, and how much lives at one feed differ in length."""
    powers, lengths = [], []
    for number in range(1, BENCH_LIVES + 1):
        at_s, drop_pa = np.array(run_rows(number)).T
        clean_pa = float(np.median(drop_pa[10:60]))
        late = at_s > START_S
        used, share = at_s[late] / at_s[-1], (drop_pa[late] - clean_pa) / (BENCH_TERMINAL_PA - clean_pa)
        powers.append(_best_power(used, share))
        lengths.append(float(at_s[-1]))
    by_feed = np.log(lengths).reshape(-1, LIVES_A_FEED)
    return {
        "power": float(np.median(powers)),
        "power_spread": float(np.std(np.log(powers))),
        "power_range_90": np.quantile(powers, (0.05, 0.95)).round(2).tolist(),
        "length_spread": float(np.sqrt(np.mean(np.var(by_feed, axis=1, ddof=1)))),
    }


def _best_power(used: Floats, share: Floats) -> float:
    def misfit(power: float) -> float:
        return float(np.mean((used**power - share) ** 2))

    return float(minimize_scalar(misfit, bounds=(0.5, 8.0), method="bounded").x)


def main() -> int:
    """Print what was found."""
    if (root := os.environ.get("CLEANSIDE_DATA")) is None:
        print("CLEANSIDE_DATA is not set; the field series is not in a package registry", file=sys.stderr)
        return 2
    level, jumps = field_level(Path(root) / "intake-field")
    for title, found in (
        ("noise and wander of ln(level), field", fit_noise(level, jumps)),
        ("wet spells, field", wet_spells(level)),
        ("shape, bench", bench_shape()),
    ):
        print(title)
        for name, value in found.items():
            print(f"  {name:16} {value:.4f}" if isinstance(value, float) else f"  {name:16} {value}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
