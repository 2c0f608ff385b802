"""
The database: opening it, who may write, and whether this code knows its schema.

Promises: a commit is durable when it returns (SQLite: WAL, synchronous=FULL). On SQLite there is one
writing connection, and one process that holds the lock beside the file; readers can neither write nor
checkpoint (SQLite 3.7.0 to 3.51.2 may lose commits when two connections write or checkpoint at once).
Leaves to others: what is read and written (`ingest.store`), when (`ingest.writer.writer`).
"""

from __future__ import annotations

import importlib.resources
import logging
import math
import os
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from shutil import disk_usage
from typing import Any, NamedTuple, TypeVar

import psycopg
import sqlalchemy as sa
from alembic import command, script
from alembic.config import Config
from alembic.runtime.migration import MigrationContext
from sqlalchemy import event

from cleanside.gateway import file_modes
from cleanside.ingest import hidden
from cleanside.ingest.errors import BeingServed, CalledWrongly, why
from cleanside.ingest.store import durability, releases, revocations, round_trips, store_modes, trouble, turns

T = TypeVar("T")

BUSY_TIMEOUT_MS = 5_000  # a reader may wait for a checkpoint; chosen, far above what one takes
CHECK_EVERY = 100_000  # steps of SQLite's machine, some milliseconds; measured free of charge
# The system caches a SQLite file for all. A reader throws its pages away wherever something was committed
# since; large caches of many readers leave holes in the C library's heap, and memory grows for hours.
# Measured with 4 MiB, 1 MiB and this (`tests.benchmark.bench_growth`, `bench_read_back`).
READER_CACHE_KIB = 256
# Filled as the file grows, and for good: the tails of some thousand streams. Chosen. Tried: 4 MiB levels off
# sooner (`tests.benchmark.bench_growth`), but commits for 3,000 streams took 1.1 and 1.3 times the processor
# time once the file was larger than that (two pairs, busy machine).
WRITER_CACHE_KIB = 16_384
STATEMENT_TIMEOUT_MS = 30_000  # PostgreSQL: a stuck statement must not block the writer for ever; chosen
LOCK_TIMEOUT_MS = 3_000  # PostgreSQL: then the jobs of a commit run one by one; chosen
IDLE_TIMEOUT_MS = 60_000  # PostgreSQL: a process that hangs in mid-transaction loses its locks; chosen
#: primary result codes of SQLite where it may not open or write a file (sqlite.org/rescode.html)
_OF_OWNERS = (sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_PERM)
READERS = 8  # PostgreSQL: open connections for reading, a process
SQLITE_READERS = 40  # one for each serving thread: opening one takes longer than most queries


def sqlite_path(url: str) -> Path | None:
    """The file of a SQLite URL; None for another database."""
    parsed = _parsed(url)
    if parsed.get_backend_name() != "sqlite":
        return None
    if not parsed.database or parsed.database == ":memory:":
        raise CalledWrongly("database_in_memory", url=hidden.database_url(url))
    return Path(parsed.database)


def is_there(path: Path) -> bool:
    """True where there is a SQLite file. Raises CalledWrongly where its folder cannot be looked into."""
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        owners = _owners_of(path)
        raise CalledWrongly("database_file_not_opened", path=path, why=why(error), owners=owners) from error
    return True


def archive_folder(url: str, named: str = "") -> Path | None:
    """
    The folder of older readings: the one in the settings, else one beside a SQLite file.

    None: a PostgreSQL database without one keeps all its readings.
    """
    path = sqlite_path(url)
    folder = None if path is None else path.with_name(f"{path.name}.archive")
    if named:
        folder = Path(named)
    if folder is not None and folder.exists() and not folder.is_dir():
        raise CalledWrongly("archive_folder_not_a_folder", folder=folder)
    return folder


def copy_engine(path: Path, folder: Path) -> sa.Engine:
    """
    An engine that writes a SQLite file of no other process, and leaves no log beside it.

    folder : of the archive.
    """
    address = sa.URL.create("sqlite", database=str(path))
    engine = sa.create_engine(address, poolclass=sa.NullPool)
    event.listen(engine, "connect", _configure_copy)
    event.listen(engine, "begin", _begin_immediate)
    return engine.execution_options(archive_folder=folder)


