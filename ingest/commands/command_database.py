"""
The database of a command: opened for writing under the lock that a serving process holds, or for reading.

Leaves to others: what is done with it (the commands beside this file).
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager

import sqlalchemy as sa

from cleanside.ingest.api import app
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.owners import key_review
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import database, fleet

DEFAULT_OWNER = "own"


@contextmanager
def opened(chosen: Settings, *, newest: bool = False) -> Iterator[sa.Engine]:
    """A writing engine under the lock; `newest` makes sure of the schema first."""
    with database.exclusive(chosen.database):
        engine = database.writing_engine(chosen.database, archive=chosen.archive_folder)
        try:
            if newest:
                database.require_newest(engine, migrate_empty=True, migrate_old=False)
                folder = database.archive_folder(chosen.database, chosen.archive_folder)
                key_review.start(engine, folder, app.system_clock())
            yield engine
        finally:
            engine.dispose()


@contextmanager
def reader(chosen: Settings) -> Iterator[sa.Connection]:
    """A connection that only reads; it may do so while a process serves."""
    path = database.sqlite_path(chosen.database)
    if path is not None and not path.exists():
        raise CalledWrongly(
            f"there is no database at {path}; run: cleanside-ingest migrate, or check --database"
        )
    engine = database.reading_engine(chosen.database, archive=chosen.archive_folder)
    try:
        database.require_newest(engine, migrate_empty=False, migrate_old=False)
        with engine.connect() as connection:
            yield connection
    finally:
        engine.dispose()


def add_owner(parser: argparse.ArgumentParser) -> None:
    """The flag that says whose: a command acts inside one owner."""
    parser.add_argument("--owner", default=DEFAULT_OWNER, metavar="NAME", help=f"default: {DEFAULT_OWNER}")


def owner_id(connection: sa.Connection, name: str) -> int:
    """The owner of this name. Raises CalledWrongly if there is none."""
    found = fleet.owner_id(connection, name)
    if found is None:
        raise CalledWrongly(f"there is no owner {name}; keys create --owner makes one")
    return found
