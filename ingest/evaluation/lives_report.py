"""
The `lives` command: one long series of operating hours in, the flow exponent and the element changes out.

Leaves to others: finding (`ingest.restriction.elements.changes`, `.reference`), the command line
(`ingest.cli`).
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from cleanside.gateway.units import counted
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.evaluation.exponent_spread import STRETCHES, exponent_spread
from cleanside.ingest.evaluation.recorded import (
    hours_of,
    numbers_of,
    read_rows,
    refuse_doubled_rows,
    write_report,
)
from cleanside.ingest.evaluation.stray_rows import stray_runs
from cleanside.ingest.restriction.elements.changes import Change
from cleanside.ingest.restriction.elements.openings import find_changes
from cleanside.ingest.restriction.measure.exponent import FlowFit, fit_flow
from cleanside.ingest.restriction.measure.reference import LEAST_FLOW_SHARE
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, IntArray

LEAST_FALL_BY_WORK = 0.3  # of the level before; light work makes less (chosen)
REFERENCE_QUANTILE = 0.95  # of the flows seen: stands for rated flow
LABEL_ROWS = 60  # at work after a change, a week of shifts: then what it looks like is settled (chosen)
FAR_FACTOR, FAR_FACTOR_BY_WORK = (
    1.5,
    3.0,
)  # over the rows around: wet hours rise by a third, light work halves
ALIKE_FACTOR = 1.25  # the two sides of a stray row agree within that (chosen)
STRAYS_SHOWN = 3  # the rest is counted
SAME_ROWS = 12  # a change that moves by less as the file grows is the same (a shift)
MOST_STRAY = 3  # rows on end; more are weather or work (chosen)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lives`."""
    parser.add_argument("file", type=Path, metavar="FILE", help="CSV with the header hours,restriction[,...]")
    parser.add_argument("--flow", metavar="COLUMN", help="column that goes with the flow; default: none")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write what was found to FILE")


def run(args: argparse.Namespace) -> int:
    """Run the command; prints the report, returns 0. Raises CalledWrongly with the next step."""
    hours, restriction, flow = read_series(args.file, args.flow)
    report = examine(hours, restriction, flow, path=args.file)
    sys.stdout.write(as_text(report))
    if args.json is not None:
        write_report(args.json, report)
    return 0


