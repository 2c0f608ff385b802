"""
The state that only the running gateway knows, sent to `status` over a socket beside the spool.

A socket and no file: it works while the disk takes no writes, its answer is never old, and a dead process
cannot answer. Its name follows from the spool's. Without an answer, the kernel's table of locks shows
whether a process runs the spool.
Promises: an answer never stops the gateway; a question waits two seconds at most.
Leaves to others: the content (`gateway.commands.run`), what a person reads (`gateway.commands.standing`).
"""

from __future__ import annotations

import json
import logging
import os
import socket
import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from cleanside.gateway.errors import GatewayError, why
from cleanside.gateway.log import Log
from cleanside.gateway.sources.listener import serve
from cleanside.gateway.spool.known import lock_path

_SUFFIX: Final = ".live"
_ANSWER_WITHIN_S: Final = 2.0
_MOST_BYTES: Final = 2**20
_AGAIN_S: Final = 60.0  # after the socket could not be made, for example on a file system without them
_LOCKS: Final = Path("/proc/locks")


@dataclass(frozen=True, slots=True)
class Process:
    """The process of a spool, seen from outside."""

    #: "runs": it answered; "silent": a process holds the spool and does not answer; "gone": none does;
    #: "unknown": it may not be asked
    state: str
    pid: int | None = None
    #: why there is no answer
    reason: str = ""
    #: its answer; empty unless it runs
    told: Mapping[str, Any] | None = None


def tell(path: Path, say: Callable[[], Mapping[str, Any]], stop: threading.Event, *, log: Log) -> None:
    """Answer questions on the socket beside the spool at `path` with the result of `say`, until `stop`."""

    def take(descriptor: int) -> None:
        os.write(descriptor, json.dumps(say()).encode())

    while not stop.is_set():
        try:
            with _short(path) as short:
                serve(short, take, stop, mode=0o600)
        except (OSError, GatewayError) as error:
            log("gateway.status_socket_failed", level=logging.WARNING, reason=why(error))
            stop.wait(_AGAIN_S)


def ask(path: Path) -> Process:
    """Ask the gateway that runs the spool at `path`. Never raises for its state."""
    try:
        answer = _answer(path)
        return Process("runs", int(answer["pid"]), told=answer)
    except (FileNotFoundError, ConnectionRefusedError):
        pid = _holder(path)
        return Process("gone") if pid is None else Process("silent", pid, "it has no socket beside the spool")
    except PermissionError:
        return Process("unknown", _holder(path), "this user may not ask it; ask as its user, or as root")
    except (OSError, ValueError, KeyError, TypeError) as error:
        return Process("silent", _holder(path), f"no answer within {_ANSWER_WITHIN_S:g} s ({why(error)})")


def _answer(path: Path) -> Mapping[str, Any]:
    with _short(path) as short, socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asking:
        asking.settimeout(_ANSWER_WITHIN_S)
        asking.connect(os.fspath(short))
        answer = b""
        while (chunk := asking.recv(2**16)) and len(answer) < _MOST_BYTES:
            answer += chunk
    document = json.loads(answer)
    if not isinstance(document, dict):
        raise TypeError("not an object")
    return document


@contextmanager
def _short(path: Path) -> Iterator[Path]:
    """The socket's path through its open folder: an address has 107 bytes (unix(7)), a path may have more."""
    folder = os.open(path.parent, os.O_PATH | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        yield Path(f"/proc/self/fd/{folder}/{path.name}{_SUFFIX}")
    finally:
        os.close(folder)


def _holder(path: Path) -> int | None:
    """
    The process with the spool's lock (flock(2)) by the kernel's table (proc_locks(5)); None: no process.
    """
    with suppress(OSError, ValueError):
        lock = lock_path(path).stat()
        for line in _LOCKS.read_text().splitlines():
            words = line.split()
            if len(words) > 5 and words[1] == "FLOCK" and words[5].rpartition(":")[2] == str(lock.st_ino):
                pid = int(words[4])
                if _has_open(pid, lock):
                    return pid
    return None


def _has_open(pid: int, file: os.stat_result) -> bool:
    """
    False where none of its open files is that one: each file system has its own numbers of files.

    The table's device is no help, some file systems show another to stat(2). True where the process is
    another user's: then the number has to do.
    """
    try:
        descriptors = list(Path(f"/proc/{pid}/fd").iterdir())
    except OSError:
        return True
    for descriptor in descriptors:
        with suppress(OSError):
            if os.path.samestat(descriptor.stat(), file):
                return True
    return False
