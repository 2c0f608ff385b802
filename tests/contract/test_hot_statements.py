"""
Statements on tables with a row for each reading, hour or run of a stream name the stream or its device.

A database that places rows by such a key then answers each from one place. The statements are those really
sent, for what happens all day: intake, repeats, late and conflicting readings, marks, the analysis, raw
readings.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import pytest

from cleanside.ingest.store.models import metadata
from tests.support.sent_statements import noted
from tests.support.serving import DEVICE, STREAM, Api, batch, bearer, in_process

#: tables that grow with the readings: keyed by stream
HOT = {
    table.name
    for table in metadata.tables.values()
    if next(iter(table.primary_key.columns)).name == "stream_id"
}
#: a value for the key, or several: not a join, which names no stream
NAMED = re.compile(r"\b(?:stream_id|device_id|streams\.stream)\s*(?:=|IN|in)\s*(?:\(?\s*[?%:$(]|\d)")
INSERTED = re.compile(r"INSERT INTO \w+ \(stream_id\b")
#: what looks at all streams, and why it may
OF_ALL = {
    "hours.revision > hours.analysed_revision": "the work list of the analysis, by an index of due hours",
}


@pytest.fixture
def statements() -> Iterator[list[str]]:
    with noted() as sent:
        yield sent


def hot(statement: str) -> set[str]:
    """Hot tables that a statement uses."""
    return {name for name in re.findall(r"\b(?:FROM|JOIN|INTO|UPDATE) \"?(\w+)", statement) if name in HOT}


def names_a_stream(statement: str) -> bool:
    return bool(NAMED.search(statement) or INSERTED.search(statement))


def test_every_statement_on_a_hot_table_names_the_stream_or_its_device(
    database_url: str, statements: list[str]
) -> None:
    with in_process(database_url) as api:
        api.register()
        statements.clear()
        all_day(api)
        seen = [statement for statement in statements if hot(statement)]
    assert {"blocks", "hours", "islands"} <= set().union(*map(hot, seen))
    scattered = [one for one in seen if not names_a_stream(one) and not any(part in one for part in OF_ALL)]
    assert scattered == []


def all_day(api: Api) -> None:
    api.send(batch(1, [3.0] * 10))
    api.send(batch(11, [3.0] * 10))
    api.send(batch(11, [3.0] * 10))  # a repeat
    api.send(batch(31, [3.0] * 10))  # beyond a gap
    api.send(batch(21, [3.0] * 10))  # late
    api.send(batch(5, [4.0]))  # other content
    api.send(batch(1, [3.0] * 3, stream=None))
    api.analyse()
    for path in (f"/v1/streams/{STREAM}", f"/v1/devices/{DEVICE}/marks"):
        api.get(path, key="device")
    for question in ("", "?resolution=1h", "?limit=3"):
        assert api.get(f"/v1/devices/{DEVICE}/readings{question}").status_code in (200, 422)
    api.get("/v1/machines/grader-07/readings")
    api.get("/v1/machines/grader-07/newest")


def test_a_batch_of_a_stranger_looks_once_at_its_own_entries_in_quarantine(
    database_url: str, statements: list[str]
) -> None:
    """With 40 000 other entries there the count took 13 to 18 ms of each such batch; by its streams, 0.1."""
    with in_process(database_url) as api:
        api.register()
        api.send(batch(1, [900.0] * 50))
        made = api.post("/v1/keys", {"role": "device", "devices": ["hauler-11-intake"]}).json()
        for first in (1, 6):
            statements.clear()
            document = batch(first, [3.0] * 5, stream=STREAM[:-1] + "f") | {"device": "hauler-11-intake"}
            answer = api.post("/v1/readings", document, key=None, headers=bearer(made["key"]))
            assert answer.status_code == 200, answer.text
            looks = [one for one in statements if "FROM quarantine" in one and "count(" in one]
            assert len(looks) <= 1
            assert all(names_a_stream(one) and "state = " not in one.partition("WHERE")[2] for one in looks)
        assert looks, "its second batch is counted with the first"


@pytest.mark.parametrize(
    ("statement", "names"),
    [
        ("SELECT seq FROM readings WHERE stream_id = ? AND seq > ?", True),
        ("SELECT seq FROM readings WHERE readings.stream_id IN (?, ?)", True),
        ("INSERT INTO hours (stream_id, hour) VALUES (?, ?)", True),
        ("SELECT 1 FROM readings JOIN streams ON streams.id = readings.stream_id", False),
        ("DELETE FROM readings WHERE at_us < ?", False),
    ],
)
def test_a_join_is_no_name(statement: str, names: bool) -> None:
    assert names_a_stream(statement) is names
