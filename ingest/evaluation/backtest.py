"""
The `backtest` command: scores forecasts on lives whose end is known, with plain baselines beside them.

Promises: a forecast for a row uses that row and earlier ones; learning uses the train lives only; the command
computes every figure that it prints.
Leaves to others: forecasting (`ingest.restriction`), the command line (`ingest.cli`).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from cleanside.gateway import units
from cleanside.gateway.units import counted
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.evaluation.life_audit import audit_lives, refuse_faults
from cleanside.ingest.evaluation.life_files import LifeFile, read_folder
from cleanside.ingest.evaluation.recorded import write_report
from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.evaluate.baselines import Baseline, fit_baselines, theil_sen
from cleanside.ingest.restriction.evaluate.scores import interval_score, life_scores
from cleanside.ingest.restriction.forecast.forecast import Forecaster, fit_forecaster
from cleanside.ingest.restriction.measure.exponent import FlowFit, fit_flow
from cleanside.ingest.restriction.measure.summary import FloatArray

EVERY_DEFAULT = 50  # rows between Theil-Sen fits
FLOW_QUANTILE = 0.95  # of the train flows: stands for the rated flow at which terminal is stated
JUST_BELOW = 0.05  # of terminal: a life that ends within it was likely cut one row too early (chosen)
RESAMPLES = 2000  # of lives, for the range of the coverage
RESAMPLE_START = 20240  # any number; fixed so that a report can be repeated


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `backtest`."""
    parser.add_argument(
        "--train", type=Path, required=True, metavar="DIR", help="lives to learn from, one CSV each"
    )
    parser.add_argument(
        "--test", type=Path, required=True, metavar="DIR", help="lives to be judged on, one CSV each"
    )
    parser.add_argument("--terminal", type=float, required=True, metavar="VALUE", help="terminal restriction")
    parser.add_argument(
        "--unit", required=True, metavar="UNIT", help="unit of VALUE and of the column restriction"
    )
    parser.add_argument(
        "--group", metavar="COLUMN", help="column that says which lives are alike; default: none"
    )
    parser.add_argument(
        "--skip-rows", type=int, default=0, metavar="N", help="rows of each test life not scored"
    )
    parser.add_argument(
        "--every",
        type=int,
        default=EVERY_DEFAULT,
        metavar="N",
        help=f"score the Theil-Sen baseline on every N-th row, it is slow; default {EVERY_DEFAULT}",
    )
    parser.add_argument("--last-row", action="store_true", help="score the last row of each test life only")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write all figures, also per life, to FILE")


def run(args: argparse.Namespace) -> int:
    """Run the command; prints a table, returns 0. Raises CalledWrongly with value, rule and next step."""
    terminal_pa = _terminal_pa(args.terminal, args.unit)
    train = read_folder(
        args.train, terminal=args.terminal, terminal_pa=terminal_pa, group=args.group, may_be_empty=True
    )
    test = read_folder(args.test, terminal=args.terminal, terminal_pa=terminal_pa, group=args.group)
    audit = audit_lives(train, test, unit=args.unit)
    refuse_faults(audit)
    report = backtest(train, test, skip_rows=args.skip_rows, every=args.every, last_row=args.last_row)
    report["terminal"] = {"value": args.terminal, "unit": args.unit}
    report["warnings"] = [
        {"file": doubt.pointer, "code": doubt.code, "text": str(doubt)} for doubt in audit.doubts
    ]
    sys.stdout.write(as_text(report))
    if args.json is not None:
        write_report(args.json, report)
    return 0


