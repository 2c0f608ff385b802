"""
Alembic's entry: runs the revisions on the caller's connection.

`cleanside-ingest migrate` passes a connection. The plain `alembic` command (for writing a revision) takes
the URL from CLEANSIDE_INGEST_DATABASE.
"""

from __future__ import annotations

import os

from alembic import context
from sqlalchemy import Connection, create_engine

from cleanside.ingest.store import models


def _is_ours(name: str | None, kind: str, _parents: object) -> bool:
    """Months of readings and blocks are tables that come and go by themselves: not for alembic to compare."""
    return not (kind == "table" and (name or "").startswith(("readings_", "blocks_")))


def _run(connection: Connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=models.metadata,
        include_name=_is_ours,
        compare_type=True,
        compare_server_default=True,
        # SQLite cannot alter most things in place; alembic then copies the table.
        render_as_batch=connection.dialect.name == "sqlite",
    )
    with context.begin_transaction():
        context.run_migrations()


given: Connection | None = context.config.attributes.get("connection")
if given is not None:
    _run(given)
else:
    with create_engine(os.environ["CLEANSIDE_INGEST_DATABASE"]).begin() as opened:
        _run(opened)
