"""What a server's database holds, read beside it, wherever it lies."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store import block_runs, blocks
from cleanside.ingest.store import stored as door
from cleanside.ingest.store.at_rest import HIGHEST
from cleanside.ingest.store.models import readings


def rows(database_url: str, query: str, **values: Any) -> list[tuple[Any, ...]]:
    """The rows of a query."""
    engine = sa.create_engine(database_url)
    try:
        with engine.connect() as connection:
            return [tuple(row) for row in connection.execute(sa.text(query), values)]
    finally:
        engine.dispose()


def stored(connection: sa.Connection) -> list[dict[str, Any]]:
    """
    Every reading at rest in the database, in order of its stream's id and its number.

    Each has the columns of the table `readings`, the names of its `device` and `stream`, and its `units`.
    """
    query = sa.text(
        "SELECT s.id, s.stream, d.name AS device FROM streams s "
        "JOIN devices d ON d.id = s.device_id ORDER BY s.id"
    )
    units = {row.id: row.units for row in connection.execute(sa.text("SELECT id, units FROM unit_sets"))}
    return [
        row | {"stream": stream.stream, "device": stream.device, "units": units[row["unit_set_id"]]}
        for stream in connection.execute(query)
        for row in _of_stream(connection, stream.id)
    ]


def _of_stream(connection: sa.Connection, stream_id: int) -> list[dict[str, Any]]:
    rows = connection.execute(sa.select(readings).where(readings.c.stream_id == stream_id)).mappings()
    found = [dict(row) for row in rows]
    for block in blocks.touching(connection, stream_id, (0, HIGHEST)):
        found += block_runs.as_rows(block.run, stream_id)
    return sorted(found, key=lambda row: int(row["seq"]))


def count(connection: sa.Connection) -> int:
    """How many readings the database has at rest, counted one by one."""
    ids = connection.scalars(sa.text("SELECT DISTINCT stream_id FROM blocks")).all()
    packed = (row.run for stream in ids for row in blocks.touching(connection, stream, (0, HIGHEST)))
    in_blocks = sum(len(run.content.seq) for run in packed)
    return in_blocks + (connection.scalar(sa.text("SELECT count(*) FROM readings")) or 0)


def stored_count(database_url: str) -> int:
    """As `count`, beside the server."""
    engine = sa.create_engine(database_url)
    try:
        with engine.connect() as connection:
            return count(connection)
    finally:
        engine.dispose()


def stored_of(database_url: str) -> list[dict[str, Any]]:
    """As `stored`, beside the server."""
    engine = sa.create_engine(database_url)
    try:
        with engine.connect() as connection:
            return stored(connection)
    finally:
        engine.dispose()


def lose(connection: sa.Connection, seq: int) -> list[dict[str, Any]]:
    """Remove a number from every stream behind the server's back. Returns what `stored.put_back` takes."""
    streams = connection.scalars(sa.text("SELECT id FROM streams")).all()
    return [row for stream in streams for row in door.remove(connection, stream, ((seq, seq),))]


def readings_of(database_url: str, device: str) -> list[tuple[int, int, float | None]]:
    """(number, microseconds since 1970, restriction [Pa]) of a device, in order of the numbers."""
    found = (row for row in stored_of(database_url) if row["device"] == device)
    return [(row["seq"], row["at_us"], row["restriction_pa"]) for row in found]


def quarantined_of(database_url: str, device: str) -> list[tuple[int, str]]:
    """(number, code) of what is in quarantine for a device."""
    query = (
        "SELECT q.seq, q.code FROM quarantine q JOIN streams s ON s.id = q.stream_id "
        "JOIN devices d ON d.id = s.device_id WHERE d.name = :device ORDER BY q.seq"
    )
    return [(seq, code) for seq, code in rows(database_url, query, device=device)]
