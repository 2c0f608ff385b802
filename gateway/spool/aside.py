"""
Files that were set aside beside a spool: their names, their size, and the end of those that are done with.

Promises: a name is used once, also after its file was deleted. A file is moved with its log and its mark.
Leaves to others: reading one (`gateway.spool.rescue`), when one may be deleted (`gateway.spool.queue`).
"""

from __future__ import annotations

import itertools
import os
from contextlib import suppress
from pathlib import Path
from typing import Final

from cleanside.gateway.spool.high_mark import SUFFIX

#: of a spool; the mark goes first: it must not be left beside a file that is new
_PARTS: Final = (SUFFIX, "", "-wal", "-shm")
_LOG_PARTS: Final = ("-wal", "-shm")


def free_name(path: Path) -> Path:
    """A name beside `path` for a file that is set aside, never used before."""
    names = (path.with_name(f"{path.name}.damaged-{number}") for number in itertools.count(1))
    return next(name for name in names if not any(os.path.lexists(f"{name}{part}") for part in ("", SUFFIX)))


def set_aside(path: Path) -> None:
    """Move the spool at `path` aside with its log, under a free name. Nothing happens if it is gone."""
    if not path.exists():
        return
    aside = free_name(path)
    for part in _PARTS:
        with suppress(FileNotFoundError):
            os.rename(f"{path}{part}", f"{aside}{part}")  # noqa: PTH104 - names with a suffix added, not paths


def move_mark(path: Path, aside: Path) -> None:
    """Move the mark of the spool at `path` beside its file `aside`."""
    with suppress(FileNotFoundError):
        os.rename(f"{path}{SUFFIX}", f"{aside}{SUFFIX}")  # noqa: PTH104 - as above


def aside_path(path: Path, name: str) -> Path | None:
    """
    The file of this name that was set aside from `path`; None: no name that `free_name` gives, or a link.

    Names come from the spool's own notes and from its folder: neither may lead to another file.
    """
    number = name.removeprefix(f"{path.name}.damaged-")
    if number == name or not number.isdecimal() or not number.isascii():
        return None
    aside = path.with_name(name)
    return None if aside.is_symlink() else aside


def set_aside_files(path: Path) -> list[Path]:
    """What was set aside of the spool at `path`, newest first."""
    beside = [aside_path(path, other.name) for other in path.parent.glob(f"{path.name}.damaged-*")]
    return sorted(filter(None, beside), key=number_of, reverse=True)


def number_of(aside: Path) -> int:
    """Which of the files that were set aside this is: 1, 2, 3 ..."""
    return int(aside.name.rpartition("-")[2])


def deleted_names(path: Path) -> list[str]:
    """Names of files set aside from `path` that `delete` has deleted: their marks alone are left."""
    marks = path.parent.glob(f"{path.name}.damaged-*{SUFFIX}")
    names = (mark.name.removesuffix(SUFFIX) for mark in marks)
    return sorted(name for name in names if (aside := aside_path(path, name)) and not aside.exists())


def aside_bytes(path: Path) -> int:
    """Room that the files set aside from `path` take."""
    return sum(file_bytes(aside) for aside in set_aside_files(path))


def file_bytes(aside: Path) -> int:
    """Room that a file set aside takes with its log."""
    size = 0
    for part in ("", *_LOG_PARTS):
        with suppress(OSError):
            size += Path(f"{aside}{part}").stat().st_size
    return size


def delete(aside: Path) -> int:
    """
    Delete a file that was set aside. Its empty mark keeps the name from being used again.

    Returns the bytes that this frees; 0: the disk does not let it go.
    """
    size = file_bytes(aside)
    with suppress(OSError):
        for part in _LOG_PARTS:
            Path(f"{aside}{part}").unlink(missing_ok=True)
        with suppress(OSError):  # a full disk may have no room for a mark where there was none
            Path(f"{aside}{SUFFIX}").write_bytes(b"")
        aside.unlink()
        return size
    return 0
