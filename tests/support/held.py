"""What a server's database holds, read beside it and without going through its code."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa


def rows(database_url: str, query: str, **values: Any) -> list[tuple[Any, ...]]:
    """The rows of a query."""
    engine = sa.create_engine(database_url)
    try:
        with engine.connect() as connection:
            return [tuple(row) for row in connection.execute(sa.text(query), values)]
    finally:
        engine.dispose()


def readings_of(database_url: str, device: str) -> list[tuple[int, int, float | None]]:
    """(number, microseconds since 1970, restriction [Pa]) of a device, in order of the numbers."""
    query = (
        "SELECT r.seq, r.at_us, r.restriction_pa FROM readings r JOIN streams s ON s.id = r.stream_id "
        "JOIN devices d ON d.id = s.device_id WHERE d.name = :device ORDER BY s.id, r.seq"
    )
    return [(seq, at_us, pa) for seq, at_us, pa in rows(database_url, query, device=device)]


def quarantined_of(database_url: str, device: str) -> list[tuple[int, str]]:
    """(number, code) of what is in quarantine for a device."""
    query = (
        "SELECT q.seq, q.code FROM quarantine q JOIN streams s ON s.id = q.stream_id "
        "JOIN devices d ON d.id = s.device_id WHERE d.name = :device ORDER BY q.seq"
    )
    return [(seq, code) for seq, code in rows(database_url, query, device=device)]
