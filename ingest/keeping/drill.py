"""
A restore drill: a backup is restored aside, its account is counted, and the copy is removed again.

Promises: it touches neither the database that serves nor the backup. What it made is removed also where it
fails. On PostgreSQL the copy is a database of its own on the same server, which needs room and the right to
make one.
Leaves to others: the restore and its checks (`ingest.keeping.restore`).
"""

from __future__ import annotations

import secrets
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest import hidden
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.keeping.manifest import Manifest, read_manifest
from cleanside.ingest.keeping.restore import restore
from cleanside.ingest.store import account, database
from cleanside.ingest.store.account import StreamBalance
from cleanside.ingest.store.archive_disk import Disk


class Drilled(NamedTuple):
    """What came of a drill."""

    manifest: Manifest
    accounts: list[StreamBalance]
    restored_s: float
    counted_s: float

    @property
    def balances(self) -> bool:
        """True if every number of every stream is where it should be."""
        return all(one.balances for one in self.accounts)


def drill(
    url: str,
    *,
    source: Path,
    aside: Path,
    now_us: int,
    tools: Path | None = None,
    monotonic_s: Callable[[], float] = time.monotonic,
) -> Drilled:
    """
    Restore a backup aside and count its account.

    url : of the database that serves; of PostgreSQL its server gets the copy. aside : an empty folder with
    room for the archive, and for a SQLite database; the caller removes it.
    Raises CalledWrongly where the backup cannot be restored.
    """
    with _place(url, source, aside) as copy_url:
        began_s = monotonic_s()
        folder = aside / "archive"
        put = restore(copy_url, folder, source=source, now_us=now_us, disk=Disk(), tools=tools)
        restored_s = monotonic_s()
        engine = database.reading_engine(copy_url, archive=str(folder))
        try:
            with engine.connect() as connection:
                accounts = list(account.accounts(connection))
        finally:
            engine.dispose()
    return Drilled(put.manifest, accounts, restored_s - began_s, monotonic_s() - restored_s)


@contextmanager
def _place(url: str, source: Path, aside: Path) -> Iterator[str]:
    """The URL of an empty database for the copy; it is removed afterwards."""
    if read_manifest(source).database == "sqlite":
        yield f"sqlite:///{aside / 'drill.db'}"
        return
    if database.sqlite_path(url) is not None:
        raise CalledWrongly("backup_of_another_database", source=source, database="postgresql")
    name = f"cleanside_drill_{secrets.token_hex(4)}"
    # The server's template may have another encoding or locale; what is counted is sorted by neither.
    _run(url, f"CREATE DATABASE {name} TEMPLATE template0 ENCODING 'UTF8' LC_COLLATE 'C' LC_CTYPE 'C'")
    try:
        yield sa.make_url(url).set(database=name).render_as_string(hide_password=False)
    finally:
        _run(url, f"DROP DATABASE {name} WITH (FORCE)")


def _run(url: str, statement: str) -> None:
    address = sa.make_url(url).set(drivername="postgresql+psycopg")
    engine = sa.create_engine(address, isolation_level="AUTOCOMMIT", poolclass=sa.NullPool)
    try:
        with engine.connect() as connection:
            connection.exec_driver_sql(statement)
    except sa.exc.DBAPIError as error:
        said = hidden.without_passwords(str(error.orig).strip(), hidden.passwords_of(url))
        raise CalledWrongly("drill_database_refused", said=said.splitlines()[0]) from error
    finally:
        engine.dispose()
