"""Readings: stored rows, their hashes, exact times, unit sets, and the identity of those without numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import sqlalchemy as sa

from ingest.marks import Ranges
from ingest.models import exact_times, instants, readings, unit_sets
from ingest.store import dialect

_FIXED = ("stream_id", "seq", "at_us", "at_uncertainty_s", "unit_set_id", "content_hash", "received_us")
_FIXED_TYPES = ("int8", "int8", "int8", "float8", "int8", "int8", "int8")


class Rows(NamedTuple):
    """Rows to store, in columns of one length."""

    seq: Sequence[int]
    at_us: Sequence[int]
    at_uncertainty_s: Sequence[float | None]
    content_hash: Sequence[int]
    #: column name -> values in SI
    values: Mapping[str, Sequence[float | None]]


def put(connection: sa.Connection, stream_id: int, rows: Rows, *, unit_set_id: int, received_us: int) -> None:
    """Store new readings. Their numbers must be new: the caller holds the stream's lock and has looked."""
    many = len(rows.seq)
    columns = _FIXED + tuple(rows.values)
    types = _FIXED_TYPES + ("float8",) * len(rows.values)
    tuples = zip(
        [stream_id] * many,
        rows.seq,
        rows.at_us,
        rows.at_uncertainty_s,
        [unit_set_id] * many,
        rows.content_hash,
        [received_us] * many,
        *rows.values.values(),
        strict=True,
    )
    dialect.put_rows(connection, readings, columns, types, tuples)


def hashes(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, int]:
    """number -> content hash of the stored readings among `numbers`."""
    found: dict[int, int] = {}
    query = sa.select(readings.c.seq, readings.c.content_hash).where(readings.c.stream_id == stream_id)
    for among in dialect.among(readings.c.seq, numbers):
        found.update((seq, value) for seq, value in connection.execute(query.where(among)))
    return found


def put_exact_times(connection: sa.Connection, stream_id: int, texts: Mapping[int, str]) -> None:
    """number -> exact instant, for the few that microseconds cannot tell apart."""
    if texts:
        rows = [{"stream_id": stream_id, "seq": seq, "instant": text} for seq, text in texts.items()]
        connection.execute(sa.insert(exact_times), rows)


def numbers_of_instants(connection: sa.Connection, stream_id: int, texts: Sequence[str]) -> dict[str, int]:
    """instant -> number, for those that a reading without a number already has."""
    query = sa.select(instants.c.instant, instants.c.seq).where(instants.c.stream_id == stream_id)
    found: dict[str, int] = {}
    for piece in dialect.chunks(texts):
        found.update(
            (text, seq) for text, seq in connection.execute(query.where(instants.c.instant.in_(piece)))
        )
    return found


def put_instants(connection: sa.Connection, stream_id: int, numbers: Mapping[str, int]) -> None:
    """instant -> number. The key of the table refuses a second reading of one instant."""
    if numbers:
        rows = [(stream_id, text, seq) for text, seq in numbers.items()]
        dialect.put_rows(
            connection, instants, ("stream_id", "instant", "seq"), ("int8", "varchar", "int8"), rows
        )


def unit_set_id(connection: sa.Connection, units: str) -> int | None:
    """The id of a set of units (canonical JSON), None if it is not kept yet."""
    return connection.scalar(sa.select(unit_sets.c.id).where(unit_sets.c.units == units))


def keep_unit_set(connection: sa.Connection, units: str) -> int:
    """The id of a set of units, kept now if it was not."""
    connection.execute(dialect.insert(connection, unit_sets).values(units=units).on_conflict_do_nothing())
    found = unit_set_id(connection, units)
    assert found is not None
    return found


def unit_sets_of(connection: sa.Connection) -> dict[int, str]:
    """Every set of units kept, id -> canonical JSON; there are few."""
    return {row.id: row.units for row in connection.execute(sa.select(unit_sets))}