def writing_engine(url: str, *, archive: str = "") -> sa.Engine:
    """
    An engine whose connection may write. On SQLite it has one connection; hold `exclusive` while using it.

    archive : folder of older readings, as `archive_folder` takes it.
    Raises CalledWrongly if the URL is not one of a database we know or its folder cannot be made.
    """
    path = sqlite_path(url)
    if path is None:
        engine = _postgres_engine(url, pool_size=2, tries_before_use=False)
        event.listen(engine, "connect", durability.note_warnings)
        revocations.record(engine, archive_folder(url, archive))  # before the commit goes out
        round_trips.attend(engine)
        return _with_archive(engine, url, archive)
    _make_folder(path)
    with suppress(OSError):  # SQLite says better what is wrong; its log takes the mode of the file
        file_modes.make_file(path)
    engine = sa.create_engine(url, poolclass=sa.QueuePool, pool_size=1, max_overflow=0, hide_parameters=True)
    event.listen(engine, "connect", _configure_writer)
    event.listen(engine, "begin", _begin_immediate)
    return _recording(engine, url, archive)


def _recording(engine: sa.Engine, url: str, named: str) -> sa.Engine:
    """The engine; before a commit it writes revoked keys into the archive folder."""
    revocations.record(engine, archive_folder(url, named))
    return _with_archive(engine, url, named)


def _with_archive(engine: sa.Engine, url: str, named: str) -> sa.Engine:
    """The engine; its connections know the folder of the archive (`ingest.store.archive`)."""
    return engine.execution_options(archive_folder=archive_folder(url, named))


def reading_engine(url: str, *, archive: str = "") -> sa.Engine:
    """An engine that cannot write. A connection sees one unchanging state from its first query to its end."""
    path = sqlite_path(url)
    if path is None:
        engine = _postgres_engine(url, pool_size=READERS)
        engine = engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)
        return _with_archive(engine, url, archive)
    # mode=ro: SQLite itself refuses to write and to checkpoint.
    read_only = f"sqlite:///file:{path}?mode=ro&uri=true"
    engine = sa.create_engine(
        read_only,
        poolclass=sa.QueuePool,
        pool_size=SQLITE_READERS,
        max_overflow=4,
        pool_use_lifo=True,  # in turns each would fill its cache, and that of statements
        hide_parameters=True,
    )
    event.listen(engine, "connect", _configure_reader)
    event.listen(engine, "begin", _begin_deferred)
    return _with_archive(engine, url, archive)


def standby_engine(url: str, of: str, *, archive: str = "") -> sa.Engine:
    """
    An engine that reads from a standby of a PostgreSQL database.

    of : URL of that database. Raises CalledWrongly where one of the two is a SQLite file.
    """
    if sqlite_path(url) is not None or sqlite_path(of) is not None:
        raise CalledWrongly("standby_for_reads_of_sqlite")
    return reading_engine(url, archive=archive)


def _parsed(url: str) -> sa.URL:
    """The URL in parts. Raises CalledWrongly where it is not one of a database we know."""
    parsed = hidden.readable(url)
    if parsed is None or parsed.get_backend_name() not in ("sqlite", "postgresql"):
        signs = " (in a password write @ as %40, : as %3A, / as %2F)" if "@" in url else ""
        raise CalledWrongly("database_url_unknown", url=hidden.database_url(url), signs=signs)
    return parsed


def _make_folder(path: Path) -> None:
    try:
        file_modes.make_folder(path.parent)
    except OSError as error:
        raise CalledWrongly("database_folder_not_made", folder=path.parent, why=why(error)) from error


