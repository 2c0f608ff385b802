"""
The file of revoked keys: a restore needs it, because the lost database is not there to ask.

Promises: a key's handle is durably in the file before the transaction that revokes it commits, and so before
the answer. After a crash in between the file has a key that the database does not: the next start revokes it
there too (`ingest.owners.key_review`), as the person asked. The file has handles, never a secret or its hash,
and only its user reads it.
Leaves to others: what a start or a restore does with the file (`ingest.owners.key_review`).

The file is in the archive folder, which outlives the database: on SQLite always, with PostgreSQL where an
archive folder is set, the same for all processes. Lines of JSON, only added, in any order:

    {"handle": "k0a1b2c3d", "revoked_at": "2026-03-02T06:14:07Z"}
    {"complete_since": "2026-03-02T06:00:00Z"}     revocations before this may be missing
"""

from __future__ import annotations

import json
import logging
import os
import re
import threading
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import sqlalchemy as sa
from sqlalchemy import event

from cleanside.gateway import file_modes
from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.errors import TryAgain, why
from cleanside.ingest.store import inside

FILE = "revoked-keys"
_HANDLE = re.compile(r"[A-Za-z0-9]{1,16}")
_NOTED = "revoked_keys"  # in the `info` of a connection: handle -> instant, of the open transaction
_one_at_a_time = threading.Lock()  # flock belongs to the file; threads of one process may share it

log = logging.getLogger("cleanside.ingest")


@dataclass(frozen=True, slots=True, kw_only=True)
class Revoked:
    """The content of the file."""

    #: handle -> when it was revoked [us]
    handles: Mapping[str, int]
    #: a revocation before this instant may be missing; None: none is [us]
    complete_since_us: int | None = None
    #: number of the first unreadable line; None: there is none
    unreadable_line: int | None = None


def read(path: Path) -> Revoked | None:
    """
    The content of a file; None: it is missing or empty. Raises ValueError: no plain file of text; OSError.
    """
    try:
        text = inside.read_text(path)
    except FileNotFoundError:
        return None
    if "\n" not in text:  # without one whole line: it was cut off, or is none of ours
        return None
    handles: dict[str, int] = {}
    since_us: int | None = None
    unreadable: int | None = None
    # Text behind the last line end was cut short, and its transaction never committed.
    for number, line in enumerate(text.split("\n")[:-1], 1):
        try:
            entry = _line(line)
        except ValueError:
            unreadable = unreadable or number
            continue
        if isinstance(entry, int):
            since_us = max(since_us or entry, entry)
        else:
            handles.setdefault(*entry)
    return Revoked(handles=handles, complete_since_us=since_us, unreadable_line=unreadable)


def _line(line: str) -> tuple[str, int] | int:
    """A handle and its instant, or the instant since which the file is complete. Raises ValueError."""
    document = json.loads(line)
    match document:
        case {"handle": str(handle), "revoked_at": str(at)} if len(document) == 2 and _HANDLE.fullmatch(
            handle
        ):
            return handle, parse_instant(at).us
        case {"complete_since": str(at)} if len(document) == 1:
            return parse_instant(at).us
    raise ValueError("neither a handle with its instant nor the instant since which all are there")


def append(
    path: Path,
    handles: Mapping[str, int],
    *,
    complete_since_us: int | None = None,
    begun_us: int | None = None,
) -> None:
    """
    Add to the file, and return once it is on the disk. It is made where there is none.

    complete_since_us : revocations before it may be missing; None: not stated. begun_us : the same, stated
    only where there is no file yet. [us]
    Raises OSError where the disk does not take it.
    """
    lines: list[dict[str, str]] = [
        {"handle": handle, "revoked_at": instant_text(at_us)} for handle, at_us in sorted(handles.items())
    ]
    file_modes.make_folder(path.parent)
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
    with _one_at_a_time, os.fdopen(os.open(path, flags, file_modes.FILE_MODE), "r+b") as file:
        _lock(file.fileno())
        end = _end_of_last_line(file)
        since_us = begun_us if end == 0 and complete_since_us is None else complete_since_us
        if since_us is not None:
            lines.insert(0, {"complete_since": instant_text(since_us)})
        file.seek(end)
        file.truncate()
        file.write(b"".join(json.dumps(line).encode() + b"\n" for line in lines))
        file.flush()
        os.fsync(file.fileno())
    file_modes.sync_folder(path.parent)


def fault(folder: Path | None) -> OSError | None:
    """Why the file cannot be written, apart from a full disk; None: it can, or there is no folder."""
    if folder is None:
        return None
    flags = os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC
    try:
        file_modes.make_folder(folder)
        os.close(os.open(folder / FILE, flags, file_modes.FILE_MODE))
    except OSError as error:
        return error
    return None


def _lock(handle: int) -> None:
    import fcntl  # here, so that the module can be imported where there is none

    fcntl.flock(handle, fcntl.LOCK_EX)  # closing the file frees it


def _end_of_last_line(file: Any) -> int:
    content = file.read()
    return len(content) if content.endswith(b"\n") else content.rfind(b"\n") + 1


# ---------------------------------------------------------------- with the transaction


def note(connection: sa.Connection, handles: Iterable[str], now_us: int) -> None:
    """Note that this transaction revokes keys; the writer of `revoked_us` calls it."""
    connection.info.setdefault(_NOTED, {}).update(dict.fromkeys(handles, now_us))


def record(engine: sa.Engine, folder: Path | None) -> None:
    """
    From now on, write the keys that transactions of this engine revoke into the file before they commit.

    folder : of the archive; None: there is none, and a restore has to ask a person. Where the file cannot be
    written, the transaction is rolled back: TryAgain.
    """

    def forget(connection: sa.Connection) -> None:
        if not connection.invalidated:  # else its `info` was lost with the connection
            connection.info.pop(_NOTED, None)

    def write(connection: sa.Connection) -> None:
        noted: dict[str, int] = connection.info.pop(_NOTED, {})
        if not noted or folder is None:
            return
        try:
            append(folder / FILE, noted, begun_us=max(noted.values()))  # a person may have removed it
        except OSError as error:
            log.warning("ingest.revocation_not_kept", extra={"reason": why(error)})
            raise TryAgain(
                "revocation_unwritable",
                path=folder / FILE,
                why=why(error),
                code="store_unavailable",
            ) from error

    event.listen(engine, "begin", forget)
    event.listen(engine, "rollback", forget)
    event.listen(engine, "commit", write)