def backtest(
    train: Sequence[LifeFile],
    test: Sequence[LifeFile],
    *,
    skip_rows: int = 0,
    every: int = 1,
    last_row: bool = False,
) -> dict[str, Any]:
    """
    Learn from `train`, forecast every scored row of `test`, and score beside the baselines.

    Returns plain dicts for JSON: `overall`, `lives`, `baselines`, `train`. Times are in the unit of `hours`.
    `learned` is False where the lives teach nothing, so that the forecast is the prior.
    """
    if skip_rows < 0 or every < 1:
        raise CalledWrongly("rows_out_of_range", skip_rows=skip_rows, every=every)
    beyond = [sum(entry.rows_beyond > 0 for entry in part) for part in (train, test)]
    train, test, flow = at_common_flow(train, test)
    lives = [entry.life for entry in train]
    forecaster = fit_forecaster(lives)
    baselines = fit_baselines(lives)
    margins = {name: _margins(baseline, lives) for name, baseline in baselines.items()}
    per_life, beside = [], {name: [] for name in [*baselines, "Theil-Sen line"]}  # type: ignore[var-annotated]
    for entry in test:
        rows = _scored_rows(entry, skip_rows, last_row)
        truth = _truth(entry)
        points = _forecast(forecaster, entry.life)
        end = float(truth[-1] + entry.life.hours[-1])
        scores = life_scores(truth[rows], points[rows], None if last_row else end)
        per_life.append({"life": entry.name, "group": entry.life.kind, "rows": len(rows), **scores})
        share = entry.life.restriction_pa / entry.life.terminal_pa
        for name, baseline in baselines.items():
            guess = baseline(entry.life.hours, share, entry.life.kind)[rows]
            beside[name].append(_beside(truth[rows], guess, margins[name]))
        few = rows[::every]
        beside["Theil-Sen line"].append(
            _beside(truth[few], theil_sen(entry.life.hours, share, few.tolist()), None)
        )
    return {
        "overall": _overall(per_life),
        "lives": per_life,
        "baselines": {name: _means(scores) for name, scores in beside.items()},
        "train": {
            "lives": len(lives),
            "complete": sum(life.complete for life in lives),
            "just_below": sum(map(_ends_just_below, lives)),
        },
        "learned": forecaster.learned is not None,
        "warnings": [],
        "beyond_terminal": {"train": beyond[0], "test": beyond[1]},
        "flow_exponent": flow.exponent if isinstance(flow, FlowFit) else None,
        "flow_not_used": flow if isinstance(flow, str) else None,
        "settings": {"skip_rows": skip_rows, "every": every, "last_row": last_row},
    }


def at_common_flow(
    train: Sequence[LifeFile], test: Sequence[LifeFile]
) -> tuple[list[LifeFile], list[LifeFile], FlowFit | str | None]:
    """
    Restriction scaled to rated flow where all files have a column flow that explains its steps.

    The exponent is fitted on the train lives alone. The files as they are where there is no such column
    (None), or where it cannot be used (why, in words).
    """
    every = [*train, *test]
    with_flow = [entry for entry in every if entry.flow is not None]
    if not train or not with_flow:
        return list(train), list(test), None
    if len(with_flow) < len(every):
        without = next(entry.name for entry in every if entry.flow is None)
        few = f"{counted(len(with_flow), 'file')} of {len(every)} have it, {without} does not"
        return list(train), list(test), few
    for entry in with_flow:
        assert entry.flow is not None
        if not np.all(entry.flow > 0):
            row = int(np.argmax(~(entry.flow > 0)))
            at = f"{entry.name}: row {row + 1} has {entry.flow[row]:g}; leave rows without flow out"
            return list(train), list(test), at
    d_flow = np.concatenate([np.diff(np.log(entry.flow)) for entry in train if entry.flow is not None])
    levels = [np.log(np.maximum(entry.life.restriction_pa, 1e-9 * entry.life.terminal_pa)) for entry in train]
    fit = fit_flow(d_flow, np.concatenate([np.diff(level) for level in levels]))
    if isinstance(fit, str):
        return list(train), list(test), fit
    rated = float(np.quantile(np.concatenate([e.flow for e in train if e.flow is not None]), FLOW_QUANTILE))
    scaled = [[_at_flow(entry, rated, fit.exponent) for entry in part] for part in (train, test)]
    return scaled[0], scaled[1], fit


