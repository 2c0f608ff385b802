"""
The database of a command: for writing under the lock of serving processes, or for reading.

Leaves to others: the work (the commands beside this file).
"""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

import sqlalchemy as sa

from cleanside.ingest.errors import BeingServed, CalledWrongly
from cleanside.ingest.owners import key_review
from cleanside.ingest.settings import Settings, default_database
from cleanside.ingest.store import database, fleet
from cleanside.ingest.writer import system_clock

# Of the unit that the package brings: its settings, and where its database lies unless they name one.
SETTINGS_OF_SERVICE = Path("/etc/cleanside/ingest.toml")
STATE_OF_SERVICE = Path("/var/lib/cleanside-ingest")
DEFAULT_OWNER = "own"
NO_REVOCATIONS_FILE = (
    "archive_folder is not set, so no file remembers revocations: after a restore of an earlier backup, "
    "revoke again; set archive_folder"
)


@contextmanager
def opened(
    chosen: Settings,
    *,
    newest: bool = False,
    makes: bool = False,
    route: str = "",
    settings_of_service: Path = SETTINGS_OF_SERVICE,
    state_of_service: Path = STATE_OF_SERVICE,
) -> Iterator[sa.Engine]:
    """
    A writing engine under the lock; `newest` makes sure of the schema first.

    makes : a missing SQLite file is made, and printed. route : of a running server that does the same; "":
    there is none. settings_of_service : where this file is, only a named database is made, or that of the
    service, which lies below `state_of_service`.
    Raises CalledWrongly.
    """
    new = new_file(chosen.database)
    is_default = chosen.database == default_database(os.environ)
    _refuse_unnamed(new, chosen, settings_of_service, state_of_service)
    if new is not None and not makes:
        raise _not_there(new)
    with _exclusive(chosen.database, route):
        engine = database.writing_engine(chosen.database, archive=chosen.archive_folder)
        announce(new, is_default=is_default)
        try:
            if newest:
                database.require_newest(engine, migrate_empty=True, migrate_old=False)
                folder = database.archive_folder(chosen.database, chosen.archive_folder)
                key_review.start(engine, folder, system_clock.now_us())
            yield engine
        except sa.exc.OperationalError as error:
            if (full := database.full_disk(engine, error)) is not None:
                raise full from error
            raise
        finally:
            engine.dispose()


def _refuse_unnamed(
    new: Path | None, chosen: Settings, settings_of_service: Path, state_of_service: Path
) -> None:
    """Raise CalledWrongly where none was named, none is there, and a service of this machine has one."""
    if new is None or chosen.database != default_database(os.environ) or new.is_relative_to(state_of_service):
        return
    if settings_of_service.exists():
        service = {"settings": settings_of_service, "folder": state_of_service}
        raise CalledWrongly("settings_not_named", path=new, **service)


@contextmanager
def reader(
    chosen: Settings,
    *,
    settings_of_service: Path = SETTINGS_OF_SERVICE,
    state_of_service: Path = STATE_OF_SERVICE,
) -> Iterator[sa.Connection]:
    """
    A connection that only reads; it may do so while a process serves.

    settings_of_service, state_of_service : as `opened` takes them. Raises CalledWrongly.
    """
    new = new_file(chosen.database)
    _refuse_unnamed(new, chosen, settings_of_service, state_of_service)
    if new is not None:
        raise _not_there(new)
    engine = database.reading_engine(chosen.database, archive=chosen.archive_folder)
    try:
        database.require_newest(engine, migrate_empty=False, migrate_old=False)
        with engine.connect() as connection:
            yield connection
    finally:
        engine.dispose()


@contextmanager
def _exclusive(url: str, route: str) -> Iterator[None]:
    with ExitStack() as held:
        try:
            held.enter_context(database.exclusive(url))
        except BeingServed as busy:
            if route:
                raise BeingServed("being_served_ask", path=busy.values["path"], route=route) from None
            raise
        yield


def warn_of_no_file(chosen: Settings) -> None:
    """Say on standard error that a restore of an earlier backup will not know of a revocation."""
    if database.archive_folder(chosen.database, chosen.archive_folder) is None:
        print(NO_REVOCATIONS_FILE, file=sys.stderr)


def _not_there(path: Path) -> CalledWrongly:
    return CalledWrongly("no_database", path=path)


def new_file(url: str) -> Path | None:
    """The SQLite file that would be made for a URL; None: it is there, or the database is no file."""
    path = database.sqlite_path(url)
    return None if path is None or database.is_there(path) else path


def announce(new: Path | None, *, is_default: bool = False) -> None:
    """Print on standard error which database file was made, so that a mistyped path, or none, shows."""
    if new is not None:
        unnamed = " (no database was named; name the server's by --database or in its --settings)"
        print(f"new database: {new}{unnamed if is_default else ''}", file=sys.stderr)


def add_owner(parser: argparse.ArgumentParser) -> None:
    """The flag for the owner: a command acts inside one owner."""
    parser.add_argument("--owner", default=DEFAULT_OWNER, metavar="NAME", help=f"default: {DEFAULT_OWNER}")


def owner_id(connection: sa.Connection, name: str) -> int:
    """The owner of this name. Raises CalledWrongly if there is none."""
    number = fleet.owner_id(connection, name)
    if number is None:
        names = ", ".join(fleet.owner_names(connection)) or "none"
        raise CalledWrongly("no_owner", name=name, there=names)
    return number


def kept_owner(connection: sa.Connection, name: str, now_us: int) -> int:
    """The id of an owner; a new one is printed, so that a mistyped name shows."""
    if fleet.owner_id(connection, name) is None:
        print(f"new owner: {name}", file=sys.stderr)
    return fleet.keep_owner(connection, name, now_us)
