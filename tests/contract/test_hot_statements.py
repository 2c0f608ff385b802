"""
Statements on tables with a row for each reading, hour or run of a stream name the stream or its device.

A database that places rows by such a key then answers each from one place. The statements are those really
sent, for what happens in a fleet: intake, repeats, late and conflicting readings, boots and events, marks,
the analysis, merging, pages, the account, figures, what people do about readings, the archive, a transfer.
What looks at all streams, or at a row by its number, stands in a list, with the reason.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from cleanside.ingest.keeping import merging
from cleanside.ingest.settings import load
from cleanside.ingest.store.models import metadata
from tests.contract.test_api_transfer import accept, offer
from tests.contract.test_boot_corrections import BOOT, boots, correct
from tests.support.archiving import archive_all
from tests.support.sent_statements import noted
from tests.support.serving import DEVICE, STREAM, Api, batch, bearer, in_process

#: tables that grow with the readings: keyed by stream, or placed by what they name with each row
HOT = {
    table.name
    for table in metadata.tables.values()
    if next(iter(table.primary_key.columns)).name == "stream_id"
} | {"quarantine", "archives", "hour_summaries"}
#: a value for the key, or several: not a join, which names no stream
NAMED = re.compile(
    r"\b(?:stream_id|device_id|housing_id|streams\.stream)\s*(?:=|IN|in)\s*(?:\(?\s*[?%:$(]|\d)"
)
INSERTED = re.compile(r"INSERT INTO \w+ \((?:stream_id|device_id|housing_id)\b")
#: part of what looks at all streams, or at a row by its number -> why it may
OF_ALL = {
    # work lists of what runs beside the requests: the work itself names its stream
    "hours.revision > hours.analysed_revision": "of the analysis, and its length, by an index of due hours",
    "FROM blocks WHERE readings <": "of merging: streams with small blocks, once a pass",
    "WHERE EXISTS (SELECT readings.seq": "of packing: streams that have rows, by their key, once a pass",
    "SELECT min(lowest.": "of the archive: where each stream begins, by its key, once a pass",
    "FROM archives GROUP BY": "of the archive: months of a device with several files, once a pass",
    "FROM archives ORDER BY": "of the archive: its files beside those in the folder, once a pass",
    "quarantine.recheck_us <=": "of second looks at quarantined readings, by an index of those due",
    # rows of tables with a number of their own
    "archives.id IN": "files that the archive's own list named by number",
    "archive_streams.archive_id IN": "the streams of such files",
    "quarantine.id IN": "entries that a person, or a list of their stream, named by number",
    "amendment_id = ": "the same, one by one",
    # of a whole shop or database: pages and figures that count all
    "count(quarantine.recheck_us)": "the figures of /metrics",
    "GROUP BY owners.name": "open questions of a shop (/v1/attention): quarantined readings by cause",
    "quarantine.id >": "pages of the quarantine of a shop",
    "report_tallies.kind =": "losses that gateways report: account and open questions of a shop, /metrics",
    "WHERE report_tallies.name =": "monitors of a shop whose gateway reports one thing (/v1/attention)",
    "GROUP BY islands.stream_id": "account of a shop: what lies beyond gaps, of each stream",
}
#: the same of PostgreSQL alone, which drops a month's partition once it is empty and its files are old
OF_MONTHS = {
    "FROM readings WHERE readings.at_us >=": "is a month empty of rows, once a pass of the archive",
    "FROM blocks WHERE first_us >=": "is a month empty of blocks, once a pass of the archive",
    "WHERE archives.month =": "the age of a month's files, once a pass of the archive",
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


def intake(api: Api) -> None:
    api.send(batch(1, [3.0] * 10))
    api.send(batch(11, [3.0] * 10))
    api.send(batch(11, [3.0] * 10))  # a repeat
    api.send(batch(31, [3.0] * 10))  # beyond a gap
    api.send(batch(21, [3.0] * 10))  # late
    api.send(batch(5, [4.0]))  # other content
    api.send(batch(41, [900.0] * 3))  # not believed
    api.send(batch(1, [3.0] * 3, stream=None))


def boots_and_events(api: Api) -> None:
    events = [
        {"at_seq": 60, "event": "key_off"},
        {"at_seq": 60, "event": "readings_lost", "first": 44, "last": 50},
    ]
    for _ in range(2):
        gateway = boots((60, BOOT)) | {"events": events, "appended_through": 100}
        api.send(batch(60, [3.0] * 10, gateway=gateway))


def marks(api: Api) -> None:
    held = {"stream": STREAM, "acknowledged_through": 1, "appended_through": 101}
    question = {"device": DEVICE, "streams": [held]}
    assert api.post("/v1/streams/marks", question, key="device").status_code == 200
    assert api.get(f"/v1/streams/{STREAM}", key="device").status_code == 200


def analysis(api: Api) -> None:
    api.analyse()
    api.recheck()


def merge(api: Api) -> None:
    api.clock.advance(7_200)  # quiet since: what is there is joined
    found = merging.merge(api.resources, set())
    assert found is not None
    assert found.joined


def looks(api: Api) -> None:
    for path in (
        *(f"/v1/devices/{DEVICE}/readings{question}" for question in ("", "?resolution=3600s", "?limit=3")),
        *(f"/v1/machines/grader-07/{noun}" for noun in ("readings", "newest", "restriction")),
        *(f"/v1/{noun}" for noun in ("account", "attention", "devices", "fleet", "quarantine", "streams")),
        "/readyz",
    ):
        assert api.get(path).status_code == 200, path
    assert api.get("/metrics", key="operator").status_code == 200


def people(api: Api) -> None:
    """Readings taken out and put back, and a correction of a boot's time, and undone."""
    body = {"stream": STREAM, "first": 2, "last": 4, "reason": "a test"}
    assert api.post("/v1/quarantine/set-aside", body).json()["entries"] == 3
    change = {"where": {"code": "set_aside"}, "change": {"shift_s": 0.5}}
    assert api.post("/v1/quarantine/amendments", change).json()["stored"] == 3
    correct(api, boot=BOOT)
    api.analyse()
    [found] = api.get("/v1/boot-corrections").json()["corrections"]
    assert api.post(f"/v1/boot-corrections/{found['correction']}/undo", {}).status_code == 200
    api.analyse()