def _at_flow(entry: LifeFile, rated: float, exponent: float) -> LifeFile:
    assert entry.flow is not None
    level = entry.life.restriction_pa * (rated / entry.flow) ** exponent
    return replace(entry, life=replace(entry.life, restriction_pa=level))


def as_text(report: Mapping[str, Any]) -> str:
    """The report as a table for people."""
    overall = report["overall"]
    low, high = overall["coverage_range"]
    lines = [
        f"{_learned_from(report)}, judged on {len(report['lives'])}",
        *_ends(report),
        *(f"check {doubt['file']}: {doubt['text']}" for doubt in report["warnings"]),
        _of_flow(report),
        "times in the unit of the column hours; each figure is the mean over test lives",
        "",
        f"{'':24}{'RMSE':>9}{'MAE':>9}{'interval':>10}{'80 % holds':>12}{'width':>9}",
        _line("forecast", overall),
        *(_line(name, scores) for name, scores in report["baselines"].items()),
        "",
        f"80 % interval holds {_percent(overall['coverage'])} (95 % range over lives {_percent(low)} to "
        f"{_percent(high)})",
        f"pinball loss {overall['pinball']:.3f}   "
        f"relative accuracy {_number(overall['relative_accuracy'])}   "
        f"prognostic horizon {_number(overall['prognostic_horizon'])} (inside 5 % of life, and stays)",
        "interval = interval score of the 80 % interval, lower is better; "
        "baselines carry 10 and 90 % points of their own errors on the train lives",
        "",
        f"{'life':24}{'rows':>7}{'RMSE':>9}{'MAE':>9}{'bias':>9}{'80 % holds':>12}{'width':>9}",
    ]
    for life in report["lives"]:
        label = f"{life['life']} ({life['group']})" if life["group"] else str(life["life"])
        lines.append(
            f"{label[:24]:24}{life['rows']:>7}{life['rmse']:>9.3f}{life['mae']:>9.3f}{life['bias']:>+9.3f}"
            f"{_percent(life['coverage']):>12}{life['width']:>9.3f}"
        )
    return "\n".join(lines) + "\n"


def _learned_from(report: Mapping[str, Any]) -> str:
    train = report["train"]
    lives = f"{counted(train['lives'], 'life', 'lives')} ({train['complete']} complete)"
    if report["learned"] or not train["lives"]:
        return f"learned from {lives}"
    return (
        f"nothing learned from {lives}: none was seen to its end, and together they say less about a "
        "length than two whole lives; the forecast is the prior, add lives that were seen to terminal"
    )


def _ends(report: Mapping[str, Any]) -> list[str]:
    """Notes on the ends of the lives."""
    said = []
    if any(report["beyond_terminal"].values()):
        beyond = report["beyond_terminal"]
        train = counted(beyond["train"], "train life", "train lives")
        test = counted(beyond["test"], "test life", "test lives")
        said.append(f"beyond terminal: {train} and {test}; rows after the first at terminal are left out")
    if near := report["train"]["just_below"]:
        ends = "it ends" if near == 1 else "they end"
        said.append(
            f"{counted(near, 'train life', 'train lives')} count as not seen to terminal although {ends} "
            f"within {JUST_BELOW:.0%} of it: add the rows up to terminal if there are any"
        )
    return said


def _of_flow(report: Mapping[str, Any]) -> str:
    if report["flow_exponent"] is not None:
        return f"restriction scaled to rated flow by the column flow, exponent {report['flow_exponent']:.2f}"
    why = report["flow_not_used"]
    return "restriction as in the files" + ("" if why is None else f"; the column flow is not used: {why}")


def _ends_just_below(life: Life) -> bool:
    return not life.complete and bool(life.restriction_pa[-1] >= (1.0 - JUST_BELOW) * life.terminal_pa)


