"""
The `lives` command: one long series of operating hours in, the flow exponent and the element changes out.

Leaves to others: finding (`ingest.restriction.changes`, `.reference`), the command line (`ingest.cli`).
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gateway.units import counted
from ingest.errors import CalledWrongly
from ingest.recorded import read_rows, write_report
from ingest.restriction.changes import find_changes
from ingest.restriction.reference import LEAST_LN_STEP, LEAST_PAIRS, flow_exponent
from ingest.restriction.summary import FloatArray

REFERENCE_QUANTILE = 0.95  # of the flows seen: stands for rated flow


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The options of `lives`."""
    parser.add_argument("file", type=Path, metavar="FILE", help="CSV with the header hours,restriction[,...]")
    parser.add_argument("--flow", metavar="COLUMN", help="column that goes with the flow; default: none")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write what was found to FILE")


def run(args: argparse.Namespace) -> int:
    """Run the command; prints what was found, returns 0. Raises CalledWrongly with the next step."""
    report = examine(*read_series(args.file, args.flow))
    sys.stdout.write(as_text(report))
    if args.json is not None:
        write_report(args.json, report)
    return 0


def read_series(path: Path, flow: str | None) -> tuple[FloatArray, FloatArray, FloatArray | None]:
    """Hours (row numbers from 1 if there is no such column), restriction and flow. Raises CalledWrongly."""
    if not path.is_file():
        raise CalledWrongly(f"{path} is not a file; give one CSV with the header hours,restriction")
    rows = read_rows(path)
    if not rows:
        raise CalledWrongly(f"{path}: no rows below the header; give one row per operating hour")
    for column in ["restriction", *([flow] if flow else [])]:
        if column not in rows[0]:
            raise CalledWrongly(f"{path}: no column {column}; its columns are {', '.join(rows[0])}")
    hours = _numbers(path, rows, "hours") if "hours" in rows[0] else np.arange(1.0, len(rows) + 1)
    return hours, _numbers(path, rows, "restriction"), _numbers(path, rows, flow) if flow else None


def examine(hours: FloatArray, restriction: FloatArray, flow: FloatArray | None) -> dict[str, Any]:
    """Exponent and changes, as plain dicts for JSON. Rows count from 1, as in the file below its header."""
    fitted = None if flow is None else _exponent(restriction, flow)
    level = restriction
    if fitted is not None and flow is not None:
        level = restriction * (np.quantile(flow, REFERENCE_QUANTILE) / flow) ** fitted["exponent"]
    changes = [
        {
            "row": change.row + 1,
            "hours": float(hours[change.row]),
            "before": change.before,
            "after": change.after,
            "fall_percent": 100.0 * (1.0 - change.after / change.before),
            "sure": change.sure if fitted is not None else "medium",  # light work falls as an element does
            "likely": change.likely,
        }
        for change in find_changes(level)
        if change.sure != "low"
    ]
    return {"rows": len(hours), "flow": fitted, "changes": changes}


def as_text(report: dict[str, Any]) -> str:
    """What was found, for people."""
    flow = report["flow"]
    if flow is None:
        first = "no flow column, or too few steps in it: levels are as in the file"
    else:
        first = (
            f"restriction goes with flow to the power {flow['exponent']:.3f} +- {flow['spread']:.3f} "
            f"({counted(flow['steps'], 'step')} of 2 % and more); levels are at the 95 % point of the flows"
        )
    lines = [
        counted(report["rows"], "operating hour"),
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
        )
    lines.append("found in the data alone: confirm each against the maintenance record")
    return "\n".join(lines) + "\n"


def _exponent(restriction: FloatArray, flow: FloatArray) -> dict[str, Any] | None:
    usable = (restriction > 0) & (flow > 0)
    d_flow, d_drop = np.diff(np.log(flow[usable])), np.diff(np.log(restriction[usable]))
    moved = np.abs(d_flow) >= LEAST_LN_STEP
    if moved.sum() < LEAST_PAIRS:
        return None
    exponent, spread = flow_exponent(d_flow[moved], d_drop[moved])
    return {"exponent": exponent, "spread": spread, "steps": int(moved.sum())}


def _numbers(path: Path, rows: Sequence[dict[str, str]], column: str) -> FloatArray:
    values = np.empty(len(rows))
    for i, row in enumerate(rows):
        try:
            values[i] = float(row[column])
        except (TypeError, ValueError):
            what = f'{path}: row {i + 1}: {column} "{row[column]}"'
            raise CalledWrongly(f"{what} is not a number; mend the row") from None
        if not (np.isfinite(values[i]) and (column == "hours" or values[i] > 0)):
            raise CalledWrongly(
                f"{path}: row {i + 1}: {column} is {values[i]}; it must be above 0, leave it out"
            )
    return values