def read_series(path: Path, flow: str | None) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Hours (row numbers from 1 if there is no such column), restriction and flow. Raises CalledWrongly."""
    if not path.is_file():
        raise CalledWrongly("not_a_file", path=path)
    rows = read_rows(path)
    if not rows:
        raise CalledWrongly("no_rows", path=path)
    for column in ["restriction", *([flow] if flow else [])]:
        if column not in rows[0]:
            raise CalledWrongly("column_missing", path=path, column=column, columns=", ".join(rows[0]))
    refuse_doubled_rows(path, rows)
    hours = hours_of(path, rows) if "hours" in rows[0] else np.arange(1.0, len(rows) + 1)
    return hours, numbers_of(path, rows, "restriction"), numbers_of(path, rows, flow) if flow else None


class _Judged(NamedTuple):
    """A series with its flow taken out as far as that explains restriction."""

    kept: IntArray  # rows to judge by
    fitted: FlowFit | str | None  # why the flow is not used, or None where none was given
    level: FloatArray  # of the rows kept
    changes: list[Change]  # their rows count the rows kept

    @property
    def by_work(self) -> bool:
        return not isinstance(self.fitted, FlowFit)


def examine(
    hours: FloatArray, restriction: FloatArray, flow: FloatArray | None, *, path: Path
) -> dict[str, Any]:
    """
    Exponent and changes, as plain dicts for JSON. Rows count from 1, as in the file below its header.

    Rows below half the reference flow show the machine's stops, not the element: they are left out. Without a
    flow that explains restriction no row is left out, only a fall that light work does not cause counts, and
    none is sure.
    path : the file, for an error. Raises CalledWrongly where a row to judge by has no restriction above zero.
    """
    judged = _judged(path, restriction, flow)
    kept, fitted = judged.kept, judged.fitted
    changes = [
        {
            "row": int(kept[change.row]) + 1,
            "hours": float(hours[kept[change.row]]),
            "before": change.before,
            "after": change.after,
            "fall_percent": 100.0 * (1.0 - change.after / change.before),
            "sure": "medium" if judged.by_work else change.sure,
            "likely": _settled_label(path, restriction, flow, judged, change),
            "settled": len(kept) - change.row > LABEL_ROWS,
        }
        for change in judged.changes
    ]
    return {
        "rows": len(hours),
        "rows_left_out": len(hours) - len(kept),
        "hours_a_row": float(np.median(np.diff(hours))) if len(hours) > 1 else 1.0,
        "flow": _flow(fitted, restriction, flow, kept),
        "flow_not_used": fitted if isinstance(fitted, str) else None,
        "changes": changes,
        "stray_rows": [
            {
                "row": int(kept[run.start]) + 1,
                "rows": len(run),
                "restriction": float(restriction[kept[run.start]]),
            }
            for run in _stray(judged)
        ],
    }


def _judged(path: Path, restriction: FloatArray, flow: FloatArray | None) -> _Judged:
    kept = np.flatnonzero(_at_work(flow, len(restriction)))
    fitted = None if flow is None else _fit(restriction, flow, kept)
    if not isinstance(fitted, FlowFit):
        kept = np.arange(len(restriction))
    _refuse_below_zero(path, restriction, kept)
    level = restriction[kept]
    if isinstance(fitted, FlowFit) and flow is not None:
        level = level * (np.quantile(flow, REFERENCE_QUANTILE) / flow[kept]) ** fitted.exponent
    by_work = not isinstance(fitted, FlowFit)
    unseen = np.diff(kept, prepend=-1) - 1
    changes = [
        change
        for change in find_changes(level, unseen=unseen, by_work=by_work)
        if not by_work or change.after <= (1.0 - LEAST_FALL_BY_WORK) * change.before
    ]
    return _Judged(kept, fitted, level, changes)


def _settled_label(
    path: Path, restriction: FloatArray, flow: FloatArray | None, judged: _Judged, change: Change
) -> str:
    """
    What a change looks like by the rows up to LABEL_ROWS after it, or, where it is not told so early, by as
    many more as it takes: so rows that come later never turn it over.
    """
    row = judged.kept[change.row]
    for end in range(change.row + LABEL_ROWS, len(judged.kept) - 1, LABEL_ROWS):
        upto = int(judged.kept[end]) + 1
        early = _judged(path, restriction[:upto], None if flow is None else flow[:upto])
        told = [one.likely for one in early.changes if abs(early.kept[one.row] - row) <= SAME_ROWS]
        if told:
            return told[0]
    return change.likely


def _stray(judged: _Judged) -> list[range]:
    """Runs of rows at work far from the rows before and after; their rows count the rows kept."""
    far = np.log(FAR_FACTOR_BY_WORK if judged.by_work else FAR_FACTOR)
    return stray_runs(
        np.log(judged.level), far=float(far), alike=float(np.log(ALIKE_FACTOR)), most=MOST_STRAY
    )


def as_text(report: dict[str, Any]) -> str:
    """The report for people."""
    flow = report["flow"]
    if flow is None:
        why = report["flow_not_used"]
        first = (
            "no flow column is given" if why is None else f"the flow column is not used: {why}"
        ) + "; levels are as in the file, and only deep falls count"
    else:
        first = (
            f"restriction goes with flow to the power {flow['exponent']:.3f} +- {flow['spread']:.3f} "
            f"({counted(flow['steps'], 'step')} of 2 % and more; +- from {STRETCHES} stretches of it, "
            "drawn again); levels are at the 95 % point of the flows"
        )
    lines = [
        *_of_rows(report),
        first,
        counted(len(report["changes"]), "element change"),
        "",
    ]
    if report["changes"]:
        lines.append(
            f"{'row':>7}{'hours':>12}{'before':>10}{'after':>10}{'fall':>8}  how sure, what it looks like"
        )
    for change in report["changes"]:
        lines.append(
            f"{change['row']:>7}{change['hours']:>12.1f}{change['before']:>10.3f}{change['after']:>10.3f}"
            f"{change['fall_percent']:>6.0f} %  {change['sure']}, {change['likely']}"
            + ("" if change["settled"] else " so far")
        )
    lines.append("found in the data alone: confirm each against the maintenance record")
    return "\n".join(lines) + "\n"


def _of_rows(report: dict[str, Any]) -> list[str]:
    said = [counted(report["rows"], "row") + ", each counted as one operating hour"]
    if not 0.5 <= report["hours_a_row"] <= 2.0:
        step = f"{report['hours_a_row']:g}"
        said.append(f"the rows are {step} apart in the column hours: give the mean of each operating hour")
    if report["rows_left_out"]:
        said.append(f"{counted(report['rows_left_out'], 'row')} below half the reference flow left out")
    strays = report["stray_rows"]
    said += [
        f"check row {stray['row']}: restriction {stray['restriction']:g} is far from the rows around it"
        for stray in strays[:STRAYS_SHOWN]
    ]
    if len(strays) > STRAYS_SHOWN:
        said.append(f"and {counted(len(strays) - STRAYS_SHOWN, 'more such row')}")
    return said


def _at_work(flow: FloatArray | None, rows: int) -> BoolArray:
    """Rows to judge by, shape (rows,): all without a flow."""
    if flow is None:
        return np.ones(rows, dtype=bool)
    return np.asarray(flow >= LEAST_FLOW_SHARE * np.quantile(flow, REFERENCE_QUANTILE)) & (flow > 0)


def _refuse_below_zero(path: Path, restriction: FloatArray, kept: IntArray) -> None:
    below = kept[restriction[kept] <= 0]
    if len(below):
        row = int(below[0])
        raise CalledWrongly(
            "restriction_not_above_zero", path=path, row=row + 1, restriction=restriction[row]
        )


def _fit(restriction: FloatArray, flow: FloatArray, kept: IntArray) -> FlowFit | str:
    return fit_flow(*_steps(restriction, flow, kept))


def _flow(
    fitted: FlowFit | str | None, restriction: FloatArray, flow: FloatArray | None, kept: IntArray
) -> dict[str, Any] | None:
    """The fit, with the spread that stretches of the series show; None where there is none."""
    if flow is None or not isinstance(fitted, FlowFit):
        return None
    return {**asdict(fitted), "spread": exponent_spread(*_steps(restriction, flow, kept))}


def _steps(restriction: FloatArray, flow: FloatArray, kept: IntArray) -> tuple[FloatArray, FloatArray]:
    """
    Steps of ln(flow) and ln(restriction) from each row at work to the next, without a stop in between.

    A restriction of zero or below has no logarithm: its steps are left out.
    """
    above = kept[restriction[kept] > 0]
    follows = np.diff(above) == 1
    ln_flow, ln_drop = np.log(flow[above]), np.log(restriction[above])
    return np.diff(ln_flow)[follows], np.diff(ln_drop)[follows]
