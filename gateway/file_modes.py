"""
Files and folders of the machine that only their user may read: spool, key, bundle.

Promises: a file is made with mode 0600 and a folder with 0700, whatever the umask is. The mode is given when
the file is made, not afterwards: there is no moment in which others can open it.
Leaves to others: what is in the files.

The server has its own (`ingest.private_files`): the two share no code but the contract.
"""

from __future__ import annotations

import errno
import logging
import os
import stat
from contextlib import suppress
from pathlib import Path
from typing import Final

FILE_MODE: Final = 0o600
FOLDER_MODE: Final = 0o700

_logger = logging.getLogger("cleanside.gateway")


def make_folder(path: Path) -> None:
    """Make a folder and those above it that are missing. Raises OSError."""
    for folder in [folder for folder in (path, *path.parents) if not folder.exists()][::-1]:
        folder.mkdir(mode=FOLDER_MODE, exist_ok=True)
    if not path.is_dir():
        raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path))


def make_file(path: Path) -> None:
    """Make an empty file if there is none, for a library that then opens it by its name. Raises OSError."""
    os.close(os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, FILE_MODE))


def narrow(path: Path) -> None:
    """Take a file away from group and others, and log that. Where that is not allowed, log it and go on."""
    with suppress(FileNotFoundError):
        mode = stat.S_IMODE(path.stat().st_mode)
        if not mode & 0o077:
            return
        try:
            path.chmod(mode & 0o700)
        except OSError as error:  # of another user, or a file system without modes
            _logger.warning("gateway.file_readable_by_others file=%s reason=%s", path, error.strerror)
        else:
            _logger.warning("gateway.file_mode_narrowed file=%s was=%04o", path, mode)
