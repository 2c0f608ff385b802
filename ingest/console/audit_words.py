"""
What an entry of the audit is about, as pairs of a name and a value, in the language of who looks.

Promises: every value of an entry is shown, but for what was left out or empty, and the name of an event,
which the entry is called by.
Leaves to others: which values there are (`ingest.store.audit`), the names (`words/audit.*.toml`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, NamedTuple

from cleanside.ingest.console.wording import Sayer, has_words

_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)", re.ASCII)
#: members that only group others
_GROUPING = frozenset({"body", "where", "change"})
#: members and what they are where whoever asked left them out: that is no part of the act
_LEFT_OUT = {"after_entry": 0, "preview": False}
_DECIMALS = 9  # of a number that is written with an exponent otherwise, as 0.000042; chosen


class AuditValue(NamedTuple):
    """One value of an entry."""

    #: in words, where there are some; else as the answer to programs has it
    name: str
    text: str


def values_of(say: Sayer, entry: Mapping[str, Any]) -> list[AuditValue]:
    """The values of an entry of `GET /v1/audit`; none for one of an earlier release."""
    return list(_pairs(say, entry["values"] or {}))


def _pairs(say: Sayer, values: Mapping[str, Any]) -> Iterator[AuditValue]:
    for name, value in values.items():
        if value in (None, "", [], {}) or (name in _LEFT_OUT and value == _LEFT_OUT[name]):
            continue
        if name in _GROUPING and isinstance(value, Mapping):
            yield from _pairs(say, value)
        elif name == "event" and isinstance(value, Mapping):
            yield AuditValue(_name(say, name), _text(say, {n: v for n, v in value.items() if n != name}))
        else:
            yield AuditValue(_name(say, name), _text(say, value))


def _name(say: Sayer, name: str) -> str:
    key = f"audit.value.{name}"
    return say.plain(key) if has_words(key) else name.replace("_", " ")


def _text(say: Sayer, value: Any) -> str:
    if isinstance(value, bool):
        return say.plain("audit.yes" if value else "audit.no")
    if isinstance(value, Mapping):
        pairs = list(_pairs(say, value))
        return "(" + "; ".join(f"{pair.name}: {pair.text}" for pair in pairs) + ")"
    if isinstance(value, Sequence) and not isinstance(value, str):
        return ", ".join(_text(say, one) for one in value)
    if isinstance(value, str) and _INSTANT.fullmatch(value):
        return say.formats.minute(value)
    return say.formats.written(_without_exponent(value)) if isinstance(value, float) else str(value)


def _without_exponent(value: float) -> str:
    text = str(value)
    return f"{value:.{_DECIMALS}f}".rstrip("0").rstrip(".") if "e" in text else text
