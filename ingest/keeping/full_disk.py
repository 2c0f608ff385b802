"""
A disk that is full while a backup is made or restored: which one, how much is needed, how much is free.

Promises: what is said is true after everything of the try was removed.
Leaves to others: removing it (`ingest.keeping.backup`, `restore`, `drill`).
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import NamedTuple

from cleanside.ingest.errors import CalledWrongly, chain
from cleanside.ingest.keeping.backup_check import SQLITE
from cleanside.ingest.keeping.manifest import Manifest, read_manifest
from cleanside.ingest.store import database
from cleanside.ingest.store.trouble import is_disk_full


class RoomNeeded(NamedTuple):
    """What a folder has to take."""

    #: it may not be there yet
    folder: Path
    least_bytes: int
    #: of the command line, by which another folder is named
    flag: str


@contextmanager
def said_where_full(needs: Callable[[], Sequence[RoomNeeded]]) -> Iterator[None]:
    """
    Raise CalledWrongly where a disk is full, with the folder that lacks most.

    needs : one or more folders, asked once the disk is full.
    """
    try:
        yield
    except Exception as error:
        if not any(is_disk_full(one) for one in chain(error)):
            raise
        lacking = min(
            _of_one_disk_each(needs()), key=lambda need: _free_bytes(need.folder) - need.least_bytes
        )
        raise CalledWrongly(
            "disk_full",
            folder=lacking.folder,
            needed=f"{lacking.least_bytes:,}",
            free=f"{_free_bytes(lacking.folder):,}",
            flag=lacking.flag,
        ) from error


def _of_one_disk_each(needs: Sequence[RoomNeeded]) -> list[RoomNeeded]:
    """The needs, those of one file system together under the first of them."""
    by_disk: dict[int, RoomNeeded] = {}
    for need in needs:
        disk = _there(need.folder).stat().st_dev
        first = by_disk.get(disk, need._replace(least_bytes=0))
        by_disk[disk] = first._replace(least_bytes=first.least_bytes + need.least_bytes)
    return list(by_disk.values())


def _there(folder: Path) -> Path:
    """The folder, or the nearest above it that is there."""
    return next(one for one in (folder.absolute(), *folder.absolute().parents) if one.exists())


def _free_bytes(folder: Path) -> int:
    return shutil.disk_usage(_there(folder)).free


def of_backup(url: str, archive: Path, to: Path) -> list[RoomNeeded]:
    """What a backup in a new folder `to` takes. Files of the archive are links where the disk is the same."""
    path = database.sqlite_path(url)
    files = [] if path is None else [path]
    if archive.is_dir() and archive.stat().st_dev != _there(to.parent).stat().st_dev:
        files += [one for one in archive.rglob("*") if one.is_file()]
    return [RoomNeeded(to.parent, sum(one.stat().st_size for one in files), "--to")]


def of_restore(source: Path, url: str, archive: Path | None) -> list[RoomNeeded]:
    """What a backup takes where it is restored: the database of `url`, and its archive."""
    manifest = read_manifest(source)
    path = database.sqlite_path(url)
    needs = [] if path is None else [RoomNeeded(path.parent, _bytes_of_database(manifest), "--database")]
    if archive is not None:
        needs.append(RoomNeeded(archive, _bytes_of_archive(manifest), "--archive-folder"))
    return needs


def of_drill(source: Path, aside: Path) -> list[RoomNeeded]:
    """What a backup takes in the folder of a drill."""
    manifest = read_manifest(source)
    return [RoomNeeded(aside, _bytes_of_database(manifest) + _bytes_of_archive(manifest), "--aside")]


def _bytes_of_database(manifest: Manifest) -> int:
    """Of a SQLite file; a dump of PostgreSQL goes to its server."""
    return sum(one.size_bytes for one in manifest.files if one.file == SQLITE)


def _bytes_of_archive(manifest: Manifest) -> int:
    return sum(one.size_bytes for one in manifest.archive_files)
