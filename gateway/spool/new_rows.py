"""
Readings become rows: their columns, their checksum, and how many rows one statement inserts.

Promises: it refuses what the contract would refuse. Leaves to others: transactions and commits
(`gateway.spool.append`), the form of a payload (`gateway.spool.payload`), the sum (`gateway.spool.checksum`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from operator import add
from typing import Final, cast

import apsw

from cleanside.gateway.errors import ReadingRefused
from cleanside.gateway.spool.checksum import number_share, reading_share, row_sum, row_sums
from cleanside.gateway.spool.payload import unit_set_of, write_many, write_values
from cleanside.gateway.spool.state import StreamRow
from cleanside.gateway.wire import Reading, us_of, us_of_many

MAX_UNCERTAINTY_S: Final = 1e12  # older than any reading that is sent
_AT_ONCE: Final = 50  # rows a statement: measured a third cheaper than one each, and no gain beyond

_APPEND = "INSERT INTO readings VALUES "
_ONE = "(?, ?, ?, ?, ?, ?, ?)"
_COLUMNS = 7
_APPEND_ONE = _APPEND + _ONE
_APPEND_MANY = _APPEND + ", ".join([_ONE] * _AT_ONCE)


@dataclass(slots=True)
class UnwrittenRows:
    """Rows to insert, in columns: zipping columns is faster than making rows one by one."""

    boots: list[int | None] = field(default_factory=list)
    times_us: list[int] = field(default_factory=list)
    uncertainties_s: list[float | None] = field(default_factory=list)
    unit_sets: list[int] = field(default_factory=list)
    payloads: list[str] = field(default_factory=list)
    #: of each row's checksum, whatever its position
    shares: list[int] = field(default_factory=list)

    def __len__(self) -> int:
        return len(self.times_us)

    def add(
        self,
        boot: int | None,
        time_us: int,
        uncertainty_s: float | None,
        unit_set: int,
        payload: str,
        seed: int,
    ) -> None:
        """Add a row. seed : of its unit set."""
        self.boots.append(boot)
        self.times_us.append(time_us)
        self.uncertainties_s.append(uncertainty_s)
        self.unit_sets.append(unit_set)
        self.payloads.append(payload)
        self.shares.append(reading_share(boot, time_us, uncertainty_s, seed))

    def extend(self, other: UnwrittenRows) -> None:
        """Add the rows of another call behind these."""
        self.boots += other.boots
        self.times_us += other.times_us
        self.uncertainties_s += other.uncertainties_s
        self.unit_sets += other.unit_sets
        self.payloads += other.payloads
        self.shares += other.shares


def check(reading: Reading) -> None:
    """Raise ReadingRefused if `append` would refuse this reading."""
    unit_set_of(reading.values, reading.units)
    write_values(reading.values.values())
    _check_uncertainty(reading)


def _check_uncertainty(reading: Reading) -> None:
    if reading.at_uncertainty_s is not None and not 0 <= reading.at_uncertainty_s < MAX_UNCERTAINTY_S:
        raise ReadingRefused("uncertainty_below_zero", at_uncertainty_s=reading.at_uncertainty_s)


def new_rows(
    readings: Sequence[Reading],
    since_boot_us: Sequence[int],
    unit_sets: list[int],
    seeds: Mapping[int, int],
    *,
    boot: int,
) -> UnwrittenRows:
    """
    Readings as rows. Raises ReadingRefused if one of them is none.

    unit_sets : of each, its number. seeds : of each number, its share of the checksum.
    """
    payloads = write_many([[*reading.values.values()] for reading in readings])
    if len(readings) == 1:  # the common case
        (reading,), (unit_set,) = readings, unit_sets
        row_boot, time_us, uncertainty_s = _when(reading, since_boot_us[0], boot)
        share = reading_share(row_boot, time_us, uncertainty_s, seeds[unit_set])
        return UnwrittenRows([row_boot], [time_us], [uncertainty_s], unit_sets, payloads, [share])
    instants = [reading.at for reading in readings]
    uncertainties_s = [reading.at_uncertainty_s for reading in readings]
    if all(instants) and uncertainties_s.count(None) == len(readings):  # nearly always: no check of each
        times_us = us_of_many(cast(list[datetime], instants))
        boots: list[int | None] = [None] * len(readings)
        shares = [*map(add, map(seeds.__getitem__, unit_sets), times_us)]
        return UnwrittenRows(boots, times_us, uncertainties_s, unit_sets, payloads, shares)
    rows = UnwrittenRows()
    for reading, us, unit_set, payload in zip(readings, since_boot_us, unit_sets, payloads, strict=True):
        rows.add(*_when(reading, us, boot), unit_set, payload, seed=seeds[unit_set])
    return rows


def _when(reading: Reading, since_boot_us: int, boot: int) -> tuple[int | None, int, float | None]:
    """Boot or None, time and uncertainty of a reading, as its row has them. Raises ReadingRefused."""
    if reading.at is None:
        return boot, since_boot_us // 1000 * 1000, None  # whole ms, as the wire's steps are
    if reading.at_uncertainty_s is not None:
        _check_uncertainty(reading)
    return None, us_of(reading.at), reading.at_uncertainty_s


def insert_rows(connection: apsw.Connection, stream: StreamRow, first: int, rows: UnwrittenRows) -> None:
    """Write rows of `stream` at positions `first`, first + 1 ..."""
    number, count = number_share(stream.stream, stream.seq(first)), len(rows)
    if count == 1:
        (boot,), (time_us,), (uncertainty_s,) = rows.boots, rows.times_us, rows.uncertainties_s
        (unit_set,), (payload,), (share,) = rows.unit_sets, rows.payloads, rows.shares
        said = row_sum(payload, share + number)
        connection.execute(_APPEND_ONE, (first, boot, time_us, uncertainty_s, unit_set, payload, said))
        return
    values: list[object] = [None] * (_COLUMNS * count)
    values[:1] = [first][:count]  # SQLite gives those behind it the next ones
    values[1::_COLUMNS] = rows.boots
    values[2::_COLUMNS] = rows.times_us
    values[3::_COLUMNS] = rows.uncertainties_s
    values[4::_COLUMNS] = rows.unit_sets
    values[5::_COLUMNS] = rows.payloads
    values[6::_COLUMNS] = row_sums(rows.payloads, rows.shares, number)
    at_once = _AT_ONCE * _COLUMNS
    in_bundles = len(values) // at_once * at_once
    for begin in range(0, in_bundles, at_once):
        connection.execute(_APPEND_MANY, values[begin : begin + at_once])
    for begin in range(in_bundles, len(values), _COLUMNS):
        connection.execute(_APPEND_ONE, values[begin : begin + _COLUMNS])
