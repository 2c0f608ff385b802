"""
The server, and a thread that tells which parts its memory has: below Python they show only from within.

    MEMORY_FOLDER=FOLDER python -m tests.benchmark.telling_server serve --database URL --port 0

Parts are as the C library of GNU (mallinfo2(3)), SQLite (sqlite.org/c3ref/memory_highwater.html and
sqlite.org/c3ref/db_status.html) and the system (proc(5), status and smaps) count them. `told_by` asks.
"""

from __future__ import annotations

import _sqlite3
import ctypes
import json
import math
import os
import socket
import sqlite3
import sys
import threading
from collections import Counter, defaultdict
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest import cli

MIB = 2**20
FOLDER = "MEMORY_FOLDER"  # of the environment: where its socket is
SOCKET = "memory"

#: part -> what it is
PARTS = {
    "memory_mib": "resident in all",
    "libraries_mib": "pages of program and libraries: as far as they were used, and the system left them",
    "files_mib": "of other files: the index of SQLite's log, archive files",
    "sqlite_mib": "what SQLite holds in all",
    "pages_mib": "of it pages of the database, which its connections have in memory",
    "statements_mib": "of it the statements that they have prepared",
    "connections": "of SQLite that are open",
    "heap_mib": "what others hold of the C library's heaps",
    "holes_mib": "what these heaps hold and no one uses",
    "python_mib": "all other: Python's small objects, stacks of threads",
    "python_blocks": "small objects of Python",
}


#: of sqlite3_db_status (sqlite.org/c3ref/c_dbstatus_options.html)
CACHE_USED, STATEMENTS_USED = 1, 3

#: the connections of SQLite that are open, by id
_open: dict[int, sqlite3.Connection] = {}


class _Heaps(ctypes.Structure):
    """What mallinfo2(3) says of all heaps of the process."""

    _fields_ = (
        *(("arena", ctypes.c_size_t), ("ordblks", ctypes.c_size_t), ("smblks", ctypes.c_size_t)),
        *(("hblks", ctypes.c_size_t), ("hblkhd", ctypes.c_size_t), ("usmblks", ctypes.c_size_t)),
        *(("fsmblks", ctypes.c_size_t), ("uordblks", ctypes.c_size_t), ("fordblks", ctypes.c_size_t)),
        ("keepcost", ctypes.c_size_t),
    )


def _heaps() -> _Heaps:
    library = ctypes.CDLL(None)
    library.mallinfo2.restype = _Heaps
    found: _Heaps = library.mallinfo2()
    return found


def heap_bytes() -> int:
    """What the process has of the C library's heaps, but for large pieces, which are maps of their own."""
    return int(_heaps().uordblks)


def parts() -> dict[str, float]:
    """The parts of this process's memory, by the names of `PARTS`."""
    heaps = _heaps()
    status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
    resident = {name: int(status[name].split()[0]) / 1024 for name in ("VmRSS", "RssAnon")}
    libraries = of_libraries(mapped_files(Path("/proc/self/smaps").read_text())).values()
    libraries_mib = sum(file.resident_mib for file in libraries)
    sqlite_mib = _sqlite_bytes() / MIB
    mapped_mib = heaps.hblkhd / MIB  # a large piece is a map of its own
    return {
        "memory_mib": resident["VmRSS"],
        "libraries_mib": libraries_mib,
        "files_mib": resident["VmRSS"] - resident["RssAnon"] - libraries_mib,
        "sqlite_mib": sqlite_mib,
        "pages_mib": _of_connections(CACHE_USED) / MIB,
        "statements_mib": _of_connections(STATEMENTS_USED) / MIB,
        "connections": float(len(_open)),
        "heap_mib": heaps.uordblks / MIB + mapped_mib - sqlite_mib,
        "holes_mib": heaps.fordblks / MIB,
        "python_mib": resident["RssAnon"] - heaps.arena / MIB - mapped_mib,
        "python_blocks": float(sys.getallocatedblocks()),
    }


