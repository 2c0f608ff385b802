"""
The decoder's short cuts say what the long way says, whatever the body: the same batch or the same problems.

The long way is the decoder without them; it is checked against published rules in tests/unit/gateway.
"""

from __future__ import annotations

import json
from typing import Any
from unittest.mock import patch

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from cleanside.gateway import wire
from cleanside.gateway.wire import Batch, BatchRefused, decoder, instant_text
from cleanside.gateway.wire.instants import plain_instants

numbers = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True, width=64),
    st.integers(-(2**70), 2**70),
    st.sampled_from([0, -0.0, 2**53, 2**53 + 1, 2**63, 1e300, 1.7e308, True, None]),
)
odd = st.recursive(
    st.one_of(numbers, st.text(max_size=6), st.booleans()),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=4), inner, max_size=3),
    max_leaves=6,
)
instants = st.one_of(
    st.integers(-62_135_596_800_000_000, 253_402_300_799_999_999).map(instant_text),
    st.sampled_from(
        [
            *("2026-03-02T06:14:07.250Z", "2026-03-02T06:14:07+02:00", "2016-12-31T23:59:60Z"),
            *("2026-02-30T00:00:00Z", "2026-03-02T24:00:00Z", "2026-03-02 06:14:07Z", "2026-W01-1T00:00:00Z"),
            *("2026-03-02T06:14:07,5Z", "2026-03-02T06:14:07.1234567Z", "20260302T061407Z"),
            *("2026-03-02T06:14:07Z\n2026-03-02T06:14:07Z", "٢026-03-02T06:14:07Z", "2026-03-02T06:14:07z"),
        ]
    ),
)
plain_values = st.one_of(st.floats(-1e4, 1e4), st.integers(-9, 9), st.none())
STREAM = {"stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"}


@st.composite
def envelopes(draw: st.DrawFn) -> dict[str, Any]:
    """Batches in either layout, most of them right, with something odd put in now and then."""
    count = draw(st.integers(1, 5))
    document: dict[str, Any] = {"device": "grader-07-intake", "units": {"restriction": "kPa"}}
    numbered = draw(st.booleans())
    document |= STREAM if numbered else {}
    values = draw(st.sampled_from([plain_values, numbers, odd]))
    if draw(st.booleans()):
        document["readings"] = [
            ({"seq": draw(st.integers(0, 9))} if numbered else {})
            | {"at": draw(instants), "restriction": draw(values), "engine_speed": draw(values)}
            | ({"at_uncertainty_s": draw(values)} if draw(st.integers(0, 5)) == 0 else {})
            for _ in range(count)
        ]
    else:
        document |= {"first_seq": draw(st.integers(0, 9))} if numbered else {}
        document |= {"start": draw(instants), "step_ms": draw(st.lists(values, min_size=1, max_size=5))}
        document["columns"] = {"restriction": draw(st.lists(values, min_size=1, max_size=5))}
    if draw(st.integers(0, 3)) == 0:
        document["gateway"] = {"version": "1.2.0", "events": [{"at_seq": 1, "event": draw(odd)}]}
    if draw(st.integers(0, 5)) == 0:
        document[draw(st.text(max_size=5))] = draw(odd)
    return document


def outcome(body: bytes) -> Any:
    """What the decoder says, to compare: NaN is no part of a batch, so equal means equal."""
    try:
        batch = wire.decode(body)
    except BatchRefused as refused:
        return refused.status, refused.problems, refused.more
    fields = {name: getattr(batch, name) for name in Batch.__slots__}
    return repr({n: list(v) if isinstance(v, (list, range)) else v for n, v in fields.items()})


def the_long_way(body: bytes) -> Any:
    """The same without short cuts."""
    with (
        patch.object(decoder, "load_plain", lambda _: None),
        patch.object(decoder, "decode_alike", lambda *_, **__: False),
    ):
        return outcome(body)


@given(envelopes(), st.booleans())
def test_short_cuts_and_the_long_way_agree(document: dict[str, Any], ascii_only: bool) -> None:
    body = json.dumps(document, ensure_ascii=ascii_only).encode("utf-8", "surrogatepass")
    assert outcome(body) == the_long_way(body)


@given(envelopes(), st.data())
def test_they_agree_on_bodies_with_a_piece_twice_or_missing(
    document: dict[str, Any], data: st.DataObject
) -> None:
    """Duplicate keys among them: a piece of the text is said again, or left out."""
    body = json.dumps(document).encode()
    first = data.draw(st.integers(0, len(body)))
    last = data.draw(st.integers(first, len(body)))
    changed = body[:last] + data.draw(st.sampled_from([body[first:last], b"", b"0" * 20, b","])) + body[last:]
    assert outcome(changed) == the_long_way(changed)


COLUMNS = '{"device": "d", "start": "2026-03-02T06:14:07Z", "step_ms": [0], "columns": {"restriction": [%s]}}'


@pytest.mark.parametrize(
    "body",
    [
        '{"device": "a", "device": "d", "readings": [{"at": "2026-03-02T06:14:07Z", "restriction": 1}]}',
        '{"device": "d", "readings": [{"at": "2026-03-02T06:14:07Z", "restriction": 1, "restriction": 2}]}',
        '{"device": "d", "readings": [{"at": "2026-03-02T06:14:07Z", "x": 1}, {"at": 1, "at": 2}]}',
        '{"device": "d", "gateway": {"events": [{"a": [{"b": 1, "b": 2}]}]}}',
        '{"device": "d", "gateway": {"events": [{"a": 1, "a": 1}, {"c": {"b": 1}}]}}',
        '{"device": "d", "gateway": {"x": [1, {"b": 1, "b": 2}]}}',
        COLUMNS % "18446744073709551616",
        COLUMNS % "-9223372036854775809",
        COLUMNS % "9007199254740993",
        COLUMNS % "1e400",
        COLUMNS % "-0",
        COLUMNS % ("[" * 900 + "]" * 900),
        "[" * 1010 + "]" * 1010,
        "\ufeff" + COLUMNS % "1",
    ],
)
def test_they_agree_where_the_fast_parser_reads_otherwise(body: str) -> None:
    found, expected = outcome(body.encode()), the_long_way(body.encode())
    assert found == expected
    if '"a": 1, "a"' in body or '"b": 1, "b"' in body or '"device": "a"' in body:
        assert found[0] == 400
        assert found[1][0].code == "key_twice"


@pytest.mark.parametrize("depth", [9, 100, 900, 980, 1010, 5000])
@pytest.mark.parametrize("where", ['"columns": {"restriction": [%s]}', '"gateway": {"x": %s}', '"start": %s'])
def test_however_deep_it_is_refused(depth: int, where: str) -> None:
    """As not JSON that we read or as not a batch: which of the two hangs on how deep the parser goes."""
    body = '{"device": "d", "step_ms": [0], ' + where % ("[" * depth + "]" * depth) + "}"
    for found in (outcome(body.encode()), the_long_way(body.encode())):
        assert found[0] in (400, 422)


@given(st.lists(instants, min_size=1, max_size=4))
@example(["2026-03-02T06:14:07Z", "0001-01-01T00:00:00Z", "9999-12-31T23:59:59.999999Z"])
def test_instants_read_together_are_as_each_alone(texts: list[str]) -> None:
    together = plain_instants(texts)
    if together is not None:
        assert together == [wire.parse_instant(text).us for text in texts]
