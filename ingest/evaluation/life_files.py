"""
Recorded lives of a folder: one CSV is one life.

Promises: where the hours are counted from another row, or the life ends before the file does, the life says
so. Leaves to others: what is wrong with the figures (`life_audit`) and the score (`backtest`).
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.evaluation.recorded import (
    hours_of,
    numbers_of,
    read_rows,
    refuse_doubled_rows,
)
from cleanside.ingest.restriction.elements.lives import Life
from cleanside.ingest.restriction.measure.summary import FloatArray

OPEN_ENDED_SPAN = 0.2  # hours that start further from 0 than this share of their span are a running meter
STAYS_ROWS = 5  # a level is at terminal where the median of that many rows is: noise ends no life (chosen)


@dataclass(frozen=True)
class RecordedLife:
    """The columns of one file as they were read, before anything is cut or moved."""

    hours: FloatArray
    level: FloatArray  # in the unit of terminal
    terminal: float


@dataclass(frozen=True)
class LifeFile:
    """One CSV: a life, and the truth for its rows if the file has it."""

    name: str
    life: Life
    hours_left: FloatArray | None
    flow: FloatArray | None = None  # the column flow, in any unit
    rows_beyond: int = 0  # rows after the first at terminal; left out
    recorded: RecordedLife | None = None  # None: made, not read


def read_folder(
    folder: Path, *, terminal: float, terminal_pa: float, group: str | None, may_be_empty: bool = False
) -> list[LifeFile]:
    """All lives of a folder, by name. Raises CalledWrongly if there is none, or one cannot be read."""
    if not folder.is_dir():
        raise CalledWrongly("not_a_folder", folder=folder)
    paths = sorted(folder.glob("*.csv"))
    if not paths and not may_be_empty:
        raise CalledWrongly("folder_without_lives", folder=folder)
    return [read_life(path, terminal=terminal, terminal_pa=terminal_pa, group=group) for path in paths]


def read_life(path: Path, *, terminal: float, terminal_pa: float, group: str | None) -> LifeFile:
    """
    One CSV: columns hours, restriction [unit of terminal], optionally flow, hours_left and the group.

    A life ends at its first row at terminal, unless hours_left differs; later rows are left out. A row at
    terminal that the rows after it do not confirm is noise, and ends no life.
    """
    rows = read_rows(path)
    if not rows:
        raise CalledWrongly("life_without_rows", path=path)
    wanted = ["hours", "restriction", *([group] if group else [])]
    if missing := [column for column in wanted if column not in rows[0]]:
        raise CalledWrongly(
            "life_without_column",
            path=path,
            missing=", ".join(missing),
            wanted=",".join(wanted),
            columns=", ".join(rows[0]),
        )
    refuse_doubled_rows(path, rows)
    hours = hours_of(path, rows)
    level = numbers_of(path, rows, "restriction")
    if level[0] >= terminal:
        raise CalledWrongly("life_above_terminal", path=path, restriction=level[0], terminal=terminal)
    flow = numbers_of(path, rows, "flow") if "flow" in rows[0] else None
    left = numbers_of(path, rows, "hours_left") if "hours_left" in rows[0] else None
    recorded = RecordedLife(hours, level, terminal)
    if is_running_meter(hours):
        hours = hours - hours[0]  # the age counts from the first row
    rows_beyond = 0
    if left is None and (end := end_of(level, terminal)):
        rows_beyond = len(hours) - end
        hours, level, flow = hours[:end], level[:end], None if flow is None else flow[:end]
    life = Life(
        hours=hours,
        restriction_pa=level * (terminal_pa / terminal),
        terminal_pa=terminal_pa,
        complete=bool(level[-1] >= terminal),
        kind=str(rows[0][group]) if group else "",
    )
    return LifeFile(path.stem, life, left, flow, rows_beyond, recorded)


def is_running_meter(hours: FloatArray) -> bool:
    """The hours begin so far from 0 that they are no age of the element."""
    return len(hours) > 1 and bool(hours[0] > OPEN_ENDED_SPAN * max(hours[-1] - hours[0], 1e-300))


def end_of(level: FloatArray, terminal: float) -> int:
    """Rows up to the first at terminal that the rows after it confirm; 0: none is at terminal."""
    reached = np.flatnonzero(level >= terminal)
    if len(reached) == 0:
        return 0
    stays = (row for row in reached if np.median(level[row : row + STAYS_ROWS]) >= terminal)
    return int(next(stays, reached[0])) + 1
