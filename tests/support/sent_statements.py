"""The statements that this process sends to its database, by whichever way."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import round_trips
from cleanside.ingest.store.round_trips import Statement


@contextmanager
def noted() -> Iterator[list[str]]:
    """Every statement that is sent meanwhile, each in one line."""
    sent: list[str] = []

    def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
        sent.append(" ".join(statement.split()))

    def note_all(connection: sa.Connection, together: Sequence[Statement]) -> Any:
        for statement, _ in together:
            note(connection, None, statement)
        return exchange(connection, together)

    def note_one(connection: sa.Connection, sql: str, values: tuple[Any, ...]) -> Any:
        note(connection, None, sql)
        return in_sqlite(connection, sql, values)

    # of the commits of readings
    exchange, in_sqlite = round_trips._exchange, round_trips.run_in_sqlite
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(round_trips, "_exchange", note_all)
        patch.setattr(round_trips, "run_in_sqlite", note_one)
        sa.event.listen(sa.Engine, "before_cursor_execute", note)
        try:
            yield sent
        finally:
            sa.event.remove(sa.Engine, "before_cursor_execute", note)