def _terminal_pa(value: float, unit: str) -> float:
    if not units.accepts(unit, "restriction"):
        meant = units.suggest_unit(unit, "restriction")
        accepted = ", ".join(units.offered("restriction"))
        raise CalledWrongly("unit_not_of_restriction", unit=unit, known=meant or accepted)
    if not (np.isfinite(value) and value > 0):
        raise CalledWrongly("terminal_not_above_zero", value=value)
    return units.to_si(value, unit, "restriction")


def _truth(entry: LifeFile) -> FloatArray:
    if entry.hours_left is not None:
        return entry.hours_left
    if not entry.life.complete:
        raise CalledWrongly("truth_unknown", name=entry.name)
    return np.asarray(entry.life.hours[-1] - entry.life.hours)


def _scored_rows(
    entry: LifeFile, skip_rows: int, last_row: bool
) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    n = len(entry.life.hours)
    if last_row:
        return np.array([n - 1])
    if skip_rows >= n:
        raise CalledWrongly("rows_all_skipped", name=entry.name, rows=counted(n, "row"), skip_rows=skip_rows)
    return np.arange(skip_rows, n)


def _forecast(forecaster: Forecaster, life: Life) -> FloatArray:
    return forecaster.hours_left(
        life.hours, life.restriction_pa, terminal_pa=life.terminal_pa, kind=life.kind
    )


def _margins(baseline: Baseline, lives: Sequence[Life]) -> tuple[float, float] | None:
    """10 and 90 % points of truth minus estimate on the complete train lives, each life counting once."""
    errors, weights = [], []
    for life in lives:
        if life.complete:
            guess = baseline(life.hours, life.restriction_pa / life.terminal_pa, life.kind)
            errors.append(life.hours[-1] - life.hours - guess)
            weights.append(np.full(len(guess), 1.0 / len(guess)))
    if not errors:
        return None
    every, weight = np.concatenate(errors), np.concatenate(weights)
    order = np.argsort(every)
    total = np.cumsum(weight[order]) / weight.sum()
    low, high = (float(every[order][min(int(np.searchsorted(total, q)), len(every) - 1)]) for q in (0.1, 0.9))
    return low, high


def _beside(
    truth: FloatArray, guess: FloatArray, margins: tuple[float, float] | None
) -> dict[str, float | None]:
    error = guess - truth
    scores: dict[str, float | None] = {
        "rmse": float(np.sqrt(np.mean(error**2))),
        "mae": float(np.mean(np.abs(error))),
        "coverage": None,
        "width": None,
        "interval_score": None,
    }
    if margins is not None:
        low, high = np.maximum(guess + margins[0], 0.0), np.maximum(guess + margins[1], 0.0)
        scores["coverage"] = float(np.mean((low <= truth) & (truth <= high)))
        scores["width"] = float(np.mean(high - low))
        scores["interval_score"] = float(np.mean(interval_score(truth, low, high)))
    return scores


def _overall(per_life: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    labels = ("life", "group", "rows")
    means: dict[str, Any] = _means([{k: v for k, v in s.items() if k not in labels} for s in per_life])
    coverage = np.array([scores["coverage"] for scores in per_life])
    picks = np.random.default_rng(RESAMPLE_START).integers(0, len(coverage), (RESAMPLES, len(coverage)))
    low, high = np.quantile(coverage[picks].mean(axis=1), (0.025, 0.975))
    return {**means, "coverage_range": [float(low), float(high)]}


def _means(scores: Sequence[Mapping[str, float | None]]) -> dict[str, float | None]:
    """Mean over lives of each score, of those lives that have it."""
    result: dict[str, float | None] = {}
    for key in scores[0]:
        values = [value for entry in scores if (value := entry[key]) is not None]
        result[key] = float(np.mean(values)) if values else None
    return result


def _line(name: str, scores: Mapping[str, float | None]) -> str:
    return (
        f"{name:24}{_number(scores['rmse']):>9}{_number(scores['mae']):>9}{_number(scores['interval_score']):>10}"
        f"{_percent(scores['coverage']):>12}{_number(scores['width']):>9}"
    )


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.3f}"


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:.1f} %"
