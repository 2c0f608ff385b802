"""
Backup and restore: the database as it was at one instant, with the files of its archive, and back again.

Promises: a backup may be made while a process serves; it is whole or not there (made aside, checked,
renamed). A restore goes into an empty place only. The backup is checked whole before anything is written: the
manifest, every file, the archive that the database lists, and the account (of PostgreSQL's the account is
checked once it is loaded; where it differs, the database is emptied again). The database comes last: a server
finds either nothing or everything.
Leaves to others: what came after the backup: gateways send again what the restored server does not have.

A folder holds `manifest.json` with the SHA-256 of every file, the database (`database.sqlite`, a plain file,
or `database.dump` of pg_dump), and `archive/`. Archive files are linked where they lie on the same file
system: they never change, so a link is as good, but it is no second copy; copy the folder to another disk.

SQLite is copied by its own online backup, in one step on a connection that only reads
(sqlite.org/backup.html): writers go on meanwhile. PostgreSQL is copied by its own tools, in the snapshot in
which the archive is listed.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
import subprocess
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from urllib.parse import quote

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import instant_text
from cleanside.ingest.errors import CalledWrongly, why
from cleanside.ingest.keeping.manifest import (
    ARCHIVE,
    DATABASE_FILE,
    FORMAT,
    MANIFEST,
    Listed,
    Manifest,
    Totals,
    check_folder,
    listed,
    read_manifest,
    totals_of,
)
from cleanside.ingest.store import account, archive, database, inside
from cleanside.ingest.store.archive_file import Disk

SQLITE, POSTGRES = DATABASE_FILE["sqlite"], DATABASE_FILE["postgresql"]


# ---------------------------------------------------------------- backup


def backup(
    url: str, folder: Path, *, to: Path, now_us: int, disk: Disk, tools: Path | None = None
) -> Manifest:
    """
    Make a backup in a new folder `to`. folder : of the archive. tools : where pg_dump is; None: on the path.

    Raises CalledWrongly where `to` is there already, or where the copy is not sound; then nothing is left.
    """
    if to.exists():
        raise CalledWrongly(f"{to} is there already; name a folder that is not")
    aside = to.with_name(f"{to.name}.part")
    _make_anew(aside)
    try:
        manifest = _fill(url, folder, aside, now_us, disk, tools)
        (aside / MANIFEST).write_text(json.dumps(manifest.document(), indent=2) + "\n", encoding="utf-8")
        for path in sorted(aside.rglob("*"), reverse=True):
            disk.sync_folder(path) if path.is_dir() else disk.sync_file(path)
        disk.sync_folder(aside)
        disk.rename(aside, to)
    except BaseException:
        shutil.rmtree(aside, ignore_errors=True)
        raise
    disk.sync_folder(to.parent)
    return manifest


def _make_anew(aside: Path) -> None:
    """What an earlier try left over is of no use: it has no manifest."""
    try:
        if aside.exists():
            shutil.rmtree(aside)
        aside.mkdir(mode=0o700, parents=True)  # it holds hashes of keys
    except OSError as error:
        raise CalledWrongly(f"{aside} cannot be made ({error.strerror}); name another folder") from error


def _fill(url: str, folder: Path, aside: Path, now_us: int, disk: Disk, tools: Path | None) -> Manifest:
    if database.sqlite_path(url) is not None:
        copy = aside / SQLITE
        _copy_sqlite(url, copy)
        with _opened_copy(copy, folder) as connection:
            schema, totals, listed = _look(connection)
        name = "sqlite"
    else:
        copy = aside / POSTGRES
        engine = database.reading_engine(url, archive=str(folder))
        try:
            with engine.connect() as connection:
                snapshot = connection.scalar(sa.text("SELECT pg_export_snapshot()"))
                options = ("--format=custom", f"--snapshot={snapshot}", f"--file={copy}")
                _run(tools, "pg_dump", *options, url=url)
                schema, totals, listed = _look(connection)
        finally:
            engine.dispose()
        name = "postgresql"
    files = [Listed(copy.name, *inside.content_of(copy))]
    files += [_keep(folder, entry, aside, disk) for entry in listed]
    return Manifest(
        format=BACKUP_FORMAT,
        made_at=instant_text(now_us),
        database=name,
        schema=schema,
        totals=totals,
        files=tuple(files),
    )


def _copy_sqlite(url: str, copy: Path) -> None:
    path = database.sqlite_path(url)
    assert path is not None
    if not path.exists():
        raise CalledWrongly(f"there is no database at {path}; check --database")
    with (
        closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as source,
        closing(sqlite3.connect(copy)) as target,
    ):
        source.backup(target)
        target.execute("PRAGMA journal_mode=DELETE")  # one plain file; a server makes it WAL again
        _check_sqlite(target, copy)


def _check_sqlite(connection: sqlite3.Connection, path: Path) -> None:
    """Raise CalledWrongly where SQLite finds the file unsound (sqlite.org/pragma.html, integrity_check)."""
    try:
        found = [row[0] for row in connection.execute("PRAGMA integrity_check")]
    except sqlite3.DatabaseError as error:
        found = [str(error)]
    if found != ["ok"]:
        raise CalledWrongly(f"{path.name} is not sound: {'; '.join(found[:3])}; look at the disk")


@contextmanager
def _opened_copy(copy: Path, folder: Path) -> Iterator[sa.Connection]:
    """A connection to a plain copy that nobody else has, with an archive folder."""
    engine = sa.create_engine(f"sqlite:///{copy}", poolclass=sa.NullPool)
    try:
        with engine.execution_options(**{archive.FOLDER: folder}).connect() as connection:
            yield connection
    finally:
        engine.dispose()


def _look(connection: sa.Connection) -> tuple[str | None, Totals | None, list[archive.Archive]]:
    """Schema, account and archive files of a database; what an older schema does not have is left out."""
    schema = database.revision_of(connection)
    if schema == database.newest_revision():
        return schema, totals_of(account.accounts(connection)), archive.all_of(connection)
    known = sa.inspect(connection).has_table("archives")
    return schema, None, archive.all_of(connection) if known else []


def _keep(folder: Path, entry: archive.Archive, aside: Path, disk: Disk) -> Listed:
    """Put an archive file into a backup, after a look that it is the one that was registered."""
    try:
        source, kept = inside.archive_path(folder, entry.file), aside / ARCHIVE / entry.file
        disk.make_folder(kept.parent)
        try:
            os.link(source, kept, follow_symlinks=False)
        except OSError:  # another file system, or one without links
            inside.copy(source, kept)
        found = inside.content_of(kept)
    except (OSError, ValueError) as error:
        raise CalledWrongly(
            f"archive file {folder / entry.file} cannot be read ({why(error)}); "
            "put it back from an older backup"
        ) from error
    if found != (entry.sha256, entry.size_bytes):
        raise CalledWrongly(f"archive file {source} is not as it was made; put it back from an older backup")
    return Listed(f"{ARCHIVE}/{entry.file}", *found)


# ---------------------------------------------------------------- restore


def restore(url: str, folder: Path, *, source: Path, disk: Disk, tools: Path | None = None) -> Manifest:
    """
    Put a backup in place: the database of `url`, and its archive in `folder`. The caller holds the lock.

    Raises CalledWrongly where the place is not empty, or the backup is not whole; then nothing is changed.
    """
    manifest = read_manifest(source)
    path = database.sqlite_path(url)
    if (manifest.database == "sqlite") != (path is not None):
        raise CalledWrongly(f"{source} is of a {manifest.database} database; give such a --database")
    if path is not None:
        _refuse_taken([path, path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-journal")])
    else:
        _refuse_filled(url)
    check_folder(source, manifest)
    _check_database(source, manifest, tools)
    with _archive_in_place(source, manifest, folder, disk) as archive_in_place:
        if path is not None:
            _restore_sqlite(source, path, manifest, archive_in_place, disk)
        else:
            _restore_postgres(url, folder, source, manifest, archive_in_place, tools)
    return manifest


def _refuse_taken(paths: Sequence[Path]) -> None:
    for path in paths:
        if os.path.lexists(path):
            raise CalledWrongly(f"{path} is there already; move it away, or restore to another --database")


def _refuse_filled(url: str) -> None:
    engine = database.reading_engine(url)
    try:
        if tables := sa.inspect(engine).get_table_names():
            raise CalledWrongly(
                f"the database has {counted(len(tables), 'table')} already; "
                "restore into an empty one (createdb)"
            )
    finally:
        engine.dispose()


def _check_database(source: Path, manifest: Manifest, tools: Path | None) -> None:
    """Raise CalledWrongly unless the database of a backup is sound and is what the manifest says."""
    if manifest.database == "sqlite":
        with _opened_read_only(source / SQLITE, source / ARCHIVE) as connection:
            driver = connection.connection.driver_connection
            assert isinstance(driver, sqlite3.Connection)
            _check_sqlite(driver, source / SQLITE)
            schema, registered = _registered(connection)
            _compare_register(schema, registered, manifest)
            _compare(_look(connection)[1], manifest)
    else:
        _compare_register(*_registered_in_dump(source / POSTGRES, tools), manifest)


@contextmanager
def _opened_read_only(copy: Path, folder: Path) -> Iterator[sa.Connection]:
    """
    A connection to a plain copy that comes from elsewhere. It writes no file, not even a lock beside it.

    trusted_schema: nothing in the schema of the file may call functions (sqlite.org/security.html).
    """

    def connect() -> sqlite3.Connection:
        address = f"file:{quote(str(copy.resolve()))}?mode=ro&immutable=1"
        connection = sqlite3.connect(address, uri=True)
        connection.execute("PRAGMA trusted_schema=OFF")
        return connection

    engine = sa.create_engine("sqlite://", creator=connect, poolclass=sa.NullPool)
    try:
        with engine.execution_options(**{archive.FOLDER: folder}).connect() as connection:
            yield connection
    except sa.exc.DatabaseError as error:
        raise CalledWrongly(f"{copy.name} is not sound: {error.orig}; use another backup") from error
    finally:
        engine.dispose()


def _registered(connection: sa.Connection) -> tuple[str | None, set[Listed]]:
    """Schema and archive files that a database says it has."""
    known = sa.inspect(connection).has_table("archives")
    return database.revision_of(connection), listed(archive.all_of(connection)) if known else set()


def _registered_in_dump(dump: Path, tools: Path | None) -> tuple[str | None, set[Listed]]:
    """Schema and archive files that a dump of PostgreSQL has, read without a database."""
    schemas = [row["version_num"] for row in _dumped(dump, "alembic_version", tools)]
    rows = _dumped(dump, "archives", tools)
    try:
        found = {Listed(row["file"], row["sha256"], int(row["size_bytes"])) for row in rows}
    except (KeyError, ValueError) as error:
        raise CalledWrongly(f"{dump.name} has no archive register of ours; use another backup") from error
    return (schemas[0] if schemas else None), found


def _dumped(dump: Path, table: str, tools: Path | None) -> list[dict[str, str]]:
    """
    The rows of one table of a dump, as text (PostgreSQL manual, COPY, "Text Format").

    Escapes are left as they are: nothing that is asked for has any, and what has one fits nothing.
    """
    text = _run(tools, "pg_restore", "--data-only", f"--table={table}", "--file=-", str(dump))
    found = re.search(
        rf"^COPY \S+\.{table} \((.*)\) FROM stdin;\n(.*?)^\\\.$", text, re.DOTALL | re.MULTILINE
    )
    if found is None:
        return []
    names = found[1].split(", ")
    return [dict(zip(names, line.split("\t"), strict=False)) for line in found[2].splitlines()]


def _compare_register(schema: str | None, registered: set[Listed], manifest: Manifest) -> None:
    """The archive files of a backup are those that its database lists, no more and no other."""
    if schema != manifest.schema:
        raise CalledWrongly(
            f"the database of the backup has schema {schema}, its manifest says {manifest.schema}; "
            "nothing was restored, use another backup"
        )
    if odd := sorted(registered ^ manifest.archive_files):
        raise CalledWrongly(
            f"archive file {odd[0].file!r} is not the same in the manifest and the database of the backup; "
            "nothing was restored, use another backup"
        )


@contextmanager
def _archive_in_place(
    source: Path, manifest: Manifest, folder: Path, disk: Disk
) -> Iterator[Callable[[], list[Path]]]:
    """
    Copies of the archive files beside their place; called, what is given puts them there and names them.

    Files that an earlier try put in place are as good as new ones; any others are refused.
    """
    wanted = {entry.file: entry for entry in manifest.archive_files}
    there = _there_already(folder, wanted)
    aside = folder.with_name(f"{folder.name}.part")
    _clear(aside)
    missing = sorted(wanted.keys() - there)
    try:
        for name in missing:
            disk.make_folder((aside / name).parent)
            _copy_checked(source / ARCHIVE, wanted[name], aside / name)
            disk.sync_file(aside / name)

        def put() -> list[Path]:
            for name in missing:
                disk.make_folder((folder / name).parent)
                disk.rename(aside / name, folder / name)
                disk.sync_folder((folder / name).parent)
            return [folder / name for name in missing]

        yield put
    finally:
        _clear(aside)


def _there_already(folder: Path, wanted: dict[str, Listed]) -> set[str]:
    """Files of the backup that are in the archive folder. Raises CalledWrongly where there is any other."""
    try:
        there = set(inside.plain_files(folder)) if folder.exists() else set()
        odd = [name for name in there if name not in wanted]
        odd += [n for n in there & wanted.keys() if inside.content_of(folder / n) != wanted[n][1:]]
    except (OSError, ValueError) as error:
        raise CalledWrongly(f"{folder} cannot take an archive ({why(error)}); move it away") from error
    if odd:
        raise CalledWrongly(f"{folder} has files of another archive, like {min(odd)}; move it away")
    return there


def _copy_checked(folder: Path, entry: Listed, to: Path) -> None:
    """Copy a file of a backup, and hold what was copied against the manifest: it may have changed since."""
    try:
        copied = inside.copy(inside.path_in(folder, entry.file), to)
    except ValueError as error:
        raise CalledWrongly(f"{error}; use another backup") from error
    if copied != entry[1:]:
        raise CalledWrongly(f"{entry.file} changed while it was read; use another backup")


def _clear(aside: Path) -> None:
    """Remove what an earlier try left over; a link goes itself, and not what it leads to."""
    if aside.is_symlink() or aside.is_file():
        aside.unlink()
    else:
        shutil.rmtree(aside, ignore_errors=True)


def _restore_sqlite(
    source: Path, path: Path, manifest: Manifest, archive_in_place: Callable[[], list[Path]], disk: Disk
) -> None:
    [entry] = [entry for entry in manifest.files if entry.file == SQLITE]
    aside = path.with_name(f"{path.name}.part")
    disk.make_folder(path.parent)
    _clear(aside)
    try:
        _copy_checked(source, entry, aside)
        archive_in_place()
        disk.sync_file(aside)
        disk.rename(aside, path)
    finally:
        disk.remove(aside)
    disk.sync_folder(path.parent)


def _restore_postgres(
    url: str,
    folder: Path,
    source: Path,
    manifest: Manifest,
    archive_in_place: Callable[[], list[Path]],
    tools: Path | None,
) -> None:
    was_there = folder.exists()
    put = archive_in_place()
    try:
        options = ("--single-transaction", "--exit-on-error", "--no-owner", str(source / POSTGRES))
        _run(tools, "pg_restore", *options, url=url)
        _compare_postgres(url, folder, manifest)
    except BaseException:
        _empty_again(url)
        for path in put:
            path.unlink(missing_ok=True)
        for made in [*{path.parent for path in put}, *([] if was_there else [folder])]:
            with suppress(OSError):  # other files are in it
                made.rmdir()
        raise


def _empty_again(url: str) -> None:
    """Take away every table of a database that was empty before."""
    engine = database.writing_engine(url)
    try:
        with engine.begin() as connection:
            quoted = connection.dialect.identifier_preparer.quote
            tables = [quoted(name) for name in sa.inspect(connection).get_table_names()]
            if tables:
                connection.exec_driver_sql(f"DROP TABLE IF EXISTS {', '.join(tables)} CASCADE")
    finally:
        engine.dispose()


def _compare_postgres(url: str, folder: Path, manifest: Manifest) -> None:
    engine = database.reading_engine(url, archive=str(folder))
    try:
        with engine.connect() as connection:
            _compare(_look(connection)[1], manifest)
    finally:
        engine.dispose()


def _compare(found: Totals | None, manifest: Manifest) -> None:
    """By the account. A backup of an older release is counted only after it was migrated."""
    if found != manifest.totals and manifest.schema == database.newest_revision():
        raise CalledWrongly(
            f"the account of the backup is {found}, its manifest says {manifest.totals}; use another backup"
        )


# ---------------------------------------------------------------- the tools of PostgreSQL


def _run(tools: Path | None, name: str, *arguments: str, url: str | None = None) -> str:
    """
    Run a tool of the PostgreSQL distribution; its release must be the server's or newer. Returns its output.

    url : of the database it connects to; None: it reads and writes files alone.
    """
    program = shutil.which(name) if tools is None else str(tools / name)
    if program is None or not Path(program).exists():
        raise CalledWrongly(
            f"{name} is not found; install PostgreSQL's client tools of the server's release, or give "
            "--pg-tools"
        )
    environment = dict(os.environ)
    target: list[str] = []
    if url is not None:
        parsed = sa.make_url(url).set(drivername="postgresql")
        # By the environment: everybody on the machine can read the arguments of a process.
        environment |= {"PGPASSWORD": str(parsed.password)} if parsed.password else {}
        address = sa.URL.create(**{**parsed._asdict(), "password": None}).render_as_string()
        target = [f"--dbname={address}"]
    command = [program, *target, *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=environment)
    if done.returncode:
        raise CalledWrongly(f"{name} failed: {done.stderr.strip()[:300]}")
    return done.stdout
