"""
Files and folders that only their user may read: spool, key, bundle, database, archive, backup.

Promises: a file is made with mode 0600 and a folder with 0700, whatever the umask is, and a file that is to
be new follows no link and replaces nothing. The file is made with its mode, not changed afterwards: there
is no moment in which others can open it. A folder is durable once it is made.
Leaves to others: what is in the files, and logging what was narrowed.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

FILE_MODE: Final = 0o600
FOLDER_MODE: Final = 0o700


@dataclass(frozen=True, slots=True)
class Narrowing:
    """A file that others could use: its mode before, and why it still has that; None: it has not."""

    file: Path
    was: int
    refused: str | None


def new_file(path: Path) -> int:
    """A handle of a new file, for writing. Raises FileExistsError where there is anything of that name."""
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE)


def open_or_make(path: Path) -> int:
    """A handle of a file, for reading and writing; an empty one is made if there is none. Raises OSError."""
    return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE)


def make_file(path: Path) -> None:
    """Make an empty file if there is none, for a library that then opens it by its name. Raises OSError."""
    os.close(open_or_make(path))


def write_text(path: Path, text: str) -> None:
    """Write a file, over an older one if there is one. Raises OSError."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, FILE_MODE)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)


def sync_file(path: Path) -> None:
    """Return once the content of a file is on the disk. Raises OSError."""
    handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def sync_folder(folder: Path) -> None:
    """Return once the names in a folder are on the disk: a new file is durable only with them."""
    sync_file(folder)


def make_folder(path: Path, *, sync: Callable[[Path], object] = sync_folder) -> None:
    """
    Make a folder and those above it that are missing, durably. Raises OSError.

    sync : makes the names in a folder durable. A file that was synced is lost where its folder has no name.
    """
    missing = [folder for folder in (path, *path.parents) if not folder.exists()][::-1]
    for folder in missing:
        folder.mkdir(mode=FOLDER_MODE, exist_ok=True)
        try:
            sync(folder.parent)
        except OSError:
            with suppress(OSError):  # who tries again must not find it, and believe it durable
                folder.rmdir()
            raise
    if not path.is_dir():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))


def narrow(path: Path) -> Narrowing | None:
    """Take a file away from group and others. None: there is none, or it is its user's alone already."""
    with suppress(FileNotFoundError):
        mode = stat.S_IMODE(path.stat().st_mode)
        if not mode & 0o077:
            return None
        try:
            path.chmod(mode & 0o700)
        except OSError as error:  # of another user, or a file system without modes
            return Narrowing(path, mode, error.strerror)
        return Narrowing(path, mode, None)
    return None
