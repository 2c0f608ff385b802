"""Streams that begin together are what they are when each begins by itself, and cost a few statements."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway import wire
from cleanside.gateway.wire import Answer
from cleanside.ingest.checking.incoming import Incoming, prepare, units_text
from cleanside.ingest.errors import Refused
from cleanside.ingest.intake.receive import receive, receive_all
from cleanside.ingest.store import fleet, readings
from cleanside.ingest.store.models import blocks, hours, metadata
from tests.support.concurrent import wait_for_lock
from tests.support.databases import Postgres, migrated_sqlite, opened
from tests.support.sent_statements import noted
from tests.support.serving import batch

NOW_US = 1_772_449_200_000_000  # 2026-03-02T11:00:00Z, after the readings of `batch`
KEPT = ("streams", "blocks", "hours", "islands", "shed_ranges", "quarantine", "reports", "devices")


@pytest.fixture
def engine(database_url: str) -> Iterator[sa.Engine]:
    with opened(database_url) as engine:
        yield engine


def stream(number: int) -> str:
    return f"019abc00-7e1a-7c3e-8f00-{number:012d}"


def set_up(connection: sa.Connection, many: int) -> int:
    """Registered devices dev-0, dev-1 ... of an owner. Gives the owner."""
    owner = fleet.keep_owner(connection, "plateau", 0)
    for number in range(many):
        fleet.register(connection, fleet.keep_device(connection, owner, f"dev-{number}"), 1, None)
    return owner


def incoming(connection: sa.Connection, owner: int, document: dict[str, Any]) -> Incoming:
    decoded = wire.decode(json.dumps(document).encode())
    units = units_text(decoded)
    return prepare(
        decoded,
        owner_id=owner,
        units=units,
        unit_set_id=readings.keep_unit_set(connection, units),
        received_us=NOW_US,
        sqlite=connection.dialect.name == "sqlite",
        as_blocks=True,
    )


def first_of(number: int, *, device: str | None = None, first: int = 1, **more: Any) -> dict[str, Any]:
    values = [3.0 + number / 1000] * 20
    return batch(first, values, stream=stream(number), device=device or f"dev-{number}") | more


def back_in_time(document: dict[str, Any]) -> dict[str, Any]:
    """One reading hours before those around it."""
    [*readings] = document["readings"]
    readings[10] = readings[10] | {"at": "2026-03-01T01:00:00Z"}
    return document | {"readings": readings}


def gateway(**more: Any) -> dict[str, Any]:
    return {"gateway": {"version": "1.0", "installation": "one", "appended_through": 20, **more}}


#: ids go by the order in which rows are made; an hour that two batches of a commit touch is raised once
APART = {"id", "revision"}

#: of each kind that may begin a stream, in the order in which they arrive
BEGINNINGS = [
    first_of(0),
    first_of(1, **gateway()),
    first_of(2, **gateway(events=[{"event": "key_on", "at_seq": 1}, {"event": "readings_lost", "count": 2}])),
    first_of(3, first=5),
    first_of(4, first=5, shed=[{"first": 1, "last": 4, "reason": "disk"}]),
    back_in_time(first_of(5)),
    first_of(6, device="a-stranger"),
    first_of(7),
    first_of(7, first=21),
    first_of(8),
    first_of(8, device="dev-7"),
    first_of(9, first=21),
    first_of(9),
    first_of(10, units={"restriction": "furlong"}),
    first_of(11, **gateway(acknowledged_through=400)),
]


def content_of(connection: sa.Connection) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of the tables that a batch writes to, streams and devices by name."""
    names = {row.id: row.stream for row in connection.execute(sa.text("SELECT id, stream FROM streams"))}
    found = {}
    for table in KEPT:
        columns = [column for column in metadata.tables[table].columns if column.name not in APART]
        rows = []
        for row in connection.execute(sa.select(*columns)).mappings():
            rows.append(tuple(names[v] if key == "stream_id" else v for key, v in row.items()))
        found[table] = sorted(rows, key=repr)
    return found


def said(outcomes: Sequence[Answer | Refused]) -> list[Any]:
    return [
        (one.code, one.status) if isinstance(one, Refused) else wire.encode_answer(one) for one in outcomes
    ]


def one_by_one(connection: sa.Connection, batches: Sequence[Incoming]) -> list[Answer | Refused]:
    outcomes: list[Answer | Refused] = []
    for one in batches:
        try:
            outcomes.append(receive(connection, one))
        except Refused as refusal:
            outcomes.append(refusal)
    return outcomes


def test_opened_together_they_are_what_they_are_one_by_one(engine: sa.Engine, tmp_path: Path) -> None:
    apart_folder = tmp_path / "apart"
    apart_folder.mkdir()
    found = []
    with opened(migrated_sqlite(apart_folder)) as other:
        for work, at in ((receive_all, engine), (one_by_one, other)):
            with at.begin() as connection:
                owner = set_up(connection, 12)
                arrived = [incoming(connection, owner, document) for document in BEGINNINGS]
                outcomes = work(connection, arrived)
            with at.connect() as connection:
                found.append((said(outcomes), content_of(connection)))
    (together, at_rest), (apart, wanted) = found
    assert together == apart
    assert at_rest == wanted
    assert [line for line in together if line == ("stream_bound", 409)] == [("stream_bound", 409)]


def test_forty_new_streams_cost_few_more_statements_than_two(engine: sa.Engine) -> None:
    """On SQLite their rows are two pieces of sizes that a driver meets again (`dialect.in_sizes`)."""
    cost = []
    with engine.begin() as connection:
        owner = set_up(connection, 42)
        arrived = [incoming(connection, owner, first_of(number)) for number in range(42)]
    for some in (arrived[:2], arrived[2:]):
        with noted() as sent, engine.begin() as connection:
            assert all(isinstance(answer, Answer) for answer in receive_all(connection, some))
        cost.append(len(sent))
    assert cost[0] <= 10
    assert cost[1] <= cost[0] + 4
    with engine.connect() as connection:
        assert connection.scalar(sa.select(sa.func.sum(blocks.c.readings))) == 42 * 20
        assert connection.scalar(sa.select(sa.func.sum(hours.c.readings))) == 42 * 20


@pytest.mark.parametrize("same_device", [True, False])
def test_a_stream_that_two_processes_open_at_once_is_opened_once(
    postgres: Postgres, same_device: bool
) -> None:
    """The second waits for the first, and finds what it wrote."""
    second: list[Answer | Refused] = []
    with opened(postgres.migrated()) as here, opened(str(here.url.render_as_string(False))) as there:
        with here.begin() as connection:
            owner = set_up(connection, 2)
            arrived = [
                incoming(connection, owner, first_of(7, device=device))
                for device in ("dev-0", "dev-0" if same_device else "dev-1")
            ]

        def open_too() -> None:
            with there.begin() as connection:
                second.extend(receive_all(connection, arrived[1:]))

        thread = threading.Thread(target=open_too)
        with here.begin() as connection:
            [answer] = receive_all(connection, arrived[:1])
            connection.execute(sa.text("SELECT 1"))  # what was put off is sent
            thread.start()
            wait_for_lock(here)
        thread.join()
        with here.connect() as connection:
            assert connection.scalar(sa.select(sa.func.sum(blocks.c.readings))) == 20
    assert isinstance(answer, Answer)
    assert answer.stored == 20
    [late] = second
    if same_device:
        assert isinstance(late, Answer)
        assert (late.stored, late.duplicates, late.acknowledged_through) == (0, 20, 20)
    else:
        assert isinstance(late, Refused)
        assert late.code == "stream_bound"
