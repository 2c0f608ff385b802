"""
Rows of a spool become columns of the contract. Pure, except for the one query that reads rows.

Promises: the same rows give the same batch, so a resend is identical. Readings of a boot that is not placed
stay out. One quantity has one unit in a batch.
Leaves to others: which rows (`gateway.spool.queue`), sending them (`gateway.uplink.loop`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from math import isfinite
from operator import itemgetter
from typing import cast

import apsw

from cleanside.gateway.spool.boots import Placements, placement_at
from cleanside.gateway.spool.checksum import (
    NUMBER_STEP,
    number_share,
    reading_share,
    row_sum,
    unit_seed,
)
from cleanside.gateway.spool.payload import NotAsWritten, UnitSet, read_values

#: position, boot or None, time_us, uncertainty_s or None, unit set, payload, sum: a row of the readings table
Row = tuple[int, int | None, int, float | None, int, str, int | None]

READ = "SELECT position, boot, time_us, uncertainty_s, unit_set, payload, sum FROM readings"
_READ = f"""{READ} WHERE position BETWEEN ? AND ? ORDER BY position LIMIT ?"""
NONE_UNPROTECTED = -(2**63)  # in front of every position: each row has a sum
LEAST_US, MOST_US = -62_135_596_800_000_000, 253_402_300_799_999_999  # the years 0001 to 9999
_SHARE_BYTES = 12  # of number and time, beside the payload, in the columns layout (about, uncompressed)


@dataclass(frozen=True, slots=True)
class Columns:
    """The readings of a batch in columns, ready for the wire."""

    at_us: list[int]
    at_uncertainty_s: float | list[float | None] | None
    units: dict[str, str]
    columns: dict[str, list[float | None]]


def read_rows(connection: apsw.Connection, first: int, last: int, *, limit: int = -1) -> list[Row]:
    """
    The rows at positions first..last, at most `limit` (-1: all).

    In order of position, which is that of the numbers; a range of the primary key, so the cost does not grow.
    """
    return cast(list[Row], connection.execute(_READ, (first, last, limit)).fetchall())


def is_whole(row: Row, unit_sets: Mapping[int, UnitSet]) -> bool:
    """True if a row has the types, the time and the payload that a spool writes."""
    match row:
        case (int(), int() | None, int(time_us), int() | float() | None, int(unit_set), str(payload), _):
            pass
        case _:
            return False
    if unit_set not in unit_sets or not LEAST_US <= time_us <= MOST_US:
        return False
    try:
        (values,) = read_values([payload])
        return len(values) == len(unit_sets[unit_set]) and all(
            type(value) in (int, float) and isfinite(value) for value in values
        )
    except (TypeError, ValueError):  # no list at all
        return False


def is_sound(
    row: Row, unit_sets: Mapping[int, UnitSet], *, stream: str, seq: int, unprotected_through: int
) -> bool:
    """
    True if a row is as a spool wrote it: whole, and with the sum of its content under number `seq` of
    `stream`.

    unprotected_through : up to this position rows of an earlier version have no sum.
    """
    if not is_whole(row, unit_sets):
        return False
    if row[6] is None:
        return row[0] <= unprotected_through
    share = reading_share(row[1], row[2], row[3], unit_seed(unit_sets[row[4]]))
    return row[6] == row_sum(row[5], share + number_share(stream, seq))


def check_rows(
    rows: Sequence[Row],
    unit_sets: Mapping[int, UnitSet],
    *,
    stream: str,
    first_position: int,
    unprotected_through: int,
) -> None:
    """Raise NotAsWritten, KeyError or TypeError unless rows of `stream` are in order and sound; quick."""
    seeds = {number: unit_seed(unit_set) for number, unit_set in unit_sets.items()}
    begin = number_share(stream, 1 - first_position)  # the share of a position 0
    before = first_position - 1
    for position, boot, time_us, uncertainty_s, unit_set, payload, said in rows:
        if position <= before or type(payload) is not str:
            raise NotAsWritten(f"the row at position {position} is out of order, or holds no text")
        before = position
        if said is None and position <= unprotected_through:
            continue
        share = reading_share(boot, time_us, uncertainty_s, seeds[unit_set])
        if said != row_sum(payload, share + begin + position * NUMBER_STEP):
            raise NotAsWritten(f"the reading at position {position} is not what its sum says")


def sendable(
    rows: Sequence[Row], placements: Placements, unit_sets: Mapping[int, UnitSet], *, max_bytes: int
) -> Sequence[Row]:
    """The longest beginning of `rows` that fits one batch: placed, one unit a quantity, about `max_bytes`."""
    count = 0
    for boot, run in groupby(rows, key=itemgetter(1)):
        if boot is not None and boot not in placements:
            break
        count += sum(1 for _ in run)
    count = min(count, _one_unit_each(rows[:count], unit_sets))
    return rows[: _within_bytes(rows[:count], max_bytes)]


def _one_unit_each(rows: Sequence[Row], unit_sets: Mapping[int, UnitSet]) -> int:
    units: dict[str, str] = {}
    count = 0
    for number, run in groupby(rows, key=itemgetter(4)):
        for quantity, unit in unit_sets[number]:
            if units.setdefault(quantity, unit) != unit:
                return count
        count += sum(1 for _ in run)
    return count


def _within_bytes(rows: Sequence[Row], max_bytes: int) -> int:
    total = 0
    for count, row in enumerate(rows):
        total += len(row[5]) + _SHARE_BYTES
        if total > max_bytes and count:  # at least one reading always
            return count
    return len(rows)


def columns_of(rows: Sequence[Row], placements: Placements, unit_sets: Mapping[int, UnitSet]) -> Columns:
    """Turn rows that are `sendable` into columns. rows: at least one. May raise if one is not `is_whole`."""
    at_us: list[int] = []
    uncertainty_s: list[float | None] = []
    for boot, run in groupby(rows, key=itemgetter(1)):
        if boot is None:
            for row in run:
                at_us.append(row[2])
                uncertainty_s.append(row[3])
        else:
            for row in run:
                placement = placement_at(placements, boot, row[0])
                assert placement is not None
                at_us.append(placement.at_us(row[2]))
                uncertainty_s.append(placement.uncertainty_s(row[2]))
    if min(at_us) < LEAST_US or max(at_us) > MOST_US:
        raise NotAsWritten(f"an instant is beyond all that is written: {min(at_us)} to {max(at_us)} us")
    one = uncertainty_s[0] if len(set(uncertainty_s)) == 1 else uncertainty_s
    units, columns = _value_columns(rows, unit_sets)
    return Columns(at_us, one, units, columns)


def frozen(
    row: Row, placements: Placements, unit_sets: Mapping[int, UnitSet]
) -> tuple[int | None, int, float | None]:
    """
    Boot, time and uncertainty of a row to write again: no boot, if its own was placed.

    May raise NotAsWritten where its placement is not as it was written.
    """
    if not sendable([row], placements, unit_sets, max_bytes=1):
        return row[1], row[2], row[3]
    placed = columns_of([row], placements, unit_sets)
    assert not isinstance(placed.at_uncertainty_s, list)
    return None, placed.at_us[0], placed.at_uncertainty_s


def _value_columns(
    rows: Sequence[Row], unit_sets: Mapping[int, UnitSet]
) -> tuple[dict[str, str], dict[str, list[float | None]]]:
    units: dict[str, str] = {}
    columns: dict[str, list[float | None]] = {}
    for start, number, values in _runs(rows):
        for quantity, unit in unit_sets[number]:
            units[quantity] = unit
        names = [quantity for quantity, _ in unit_sets[number]]
        for name, column in zip(names, map(list, zip(*values, strict=True)), strict=True):
            if len(column) == len(rows):
                columns[name] = column
                continue
            whole = columns.setdefault(name, [None] * len(rows))
            whole[start : start + len(column)] = column
    return units, columns


def _runs(rows: Sequence[Row]) -> Iterator[tuple[int, int, list[list[float]]]]:
    """Neighbours of one unit set: where they start, which set, their values."""
    start = 0
    for number, run in groupby(rows, key=itemgetter(4)):
        values = read_values([row[5] for row in run])
        yield start, number, values
        start += len(values)
