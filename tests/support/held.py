"""What a server's database holds, read beside it, wherever it lies."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

from cleanside.ingest.store import stored as door


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
    query = (
        "SELECT r.*, s.stream, d.name AS device, u.units FROM readings r "
        "JOIN streams s ON s.id = r.stream_id JOIN devices d ON d.id = s.device_id "
        "JOIN unit_sets u ON u.id = r.unit_set_id ORDER BY r.stream_id, r.seq"
    )
    return [dict(row) for row in connection.execute(sa.text(query)).mappings()]


def count(connection: sa.Connection) -> int:
    """How many readings the database has at rest, counted one by one."""
    return connection.scalar(sa.text("SELECT count(*) FROM readings")) or 0


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
