"""
The quick path of the server's decoder: an ordinary batch in the layout `columns`, read straight into arrays.

Nearly all batches are such. The parser writes the numbers of a list into one buffer, so that none of them
becomes an object of Python.
Promises: a batch is what `gateway.wire.decode` makes of it (`tests/property/test_quick_decoder.py`). Whatever
this path does not know, and whatever is wrong with a body, is left to that one (`LookCloser`).
Leaves to others: which body comes here (`ingest.intake.quick_decoder`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final, cast

import numpy as np
import numpy.typing as npt
import simdjson

from cleanside.gateway import wire
from cleanside.gateway.wire.decoded_rows import DecodedRows
from cleanside.gateway.wire.decoder import decode_envelope, is_quantity_name
from cleanside.gateway.wire.instants import is_datable
from cleanside.gateway.wire.notes import Notes
from cleanside.gateway.wire.quick import is_plain
from cleanside.ingest.intake.body_signs import LookCloser, count, signs_of, signs_of_texts

MOST_STEP_MS: Final = 10**12  # 31 years: all steps of a batch together are no overflow
_LISTS = frozenset({"columns", "step_ms"})

#: values as sent, of an array or, where some are absent, of a list; read alone, as a list is
Column = list[float | None]


def decode(body: bytes) -> wire.Batch:
    """The batch of a body. Raises LookCloser, and what its parts raise."""
    if b"\\" in body:
        raise LookCloser
    document: Any = simdjson.Parser().parse(body)
    names = _names(document)
    envelope = {name: _plain(document[name]) for name in names if name not in _LISTS}
    steps = np.frombuffer(document["step_ms"].as_buffer(of_type="i"), np.int64)
    lists = document["columns"]
    columns = {name: _column(lists[name]) for name in _names(lists)}
    _require_all(body, envelope, columns)

    def fill(_: Mapping[str, Any], rows: DecodedRows, notes: Notes, *, numbered: bool) -> None:
        _require_alike(len(steps), columns)
        rows.seq = _numbers(envelope, len(steps), notes) if numbered else None
        rows.at_us = _instants(envelope["start"], steps)
        rows.uncertainty = _uncertainty(envelope.get("at_uncertainty_s"), len(steps), notes)
        rows.columns = dict(columns)

    if "readings" in envelope or (("first_seq" in envelope) != ("stream" in envelope)):
        raise LookCloser
    return decode_envelope(envelope, fill)


def _names(of: Any) -> list[str]:
    """The names of an object's members, each once."""
    names = list(of.keys())
    if len(set(names)) != len(names):
        raise LookCloser
    return names


def _plain(value: Any) -> Any:
    """A value of the envelope as Python has it."""
    if isinstance(value, simdjson.Object):
        return value.as_dict()
    return value.as_list() if isinstance(value, simdjson.Array) else value


def _column(array: Any) -> Column:
    """The numbers of a list: all whole, or all with a point (`_require_all`), or a list with absent ones."""
    try:
        if type(array[0]) is float:
            return cast(Column, np.frombuffer(array.as_buffer(of_type="d"), np.float64).data)
        whole = np.frombuffer(array.as_buffer(of_type="i"), np.int64)
    except TypeError:
        column: list[float | None] = array.as_list()
        if not is_plain(column):
            raise LookCloser from None
        return column
    if whole.min() < -wire.MAX_INTEGER or whole.max() > wire.MAX_INTEGER:
        raise LookCloser
    return cast(Column, whole.data)


def _require_all(body: bytes, envelope: Mapping[str, Any], columns: Mapping[str, Column]) -> None:
    """Refuse a body with more in it than was read."""
    units = envelope.get("units", {})
    said = signs_of([*envelope, *(value for name, value in envelope.items() if name != "units")])
    names = signs_of_texts((*columns, *units, *units.values()))
    found = [count(body, sign) for sign in '"[.']
    texts = said.texts + names.texts + len(_LISTS)
    lists = said.lists + len(columns)  # the list of them here stands for the steps
    points = said.points + names.points + sum(map(_floats_in, columns.values()))
    if found != [2 * texts, lists, points]:
        raise LookCloser


def _floats_in(column: Column | memoryview) -> int:
    if isinstance(column, memoryview):
        return len(column) if column.format == "d" else 0
    return sum(type(value) is float for value in column)


def _require_alike(many: int, columns: Mapping[str, Column]) -> None:
    """Refuse lists of several lengths, too many of them, and names of no quantity."""
    if not 1 <= many <= wire.MAX_READINGS or len(columns) > wire.MAX_QUANTITIES:
        raise LookCloser
    if any(len(column) != many or not is_quantity_name(name) for name, column in columns.items()):
        raise LookCloser


def _numbers(envelope: Mapping[str, Any], many: int, notes: Notes) -> range:
    if "seq" in envelope:
        raise LookCloser
    first = notes.whole(envelope["first_seq"], "#/first_seq")
    return range(first, first + many)


def _instants(start: str, step_ms: npt.NDArray[np.int64]) -> list[int | None]:
    """Microseconds since 1970, shape (n,)."""
    instant = wire.parse_instant(start)
    # The operations themselves: methods and functions around them take as long again on a batch.
    least_ms, most_ms = int(np.minimum.reduce(step_ms)), int(np.maximum.reduce(step_ms))
    if instant.exact is not None or least_ms < -MOST_STEP_MS or most_ms > MOST_STEP_MS:
        raise LookCloser
    at_us = np.add.accumulate(step_ms)
    at_us *= 1000
    at_us += instant.us
    bounds = at_us[[0, -1]] if least_ms >= 0 else (np.minimum.reduce(at_us), np.maximum.reduce(at_us))
    if not all(is_datable(int(us)) for us in bounds):
        raise LookCloser
    return cast("list[int | None]", at_us.data)


def _uncertainty(value: Any, many: int, notes: Notes) -> float | Sequence[float | None] | None:
    if not isinstance(value, list):
        return notes.uncertainty(value, "#/at_uncertainty_s")
    if len(value) != many:
        raise LookCloser
    return [notes.uncertainty(entry, "#/at_uncertainty_s") for entry in value]
