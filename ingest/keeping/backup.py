"""
Backup: the database as it was at one instant, with the files of its archive.

Promises: a process may serve during a backup. A backup is complete or not there (made aside, checked,
renamed).
Leaves to others: the manifest (`ingest.keeping.manifest`), the way back
(`ingest.keeping.restore`).

A folder holds `manifest.json` with the SHA-256 of every file, the database (`database.sqlite`, a plain file,
or `database.dump` of pg_dump), and `archive/`. Archive files are linked where they are on the same file
system: they never change, so a link is as good, but it is no second copy; copy the folder to another disk.

SQLite is copied by its own online backup, in one step on a connection that only reads
(sqlite.org/backup.html): writers go on meanwhile. PostgreSQL's own tools copy it, in the snapshot that also
lists the archive.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import sqlalchemy as sa

from cleanside.gateway import file_modes
from cleanside.gateway.wire import instant_text
from cleanside.ingest.errors import CalledWrongly, why
from cleanside.ingest.keeping import pg_tools
from cleanside.ingest.keeping.backup_check import POSTGRES, SQLITE, check_sqlite, look
from cleanside.ingest.keeping.manifest import ARCHIVE, BACKUP_FORMAT, MANIFEST, Listed, Manifest
from cleanside.ingest.store import archive, database, inside
from cleanside.ingest.store.archive_disk import Disk


def backup(
    url: str, folder: Path, *, to: Path, now_us: int, disk: Disk, tools: Path | None = None
) -> Manifest:
    """
    Make a backup in a new folder `to`. folder : of the archive. tools : where pg_dump is; None: on the path.

    Raises CalledWrongly where `to` exists, or where the copy is not sound; then nothing is left.
    """
    if to.exists():
        raise CalledWrongly("backup_exists", to=to)
    aside = to.with_name(f"{to.name}.part")
    with _of_our_own(aside, to):
        try:
            manifest = _fill(url, folder, aside, now_us, disk, tools)
            file_modes.write_text(aside / MANIFEST, json.dumps(manifest.document(), indent=2) + "\n")
            for path in sorted(aside.rglob("*"), reverse=True):
                disk.sync_folder(path) if path.is_dir() else disk.sync_file(path)
            disk.sync_folder(aside)
            disk.rename(aside, to)
        except BaseException:
            shutil.rmtree(aside, ignore_errors=True)
            raise
    disk.sync_folder(to.parent)
    return manifest


@contextmanager
def _of_our_own(aside: Path, to: Path) -> Iterator[None]:
    """
    An empty folder that no other process fills; the rest of an earlier try is deleted.

    Raises CalledWrongly where another process fills it, or has just made `to` of it.
    """
    import fcntl  # here, so that the module can be imported where there is none

    try:
        file_modes.make_folder(aside)
        handle = os.open(aside, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC)
    except OSError as error:
        raise CalledWrongly("folder_not_made", path=aside, why=error.strerror) from error
    try:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            is_there = os.path.samestat(os.fstat(handle), aside.stat())  # else it was renamed or deleted
        except OSError:
            is_there = False
        if not is_there or to.exists():
            raise CalledWrongly("backup_under_way", to=to)
        _empty(aside)
        yield
    finally:
        os.close(handle)  # frees the lock, also when the process is killed


def _empty(folder: Path) -> None:
    try:
        for path in folder.iterdir():
            shutil.rmtree(path) if path.is_dir() and not path.is_symlink() else path.unlink()
    except OSError as error:
        raise CalledWrongly("folder_not_made", path=folder, why=error.strerror) from error


def _fill(url: str, folder: Path, aside: Path, now_us: int, disk: Disk, tools: Path | None) -> Manifest:
    if database.sqlite_path(url) is not None:
        copy = aside / SQLITE
        file_modes.make_file(copy)
        _copy_sqlite(url, copy)
        with _opened_copy(copy, folder) as connection:
            schema, totals, listed = look(connection)
        name = "sqlite"
    else:
        copy = aside / POSTGRES
        file_modes.make_file(copy)
        engine = database.reading_engine(url, archive=str(folder))
        try:
            with engine.connect() as connection:
                snapshot = connection.scalar(sa.text("SELECT pg_export_snapshot()"))
                options = ("--format=custom", f"--snapshot={snapshot}", f"--file={copy}")
                pg_tools.run(tools, "pg_dump", *options, url=url)
                schema, totals, listed = look(connection)
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
        raise CalledWrongly("no_database_to_back_up", path=path)
    with (
        closing(sqlite3.connect(f"file:{path}?mode=ro", uri=True)) as source,
        closing(sqlite3.connect(copy)) as target,
    ):
        source.backup(target)
        target.execute("PRAGMA journal_mode=DELETE")  # one plain file; a server makes it WAL again
        check_sqlite(target, copy)


@contextmanager
def _opened_copy(copy: Path, folder: Path) -> Iterator[sa.Connection]:
    """A connection to a plain copy that no other process uses, with an archive folder."""
    engine = sa.create_engine(f"sqlite:///{copy}", poolclass=sa.NullPool, hide_parameters=True)
    try:
        with engine.execution_options(**{archive.FOLDER: folder}).connect() as connection:
            yield connection
    finally:
        engine.dispose()


def _keep(folder: Path, entry: archive.Archive, aside: Path, disk: Disk) -> Listed:
    """Put an archive file into a backup, after a check against its registered digest."""
    try:
        source, copy = inside.archive_path(folder, entry.file), aside / ARCHIVE / entry.file
        disk.make_folder(copy.parent)
        try:
            os.link(source, copy, follow_symlinks=False)
            with suppress(OSError):  # of another user
                copy.chmod(file_modes.FILE_MODE)  # an older release made it with the mode of the umask
        except OSError:  # another file system, or one without links
            inside.copy(source, copy)
        content = inside.content_of(copy)
    except (OSError, ValueError) as error:
        raise CalledWrongly("archive_file_unreadable", path=folder / entry.file, why=why(error)) from error
    if content != (entry.sha256, entry.size_bytes):
        raise CalledWrongly("archive_file_altered", source=source)
    return Listed(f"{ARCHIVE}/{entry.file}", *content)
