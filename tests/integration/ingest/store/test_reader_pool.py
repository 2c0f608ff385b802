"""Connections of readers: after a rush the one that was used last goes first."""

from __future__ import annotations

from contextlib import ExitStack

import sqlalchemy as sa

from cleanside.ingest.store import database


def test_a_reader_alone_uses_one_connection_after_a_rush(database_url: str) -> None:
    """In turns each would fill its caches: 40 of 4 MiB each, in a server that one client asks."""
    engine = database.reading_engine(database_url)
    try:
        with ExitStack() as rush:
            used = {driver_of(rush.enter_context(engine.connect())) for _ in range(4)}
        assert len(used) == 4
        alone = set()
        for _ in range(8):
            with engine.connect() as connection:
                alone.add(driver_of(connection))
        assert len(alone) == 1
    finally:
        engine.dispose()


def driver_of(connection: sa.Connection) -> int:
    """Which of the driver's connections it is."""
    connection.exec_driver_sql("SELECT 1")
    return id(connection.connection.dbapi_connection)
