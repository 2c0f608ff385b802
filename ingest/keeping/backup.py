"""
Backup and restore: the database as it was at one instant, with the files of its archive, and back again.

Promises: a backup may be made while a process serves; it is whole or not there (made aside, checked,
renamed). A restore goes into an empty place only, is checked against the manifest and by the account before
it is put in place, and the database comes last: a server finds either nothing or everything.
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
from contextlib import closing, contextmanager
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import instant_text
from cleanside.ingest import hidden
from cleanside.ingest.errors import CalledWrongly, why
from cleanside.ingest.store import account, archive, database
from cleanside.ingest.store.archive_file import Disk, digest_of
from cleanside.ingest.store.inside import path_inside

BACKUP_FORMAT = 1
MANIFEST = "manifest.json"
SQLITE, POSTGRES = "database.sqlite", "database.dump"
DATABASES = {"sqlite": SQLITE, "postgresql": POSTGRES}
ARCHIVE = "archive"
_ARCHIVE_FILE = re.compile(rf"{ARCHIVE}/[\w-]+/[\w-]+\.parquet", re.ASCII)
_DIGEST = re.compile(r"[0-9a-f]{64}")


class Listed(NamedTuple):
    """One file of a backup."""

    file: str
    sha256: str
    size_bytes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """The account of all streams together: by it a restored database is known to be the one backed up."""

    streams: int = 0
    stored: int = 0
    quarantined: int = 0
    discarded: int = 0
    shed: int = 0
    gap: int = 0
    faults: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Manifest:
    """What a backup holds."""

    format: int
    made_at: str
    #: sqlite or postgresql
    database: str
    schema: str | None
    #: None: of an older schema, which this release cannot count
    totals: Totals | None
    files: tuple[Listed, ...]

    def document(self) -> dict[str, Any]:
        """As it is written."""
        return asdict(self) | {"files": [entry._asdict() for entry in self.files]}


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
                _run(url, tools, "pg_dump", *options)
                schema, totals, listed = _look(connection)
        finally:
            engine.dispose()
        name = "postgresql"
    files = [Listed(copy.name, digest_of(copy), copy.stat().st_size)]
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
    engine = sa.create_engine(f"sqlite:///{copy}", poolclass=sa.NullPool, hide_parameters=True)
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


def totals_of(accounts: Iterator[account.StreamBalance]) -> Totals:
    """Several accounts as one."""
    sums = dict.fromkeys(Totals.__slots__, 0)
    for one in accounts:
        sums["streams"] += 1
        sums["faults"] += len(one.faults)
        for name in ("stored", "quarantined", "discarded", "shed", "gap"):
            sums[name] += getattr(one, name)
    return Totals(**sums)


def _keep(folder: Path, entry: archive.Archive, aside: Path, disk: Disk) -> Listed:
    """Put an archive file into a backup, after a look that it is the one that was registered."""
    source, kept = path_inside(folder, entry.file), path_inside(aside / ARCHIVE, entry.file)
    disk.make_folder(kept.parent)
    try:
        try:
            os.link(source, kept)
        except OSError:  # another file system, or one without links
            shutil.copyfile(source, kept)
        found = digest_of(kept)
    except OSError as error:
        raise CalledWrongly(
            f"archive file {source} cannot be read ({error.strerror}); put it back from an older backup"
        ) from error
    if found != entry.sha256:
        raise CalledWrongly(f"archive file {source} is not as it was made; put it back from an older backup")
    return Listed(f"{ARCHIVE}/{entry.file}", found, entry.size_bytes)


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
    _check_files(source, manifest)
    with _archive_in_place(source, manifest, folder, disk) as put_archive:
        if path is not None:
            _restore_sqlite(source / SQLITE, path, manifest, folder, put_archive, disk)
        else:
            put_archive()
            options = ("--single-transaction", "--exit-on-error", "--no-owner", str(source / POSTGRES))
            _run(url, tools, "pg_restore", *options)
            _compare_postgres(url, folder, manifest)
    return manifest


def read_manifest(source: Path) -> Manifest:
    """
    What a backup says it holds.

    Raises CalledWrongly where there is none, it is not ours, or it names a file that no backup has.
    """
    try:
        found = json.loads((source / MANIFEST).read_text(encoding="utf-8"))
        totals = None if found["totals"] is None else Totals(**found.pop("totals"))
        files = tuple(map(_listed, found.pop("files")))
        manifest = Manifest(**{**found, "totals": totals, "files": files})
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        detail = f"{source} has no {MANIFEST} of ours ({why(error)}); name a folder made by backup"
        raise CalledWrongly(detail) from error
    if manifest.format != BACKUP_FORMAT:
        raise CalledWrongly(f"{source} has format {manifest.format!r}, this program reads {BACKUP_FORMAT}")
    _refuse_tampered(source, manifest)
    return manifest


def _listed(entry: dict[str, Any]) -> Listed:
    """One file as the manifest has it. Raises ValueError or TypeError where it is not as we write it."""
    listed = Listed(**entry)
    if list(map(type, listed)) != [str, str, int] or not _DIGEST.fullmatch(listed.sha256):
        raise ValueError(f"{entry} is not a file with its digest and size")
    return listed


def _refuse_tampered(source: Path, manifest: Manifest) -> None:
    """Raise CalledWrongly unless the manifest lists one database and archive files, each once."""
    names = [entry.file for entry in manifest.files]
    copy = DATABASES.get(str(manifest.database))
    for name in names:
        if name != copy and not _ARCHIVE_FILE.fullmatch(name):
            raise CalledWrongly(
                f"{source / MANIFEST} lists {name[:100]!r}, which is no file of a backup; use another backup"
            )
    if copy not in names or len(set(names)) < len(names):
        raise CalledWrongly(
            f"{source / MANIFEST} does not list one database and each file once; use another backup"
        )


def _refuse_taken(paths: Sequence[Path]) -> None:
    for path in paths:
        if path.exists():
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


def _check_files(source: Path, manifest: Manifest) -> None:
    for entry in manifest.files:
        path = path_inside(source, entry.file)
        if not path.is_file() or digest_of(path) != entry.sha256:
            raise CalledWrongly(f"{path} is missing or not as it was backed up; use another backup")


@contextmanager
def _archive_in_place(
    source: Path, manifest: Manifest, folder: Path, disk: Disk
) -> Iterator[Callable[[], Path]]:
    """
    Copies of the archive files beside their place; called, what is given puts them there.

    Files that an earlier try put in place are as good as new ones; any others are refused.
    """
    wanted = {
        entry.file.removeprefix(f"{ARCHIVE}/"): entry.sha256
        for entry in manifest.files
        if entry.file.startswith(f"{ARCHIVE}/")
    }
    there = {str(path.relative_to(folder)): path for path in folder.rglob("*") if path.is_file()}
    if any(wanted.get(name) != digest_of(path) for name, path in there.items()):
        raise CalledWrongly(f"{folder} has files of another archive; move it away")
    aside = folder.with_name(f"{folder.name}.part")
    shutil.rmtree(aside, ignore_errors=True)
    placed: list[Path] = []
    try:
        for name in sorted(wanted.keys() - there.keys()):
            path_inside(folder, name)  # no link in the folder leads the copy elsewhere
            disk.make_folder((aside / name).parent)
            shutil.copyfile(source / ARCHIVE / name, aside / name)
            disk.sync_file(aside / name)

        def put() -> Path:
            for name in sorted(wanted.keys() - there.keys()):
                disk.make_folder((folder / name).parent)
                disk.rename(aside / name, folder / name)
                placed.append(folder / name)
                disk.sync_folder((folder / name).parent)
            return folder

        yield put
    except BaseException:
        for path in placed:
            disk.remove(path)
        raise
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def _restore_sqlite(
    copy: Path, path: Path, manifest: Manifest, folder: Path, put_archive: Callable[[], Path], disk: Disk
) -> None:
    aside = path.with_name(f"{path.name}.part")
    disk.make_folder(path.parent)
    try:
        shutil.copyfile(copy, aside)
        with closing(sqlite3.connect(aside)) as connection:
            _check_sqlite(connection, aside)
        put_archive()
        with _opened_copy(aside, folder) as connection:
            _compare(_look(connection)[1], manifest)
        disk.sync_file(aside)
        disk.rename(aside, path)
    finally:
        disk.remove(aside)
    disk.sync_folder(path.parent)


def _compare_postgres(url: str, folder: Path, manifest: Manifest) -> None:
    engine = database.reading_engine(url, archive=str(folder))
    try:
        with engine.connect() as connection:
            _compare(_look(connection)[1], manifest)
    finally:
        engine.dispose()


def _compare(found: Totals | None, manifest: Manifest) -> None:
    """By the account. A backup of an older release is counted only after it was migrated."""
    if manifest.totals is not None and found is not None and found != manifest.totals:
        raise CalledWrongly(
            f"the account of the backup is {found}, its manifest says {manifest.totals}; use another backup"
        )


# ---------------------------------------------------------------- the tools of PostgreSQL


def _run(url: str, tools: Path | None, name: str, *arguments: str) -> None:
    """Run a tool of the PostgreSQL distribution; its release must be the server's or newer."""
    program = shutil.which(name) if tools is None else str(tools / name)
    if program is None or not Path(program).exists():
        raise CalledWrongly(
            f"{name} is not found; install PostgreSQL's client tools of the server's release, or give "
            "--pg-tools"
        )
    target, secret = _for_tools(url)
    command = [program, *arguments[:3], f"--dbname={target}", *arguments[3:]]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=os.environ | secret)
    if done.returncode:
        said = hidden.without_passwords(done.stderr.strip(), hidden.passwords_of(url))
        raise CalledWrongly(f"{name} failed: {said[:300]}")


def _for_tools(url: str) -> tuple[str, dict[str, str]]:
    """
    A URL without its password, and the password for the environment of a tool.

    Everybody on the machine can read the arguments of a process; its environment, its own user alone.
    """
    parsed = sa.make_url(url).set(drivername="postgresql")
    password = parsed.query.get("password") or parsed.password
    if others := sorted(set(parsed.query) & set(hidden.SECRET_MEMBERS) - {"password"}):
        raise CalledWrongly(
            f"the database URL has {others[0]}, which the tools of PostgreSQL take from their arguments or a "
            "service file; put it into a service file (pg_service.conf) and give ?service=NAME"
        )
    target = sa.URL.create(**{**parsed._asdict(), "password": None}).difference_update_query(["password"])
    return target.render_as_string(hide_password=False), {"PGPASSWORD": str(password)} if password else {}
