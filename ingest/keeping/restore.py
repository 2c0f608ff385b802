"""
Restore: a backup into an empty place.

Promises: the whole backup is checked before anything is written: the manifest, every file, the archive that
the database lists, and the account. PostgreSQL's account is checked once it is loaded; where it differs, the
database is emptied again. Each file is compared with the manifest once more during the copy. Keys that were
revoked and codes that were used since the backup stay so. The database is restored last: a server finds
either nothing or everything.
Leaves to others: readings after the backup: gateways send them again.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import parse_instant
from cleanside.ingest.errors import CalledWrongly, why
from cleanside.ingest.keeping import pg_tools
from cleanside.ingest.keeping.backup_check import POSTGRES, SQLITE, check_database, compare, look
from cleanside.ingest.keeping.manifest import ARCHIVE, Listed, Manifest, check_folder, read_manifest
from cleanside.ingest.owners import key_review
from cleanside.ingest.owners.key_review import Review
from cleanside.ingest.store import archive_mark, database, identity, inside, revocations
from cleanside.ingest.store.archive_disk import Disk
from cleanside.ingest.store.revocations import Revoked

#: files of an archive folder that are of no reading
BESIDE = {revocations.FILE, archive_mark.MARK_FILE}


class Restored(NamedTuple):
    """The outcome of a restore, for the database and for its keys and codes."""

    manifest: Manifest
    review: Review


def restore(
    url: str,
    folder: Path | None,
    *,
    source: Path,
    now_us: int,
    disk: Disk,
    tools: Path | None = None,
    revoked_keys: Path | None = None,
) -> Restored:
    """
    Restore a backup: the database of `url`, and its archive in `folder`. The caller has the lock.

    An older schema is upgraded to the newest. Keys revoked and codes used since the backup stay so
    (`ingest.owners.key_review`).
    folder : None: no archive (PostgreSQL). revoked_keys : the file of revoked keys; None: the one in
    `folder`, if it is there.
    Raises CalledWrongly where the place is not empty, `folder` is the archive of a database at another place,
    or the backup is not whole; then nothing is changed.
    """
    manifest = read_manifest(source)
    path = database.sqlite_path(url)
    if (manifest.database == "sqlite") != (path is not None):
        raise CalledWrongly("backup_of_another_database", source=source, database=manifest.database)
    if folder is None and manifest.archive_files:
        raise CalledWrongly("archive_folder_needed", source=source)
    if path is not None:
        _refuse_taken([path, path.with_name(f"{path.name}-wal"), path.with_name(f"{path.name}-journal")])
    else:
        _refuse_filled(url)
    if folder is not None:
        archive_mark.refuse_elsewhere(folder, archive_mark.place_of(sa.make_url(url)))
    check_folder(source, manifest)
    check_database(source, manifest, tools)
    revoked = _revoked(revoked_keys, folder)

    def release(connection: sa.Connection) -> Review:
        review = _release(connection, manifest, revoked, now_us)
        if folder is not None:
            archive_mark.drop(folder)  # the database that was here before had another id
            _carry_revoked(folder / revocations.FILE, revoked, review, now_us)
        return review

    with _archive_in_place(source, manifest, folder or Path("no-archive"), disk) as archive_in_place:
        if path is not None:
            review = _restore_sqlite(source, path, folder, manifest, archive_in_place, release, disk)
        else:
            review = _restore_postgres(url, folder, source, manifest, archive_in_place, release, tools)
    return Restored(manifest, review)


def _revoked(named: Path | None, folder: Path | None) -> Revoked | None:
    """The content of the file of revoked keys. Raises CalledWrongly where the named file is missing."""
    path = named or (None if folder is None else folder / revocations.FILE)
    try:
        revoked = None if path is None else revocations.read(path)
    except (OSError, ValueError) as error:
        raise CalledWrongly("revoked_keys_unreadable", path=path, why=why(error)) from error
    if revoked is None and named is not None:
        raise CalledWrongly("no_revoked_keys_file", path=named)
    return revoked


def _release(connection: sa.Connection, manifest: Manifest, revoked: Revoked | None, now_us: int) -> Review:
    """Upgrade a restored database to the newest schema, and review its keys and codes."""
    if manifest.schema != database.newest_revision():
        database.upgrade(connection)
    identity.forget(connection)  # gateways that see another id ask at once for their marks
    made_us = parse_instant(manifest.made_at).us
    return key_review.after_restore(connection, revoked, made_us=made_us, now_us=now_us)


def _carry_revoked(path: Path, revoked: Revoked | None, review: Review, now_us: int) -> None:
    """
    The file of revoked keys at the restored place, before its database is there.

    Where revocations may be missing, the file says so: a second restore of the backup must not trust it
    either.
    """
    earlier = revocations.read(path) or Revoked(handles={})
    wanted = {**(revoked.handles if revoked is not None else {}), **review.revoked}
    missing = {handle: at_us for handle, at_us in wanted.items() if handle not in earlier.handles}
    since_us = revoked.complete_since_us if revoked is not None else None
    revocations.append(path, missing, complete_since_us=since_us if review.doubt is None else now_us)


def _refuse_taken(paths: Sequence[Path]) -> None:
    for path in paths:
        if os.path.lexists(path):
            raise CalledWrongly("database_file_exists", path=path)


def _refuse_filled(url: str) -> None:
    engine = database.reading_engine(url)
    try:
        if tables := sa.inspect(engine).get_table_names():
            raise CalledWrongly("database_not_empty", tables=counted(len(tables), "table"))
    finally:
        engine.dispose()


@contextmanager
def _archive_in_place(
    source: Path, manifest: Manifest, folder: Path, disk: Disk
) -> Iterator[Callable[[], list[Path]]]:
    """
    Copy the archive files beside their place. Returns a function that moves them there, and their names.

    Files of an earlier try are accepted; any others are refused.
    """
    wanted = {entry.file: entry for entry in manifest.archive_files}
    present = _there_already(folder, wanted)
    aside = folder.with_name(f"{folder.name}.part")
    _clear(aside)
    missing = sorted(wanted.keys() - present)
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
        present = set(inside.plain_files(folder)) - BESIDE if folder.exists() else set()
        odd = [name for name in present if name not in wanted]
        odd += [n for n in present & wanted.keys() if inside.content_of(folder / n) != wanted[n][1:]]
    except (OSError, ValueError) as error:
        raise CalledWrongly("folder_takes_no_archive", folder=folder, why=why(error)) from error
    if odd:
        raise CalledWrongly(
            "files_of_another_archive", folder=folder, file=min(odd), revoked_keys=revocations.FILE
        )
    return present


def _copy_checked(folder: Path, entry: Listed, to: Path) -> None:
    """Copy a file of a backup, and compare the copy with the manifest, because it may have changed since."""
    try:
        copied = inside.copy(inside.path_in(folder, entry.file), to)
    except ValueError as error:
        raise CalledWrongly("backup_unusable", why=str(error)) from error
    if copied != entry[1:]:
        raise CalledWrongly("file_changed", file=entry.file)


def _clear(aside: Path) -> None:
    """Remove the rest of an earlier try; of a link only the link itself."""
    if aside.is_symlink() or aside.is_file():
        aside.unlink()
    else:
        shutil.rmtree(aside, ignore_errors=True)


def _restore_sqlite(
    source: Path,
    path: Path,
    folder: Path | None,
    manifest: Manifest,
    archive_in_place: Callable[[], list[Path]],
    release: Callable[[sa.Connection], Review],
    disk: Disk,
) -> Review:
    [entry] = [entry for entry in manifest.files if entry.file == SQLITE]
    aside = path.with_name(f"{path.name}.part")
    disk.make_folder(path.parent)
    _clear(aside)
    was_there, put = folder is None or folder.exists(), []
    try:
        _copy_checked(source, entry, aside)
        put = archive_in_place()
        engine = database.copy_engine(aside, source / ARCHIVE)
        try:
            with engine.begin() as connection:
                review = release(connection)
        finally:
            engine.dispose()
        disk.sync_file(aside)
        disk.rename(aside, path)
    except BaseException:
        _take_back(put, *([] if was_there or folder is None else [folder]))
        raise
    finally:
        disk.remove(aside)
        aside.with_name(f"{aside.name}-journal").unlink(missing_ok=True)
    disk.sync_folder(path.parent)
    return review


def _restore_postgres(
    url: str,
    folder: Path | None,
    source: Path,
    manifest: Manifest,
    archive_in_place: Callable[[], list[Path]],
    release: Callable[[sa.Connection], Review],
    tools: Path | None,
) -> Review:
    """
    Load the dump, and write the row of its schema revision last: no server opens the database without it.
    """
    was_there = folder is None or folder.exists()
    put = archive_in_place()
    try:
        pg_tools.load(url, source / POSTGRES, tools)
        engine = database.writing_engine(url, archive=str(folder or ""))
        try:
            with engine.begin() as connection:
                if manifest.schema is not None:
                    row = "INSERT INTO alembic_version VALUES (:schema)"
                    connection.execute(sa.text(row), {"schema": manifest.schema})
                compare(look(connection)[1], manifest)
                return release(connection)
        finally:
            engine.dispose()
    except BaseException:
        pg_tools.empty_again(url)
        _take_back(put, *([] if was_there or folder is None else [folder]))
        raise


def _take_back(put: Sequence[Path], *folders: Path) -> None:
    """Remove files of the archive that were put in their place, and folders that nothing else is in."""
    for path in put:
        path.unlink(missing_ok=True)
    for made in [*{path.parent for path in put}, *folders]:
        with suppress(OSError):  # other files are in it
            made.rmdir()
