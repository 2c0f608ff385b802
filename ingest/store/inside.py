"""
Paths from names in a file or a table: always inside their folder.

Promises: a name becomes a path only if it has the one form that this program makes (no absolute name, no
"..", nothing special), and if the path, resolved, is that name below the resolved folder: so no link below
the folder is followed. Files are opened without following a link, and only where they are plain files: no
device, no pipe.
Leaves to others: the consequence of a name outside (a refused backup, an unreadable archive).

The folder itself may be a link: a person named it.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Iterator
from pathlib import Path
from typing import ClassVar, NamedTuple

from cleanside.gateway import file_modes
from cleanside.gateway.wire import Coded, Sentences

#: a month, the number of a device and a random part, as in the names of `ingest.store.archive_file`
ARCHIVE_FILE = re.compile(r"[0-9]{4}-(?:0[1-9]|1[0-2])/[0-9]{6,19}-[0-9a-f]{8}\.parquet")
_PIECE_BYTES = 2**20


class NotInside(Coded, ValueError):
    """A name that becomes no path, or a path without a file of ours."""

    SENTENCES: ClassVar[Sentences] = {
        "not_an_archive_file": "{file!r} is not the name of an archive file (YYYY-MM/NUMBER-RANDOM.parquet)",
        "not_a_name": "{name!r} is not a name inside a folder",
        "leads_out": "{name!r} leads out of {folder} or through a link",
        "is_a_link": "{path} is a link, not a file",
        "not_a_plain_file": "{path} is not a plain file",
        "neither_file_nor_folder": "{path} is neither a plain file nor a folder",
    }


class Content(NamedTuple):
    """Digest and size of a file."""

    sha256: str
    size_bytes: int


def archive_path(folder: Path, file: str) -> Path:
    """The path of an archive file. Raises ValueError: the name is none of ours, or a link is on the way."""
    if not ARCHIVE_FILE.fullmatch(file):
        raise NotInside("not_an_archive_file", file=file)
    return path_in(folder, file)


def path_in(folder: Path, name: str) -> Path:
    """The path of a name in a folder. Raises ValueError where it is outside, or a link is on the way."""
    parts = name.split("/")
    if any(part in ("", ".", "..") for part in parts) or "\0" in name:
        raise NotInside("not_a_name", name=name)
    path = folder / name
    home = folder.resolve()
    resolved = path.resolve()
    if not resolved.is_relative_to(home) or resolved != home.joinpath(*parts):
        raise NotInside("leads_out", name=name, folder=folder)
    return path


def open_plain(path: Path) -> int:
    """A handle of a plain file, for reading. Raises ValueError where it is another kind, OSError."""
    if stat.S_ISLNK(path.lstat().st_mode):
        raise NotInside("is_a_link", path=path)
    # NONBLOCK: opening a pipe would wait for its writer.
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise NotInside("not_a_plain_file", path=path)
    return handle


def read_text(path: Path) -> str:
    """The text of a plain file. Raises ValueError where it is another kind or no UTF-8, OSError."""
    with os.fdopen(open_plain(path), encoding="utf-8") as file:
        return file.read()


def content_of(path: Path) -> Content:
    """Digest and size of a plain file. Raises ValueError where it is another kind, OSError."""
    with os.fdopen(open_plain(path), "rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
        return Content(digest, file.tell())


def copy(source: Path, to: Path) -> Content:
    """
    Copy a plain file to a new one that only its user reads. Returns digest and size.

    Raises ValueError where `source` is another kind, OSError also where `to` is there already.
    """
    with (
        os.fdopen(open_plain(source), "rb") as reading,
        os.fdopen(file_modes.new_file(to), "wb") as writing,
    ):
        digest = hashlib.sha256()
        while piece := reading.read(_PIECE_BYTES):
            digest.update(piece)
            writing.write(piece)
        return Content(digest.hexdigest(), writing.tell())


def plain_files(folder: Path) -> Iterator[str]:
    """
    Names of all files in a folder and below, like 2026-03/000012-0a1b2c3d.parquet.

    Raises ValueError at the first that is neither a plain file nor a folder: a link, a device, a pipe.
    """
    yield from _below(folder, "")


def _below(folder: Path, before: str) -> Iterator[str]:
    with os.scandir(folder) as entries:
        by_name = sorted(entries, key=lambda entry: entry.name)
    for entry in by_name:
        if entry.is_dir(follow_symlinks=False):
            yield from _below(folder / entry.name, f"{before}{entry.name}/")
        elif entry.is_file(follow_symlinks=False):
            yield before + entry.name
        else:
            raise NotInside("neither_file_nor_folder", path=folder / entry.name)
