"""
The fleet's years on disk: what was measured, and the truth beside it, as Parquet.

    machines.parquet   one row a machine: papers, monitors, habits, full flow
    elements.parquet   one row an element: from, until, how it came and went, when it reaches terminal
    causes.parquet     one row a cause for mistrust: from, until, how, how much
    happenings.parquet wet spells, light weeks, coverage gaps, unseen spans: what is no change and no cause
    hours.parquet      truth at each operating hour: level, hours left, which element
    readings/NAME.parquet   what the monitors measured, as placed in time, and when it arrived

Promises: instants are seconds since 1970-01-01 UTC, units are in the names, NaN or null = absent; the seed,
the size and a digest of the difficulty file stand in the schema of machines.parquet.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from cleanside.simulator.difficulty import FILE
from cleanside.simulator.errors import CalledWrongly
from cleanside.simulator.monitor import full_flow_kg_s
from cleanside.simulator.year import Year, true_hours

TruthRows = list[dict[str, Any]]
TABLES = ("machines", "elements", "causes", "happenings")
PARTS = frozenset(
    (*(f"{name}.parquet" for name in (*TABLES, "hours")), "readings")
)  # what a fleet's folder has


class TruthWriter:
    """Takes one machine's year after the other; `close` writes the tables."""

    def __init__(self, folder: Path, about: dict[str, str]) -> None:
        self._folder = folder
        self._about = about | {"difficulty_sha256": hashlib.sha256(FILE.read_bytes()).hexdigest()}
        self._tables: dict[str, TruthRows] = {name: [] for name in TABLES}
        self._hours: list[pa.Table] = []

    def add(self, year: Year) -> None:
        """Write a machine's readings and remember its truth."""
        pq.write_table(
            _readings(year), self._folder / "readings" / f"{year.member.name}.parquet", compression="zstd"
        )
        self._tables["machines"].append(_machine(year))
        self._tables["elements"] += _elements(year)
        self._tables["causes"] += _causes(year)
        self._tables["happenings"] += _happenings(year)
        self._hours.append(_hours(year))

    def close(self) -> None:
        """Write the tables of all machines."""
        for name, rows in self._tables.items():
            table = pa.Table.from_pylist(rows).replace_schema_metadata(self._about)
            pq.write_table(table, self._folder / f"{name}.parquet")
        pq.write_table(pa.concat_tables(self._hours), self._folder / "hours.parquet", compression="zstd")


def make_room(folder: Path, *, overwrite: bool) -> None:
    """
    An empty folder for a fleet. Raises CalledWrongly where it has files.

    overwrite : delete a fleet in it; any other file stays, and is refused all the same.
    """
    try:
        names = sorted(path.name for path in folder.iterdir()) if folder.exists() else []
        strange = [name for name in names if name not in PARTS]
        if strange:
            raise CalledWrongly(
                f'{folder} holds "{strange[0]}", which is no part of a fleet; give another --out'
            )
        if names and not overwrite:
            raise CalledWrongly(
                f"{folder} holds a fleet already; give another --out, or --overwrite to replace it"
            )
        for path in [*folder.glob("readings/*.parquet"), *folder.glob("*.parquet")]:
            path.unlink()
        (folder / "readings").mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise CalledWrongly(
            f"{folder} cannot be written to ({error.strerror}); give an --out that can"
        ) from error


def write_years(folder: Path, years: Iterable[Year], about: dict[str, str]) -> int:
    """Write every year into a folder of `make_room` as it comes; returns how many readings there are."""
    writer, readings = TruthWriter(folder, about), 0
    for year in years:
        writer.add(year)
        readings += len(year.measured.at_s)
    writer.close()
    return readings


def _machine(year: Year) -> dict[str, Any]:
    world = year.world
    return asdict(year.member) | {
        "start_s": world.start_s,
        "days": world.days,
        "reference_flow_kg_s": full_flow_kg_s(world),
        "operating_h": float(world.cycles.hours_before[-1]),
        "readings": len(year.measured.at_s),
    }


def _elements(year: Year) -> TruthRows:
    """The elements of the year; one that ends later has ended "running"."""
    world, every = year.world, year.every_cycle
    last_h = float(world.cycles.hours_before[-1])
    rows = []
    for i, element in enumerate(e for e in world.elements if e.start_h < last_h):
        inside = element.end_h < last_h
        hours = np.array([element.start_h, min(element.end_h, last_h), element.terminal_h])
        start_s, end_s, terminal_s = every.at_hours(np.nan_to_num(hours, nan=0.0)).tolist()
        rows.append(
            {f.name: getattr(element, f.name) for f in fields(element)}
            | {
                "machine": year.member.name,
                "element": i,
                "start_s": start_s,
                "end_s": end_s if inside else None,
                "end_h": element.end_h if inside else None,
                "ended": element.ended if inside else "running",
                "terminal_s": None if np.isnan(element.terminal_h) else terminal_s,
            }
        )
    return rows


def _causes(year: Year) -> TruthRows:
    world = year.world
    rows = []
    for cause in world.causes:
        from_s, until_s = world.cycles.at_hours(np.array([cause.from_h, cause.until_h])).tolist()
        rows.append({"machine": year.member.name, **asdict(cause), "from_s": from_s, "until_s": until_s})
    return rows


def _happenings(year: Year) -> TruthRows:
    """Events that are neither a change nor a cause."""
    world = year.world
    happenings: list[tuple[str, float, float, float]] = []
    for first_h, last_h, peak in year.wet_spells:
        from_s, until_s = world.cycles.at_hours(np.array([first_h, last_h])).tolist()
        happenings.append(("wet", from_s, until_s, peak))
    happenings += [("light", from_s, until_s, load) for from_s, until_s, load in world.light]
    happenings += [("no_coverage", *span, 0.0) for span in year.link.gaps]
    happenings += [("unseen", *span, 0.0) for span in year.link.unseen]
    names = ("what", "from_s", "until_s", "size")
    return [{"machine": year.member.name, **dict(zip(names, row, strict=True))} for row in sorted(happenings)]


def _hours(year: Year) -> pa.Table:
    truth = true_hours(year)
    columns = {f.name: getattr(truth, f.name) for f in fields(truth)}
    names = pa.array([year.member.name] * len(truth.at_s)).dictionary_encode()
    return pa.table({"machine": names, **columns}).unify_dictionaries()


def _readings(year: Year) -> pa.Table:
    """Single precision where the resolution of a monitor is coarser than it; times to the microsecond."""
    measured = year.measured
    columns: dict[str, Any] = {
        "at_us": np.round(measured.at_s * 1e6).astype(np.int64),
        "arrived_s": measured.arrived_s.astype(np.int64),
        "device": measured.device,
    }
    return pa.table(columns | {n: c.astype(np.float32) for n, c in measured.columns.items()})
