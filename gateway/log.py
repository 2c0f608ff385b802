"""
Log lines that are events with a stable name and fields, and that cannot fill the disk.

Promises: one line an event, `name field=value`; of one name at most `BURST` a minute and of all together at
most `MOST_LINES`, the rest counted and said with the next one; a line has an end. What libraries have to say
is bounded the same way, without their tracebacks. Secrets that were read (`gateway.private`) are blanked out.
Leaves to others: where lines go (`gateway.cli` sets up standard error; a service manager keeps them).
"""

from __future__ import annotations

import json
import logging
import threading
from collections.abc import Callable
from typing import Final, Protocol

from cleanside.gateway.private import hidden

BURST: Final = 20  # lines a minute of one name; chosen: enough to follow a fault, too few to fill a disk
MOST_LINES: Final = (
    100  # lines a minute of all names; chosen: at 200 B each some 30 MB a day where all goes wrong
)
LONGEST: Final = 2_000  # characters of a line; a field has at most 300
#: Libraries that speak HTTP. Their lines hold addresses, and an address may hold a token.
HTTP_CLIENTS: Final = ("aiohttp", "h11", "h2", "hpack", "httpcore", "httpx", "requests", "urllib3")
_SILENT: Final = logging.CRITICAL + 1
_MINUTE_US: Final = 60_000_000
_ALL = ""  # no event has this name

_logger = logging.getLogger("cleanside.gateway")


class Log(Protocol):
    """Where events go."""

    def __call__(self, name: str, *, level: int = ..., **fields: object) -> None:
        """Write event `name` with its fields."""


def unheard(name: str, *, level: int = logging.INFO, **fields: object) -> None:
    """A log that writes nothing."""


class _Minutes:
    """How many lines of a name there were in its minute."""

    def __init__(self, now_us: Callable[[], int]) -> None:
        self._now_us = now_us
        self._lock = threading.Lock()
        self._windows: dict[str, tuple[int, int]] = {}  # name -> begin of its minute, lines in it

    def may_say(self, name: str) -> tuple[bool, int]:
        """Count a line of `name`: whether it may be written, and how many before it were not."""
        with self._lock:
            left_out = self._count(name, BURST)
            if self._windows[name][1] > BURST:
                return False, 0
            self._count(_ALL, MOST_LINES)
            return self._windows[_ALL][1] <= MOST_LINES, left_out

    def _count(self, name: str, most: int) -> int:
        now_us = self._now_us()
        began_us, count = self._windows.get(name, (now_us, 0))
        left_out = 0
        if now_us - began_us >= _MINUTE_US:
            began_us, count, left_out = now_us, 0, max(0, count - most)
        self._windows[name] = (began_us, count + 1)
        return left_out


class EventLog:
    """Writes events, bounded."""

    def __init__(self, *, now_us: Callable[[], int], write: Callable[[int, str], None] | None = None) -> None:
        """now_us : a clock that only rises. write : level and line; None: the logger `cleanside.gateway`."""
        self._write = write if write is not None else _logger.log
        self._minutes = _Minutes(now_us)

    def __call__(self, name: str, *, level: int = logging.INFO, **fields: object) -> None:
        """Write event `name` with its fields, unless there were too many of it in this minute."""
        may_say, left_out = self._minutes.may_say(name)
        if may_say:
            said = fields | ({"left_out": left_out} if left_out else {})
            line = " ".join([name, *(f"{key}={_shown(value)}" for key, value in said.items())])
            self._write(level, hidden(line)[:LONGEST])


class OthersBounded(logging.Filter):
    """Lets our own events pass, which are bounded, and warnings of libraries, bounded by logger."""

    def __init__(self, *, now_us: Callable[[], int]) -> None:
        """now_us : a clock that only rises."""
        super().__init__()
        self._minutes = _Minutes(now_us)

    def filter(self, record: logging.LogRecord) -> bool:
        """True for what is written."""
        if record.name == _logger.name:
            return True
        if record.levelno < logging.WARNING:  # a library's INFO is a line a request
            return False
        record.msg, record.args = hidden(record.getMessage())[:LONGEST], ()
        record.exc_info = record.exc_text = record.stack_info = None  # a traceback quotes what it came from
        return self._minutes.may_say(record.name)[0]


def silence_http_clients() -> None:
    """
    Let no library that speaks HTTP make a line, at any level.

    A filter would have to find the secret in a finished text, and would guess. What fails raises an error,
    and our own events report it without the address.
    """
    for name in HTTP_CLIENTS:
        logging.getLogger(name).setLevel(_SILENT)


def _shown(value: object) -> str:
    text = str(value)[:300]
    return text if text and not set(text) & set(' "=\n\r\t') else json.dumps(text, ensure_ascii=False)