class MappedFile(NamedTuple):
    """A file in the memory of a process."""

    #: its pages that are resident and unchanged; changed ones are the process's own
    resident_mib: float
    #: the most that may be resident
    mapped_mib: float
    #: of it is run: a program or a library
    is_code: bool


def mapped_files(smaps: str) -> dict[str, MappedFile]:
    """The files that a process maps, by path; all of its maps of a file together. smaps : as in proc(5)."""
    kib: defaultdict[str, Counter[str]] = defaultdict(Counter)
    code: set[str] = set()
    path = ""
    for line in smaps.splitlines():
        first, *fields = line.split(maxsplit=5)
        if not first.endswith(":"):  # a map begins: addresses, mode, offset, device, inode, path
            path = fields[4] if len(fields) == 5 and fields[3] != "0" else ""
            if "x" in fields[0]:
                code.add(path)
        elif path and first in ("Size:", "Rss:", "Anonymous:"):
            kib[path][first] += int(fields[0])
    return {
        path: MappedFile((of["Rss:"] - of["Anonymous:"]) / 1024, of["Size:"] / 1024, path in code)
        for path, of in kib.items()
    }


def of_libraries(mapped: Mapping[str, MappedFile]) -> dict[str, MappedFile]:
    """Programs and libraries alone."""
    return {path: file for path, file in mapped.items() if file.is_code}


def _sqlite_bytes() -> float:
    """What the SQLite behind Python's module holds; not a number where it cannot be asked."""
    try:
        used = ctypes.CDLL(_sqlite3.__file__).sqlite3_memory_used
    except (AttributeError, OSError):
        return math.nan
    used.restype = ctypes.c_int64
    return float(used())


def _of_connections(what: int) -> float:
    """What all open connections have of one thing [bytes]; not a number where SQLite cannot be asked."""
    try:
        status = ctypes.CDLL(_sqlite3.__file__).sqlite3_db_status
    except (AttributeError, OSError):
        return math.nan
    status.argtypes = (ctypes.c_void_p, ctypes.c_int, *[ctypes.POINTER(ctypes.c_int)] * 2, ctypes.c_int)
    now, highest = ctypes.c_int(), ctypes.c_int()
    found = 0
    for connection in list(_open.values()):
        # CPython, Modules/_sqlite/connection.h: behind the head of every object stands SQLite's own handle.
        handle = ctypes.c_void_p.from_address(id(connection) + object.__basicsize__).value
        if handle and not status(handle, what, ctypes.byref(now), ctypes.byref(highest), 0):
            found += now.value
    return float(found)


def _note_open(connection: Any, _record: Any) -> None:
    if isinstance(connection, sqlite3.Connection):
        _open[id(connection)] = connection


def _note_closed(connection: Any, _record: Any) -> None:
    _open.pop(id(connection), None)


def told_by(folder: Path) -> dict[str, float]:
    """Ask the server whose socket is in this folder."""
    with socket.socket(socket.AF_UNIX) as asking:
        asking.connect(str(folder / SOCKET))
        with asking.makefile("rb") as answer:
            found: dict[str, float] = json.loads(answer.read())
    return found


def _tell(listening: socket.socket) -> None:
    while True:
        asked, _ = listening.accept()
        with asked:
            asked.sendall(json.dumps(parts()).encode())


def main() -> int:
    """Serve, and tell."""
    listening = socket.socket(socket.AF_UNIX)
    listening.bind(str(Path(os.environ[FOLDER]) / SOCKET))
    listening.listen()
    sa.event.listen(sa.Pool, "connect", _note_open)
    sa.event.listen(sa.Pool, "close", _note_closed)
    threading.Thread(target=_tell, args=(listening,), name="telling", daemon=True).start()
    return cli.main(sys.argv[1:])


if __name__ == "__main__":
    sys.exit(main())