def _postgres_engine(url: str, *, pool_size: int, tries_before_use: bool = True) -> sa.Engine:
    with_driver = sa.make_url(url).set(drivername="postgresql+psycopg")
    options = (
        f"-c statement_timeout={STATEMENT_TIMEOUT_MS} -c lock_timeout={LOCK_TIMEOUT_MS} "
        f"-c idle_in_transaction_session_timeout={IDLE_TIMEOUT_MS} -c timezone=UTC"
    )
    engine = sa.create_engine(
        with_driver,
        pool_size=pool_size,
        max_overflow=pool_size,
        pool_use_lifo=True,  # in turns each would make the server's process behind it grow
        pool_pre_ping=tries_before_use,
        hide_parameters=True,  # an error shows the statement, and not its values
        connect_args={"options": options, "connect_timeout": 5},
    )
    event.listen(engine, "do_connect", _connect_to_unicode)
    return engine


def _connect_to_unicode(dialect: sa.Dialect, _record: Any, words: Any, named: Any) -> Any:
    """
    A connection to a database of encoding UTF8, looked at before the dialect reads texts from it.

    Raises CalledWrongly for another: SQL_ASCII gives bytes for texts, and LATIN1 cannot hold every name.
    """
    connection: Any = dialect.connect(*words, **named)
    encoding = connection.info.parameter_status("server_encoding")
    if encoding in (None, "UTF8"):  # None: what is in between, a pooler, does not pass it on
        return connection
    name = connection.info.dbname
    connection.close()
    raise CalledWrongly("database_not_utf8", name=name, encoding=encoding)


def _configure_writer(connection: Any, _record: Any) -> None:
    connection.isolation_level = None  # we say BEGIN ourselves, see the "begin" listeners
    connection.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")  # sqlite.org/pragma.html: durable across power loss in WAL
    connection.execute("PRAGMA foreign_keys=ON")
    connection.execute(f"PRAGMA cache_size=-{WRITER_CACHE_KIB}")


def _configure_copy(connection: Any, _record: Any) -> None:
    connection.isolation_level = None
    connection.execute("PRAGMA foreign_keys=ON")
    connection.execute("PRAGMA trusted_schema=OFF")  # the file came from elsewhere; sqlite.org/security.html


def _configure_reader(connection: Any, _record: Any) -> None:
    connection.isolation_level = None
    connection.execute(f"PRAGMA busy_timeout={BUSY_TIMEOUT_MS}")
    connection.execute("PRAGMA query_only=ON")
    connection.execute(f"PRAGMA cache_size=-{READER_CACHE_KIB}")


def narrow(url: str) -> None:
    """Remove group's and others' access to a SQLite file and the files beside it, and log that."""
    path = sqlite_path(url)
    for part in ("", "-wal", "-shm", "-journal", ".lock") if path is not None else ():
        if changed := file_modes.narrow(Path(f"{path}{part}")):
            _log_narrowing(changed)


def _log_narrowing(changed: file_modes.Narrowing) -> None:
    event = "ingest.file_mode_narrowed" if changed.refused is None else "ingest.file_readable_by_others"
    said = {"file": str(changed.file), "was": f"{changed.was:04o}"}
    if changed.refused is not None:
        said["reason"] = changed.refused
    logging.getLogger("cleanside.ingest").warning(event, extra=said)


def limit_reading(engine: sa.Engine, limit_s: float) -> None:
    """
    End a transaction of a SQLite reader that takes longer, as PostgreSQL's statement_timeout does.

    For a serving process: a command may take the time it needs. SQLite asks every `CHECK_EVERY` steps.
    """
    if engine.dialect.name != "sqlite":
        return

    def watch(connection: Any, record: Any) -> None:
        record.info["until_s"] = math.inf
        connection.set_progress_handler(lambda: time.monotonic() > record.info["until_s"], CHECK_EVERY)

    def begin(connection: sa.Connection) -> None:
        connection.info["until_s"] = time.monotonic() + limit_s

    event.listen(engine, "connect", watch)
    event.listen(engine, "begin", begin)


def _begin_immediate(connection: sa.Connection) -> None:
    connection.exec_driver_sql("BEGIN IMMEDIATE")


def _begin_deferred(connection: sa.Connection) -> None:
    connection.exec_driver_sql("BEGIN")


# ---------------------------------------------------------------- one writing process


