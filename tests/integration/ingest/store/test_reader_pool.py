"""Connections of a server: after a rush the one that was used last goes first; what their caches may hold."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path

import sqlalchemy as sa

from cleanside.ingest.store import database
from tests.support.databases import migrate

MOST_CACHE_KIB = 32 * 1024  # of a server; chosen, a sixth of what it has at rest


def test_a_reader_alone_uses_one_connection_after_a_rush(database_url: str) -> None:
    """In turns each would fill its caches, in a server that one client asks."""
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


def test_the_page_caches_of_all_connections_have_a_small_bound(tmp_path: Path) -> None:
    """They fill for hours as the file grows, and a soak shows that as a leak."""
    url = f"sqlite:///{tmp_path / 'ingest.db'}"
    migrate(url)
    kib = 0
    for engine in (database.writing_engine(url), database.reading_engine(url)):
        pool = engine.pool
        assert isinstance(pool, sa.QueuePool)
        with engine.connect() as connection:
            found = connection.exec_driver_sql("PRAGMA cache_size").scalar_one()
        assert found < 0, "in KiB: pages of another size would have another bound"
        kib += -found * (pool.size() + max(0, pool._max_overflow))
        engine.dispose()
    assert kib <= MOST_CACHE_KIB


def driver_of(connection: sa.Connection) -> int:
    """Which of the driver's connections it is."""
    connection.exec_driver_sql("SELECT 1")
    return id(connection.connection.dbapi_connection)
