"""
The quick path of the server's decoder: an ordinary batch in the layout `readings`, whose readings are alike.

The members of the first reading say what to expect of all, so the parser checks names and types while it
reads, and a reading is no dictionary.
Promises: a batch is what `gateway.wire.decode` makes of it (`tests/property/test_quick_decoder.py`). Whatever
this path does not know, and whatever is wrong with a body, is left to that one (`LookCloser`).
Leaves to others: which body comes here (`ingest.intake.quick_decoder`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from operator import attrgetter
from typing import Any, NamedTuple, cast

import msgspec
import numpy as np
import orjson

from cleanside.gateway import wire
from cleanside.gateway.wire.decoded_rows import DecodedRows
from cleanside.gateway.wire.decoder import ENVELOPE, decode_envelope, is_quantity_name
from cleanside.gateway.wire.instants import plain_instants
from cleanside.gateway.wire.notes import Notes
from cleanside.gateway.wire.quick import is_plain
from cleanside.ingest.intake.body_signs import LookCloser, count, signs_of

MAX_KINDS = 64  # of batches whose parser stays in memory; chosen, a fleet sends a handful
_READINGS = b'"readings"'
_NUMBER = int | float | None
#: of a reading, beside its quantities
_TYPES: Mapping[str, Any] = {"seq": int, "at": str, "at_uncertainty_s": _NUMBER}


class _Parser(NamedTuple):
    """Reads batches whose readings have the same members."""

    decode: Any
    #: member -> takes it from a reading
    members: Mapping[str, Any]


@lru_cache(maxsize=MAX_KINDS)
def _parser(names: tuple[str, ...]) -> _Parser:
    if len(names) > wire.MAX_QUANTITIES or not all(n in _TYPES or is_quantity_name(n) for n in names):
        raise LookCloser
    fields = {f"f{place}": name for place, name in enumerate(names)}  # a name may be no identifier
    types = [(field, _TYPES.get(name, _NUMBER)) for field, name in fields.items()]
    reading: Any = msgspec.defstruct("Reading", types, rename=fields, forbid_unknown_fields=True, gc=False)
    others = [(name, Any, msgspec.UNSET) for name in ENVELOPE - {"readings"}]
    batch = msgspec.defstruct("Batch", [("readings", list[reading]), *others], forbid_unknown_fields=True)
    return _Parser(
        msgspec.json.Decoder(batch).decode, {name: attrgetter(field) for field, name in fields.items()}
    )


def decode(body: bytes) -> wire.Batch:
    """The batch of a body. Raises LookCloser, and what its parts raise."""
    if b"\\" in body:
        raise LookCloser
    first = body.index(b"{", body.index(_READINGS))
    parser = _parser(tuple(orjson.loads(body[first : body.index(b"}", first) + 1])))
    document = parser.decode(body)
    columns = {name: list(map(member, document.readings)) for name, member in parser.members.items()}
    members = ((name, getattr(document, name)) for name in ENVELOPE - {"readings"})
    envelope = {name: value for name, value in members if value is not msgspec.UNSET}
    _require_all(body, envelope, columns)
    are_floats = _are_floats(body, envelope, columns)

    def fill(_: Mapping[str, Any], rows: DecodedRows, notes: Notes, *, numbered: bool) -> None:
        if numbered != ("seq" in columns) or len(document.readings) > wire.MAX_READINGS:
            raise LookCloser
        rows.seq = _numbers(columns["seq"]) if numbered else None
        rows.at_us = _instants(columns["at"])
        rows.uncertainty = _uncertainty(columns.get("at_uncertainty_s", [None]), notes)
        rows.columns = {n: _column(c, are_floats) for n, c in columns.items() if n not in _TYPES}

    return decode_envelope(envelope, fill)


def _require_all(body: bytes, envelope: Mapping[str, Any], columns: Mapping[str, list[Any]]) -> None:
    """Refuse a body with more in it than was read: the parser reads the last of two members of one name."""
    many = len(columns["at"])
    texts = signs_of(envelope).texts + 1 + many * (len(columns) + 1)  # "readings", each name, each instant
    if count(body, '"') != 2 * texts:
        raise LookCloser


def _are_floats(body: bytes, envelope: Mapping[str, Any], columns: Mapping[str, list[Any]]) -> bool:
    """True where each value of a quantity was written with a point: then none is absent, and none whole."""
    many, names = len(columns["at"]), signs_of([*columns])
    quantities = len(columns.keys() - _TYPES.keys())
    points = (
        signs_of(envelope).points + many * (names.points + quantities) + "".join(columns["at"]).count(".")
    )
    return "at_uncertainty_s" not in columns and count(body, ".") == points


def _column(values: list[Any], are_floats: bool) -> list[float | None]:
    """In an array where all are floats; it is read alone, as a list is."""
    if are_floats:
        return cast("list[float | None]", np.array(values, np.float64).data)
    if not is_plain(values):
        raise LookCloser
    return values


def _numbers(seq: list[int]) -> Sequence[int]:
    numbers = np.array(seq, np.int64)
    if numbers.min() < 1 or numbers.max() > wire.MAX_INTEGER:
        raise LookCloser
    return range(seq[0], seq[-1] + 1) if (np.diff(numbers) == 1).all() else seq


def _uncertainty(column: list[Any], notes: Notes) -> float | list[float | None] | None:
    each = [notes.uncertainty(value, "#/readings") for value in column]
    return each[0] if len(set(each)) == 1 else each


_SHAPE = np.frombuffer(b"0000-00-00T00:00:00.000Z", np.uint8)
_TIME = np.array([11, 12, 14, 15, 17, 18, 20, 21, 22])  # where the digits of the time of day stand
_BETWEEN = np.array([10, 13, 16, 19, 23])  # and what is between them
_WORTH_US = 1_000 * np.array([36_000_000, 3_600_000, 600_000, 60_000, 10_000, 1_000, 100, 10, 1])
_MOST = np.array([2, 9, 5, 9, 5, 9, 9, 9, 9])


def _instants(texts: list[str]) -> list[int | None]:
    """Microseconds since 1970 of texts, nearly all of one day and to the millisecond."""
    at_us = _of_a_day(texts)
    if at_us is None:
        at_us = plain_instants(texts)
    if at_us is None:
        raise LookCloser
    return cast("list[int | None]", at_us)


def _of_a_day(texts: list[str]) -> Sequence[int] | None:
    """Those of texts like "2026-03-02T06:14:07.250Z", or without the fraction, of one day; None: others."""
    texts = [f"{text[:-1]}.000Z" if len(text) == len(_SHAPE) - 4 else text for text in texts]
    signs = np.frombuffer("".join(texts).encode(), np.uint8)
    if set(map(len, texts)) != {len(_SHAPE)} or len(signs) != len(texts) * len(_SHAPE):
        return None
    signs = signs.reshape(-1, len(_SHAPE))
    digits = signs[:, _TIME] - ord("0")  # what is less than "0" becomes large
    if (signs[:, :10] != signs[0, :10]).any() or (signs[:, _BETWEEN] != _SHAPE[_BETWEEN]).any():
        return None
    if (digits > _MOST).any() or (10 * digits[:, 0] + digits[:, 1] > 23).any():
        return None
    day = wire.parse_instant(f"{texts[0][:10]}T00:00:00Z")
    at_us: Sequence[int] = (day.us + digits @ _WORTH_US).data
    return at_us