def archive(api: Api) -> None:
    api.clock.advance(3 * 31 * 86_400)
    assert archive_all(api).files
    looks(api)  # of what lies in files now


def transfer(api: Api) -> None:
    assert accept(api, offer(api)).status_code == 200


ALL_DAY: tuple[Callable[[Api], None], ...]
ALL_DAY = (intake, boots_and_events, marks, analysis, looks, merge, looks, people, archive, transfer)


def test_every_statement_on_a_hot_table_names_the_stream_or_its_device(
    database_url: str, tmp_path: Path, statements: list[str]
) -> None:
    chosen = load(flags={"database": database_url, "archive_folder": str(tmp_path / "archive")}, environ={})
    with in_process(database_url, settings=chosen) as api:
        api.register()
        statements.clear()
        for act in ALL_DAY:
            act(api)
        seen = [statement for statement in statements if hot(statement)]
    assert {"blocks", "hours", "islands", "reports", "quarantine", "archives"} <= set().union(*map(hot, seen))
    listed = OF_ALL if database_url.startswith("sqlite") else OF_ALL | OF_MONTHS
    scattered = {statement for statement in seen if not names_a_stream(statement)}
    assert {one for one in scattered if not any(part in one for part in listed)} == set()
    unmet = {part for part in listed if not any(part in one for one in scattered)}
    assert unmet == set(), "it names its stream now, or nothing here sends it: take it off the list"


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
