"""
The forecast beside forests, boosting, survival curves, look-ups and mean lives, on made benches; and its
learning curve.

`--set scored` (the default) are benches that chose nothing (`tests/benches/scored.py`); `--set opened` are
those of the same file that were opened for tuning; `--set tuning` are those on which the forecast was tuned
(`tests/benches/tuning.py`); `--set media` are those on which its intervals were looked into
(`tests/benches/media.py`); `--set laws` are those of another pen (`tests/benches/laws.py`), of which
`bench_forecast_beside` says more.
Tuning used seeds below 100; the figures of TRIALS.md are of seeds from 1000 on, scored after tuning.
Each figure is the mean over judged lives and repeats; the first ROWS_SKIPPED rows of a life are not scored.

    python -m tests.benchmark.bench_other_benches [--set scored|opened|tuning|media|laws]
        [--lives 1,2,4,8,16,40] [--repeats 4] [--seed 1000] [--no-learners] [--bench NAME]
"""

from __future__ import annotations

import argparse

import numpy as np

from cleanside.ingest.evaluation.backtest import backtest
from tests.benches import laws, media, scored, tuning
from tests.benches.form import Bench, as_files, as_life
from tests.benches.rivals import fit_rivals

ROWS_SKIPPED = 10
SETS = {
    "scored": scored.BENCHES,
    "opened": scored.OPENED,
    "tuning": tuning.BENCHES,
    "media": media.BENCHES,
    "laws": laws.BENCHES,
}
RIVALS = ("forest", "boosting", "survival curve", "level look-up", "mean life minus age")


def judge(bench: Bench, *, lives: int, repeats: int, seed: int, learners: bool = True) -> dict[str, float]:
    """Means over repeats: RMSE of the forecast and of each rival, share held, width, interval score."""
    rows: list[dict[str, float]] = []
    for repeat in range(repeats):
        learned, judged = bench(np.random.default_rng([seed, repeat]), lives)
        report = backtest(as_files(learned), as_files(judged), skip_rows=ROWS_SKIPPED, every=1000)
        overall, beside = report["overall"], report["baselines"]
        row = {name: overall[name] for name in ("rmse", "coverage", "width", "interval_score")}
        row |= {name: beside[name]["rmse"] for name in RIVALS if name in beside}
        for name, rival in fit_rivals([as_life(life) for life in learned], learners=learners).items():
            row[name] = float(np.mean([_error(rival(as_life(life)), life.hours_left) for life in judged]))
        rows.append(row)
    return {name: float(np.mean([row.get(name, np.nan) for row in rows])) for name in ("coverage", *rows[0])}


def _error(left: np.ndarray, truth: np.ndarray) -> float:
    away = left - truth
    return float(np.sqrt(np.mean(away[ROWS_SKIPPED:] ** 2)))


def main(arguments: list[str] | None = None) -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description="The forecast beside other ways, on made benches.")
    parser.add_argument("--set", choices=SETS, default="scored", help="which benches")
    parser.add_argument("--bench", help="only this one")
    parser.add_argument("--lives", default="1,2,4,8,16,40", metavar="N,N", help="lives to learn from")
    parser.add_argument("--repeats", type=int, default=4)
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--no-learners", action="store_true", help="without forest and boosting, faster")
    given = parser.parse_args(arguments)
    print(
        f"{'bench':17}{'lives':>6}{'holds':>8}{'width':>8}{'RMSE':>8} |" + "".join(f"{n:>20}" for n in RIVALS)
    )
    for name, bench in SETS[given.set].items():
        for lives in map(int, given.lives.split(",")):
            if given.bench not in (None, name):
                continue
            learners = not given.no_learners
            found = judge(bench, lives=lives, repeats=given.repeats, seed=given.seed, learners=learners)
            own = f"{100 * found['coverage']:>6.1f} %{found['width']:>8.1f}{found['rmse']:>8.1f}"
            beside = "".join(_beside(found, rival) for rival in RIVALS)
            print(f"{name:17}{lives:>6}{own} |{beside}", flush=True)


def _beside(found: dict[str, float], rival: str) -> str:
    error = found.get(rival, np.nan)
    return f"{error:>12.1f} ({found['rmse'] / error:.2f})" + " " if np.isfinite(error) else f"{'-':>20}"


if __name__ == "__main__":
    main()
