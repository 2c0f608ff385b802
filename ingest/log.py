"""
Log lines that are events: a stable name and fields, as text for people or one JSON object a line.

Promises: keys are never logged; repeated lines are counted, not repeated (within a minute a line with the
same fields once, and of one event `BURST` lines; the others are counted and logged as a number within the
next minute or when the process ends).
Leaves to others: where lines go (standard error; a service manager keeps them), which events there are.
"""

from __future__ import annotations

import json
import logging
import re
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from cleanside.gateway.wire import instant_text
from cleanside.ingest import hidden
from cleanside.ingest.errors import CalledWrongly

OURS = "cleanside"
LEVELS, FORMS = ("debug", "info", "warning", "error"), ("text", "json")
BURST = 20  # lines a minute of one event; chosen: enough to follow a fault, too few to fill a disk
WINDOW_S = 60.0
MAX_TEXT = 2_000  # characters of one field; a driver's message may have a whole statement
MAX_TRACE = 8_000
#: Libraries for HTTP. Their lines have addresses, and an address may have a token. They log nothing at any
#: level: a filter would have to find the token in a finished text, and would guess. Failures raise an error,
#: and our own events report it without the address.
HTTP_CLIENTS = ("aiohttp", "h11", "h2", "hpack", "httpcore", "httpx", "requests", "urllib3")
SILENT = logging.CRITICAL + 1
#: one line a request where the access log is on: without a bound, because the settings ask for it
REQUEST = "ingest.request"

#: a body whose client was gone before all of it had arrived
CUT_OFF = "ingest.cut_off"

_PLAIN = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName", "color_message"}
#: a key as it is sent (`ingest.owners.access`): the handle may be logged, the secret never
_SECRET = re.compile(r"(k[0-9a-f]{8})\.[0-9a-f]{16,}")


def set_up(level: str, form: str, *, stream: Any = None, secrets: tuple[str, ...] = ()) -> None:
    """
    Send all lines of this process to standard error.

    Libraries log warnings, more only at debug; those for HTTP (`HTTP_CLIENTS`) log nothing.
    level : debug, info, warning or error. form : text or json. Raises CalledWrongly for another.
    secrets : texts to remove from every line (`hidden.passwords_of` the database).
    """
    for name, given, known in (("log_level", level, LEVELS), ("log_format", form, FORMS)):
        if given not in known:
            raise CalledWrongly("log_setting_unknown", name=name, given=given, known=", ".join(known))
    handler = logging.StreamHandler(stream)
    handler.setFormatter(AsJson(secrets) if form == "json" else AsText(secrets))
    bounded = Bounded(handler)
    root = logging.getLogger()
    for old in list(root.handlers):
        root.removeHandler(old)
    root.addHandler(bounded)
    root.setLevel("WARNING" if level == "info" else level.upper())
    logging.getLogger(OURS).setLevel(level.upper())
    for name in HTTP_CLIENTS:
        logging.getLogger(name).setLevel(SILENT)


def fields_of(record: logging.LogRecord, secrets: tuple[str, ...] = ()) -> dict[str, Any]:
    """Event, level and fields of a record; for those of libraries the event is the library."""
    event, more = record.getMessage(), {}
    if not record.name.startswith(OURS):
        event, more = f"library.{record.name}", {"message": event}
    given = {**more, **{name: value for name, value in vars(record).items() if name not in _PLAIN}}
    return {"event": event, **{name: _shown(value, secrets) for name, value in given.items()}}


def _shown(value: Any, secrets: tuple[str, ...]) -> Any:
    if value is None or isinstance(value, bool | int | float):
        return value
    return hidden.without_passwords(str(value), secrets)[:MAX_TEXT]


def without_secrets(line: str) -> str:
    """A line without the secret part of any key; a second guard, because no code logs one."""
    return _SECRET.sub(r"\1.[secret]", line)


class _Lines(logging.Formatter):
    """The base of both forms."""

    def __init__(self, secrets: tuple[str, ...] = ()) -> None:
        super().__init__()
        self._secrets = secrets

    def fields(self, record: logging.LogRecord) -> dict[str, Any]:
        """The fields of a record."""
        return fields_of(record, self._secrets)

    def trace(self, record: logging.LogRecord) -> str:
        """The traceback; empty: there is none."""
        if not record.exc_info:
            return ""
        return hidden.without_passwords(self.formatException(record.exc_info), self._secrets)[-MAX_TRACE:]


class AsJson(_Lines):
    """One JSON object a line (RFC 8259, ASCII): at, level, event, then the fields."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as a line."""
        document = {"at": _at(record), "level": record.levelname.lower(), **self.fields(record)}
        if trace := self.trace(record):
            document["trace"] = trace
        return without_secrets(json.dumps(document, allow_nan=True, default=str))


class AsText(_Lines):
    """Time, level, event, then field=value; a trace on further lines."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as a line."""
        fields = self.fields(record)
        event = fields.pop("event")
        said = [f"{name}={_quoted(value)}" for name, value in fields.items()]
        line = " ".join([_at(record), record.levelname, event, *said])
        if trace := self.trace(record):
            line += "\n" + trace
        return without_secrets(line)


def _at(record: logging.LogRecord) -> str:
    return instant_text(int(record.created * 1000) * 1000)


def _quoted(value: Any) -> str:
    text = str(value)
    return text if text and not set(text) & set(' "=\n\r\t') else json.dumps(text)


@dataclass(slots=True)
class _Window:
    """A minute of one event."""

    began_s: float
    level: int = logging.INFO
    #: lines that were not passed on
    left_out: int = 0
    #: what those said that were, at most `BURST`
    said: set[str] = field(default_factory=set)


def _content(record: logging.LogRecord) -> str:
    """What tells a line from another of its event."""
    given = {name: value for name, value in vars(record).items() if name not in _PLAIN}
    failed = record.exc_info[1] if record.exc_info else None
    return repr((record.getMessage(), record.levelno, given, failed))


class Bounded(logging.Handler):
    """Passes a line on once in `WINDOW_S`, of one event at most `BURST`; reports how many were left out."""

    def __init__(self, to: logging.Handler, *, monotonic_s: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._to = to
        self._monotonic_s = monotonic_s
        self._windows: dict[str, _Window] = {}

    def emit(self, record: logging.LogRecord) -> None:
        """Pass a record on, or count it."""
        event = record.getMessage() if record.name.startswith(OURS) else record.name
        now_s = self._monotonic_s()
        self._say_left_out(now_s)
        if event == REQUEST:
            self._to.emit(record)
            return
        window = self._windows.setdefault(event, _Window(now_s, level=record.levelno))
        said = _content(record)
        if said in window.said or len(window.said) >= BURST:
            window.left_out += 1
            return
        window.said.add(said)
        self._to.emit(record)

    def _say_left_out(self, now_s: float) -> None:
        over = [event for event, w in self._windows.items() if now_s - w.began_s >= WINDOW_S]
        for event in over:
            window = self._windows.pop(event)
            if window.left_out:
                fields = {"repeated": event, "times": window.left_out, "within_s": WINDOW_S}
                self._to.emit(_record(window.level, "ingest.log_repeated", fields))

    def close(self) -> None:
        """Report how many were left out so far, and end."""
        self._say_left_out(self._monotonic_s() + WINDOW_S)
        self._to.flush()
        super().close()


def _record(level: int, event: str, fields: Mapping[str, Any]) -> logging.LogRecord:
    return logging.makeLogRecord(
        {"name": f"{OURS}.ingest", "levelno": level, "levelname": logging.getLevelName(level), "msg": event}
        | dict(fields)
    )
