"""
The server's quick path says what the decoder says, whatever the body: the same batch or the same problems.

The decoder itself is checked against published rules in tests/unit/gateway.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway import wire
from cleanside.gateway.wire import Batch, BatchRefused, instant_text
from cleanside.ingest.intake import quick_decoder
from tests.property.test_wire_fast import COLUMNS, envelopes, instants

STREAM = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"
whole, floats = st.integers(-(2**54), 2**54), st.floats(allow_nan=False, allow_infinity=False)


@pytest.fixture(autouse=True, scope="module")
def small_ones_too() -> Iterator[None]:
    """Else the bodies of these tests would all go the long way."""
    with patch.object(quick_decoder, "QUICK_FROM_BYTES", 0):
        yield


@st.composite
def alike(draw: st.DrawFn) -> dict[str, Any]:
    """Readings with the same members, nearly all of one day."""
    many, numbered = draw(st.integers(1, 6)), draw(st.booleans())
    names = draw(st.lists(st.sampled_from(["restriction", "engine_speed", "x.y", "f1"]), unique=True))
    of_kind = st.sampled_from([whole, floats, st.one_of(whole, floats), st.one_of(floats, st.none())])
    kinds, first_us = {name: draw(of_kind) for name in names}, draw(st.integers(0, 2**51))
    step_us = draw(st.sampled_from([1, 1_000, 250_000, 1_000_000, 10**10]))
    readings = [
        ({"seq": draw(st.integers(181, 183)) + n} if numbered else {})
        | {"at": draw(instants) if draw(st.integers(0, 20)) == 0 else instant_text(first_us + n * step_us)}
        | {name: draw(kind) for name, kind in kinds.items()}
        for n in range(many)
    ]
    if draw(st.integers(0, 4)) == 0:
        readings = [one | {"at_uncertainty_s": draw(st.one_of(floats, st.none()))} for one in readings]
    document: dict[str, Any] = {"device": "grader-07-intake"} | ({"stream": STREAM} if numbered else {})
    return document | {"units": {"restriction": "kPa"}, "readings": readings}


@st.composite
def ordinary(draw: st.DrawFn) -> dict[str, Any]:
    """Batches as gateways send them, with a mixed, an absent or a too large value now and then."""
    many = draw(st.integers(1, 6))
    of_kind = st.sampled_from([whole, floats, st.one_of(whole, floats), st.one_of(floats, st.none())])
    names = draw(st.lists(st.sampled_from(["restriction", "engine_speed", "x.y", "at"]), unique=True))
    columns = {name: draw(st.lists(draw(of_kind), min_size=many, max_size=many)) for name in names}
    document: dict[str, Any] = {"device": "grader-07-intake", "stream": STREAM, "first_seq": 181}
    document |= {"units": {"restriction": "kPa", "engine_speed": "r/min"}, "columns": columns}
    document["start"] = "2026-03-02T06:14:07.250Z"
    document["step_ms"] = draw(st.lists(st.integers(-(10**13), 10**13), min_size=many, max_size=many))
    if draw(st.booleans()):
        document["at_uncertainty_s"] = draw(st.one_of(floats, st.lists(floats, min_size=many, max_size=many)))
    if draw(st.booleans()):
        boots = [{"boot": "6f2c", "first_seq": 170, "anchor": "gps", "uncertainty_s": 0.05}]
        document["gateway"] = {"version": "1.2.0", "boots": boots, "events": []}
    return document


def outcome(decode: Any, body: bytes) -> Any:
    """What a decoder says, to compare: whole numbers and floats differ, and so does minus zero."""
    try:
        batch = decode(body)
    except BatchRefused as refused:
        return refused.status, refused.problems, refused.more
    fields = {name: getattr(batch, name) for name in Batch.__slots__}
    fields["columns"] = {name: list(column) for name, column in batch.columns.items()}
    return repr({n: list(v) if isinstance(v, (list, range, memoryview)) else v for n, v in fields.items()})


@given(st.one_of(ordinary(), alike(), envelopes()))
def test_both_paths_agree(document: dict[str, Any]) -> None:
    body = json.dumps(document).encode()
    assert outcome(quick_decoder.decode, body) == outcome(wire.decode, body)


@given(st.one_of(ordinary(), alike()), st.data())
def test_they_agree_on_bodies_with_a_piece_twice_or_missing(
    document: dict[str, Any], data: st.DataObject
) -> None:
    """Duplicate names and lists in lists among them: a piece of the text is said again, or left out."""
    body = json.dumps(document).encode()
    first = data.draw(st.integers(0, len(body)))
    last = data.draw(st.integers(first, len(body)))
    changed = (
        body[:last] + data.draw(st.sampled_from([body[first:last], b"", b"[", b"]", b","])) + body[last:]
    )
    assert outcome(quick_decoder.decode, changed) == outcome(wire.decode, changed)


READINGS = '{"device": "d", "readings": [{"at": "2026-03-02T06:14:07.250Z", %s}]}'
LISTS = '{"device": "d", "start": "2026-03-02T06:14:07Z", "step_ms": %s, "columns": {"restriction": %s}}'


@pytest.mark.parametrize(
    "body",
    [
        LISTS % ("[[1], [2]]", "[1.5, 2.5]"),
        LISTS % ("[1, 2]", "[[1.5], [2.5]]"),
        LISTS % ("[1, 2]", "[1.5, 2]"),
        LISTS % ("[1, 2]", '[1.5, 2], "columns": [3.5]'),
        LISTS % ("[1, 2]", '[1.5, 2.5], "restriction": [1.5, 2.5]'),
        LISTS % ("[1, 2]", '[1.5, 2.5]}, "units": {"restriction": "kPa", "restriction": "Pa"'),
        LISTS % ("[1, 2]", '[1.5, 2.5]}, "device": "e", "units": {}'),
        LISTS % ("[1, 2]", "[1.5, 1e5]"),
        LISTS % ("[1, 2]", "[9007199254740993, 1]"),
        LISTS % ("[1, 2]", "[18446744073709551616, 1]"),
        LISTS % ("[1, 2]", "[1.5, true]"),
        LISTS % ("[1, true]", "[1.5, 2.5]"),
        LISTS % ("[1, 2.0]", "[1.5, 2.5]"),
        LISTS % ("[9000000000000, 9000000000000]", "[1.5, 2.5]"),
        READINGS % '"restriction": 1.5, "restriction": 2.5',
        READINGS % '"restriction": 1.5}, {"at": "2026-03-02T06:14:08Z"',
        READINGS % '"restriction": 1.5}, {"restriction": 2.5, "at": "2026-03-02T06:14:08.5Z"',
        READINGS % '"restriction": 18446744073709551616',
        READINGS % '"restriction": 9007199254740993',
        READINGS % '"restriction": 1e400',
        READINGS % '"restriction": {"at": 1}',
        READINGS % '"at": "2026-03-02T24:00:00.000Z", "restriction": 1.5',
        READINGS % '"restriction": 1.5}, {"at": "2026-03-03T06:14:07.000Z", "restriction": 1.5',
        READINGS % '"restriction": 1.5}, {"at": "2026-03-02T29:14:07.000Z", "restriction": 1.5',
        READINGS % '"restriction": 1.5}, {"at": "2026-03-02T23:59:60.000Z", "restriction": 1.5',
        READINGS % '"restriction": 1.5}, {"at": "2026-03-02T06:1\u0664:07.000Z", "restriction": 1.5',
        READINGS % '"restriction": 1.5}], "readings": [{"at": "2026-03-02T06:14:07Z"',
        COLUMNS % "-0",
        COLUMNS % "-0.0",
        COLUMNS % "1e400",
        "[" * 2000,
        "7",
        "",
    ],
)
def test_they_agree_where_the_parser_reads_otherwise(body: str) -> None:
    assert outcome(quick_decoder.decode, body.encode()) == outcome(wire.decode, body.encode())


def test_ordinary_columns_take_the_quick_path() -> None:
    """Else it is right, and no faster."""
    document = {
        "device": "grader-07-intake",
        "stream": STREAM,
        "units": {"restriction": "kPa", "engine_speed": "r/min"},
        "first_seq": 181,
        "start": "2026-03-02T06:14:07.250Z",
        "step_ms": [0, 10_000, 10_004],
        "at_uncertainty_s": 0.05,
        "columns": {"restriction": [3.05, 3.1, 3.2], "engine_speed": [1795, None, 1799]},
        "gateway": {"version": "1.2.0", "boots": [{"boot": "6f2c", "first_seq": 170}], "events": []},
    }
    with patch.object(wire, "decode", side_effect=AssertionError):
        batch = quick_decoder.decode(json.dumps(document).encode())
    assert (list(batch.columns["restriction"]), len(batch)) == ([3.05, 3.1, 3.2], 3)


def test_ordinary_readings_take_the_quick_path() -> None:
    readings = [
        {"seq": 181 + n, "at": f"2026-03-02T06:14:0{n}.250Z", "restriction": 3.0 + n} for n in range(3)
    ]
    document = {"device": "d", "stream": STREAM, "units": {"restriction": "kPa"}, "readings": readings}
    with patch.object(wire, "decode", side_effect=AssertionError):
        batch = quick_decoder.decode(json.dumps(document).encode())
    assert (batch.seq, list(batch.columns["restriction"])) == (range(181, 184), [3.0, 4.0, 5.0])
    assert [batch.instant_text(n) for n in range(3)] == [reading["at"] for reading in readings]
