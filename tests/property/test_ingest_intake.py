"""
Whatever is sent, no answer is a 500, and every reading of an accepted batch is accounted for.

The model is a plain dict: the first content under a number stays.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.support.databases import migrated_sqlite
from tests.support.examples import examples
from tests.support.serving import DEVICE, Api, in_process


@pytest.fixture(scope="module")
def api() -> Iterator[Api]:
    """One server for all examples; each example has a stream of its own."""
    with tempfile.TemporaryDirectory() as folder, in_process(migrated_sqlite(Path(folder))) as running:
        running.register()
        yield running


_streams = iter(f"019abc00-7e1a-7c3e-8f00-{n:012d}" for n in range(10**9))

values = st.one_of(st.floats(-20, 60), st.integers(-20, 60), st.sampled_from([2**53, -(2**53), 1e308]))
instants = st.sampled_from(
    [
        "2026-03-02T06:00:00Z",
        "2026-03-02T06:00:00.5+02:00",
        "2016-12-31T23:59:60Z",
        "2026-03-02T06:00:00.1234567Z",
        "2026-03-02T09:06:00Z",
        "9999-12-31T23:59:59Z",
        "0001-01-01T00:00:00Z",
        "1970-01-01T00:00:00Z",
        "2026-03-02T06:00:00",
        "no time",
        "\x00",
        "\ud800",  # half a character: valid in JSON text, and no UTF-8
    ]
)
units = st.fixed_dictionaries(
    {"restriction": st.sampled_from(["kPa", "inH2O", "rpm"])},
    optional={"engine_speed": st.just("r/min"), "soot_load": st.just("/")},
)


def readings(numbered: bool) -> st.SearchStrategy[list[dict[str, Any]]]:
    required: dict[str, Any] = {"at": instants}
    if numbered:
        required["seq"] = st.integers(1, 40)
    optional = {
        "restriction": values,
        "engine_speed": values,
        "soot_load": values,
        "at_uncertainty_s": st.floats(0, 10),
    }
    one = st.fixed_dictionaries(required, optional=optional)
    unique = (lambda r: r["seq"]) if numbered else None
    return st.lists(one, min_size=1, max_size=8, unique_by=unique)


@settings(
    max_examples=examples(30, 60), deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.tuples(readings(numbered=True), units), min_size=1, max_size=5))
def test_every_reading_of_an_accepted_batch_is_accounted_for(
    api: Api, batches: list[tuple[list[dict[str, Any]], dict[str, str]]]
) -> None:
    stream = next(_streams)
    first: dict[int, str] = {}
    contents: dict[int, set[str]] = {}
    for rows, declared in batches:
        answer = api.send({"device": DEVICE, "stream": stream, "units": declared, "readings": rows})
        quarantined = sum(q.get("last_seq", q["seq"]) - q["seq"] + 1 for q in answer["quarantined"])
        assert answer["stored"] + answer["duplicates"] + quarantined == len(rows)
        for row in rows:
            content = json.dumps([row, declared], sort_keys=True)
            first.setdefault(row["seq"], content)
            contents.setdefault(row["seq"], set()).add(content)
        mark = next(n for n in range(42) if n + 1 not in first)
        assert answer["acknowledged_through"] == mark
    (account,) = (s for s in api.account()["streams"] if s["stream"] == stream)
    assert account["balances"], account["faults"]
    assert account["stored"] + account["quarantined"] == len(first)
    # Numbers with one content only can have no conflict; those with more have at most one less than contents.
    assert account["conflicts"] <= sum(len(found) - 1 for found in contents.values())


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(readings(numbered=False), units)
def test_without_numbers_a_second_sending_stores_nothing(
    api: Api, rows: list[dict[str, Any]], declared: dict[str, str]
) -> None:
    document = {"device": DEVICE, "units": declared, "readings": rows}
    once, twice = api.send(document), api.send(document)
    assert twice["stored"] == 0
    for answer in (once, twice):
        held = sum(q.get("last_index", q["index"]) - q["index"] + 1 for q in answer["quarantined"])
        assert answer["stored"] + answer["duplicates"] + held == len(rows)
    assert once["quarantined"] == twice["quarantined"]


json_values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
members = st.sampled_from(
    [
        *("device", "stream", "units", "readings", "columns", "seq", "first_seq", "start", "step_ms"),
        *("shed", "opaque", "gateway", "at_uncertainty_s"),
    ]
)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.dictionaries(members, json_values, max_size=6), st.booleans())
def test_no_json_makes_a_500(api: Api, document: dict[str, Any], with_device: bool) -> None:
    if with_device:
        document["device"] = DEVICE
    content = json.dumps(document).encode()
    headers = {"Content-Type": "application/json"}
    response = api.request("POST", "/v1/readings", key="device", content=content, headers=headers)
    assert response.status_code in (200, 400, 403, 422), response.text


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200), st.sampled_from([None, "gzip", "zstd", "br", ""]))
def test_no_bytes_make_a_500(api: Api, content: bytes, coding: str | None) -> None:
    headers = {"Content-Type": "application/json"} | ({} if coding is None else {"Content-Encoding": coding})
    response = api.request("POST", "/v1/readings", key="device", content=content, headers=headers)
    assert response.status_code in (400, 413, 415, 422)


bodies = st.dictionaries(
    st.sampled_from(
        ["machine", "kind", "housings", "device", "in_service_at", "value", "unit", "role", "devices"]
    ),
    json_values,
    max_size=5,
)
PATHS = [
    "/v1/machines",
    "/v1/devices",
    "/v1/keys",
    "/v1/machines/grader-07/terminal-restriction",
    "/v1/machines/grader-07/element-changes",
    f"/v1/devices/{DEVICE}/assignments",
]


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.sampled_from(PATHS), bodies)
def test_no_body_of_any_other_route_makes_a_500(api: Api, path: str, document: dict[str, Any]) -> None:
    content = json.dumps(document).encode()
    response = api.request("POST", path, content=content, headers={"Content-Type": "application/json"})
    assert response.status_code in (200, 201, 400, 404, 422), response.text
