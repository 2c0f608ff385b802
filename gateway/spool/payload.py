"""
The form of a reading's values in the spool: readable JSON, values as sent, names and units stored once.

Promises: it reads back the numbers that it wrote, integers as integers. It refuses, at append, what the wire
would refuse (no finite number, an integer beyond 2^53, a name or unit that is none).
Leaves to others: rows and transactions (`gateway.spool.queue`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

import orjson

from cleanside.gateway.errors import ReadingRefused
from cleanside.gateway.units import own_name
from cleanside.gateway.wire import MAX_INTEGER, MAX_NAME_LENGTH, is_quantity_name

LAYOUT = 1  # a list of numbers, one for each entry of the unit set

#: (quantity, unit) in the order of the payload
UnitSet = tuple[tuple[str, str], ...]

# All characters in lists of finite numbers; null, true, texts and objects have others.
_PLAIN = b"0123456789.-+e,[]"


def write_values(values: Iterable[float]) -> str:
    """Write numbers as a JSON list. Raises ReadingRefused for a value that is not finite or beyond 2^53."""
    return write_many([list(values)])[0]


def write_many(rows: list[list[float]]) -> list[str]:
    """Write many lists of numbers, each as `write_values` does, with one check of all instead of one each."""
    text = _plain_text(rows)
    if text is None:
        return [json.dumps([_checked(value) for value in row], separators=(",", ":")) for row in rows]
    return text[1:-1].replace("],[", "]\n[").split("\n") if rows else []


def _plain_text(rows: list[list[float]]) -> str | None:
    """All rows as one text; None where at least one value needs a check of its own."""
    try:
        text = orjson.dumps(rows, option=orjson.OPT_STRICT_INTEGER)  # no integer beyond 2^53
    except TypeError:
        return None
    is_plain = not text.translate(None, _PLAIN) and text.count(b"[") == len(rows) + 1  # no list in a list
    return text.decode() if is_plain else None


def _checked(value: object) -> float:
    if type(value) is int and abs(value) <= MAX_INTEGER:
        return value
    if isinstance(value, float) and math.isfinite(value):
        return float(value)
    raise ReadingRefused("value_out_of_bounds", value=value)


class NotAsWritten(ValueError):
    """The content of the disk is not what a spool writes: SQLite has no checksum over its pages."""


def whole(table: str, rows: Iterable[tuple[Any, ...]]) -> Iterator[tuple[Any, ...]]:
    """Rows of a small table without the last column, which shows that a row is sound. Raises NotAsWritten."""
    for *row, is_whole in rows:
        if not is_whole:
            raise NotAsWritten(f"a row of {table} changed on the disk: {row}")
        yield tuple(row)


def read_values(payloads: Sequence[str]) -> list[list[float]]:
    """Read many payloads at once: one parse instead of one each. Raises NotAsWritten."""
    try:
        rows: list[list[float]] = orjson.loads("[" + ",".join(payloads) + "]")
    except (TypeError, ValueError) as error:
        raise NotAsWritten(f"a payload is not readable: {error}") from error
    return rows


def unit_set_of(values: Mapping[str, float], units: Mapping[str, str]) -> UnitSet:
    """
    The unit set of a reading, units by their own names. Raises ReadingRefused where the wire would refuse it.

    Own names, because a server of an earlier release does not know all spellings.
    """
    for name in values:
        if not is_quantity_name(name):
            raise ReadingRefused("not_a_quantity_name", name=name)
        unit = units[name]
        if not 1 <= len(unit) <= MAX_NAME_LENGTH or not unit.isprintable():
            raise ReadingRefused("unit_not_a_text", unit=unit, name=name)
    return tuple((name, own_name(units[name], name)) for name in values)


def write_unit_set(unit_set: UnitSet) -> str:
    """Write a unit set as JSON."""
    return json.dumps(unit_set, ensure_ascii=False, separators=(",", ":"))


def read_unit_set(text: str) -> UnitSet:
    """Read a unit set back."""
    return tuple((name, unit) for name, unit in json.loads(text))
