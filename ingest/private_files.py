"""
Files and folders that only their user may read: keys, readings, and everything a backup holds.

Promises: a file is made with mode 0600 and a folder with 0700, whatever the umask is, and a file that is to
be new follows no link and replaces nothing. The mode is given when the file is made, not afterwards: there
is no moment in which others can open it.
Leaves to others: what is in the files.

The gateway has its own (`gateway.file_modes`): the two share no code but the contract.
"""

from __future__ import annotations

import errno
import logging
import os
import stat
from contextlib import suppress
from pathlib import Path

FILE_MODE = 0o600
FOLDER_MODE = 0o700

log = logging.getLogger("cleanside.ingest")


def new_file(path: Path) -> int:
    """A handle of a new file, for writing. Raises FileExistsError where there is anything of that name."""
    return os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, FILE_MODE)


def make_file(path: Path) -> None:
    """Make an empty file if there is none, for a library that then opens it by its name. Raises OSError."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE))


def write_text(path: Path, text: str) -> None:
    """Write a file, over an older one if there is one. Raises OSError."""
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, FILE_MODE)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)


def make_folder(path: Path) -> list[Path]:
    """Make a folder and those above it that are missing. Returns the folders made. Raises OSError."""
    missing = [folder for folder in (path, *path.parents) if not folder.exists()][::-1]
    for folder in missing:
        folder.mkdir(mode=FOLDER_MODE, exist_ok=True)
    if not path.is_dir():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))
    return missing


def narrow(path: Path) -> None:
    """Take a file away from group and others, and log that. Where that is not allowed, log it and go on."""
    with suppress(FileNotFoundError):
        mode = stat.S_IMODE(path.stat().st_mode)
        if not mode & 0o077:
            return
        try:
            path.chmod(mode & 0o700)
        except OSError as error:  # of another user, or a file system without modes
            said = {"file": str(path), "reason": error.strerror}
            log.warning("ingest.file_readable_by_others", extra=said)
        else:
            log.warning("ingest.file_mode_narrowed", extra={"file": str(path), "was": f"{mode:04o}"})
