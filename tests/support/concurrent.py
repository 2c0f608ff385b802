"""What tests of two processes at one database need."""

from __future__ import annotations

import time
from concurrent.futures import Future
from typing import Any

import sqlalchemy as sa


def wait_for_lock(engine: sa.Engine, *, or_for: Future[Any] | None = None) -> None:
    """Until a session of this PostgreSQL database waits for a lock, or `or_for` is done without a wait."""
    here = "wait_event_type = 'Lock' AND datname = current_database()"
    deadline = time.monotonic() + 30
    waiting = 0
    while not waiting and not (or_for and or_for.done()):
        with engine.connect() as connection:  # a transaction sees the sessions of its first look
            waiting = connection.scalar(sa.text(f"SELECT count(*) FROM pg_stat_activity WHERE {here}"))
        assert time.monotonic() < deadline
