"""
Damaged files that were set aside beside a spool, for a person: which are read, and what to do on a full disk.

Promises: changes nothing. A file of which the spool does not say that it is read counts as unread.
Leaves to others: reading them (`gateway.spool.rescue`), their deletion (`gateway.spool.done_aside`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from cleanside.gateway.errors import GatewayError
from cleanside.gateway.spool.aside import file_bytes, set_aside_files
from cleanside.gateway.spool.file import one_view
from cleanside.gateway.spool.rescue import unread
from cleanside.gateway.units import counted

MAKE_ROOM: Final = (
    "delete what is not the gateway's on that disk, then restart it: it reads them. If nothing else can go, "
    "stop it, move the file with the lowest number, with its -wal and .mark, to a stick, and start it; put "
    "the file back once there is room, and restart"
)


@dataclass(frozen=True, slots=True)
class Aside:
    """A damaged file that was set aside."""

    name: str
    #: with its log
    bytes: int
    #: its readable readings were carried over
    is_read: bool


def aside_files(path: Path, unread_names: Sequence[str]) -> list[Aside]:
    """What was set aside of the spool at `path`, the first one first."""
    files = reversed(set_aside_files(path))
    return [Aside(file.name, file_bytes(file), file.name not in unread_names) for file in files]


def unread_beside(path: Path) -> list[Aside]:
    """The files whose readings are not carried over; all, where there is no spool that says so."""
    try:
        with one_view(path) as connection:
            names = unread(connection, path)
    except GatewayError:
        names = [file.name for file in set_aside_files(path)]
    return [aside for aside in aside_files(path, names) if not aside.is_read]


def unread_text(files: Sequence[Aside]) -> str:
    """What is said of files that are not read. files : not empty."""
    named = ", ".join(f"{aside.name} ({aside.bytes / 2**20:.1f} MiB)" for aside in files)
    return f"{counted(len(files), 'damaged file')} with readings that are not carried over yet: {named}"
