"""
The quick path of the decoder, for ordinary batches: nearly all of them.

Promises: it decodes exactly as the strict path does (`tests/property/test_wire_fast.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import chain
from operator import itemgetter
from typing import Any

import orjson

from cleanside.gateway.wire.decoded_rows import DecodedRows
from cleanside.gateway.wire.instants import plain_instants
from cleanside.gateway.wire.limits import MAX_DEPTH, MAX_INTEGER, MAX_QUANTITIES, is_quantity_name

_DIGITS_TO_ZERO = bytes.maketrans(b"123456789", b"0" * 9)
_MANY_DIGITS = b"0" * 19  # an integer of fewer fits 64 bits


def load_plain(body: bytes) -> dict[str, Any] | None:
    """
    Read an ordinary object several times faster; None: use `load_json`.

    The fast parser differs from `load_json` in three ways, and these bodies are left to `load_json`: it
    keeps the last of duplicate keys (found by counting quotes, in bodies without a backslash), turns
    integers beyond 64 bits into floats, and reads deeper nesting.
    """
    if b"\\" in body or _MANY_DIGITS in body.translate(_DIGITS_TO_ZERO):
        return None
    try:
        document = orjson.loads(body)
    except orjson.JSONDecodeError:
        return None  # the strict path has the better error
    if type(document) is not dict:
        return None
    return document if body.count(b'"') == 2 * _texts_in(document, MAX_DEPTH) else None


def _texts_in(value: Any, levels: int) -> int:
    """Keys and texts in a value with the structure of a batch; too few for any other structure."""
    if type(value) is str:
        return 1
    if type(value) is dict and levels:
        return len(value) + sum(_texts_in(inner, levels - 1) for inner in value.values())
    if type(value) is list and value and type(value[0]) is dict and levels:
        if set(map(type, value)) != {dict}:
            return 0
        flat = list(map(type, chain.from_iterable(map(dict.values, value))))
        if dict in flat or list in flat:  # events of a gateway
            return sum(_texts_in(inner, levels - 1) for inner in value)
        return sum(map(len, value)) + flat.count(str)
    return 0


def decode_alike(readings: list[Any], rows: DecodedRows, *, numbered: bool) -> bool:
    """
    Decode ordinary readings with the same members column by column: nearly all batches.

    False, and nothing decoded, where a reading needs the strict path.
    """
    if set(map(type, readings)) != {dict} or len(readings[0]) < 2:
        return False
    names = tuple(readings[0])
    if set(map(len, readings)) != {len(names)} or ("seq" in names) != numbered:
        return False
    try:
        columns = dict(zip(names, zip(*map(itemgetter(*names), readings), strict=True), strict=True))
    except KeyError:
        return False
    at_us = plain_instants(columns.pop("at", ()))
    seq, uncertainty = columns.pop("seq", (1,)), columns.pop("at_uncertainty_s", (None,))
    quantities = {name: list(column) for name, column in columns.items() if is_quantity_name(name)}
    if at_us is None or len(quantities) != len(columns) or len(columns) > MAX_QUANTITIES:
        return False
    if not all_whole(seq) or min(seq) < 1 or set(map(type, uncertainty)) - {float, type(None)}:
        return False
    if not all(map(is_plain, quantities.values())) or not all(
        u is None or 0 <= u < math.inf for u in uncertainty
    ):
        return False
    rows.seq = as_range(list(seq)) if numbered else None
    rows.at_us, rows.columns = [*at_us], quantities
    rows.uncertainty = uncertainty[0] if len(set(uncertainty)) == 1 else list(uncertainty)
    return True


def as_range(numbers: list[int]) -> Sequence[int]:
    consecutive = range(numbers[0], numbers[0] + len(numbers)) if numbers else range(0)
    return consecutive if list(consecutive) == numbers else numbers


def all_whole(numbers: Sequence[Any]) -> bool:
    """True if all are integers that every JSON parser reads as the same number. One pass at C speed."""
    return set(map(type, numbers)) == {int} and min(numbers) >= -MAX_INTEGER and max(numbers) <= MAX_INTEGER


def is_plain(column: list[Any]) -> bool:
    """True if there are only finite numbers and None. One pass at C speed; False: check each entry."""
    types = set(map(type, column))
    if types == {float} and math.isfinite(sum(column)):  # where a sum overflows, the next line finds out
        return True
    if not types <= {float, int, type(None)} or math.inf in column or -math.inf in column:
        return False
    return int not in types or all_whole([value for value in column if type(value) is int])
