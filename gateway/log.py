"""
Log lines that are events with a stable name and fields, and that cannot fill the disk.

Promises: one line an event, `name field=value`; of one name at most `BURST` a minute, the rest counted and
said with the next one. No key is ever among the fields.
Leaves to others: where lines go (`gateway.cli` sets up standard error; a service manager keeps them).
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable
from typing import Final, Protocol

BURST: Final = 20  # lines a minute of one name; chosen: enough to follow a fault, too few to fill a disk
_MINUTE_US: Final = 60_000_000

_logger = logging.getLogger("cleanside.gateway")


class Log(Protocol):
    """Where events go."""

    def __call__(self, name: str, *, level: int = ..., **fields: object) -> None:
        """Write event `name` with its fields."""


class EventLog:
    """Writes events, bounded."""

    def __init__(self, *, now_us: Callable[[], int], write: Callable[[int, str], None] | None = None) -> None:
        """now_us : a clock that only rises. write : level and line; None: the logger `cleanside.gateway`."""
        self._now_us = now_us
        self._write = write if write is not None else _logger.log
        self._lock = threading.Lock()
        self._windows: dict[str, tuple[int, int]] = {}  # name -> begin of its minute, lines in it

    def __call__(self, name: str, *, level: int = logging.INFO, **fields: object) -> None:
        """Write event `name` with its fields, unless there were too many of it in this minute."""
        with self._lock:
            began_us, count = self._windows.get(name, (self._now_us(), 0))
            if self._now_us() - began_us >= _MINUTE_US:
                if count > BURST:
                    fields = {**fields, "left_out": count - BURST}
                began_us, count = self._now_us(), 0
            self._windows[name] = (began_us, count + 1)
        if count < BURST:
            self._write(level, " ".join([name, *(f"{key}={_shown(value)}" for key, value in fields.items())]))


def _shown(value: object) -> str:
    text = str(value)[:300]
    return text if text and not set(text) & set(' "=\n\r\t') else json.dumps(text, ensure_ascii=False)