@contextmanager
def view(engine: sa.Engine) -> Iterator[sa.Connection]:
    """A connection that sees one unchanging state; nothing that it does stays."""
    with engine.connect() as connection:
        yield connection
        connection.rollback()


def in_transaction(engine: sa.Engine, job: Callable[[sa.Connection], T]) -> T:
    """Run a job in a transaction of its own. Returns its result once it is durable."""
    with engine.begin() as connection:
        return job(connection)


@contextmanager
def exclusive(url: str) -> Iterator[None]:
    """
    Take the lock beside a SQLite file; PostgreSQL needs none.

    Raises BeingServed where another process holds it: that one is serving, ask it over HTTP.
    """
    path = sqlite_path(url)
    if path is None:
        yield
        return
    import fcntl  # here, so that the module can be imported where there is none

    _make_folder(path)
    try:
        handle = os.open(f"{path}.lock", os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
    except OSError as error:
        raise CalledWrongly("lock_not_made", path=path, why=why(error), uid=os.getuid()) from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise BeingServed("being_served", path=path) from None
        yield
    finally:
        os.close(handle)  # closing frees the lock, also when the process is killed


# ---------------------------------------------------------------- schema


def _config(connection: sa.Connection | None = None, *, folder: Path | None = None) -> Config:
    config = Config()
    # Its files are data to us, so the package is not imported.
    config.set_main_option(
        "script_location", str(folder or importlib.resources.files("cleanside.migrations"))
    )
    config.attributes["connection"] = connection
    return config


class Revisions(NamedTuple):
    """The schema revisions of this code."""

    newest: str
    every: frozenset[str]


def revisions(folder: Path | None = None) -> Revisions:
    """
    The schema revisions of this code, from one reading of its files.

    folder : of the migrations; None: as installed. Raises CalledWrongly where it has none.
    """
    config = _config(folder=folder)
    listed = script.ScriptDirectory.from_config(config)
    newest = listed.get_current_head()
    if newest is None:
        raise CalledWrongly("installation_incomplete", place=config.get_main_option("script_location"))
    return Revisions(newest, frozenset(each.revision for each in listed.walk_revisions()))


def newest_revision(folder: Path | None = None) -> str:
    """The newest schema revision of this code. Raises as `revisions`."""
    return revisions(folder).newest


def revision_of(connection: sa.Connection) -> str | None:
    """The schema revision of a database; None for an empty one."""
    return MigrationContext.configure(connection).get_current_revision()


def migrate(
    engine: sa.Engine, *, to: str = "head", on_wait: Callable[[], None] = lambda: None
) -> tuple[str | None, str | None]:
    """
    Bring the schema to a revision, the newest by default. Returns the revision before and after.

    on_wait : called once where the commit waits for a standby that does not confirm.
    A database made from nothing stores readings as blocks: no earlier release has ever read it.
    Raises CalledWrongly while another process does it, for a schema that this code does not know, and where
    the user of the database may not change it.
    """
    _found(engine)
    known = revisions()  # without any revision alembic would do nothing and report success
    try:
        with engine.connect() as connection:
            if not turns.is_ours(connection, turns.SCHEMA):
                raise CalledWrongly("migration_under_way")
            before = revision_of(connection)
            if before is not None and before not in known.every:
                raise CalledWrongly("schema_newer", schema=before, newest=known.newest)
            upgrade(connection, to=to)
            after = revision_of(connection)
            if before is None and after == known.newest:
                store_modes.begin(connection, store_modes.BLOCKS, time.time_ns() // 1000)
            with durability.telling_of_a_wait(connection, on_wait):
                connection.commit()
            return before, after
    except sa.exc.ProgrammingError as error:
        if not isinstance(error.orig, psycopg.errors.InsufficientPrivilege):
            raise
        raise CalledWrongly("schema_not_ours", why=str(error.orig).strip().splitlines()[0]) from error


def upgrade(connection: sa.Connection, *, to: str = "head") -> None:
    """Bring the schema to a revision, the newest by default, in the caller's transaction."""
    command.upgrade(_config(connection), to)
    if to == "head" and (newest := revision_of(connection)) is not None:
        releases.name_working(connection, newest)


def _found(engine: sa.Engine) -> str | None:
    """
    The schema revision, at the first contact; None for an empty database.

    Raises CalledWrongly where the database cannot be opened, or has tables of another program.
    """
    url = engine.url.render_as_string(hide_password=False)
    shown = hidden.database_url(url).replace("/file:", "/")
    try:
        with engine.connect() as connection:
            found = revision_of(connection)
            # A schema of PostgreSQL may be shared, for example with an extension's tables; a file is not.
            alone = found is None and engine.dialect.name == "sqlite"
            tables = sa.inspect(connection).get_table_names() if alone else []
            connection.rollback()
    except sa.exc.DBAPIError as error:
        [first, *_] = str(error.orig).strip().splitlines() or [""]
        first = hidden.without_passwords(first, hidden.passwords_of(url))
        if engine.dialect.name != "sqlite":
            raise CalledWrongly("database_not_opened", url=shown, why=first) from error
        raise _file_not_opened(engine, error, first) from error
    if tables:
        raise CalledWrongly("table_of_another_program", url=shown, table=sorted(tables)[0])
    return found


def _file_not_opened(engine: sa.Engine, error: sa.exc.DBAPIError, first: str) -> CalledWrongly:
    """What is said of a SQLite file that cannot be opened, or written at the first contact."""
    if (full := full_disk(engine, error)) is not None:
        return full
    path = _file_of(engine)
    number = getattr(error.orig, "sqlite_errorcode", 0)
    if number & 0xFF not in _OF_OWNERS or path.is_dir():
        return CalledWrongly("database_file_not_sqlite", path=path, why=first)
    return CalledWrongly("database_file_not_opened", path=path, why=first, owners=_owners_of(path))


def _file_of(engine: sa.Engine) -> Path:
    return Path(str(engine.url.database).removeprefix("file:").partition("?")[0])


def full_disk(engine: sa.Engine, error: sa.exc.DBAPIError) -> CalledWrongly | None:
    """What is said where the disk of a SQLite file is full; None: that is not why."""
    if engine.dialect.name != "sqlite":
        return None
    path = _file_of(engine)
    if trouble.code_of(error, path.parent) != trouble.STORE_FULL:
        return None
    return CalledWrongly("database_disk_full", path=path, free=f"{disk_usage(path.parent).free:,}")


def _owners_of(path: Path) -> str:
    """Whom a file and its folder belong to, as far as that can be seen, and who asks. User ids."""
    told = []
    for name, one in (("the file", path), ("the folder", path.parent)):
        with suppress(OSError):
            told.append(f"{name} belongs to user id {one.stat().st_uid}")
    return f"{', '.join(told) or 'the folder cannot be looked into'}, this is user id {os.getuid()}"


def check(engine: sa.Engine) -> None:
    """Raise AutogenerateDiffsDetected where the schema differs from `ingest.store.models`."""
    with engine.connect() as connection:
        command.check(_config(connection))


def require_newest(
    engine: sa.Engine, *, migrate_empty: bool, migrate_old: bool, on_wait: Callable[[], None] = lambda: None
) -> None:
    """
    Make sure that the schema is the newest; an empty database is upgraded by itself.

    on_wait : as of `migrate`.
    Raises CalledWrongly for an older schema unless `migrate_old`, and for a newer one unless the release that
    made it wrote down that this one works on it.
    """
    revision, known = _found(engine), revisions()
    if revision == known.newest:
        return
    if revision is not None and revision not in known.every:
        with engine.connect() as connection:
            works = releases.may_start(connection, known.newest)
        if not works:
            raise CalledWrongly("schema_newer", schema=revision, newest=known.newest)
        said = {"schema": revision, "newest": known.newest, "reason": "a newer release works on it already"}
        logging.getLogger("cleanside.ingest").warning("ingest.schema_newer", extra=said)
        return
    if (revision is None and migrate_empty) or migrate_old:
        migrate(engine, on_wait=on_wait)
        return
    raise CalledWrongly("schema_older", schema=revision or "none", newest=known.newest)
