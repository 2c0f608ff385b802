"""
Recognise a spool before anything changes the file.

Promises: reads only, and never waits. A file that is no spool is refused and stays unchanged; a damaged one
of ours is recognised, so that it can be set aside and collection continues.
Leaves to others: setting aside (`gateway.spool.rescue`), opening (`gateway.spool.file`).

Signs of a spool, in this order: SQLite's header with our application id, in the file or in its log; the mark
in its lock file since it was last opened as a sound spool; pages with records of our tables.
"""

from __future__ import annotations

import json
import os
import stat
from contextlib import suppress
from pathlib import Path
from typing import Final
from uuid import UUID

from cleanside.gateway.errors import CalledWrongly, SpoolUnavailable, why
from cleanside.gateway.spool.pages import PAGE_BYTES, Pages, first_page, read_pages

# "clsp" in ASCII: `file` and `verify` recognise a spool by it.
APPLICATION_ID: Final = 0x636C7370
_MAGIC: Final = b"SQLite format 3\0"  # sqlite.org/fileformat2.html, section 1.3
_ID_AT: Final = slice(68, 72)  # the same section: application id
_CELLS_AT: Final = slice(103, 105)  # section 1.6: cells of the schema's page; 0: no table yet
_LOOK_AT_PAGES: Final = (
    1024  # 4 MiB: our small tables are on the first pages, and readings soon after; chosen
)
_MARK: Final = b"cleanside spool "


def check_ours(path: Path) -> None:
    """
    Raise CalledWrongly for a file at `path` that is no spool. A missing or empty file is all right.

    Raises SpoolUnavailable where the file cannot be read.
    """
    try:
        state = path.stat()
        if not stat.S_ISREG(state.st_mode):
            is_folder = stat.S_ISDIR(state.st_mode)
            raise CalledWrongly("spool_a_folder" if is_folder else "spool_not_a_file", path=path)
        if state.st_size == 0 or _is_spool(path) or _is_marked(path, state.st_ino) or _has_our_pages(path):
            return
    except FileNotFoundError:
        return
    except OSError as error:
        raise SpoolUnavailable("spool_unreadable", path=path, why=why(error)) from error
    raise CalledWrongly("spool_a_database" if _is_database(path) else "not_a_spool", path=path)


def mark_ours(lock: int, number: int) -> None:
    """
    Write into the lock file (a descriptor) that the file with this inode number was opened as a sound spool.

    A file with any other content stays unchanged: its name may be older than the spool.
    """
    mark = _MARK + str(number).encode() + b"\n"
    with suppress(OSError):  # helps, but is not needed: pages are checked as well
        content = os.pread(lock, 100, 0)
        if content != mark and (not content or content.startswith(_MARK)):
            os.pwrite(lock, mark, 0)
            os.ftruncate(lock, len(mark))
            os.fsync(lock)


def lock_path(path: Path) -> Path:
    """The lock file beside a spool."""
    return path.with_name(path.name + ".lock")


def _is_database(path: Path) -> bool:
    return first_page(path).startswith(_MAGIC)


def _is_spool(path: Path) -> bool:
    """True by its first page: ours, or cut off before it had a table."""
    page = first_page(path)
    if page.startswith(_MAGIC) and len(page) >= _CELLS_AT.stop:
        return page[_ID_AT] == APPLICATION_ID.to_bytes(4, "big") or not any(page[_ID_AT] + page[_CELLS_AT])
    # A power cut in the very first write leaves a page of zeros.
    return path.stat().st_size <= PAGE_BYTES and not any(path.read_bytes())


def _is_marked(path: Path, number: int) -> bool:
    with suppress(OSError), lock_path(path).open("rb") as file:
        return file.read(100).strip() == _MARK + str(number).encode()
    return False


def _has_our_pages(path: Path) -> bool:
    """
    True for records in the form of our tables; in another database only forms that are ours alone count.
    """
    pages = read_pages(path, most=_LOOK_AT_PAGES)
    if pages.streams or _names_an_installation(pages):
        return True
    return not _is_database(path) and pages.has_readings


def _names_an_installation(pages: Pages) -> bool:
    with suppress(ValueError, KeyError, TypeError, AttributeError):
        UUID(json.loads(pages.pairs["installation"]))
        return isinstance(json.loads(pages.pairs["device"]), str)
    return False
