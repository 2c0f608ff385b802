"""
The first account of a server: while it has no admin, `serve` prints one link that makes one.

Promises: the link goes to a terminal, else into a file of mode 0600 whose name is printed, and which goes
once there is an admin. It opens once, and is worth nothing once somebody can sign in as admin for all sites,
after an hour, or when the process that made it has ended. It stays while others are merely invited.
Leaves to others: what the link does (`ingest.owners.people`).
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path

import sqlalchemy as sa

from cleanside.gateway import file_modes
from cleanside.ingest.commands.command_database import DEFAULT_OWNER
from cleanside.ingest.commands.people import address_of
from cleanside.ingest.errors import why
from cleanside.ingest.owners import people, sessions
from cleanside.ingest.owners.people import FIRST_US
from cleanside.ingest.settings import Settings, data_folder
from cleanside.ingest.store import database, durability, fleet
from cleanside.ingest.store import people as people_store
from cleanside.ingest.writer import system_clock

MINUTE_US = 60_000_000
BY_COMMAND = (
    "no admin can sign in yet; make one with the settings of this server: "
    "cleanside-ingest people invite NAME --role admin --out FILE --settings FILE"
)


@contextmanager
def offered(chosen: Settings, port: int, now_us: int) -> Iterator[Callable[[], None]]:
    """
    While this lasts a server without an admin has a link for the first one. The caller holds no lock.

    Gives what to call once there is an admin: its file goes.
    """
    token = sessions.new_token()
    if not _keep(chosen, token, now_us):
        yield lambda: None
        return
    link = people.link(address_of(chosen, port), token)
    path = None if sys.stderr.isatty() else _file_of(chosen)
    try:
        _tell(link, path)
        yield partial(_remove, path)
    finally:
        _remove(path)
        _withdraw(chosen)


def _remove(path: Path | None) -> None:
    """A file that cannot be removed is of no use to anybody: the link in it was used, or ends."""
    if path is not None:
        with suppress(OSError):
            path.unlink(missing_ok=True)


def _keep(chosen: Settings, token: str, now_us: int) -> bool:
    """Keep the link; False where there is an admin, or several owners: then it is not clear whose admin."""
    with _writing(chosen) as connection:
        owners = fleet.owner_names(connection)
        if len(owners) > 1:
            return False
        owner = fleet.keep_owner(connection, owners[0] if owners else DEFAULT_OWNER, now_us)
        if people_store.has_admin(connection, owner):
            return False
        people.offer_first_account(connection, owner, token, now_us)
        return True


def _tell(link: str, path: Path | None) -> None:
    minutes = FIRST_US // MINUTE_US
    if path is None:
        said = f"no admin can sign in yet; within {minutes} minutes make the first account: {link}"
        print(said, file=sys.stderr)
        return
    try:
        file_modes.make_folder(path.parent)
        path.unlink(missing_ok=True)  # of a process that was killed
        with os.fdopen(file_modes.new_file(path), "w") as file:
            file.write(link + "\n")
    except OSError as error:
        print(f"{BY_COMMAND} ({path} cannot be made: {why(error)})", file=sys.stderr)
        return
    said = f"no admin can sign in yet; the link of the first account is in {path}, for {minutes} minutes"
    print(said, file=sys.stderr)


def _file_of(chosen: Settings) -> Path:
    sqlite = database.sqlite_path(chosen.database)
    folder = data_folder(os.environ) if sqlite is None else sqlite.parent
    return folder / f"{'ingest' if sqlite is None else sqlite.name}.first-account"


def _withdraw(chosen: Settings) -> None:
    """The process ends, and its link with it; where the database is away it ends by its time."""
    with suppress(sa.exc.OperationalError), _writing(chosen) as connection:
        people_store.cancel_invitations(connection, None, system_clock.now_us())


@contextmanager
def _writing(chosen: Settings) -> Iterator[sa.Connection]:
    with database.exclusive(chosen.database):
        engine = database.writing_engine(chosen.database, archive=chosen.archive_folder)
        try:
            with durability.begin_alone(engine) as connection:
                yield connection
        finally:
            engine.dispose()
