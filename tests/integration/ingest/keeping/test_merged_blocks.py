"""Readings inside one merged block fare as readings in rows do, and `hours` equals a recount."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.keeping import merging
from cleanside.ingest.settings import load
from cleanside.ingest.store import models, store_modes
from cleanside.ingest.writer.lease import Lease
from cleanside.ingest.writer.resources import Resources
from cleanside.ingest.writer.writer import Writer
from tests.contract.test_api_transfer import accept, offer
from tests.contract.test_boot_corrections import boots, correct
from tests.support.archiving import archive_all, whole_readings
from tests.support.databases import Postgres, migrated_sqlite
from tests.support.ended_leases import end_leases
from tests.support.gatewaying import wait_until
from tests.support.serving import Api, batch, in_process

MONTH_S = 31 * 86_400
BOOT = "6f2c0a1e-8b1d-4c55-9a37-3f0d3c1b2a10"


@contextmanager
def in_rows(tmp_path: Path) -> Iterator[Api]:
    """300 readings of two boots, each in a row."""
    folder = tmp_path / "rows"
    folder.mkdir()
    with in_process(migrated_sqlite(folder)) as api:
        store_as(api.resources, blocks=False)
        fill(api)
        yield api


@pytest.fixture
def as_rows(tmp_path: Path) -> Iterator[Api]:
    """The same for a test."""
    with in_rows(tmp_path) as api:
        yield api


@pytest.fixture
def merged(backend: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Api]:
    """The same in one block, joined of ten batches; on both databases."""
    postgres: Postgres | None = request.getfixturevalue("postgres") if backend == "postgres" else None
    url = migrated_sqlite(tmp_path) if postgres is None else postgres.migrated()
    settings = load(flags={"database": url, "archive_folder": str(tmp_path / "archive")}, environ={})
    with in_process(url, settings=settings) as api:
        store_as(api.resources, blocks=True)
        fill(api)
        before = api.clock()
        api.clock.advance(7_200)  # quiet since: what is there is joined
        found = merging.merge(api.resources, set())
        api.clock.advance((before - api.clock()) / 1e6)
        assert found is not None
        assert found.joined == 9
        assert forms(api) == (0, [(1, 300)])
        yield api


def store_as(resources: Resources, *, blocks: bool) -> None:
    def choose(connection: sa.Connection) -> None:
        store_modes.stop(connection, store_modes.BLOCKS)
        if blocks:
            store_modes.begin(connection, store_modes.BLOCKS, 1)

    resources.writer.call(choose)
    resources.look_up_form()


def fill(api: Api) -> None:
    api.register()
    placed = {0: {"gateway": boots((1, "boot-before"))}, 2: {"gateway": boots((51, BOOT))}}
    for number in range(10):
        first = 1 + 30 * number
        values = [3.0 + n % 7 / 100 for n in range(first, first + 30)]
        api.send(batch(first, values) | placed.get(number, {}))
    api.analyse()


def forms(api: Api) -> tuple[int, list[tuple[int, int]]]:
    """How many rows, and the first and last number of every block."""
    with api.resources.reading() as connection:
        rows = connection.scalar(sa.select(sa.func.count()).select_from(models.readings)) or 0
        query = sa.select(models.blocks.c.first_seq, models.blocks.c.last_seq)
        ordered = query.order_by(models.blocks.c.stream_id, models.blocks.c.first_seq)
        return rows, [tuple(row) for row in connection.execute(ordered)]


def outcome(api: Api, act: Callable[[Api], Any]) -> tuple[Any, list[dict[str, Any]]]:
    """What was answered, and every reading then. The account balances, and the hours are a recount."""
    answered = act(api)
    api.analyse()
    whole = whole_readings(api)  # what lies in files too
    counted = Counter(row["at_us"] // 3_600_000_000 for row in whole)
    with api.resources.reading() as connection:
        query = sa.select(models.hours.c.hour, sa.func.sum(models.hours.c.readings))
        found = connection.execute(query.group_by(models.hours.c.hour)).all()
    assert {hour: many for hour, many in found if many} == dict(counted)
    assert api.account()["balances"]
    return answered, whole


def conflicts_and_repeats(api: Api) -> Any:
    names = ("stored", "duplicates", "acknowledged_through", "quarantined")
    whole = batch(101, [3.0 + n % 7 / 100 for n in range(101, 131)])
    answers = [api.send(whole), api.send(batch(150, [9.0, 9.1])), api.send(batch(299, [3.05, 3.06, 3.0]))]
    return [{name: answer[name] for name in names} for answer in answers]


def taken_out_and_put_back(api: Api) -> Any:
    body = {"stream": batch(1, [1.0])["stream"], "first": 100, "last": 119, "reason": "a test"}
    aside = api.post("/v1/quarantine/set-aside", body).json()["entries"]
    change = {"where": {"code": "set_aside"}, "change": {"shift_s": 0.5}}
    return aside, api.post("/v1/quarantine/amendments", change).json()["stored"]


def taken_out(api: Api) -> Any:
    body = {"stream": batch(1, [1.0])["stream"], "first": 1, "last": 150, "reason": "a test"}
    return api.post("/v1/quarantine/set-aside", body).json()["entries"]


def corrected(api: Api) -> None:
    correct(api, boot=BOOT)


def corrected_and_undone(api: Api) -> Any:
    correct(api, boot=BOOT)
    api.analyse()
    [found] = api.get("/v1/boot-corrections").json()["corrections"]
    return api.post(f"/v1/boot-corrections/{found['correction']}/undo", {}).status_code


def given_away(api: Api) -> Any:
    return accept(api, offer(api)).json()["direction"]


def archived(api: Api) -> Any:
    api.clock.advance(3 * MONTH_S)
    return archive_all(api).readings


ACTS = [conflicts_and_repeats, taken_out, taken_out_and_put_back, corrected, corrected_and_undone]
ACTS += [given_away, archived]


@pytest.mark.parametrize("act", ACTS, ids=lambda act: act.__name__)
def test_inside_one_merged_block_it_is_as_with_rows(
    as_rows: Api, merged: Api, act: Callable[[Api], Any]
) -> None:
    assert outcome(merged, act) == outcome(as_rows, act)


def test_numbers_set_aside_leave_holes_in_their_block(merged: Api) -> None:
    taken_out_and_put_back(merged)
    assert forms(merged) == (0, [(1, 300)])
    body = {"stream": batch(1, [1.0])["stream"], "first": 290, "last": 300, "reason": "a test"}
    merged.post("/v1/quarantine/set-aside", body)
    assert forms(merged) == (0, [(1, 289)])


def test_a_serving_process_makes_blocks_by_itself_once_they_are_begun(
    as_rows: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(merging, "MERGE_EVERY_S", 0.05)
    assert merging.merge(as_rows.resources, set()) is None
    store_as(as_rows.resources, blocks=True)
    before = whole_readings(as_rows)
    merger = merging.Merger(as_rows.resources)
    merger.start()
    wait_until(lambda: as_rows.resources.merged is not None, "a pass")
    assert (forms(as_rows), whole_readings(as_rows)) == ((0, [(1, 300)]), before)
    figures = as_rows.get("/metrics").text
    assert "cleanside_readings_packed_total 300.0" in figures
    assert "cleanside_streams_with_rows 0.0" in figures
    as_rows.resources.stopping.set()
    merger.join()


def test_nothing_is_merged_while_a_backlog_waits(as_rows: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    waits = [True, True, True]
    monkeypatch.setattr(Writer, "bulk_waits", property(lambda _: bool(waits and waits.pop())))
    monkeypatch.setattr(merging, "BUSY_PAUSE_S", 0.001)
    store_as(as_rows.resources, blocks=True)
    assert merging.merge(as_rows.resources, set()) == (300, 0, 0)
    assert waits == []


def test_one_process_of_a_database_merges_at_a_time(merged: Api) -> None:
    other = Lease(merged.resources, merging.MERGE_LEASE, merging.MERGE_LEASE_US, holder="other")
    assert other.take()
    assert merging.merge(merged.resources, set()) is None
    end_leases(merged)  # it was killed, or hangs
    assert merging.merge(merged.resources, set()) is not None
    assert other.take()  # given back at once
