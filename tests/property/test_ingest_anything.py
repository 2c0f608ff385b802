"""
Anything may come: broken batches of both layouts and of SenML, spoilt at any place, and plain bytes.

Never a 500. A request is taken, and then each of its readings is stored, a duplicate or in quarantine; or it
is refused whole, and nothing of it is there. Counted from the rows, not from the answer.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Iterator
from typing import Any

import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cleanside.gateway import wire
from cleanside.ingest.intake import senml
from cleanside.ingest.store.models import quarantine
from tests.support.databases import migrated_sqlite
from tests.support.held import count
from tests.support.serving import DEVICE, STREAM, Api, in_process

READINGS: dict[str, Any] = {
    "device": DEVICE,
    "stream": STREAM,
    "units": {"restriction": "kPa", "engine_speed": "r/min"},
    "readings": [
        {"seq": 1, "at": "2026-03-02T06:14:07.250Z", "restriction": 3.05, "engine_speed": 1795},
        {"seq": 2, "at": "2026-03-02T06:14:17.250Z", "at_uncertainty_s": 4.0, "restriction": 3.10},
    ],
    "gateway": {"version": "1.2.0", "appended_through": 9, "boots": [{"boot": "b1", "first_seq": 1}]},
}
COLUMNS: dict[str, Any] = {
    "device": DEVICE,
    "stream": STREAM,
    "units": {"restriction": "inH2O"},
    "first_seq": 5,
    "start": "2026-03-02T06:14:07Z",
    "step_ms": [0, 10000, 10004],
    "at_uncertainty_s": 0.5,
    "columns": {"restriction": [12.0, None, 13.5]},
    "shed": [{"first": 1, "last": 2, "reason": "disk_budget"}],
    "gateway": {"events": [{"at_seq": 5, "event": "key_on"}]},
}
OPAQUE: dict[str, Any] = {"device": DEVICE, "stream": STREAM, "opaque": {"seq": 7, "base64": "AAEC"}}
UNNUMBERED: dict[str, Any] = {
    "device": DEVICE,
    "units": {"restriction": "kPa"},
    "readings": [{"at": "2026-03-02T06:14:07Z", "restriction": 3.05}],
}
PACK: list[dict[str, Any]] = [
    {"bn": f"{DEVICE}:", "bt": 1772432047, "n": "restriction", "u": "Pa", "v": 3050},
    {"t": 10, "n": "restriction", "u": "Pa", "v": 3100},
]

anything = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(allow_nan=False, allow_infinity=False),
        st.sampled_from([0, 1, -1, 2**53, 2**53 + 1, 10**400, 1e308, "", "\x00", "\ud800", "kPa", STREAM]),
        st.text(max_size=8),
    ),
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.text(max_size=8), inner, max_size=3)
    ),
    max_leaves=6,
)


def places(value: Any, here: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The way to every part of a document."""
    found = [here] if here else []
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for name, part in parts:
        found += places(part, (*here, name))
    return found


@st.composite
def spoilt(draw: st.DrawFn) -> tuple[str, bytes]:
    """A document that was right, changed at up to three places: media type and body."""
    document = copy.deepcopy(draw(st.sampled_from([READINGS, COLUMNS, OPAQUE, UNNUMBERED, PACK])))
    media_type = senml.SENML_MEDIA_TYPE if isinstance(document, list) else wire.BATCH_MEDIA_TYPE
    for _ in range(draw(st.integers(0, 3))):
        if not (found := places(document)):
            break
        *way, last = draw(st.sampled_from(found))
        inside: Any = document
        for step in way:
            inside = inside[step]
        change = draw(st.sampled_from(["replace", "delete", "repeat"]))
        if change == "delete":
            del inside[last]
        elif change == "repeat" and isinstance(inside, list):
            inside.insert(last, copy.deepcopy(inside[last]))
        else:
            inside[last] = draw(anything)
    return media_type, json.dumps(document).encode()


@pytest.fixture(scope="module")
def api(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Api]:
    with in_process(migrated_sqlite(tmp_path_factory.mktemp("anything"))) as running:
        running.register()
        yield running


def rows(api: Api) -> tuple[int, int]:
    """How many readings are stored, and how many were ever put into quarantine."""
    with api.resources.reading() as connection:
        held = connection.scalar(sa.select(sa.func.count()).select_from(quarantine))
        return count(connection), held or 0


def held_in(answer: dict[str, Any]) -> int:
    """How many readings an answer says are quarantined."""
    spans = 0
    for note in answer["quarantined"]:
        first = note.get("seq", note.get("index"))
        spans += note.get("last_seq", note.get("last_index", first)) - first + 1
    return spans


TAKEN_OR_REFUSED = {200, 400, 403, 409, 413, 422, 429}


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.one_of(spoilt(), st.tuples(st.just(wire.BATCH_MEDIA_TYPE), st.binary(max_size=40))))
def test_whatever_comes_is_taken_whole_or_refused_whole(api: Api, sent: tuple[str, bytes]) -> None:
    media_type, body = sent
    before = rows(api)
    response = api.request(
        "POST", "/v1/readings", key="device", content=body, headers={"Content-Type": media_type}
    )
    after = rows(api)
    assert response.status_code in TAKEN_OR_REFUSED, response.text
    if response.status_code != 200:
        assert response.headers["content-type"] == wire.PROBLEM_MEDIA_TYPE
        assert after == before
        return
    answer = response.json()
    batch = senml.decode(body) if media_type == senml.SENML_MEDIA_TYPE else wire.decode(body)
    assert answer["stored"] == after[0] - before[0]
    assert after[1] - before[1] <= held_in(answer)  # what was quarantined before is said again, and kept once
    opaque = 0 if batch.opaque is None else 1
    assert answer["stored"] + answer["duplicates"] + held_in(answer) >= len(batch)
    assert answer["stored"] + answer["duplicates"] + held_in(answer) <= len(batch) + opaque


def test_after_all_of_that_the_account_balances(api: Api) -> None:
    account = api.account()
    assert account["streams"]
    assert account["balances"], [s["faults"] for s in account["streams"]]
