"""Summaries made again from the readings equal those of the background, to the last bit; a fault shows."""

from __future__ import annotations

import json
import random
from typing import Any, NamedTuple

import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest import cli
from cleanside.ingest.analysis.recompute import Compared, Helper, Pending, Piece, RecomputedPiece
from cleanside.ingest.analysis.recompute import recompute as recompute_all
from cleanside.ingest.store import database, fleet
from cleanside.ingest.store.models import hour_summaries
from tests.support.databases import opened
from tests.support.serving import DEVICE, STREAM, in_process

BEGIN_US = parse_instant("2026-02-20T06:00:00Z").us


def batches() -> list[dict[str, Any]]:
    """Twelve hours, a reading a minute, in batches of 45."""
    readings = [
        {"seq": n + 1, "at": instant_text(BEGIN_US + n * 60_000_000), "restriction": 2.0 + n / 700}
        for n in range(720)
    ]
    envelope = {"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}}
    return [envelope | {"readings": readings[i : i + 45]} for i in range(0, len(readings), 45)]


def kept(url: str) -> list[tuple[Any, ...]]:
    columns = (hour_summaries.c.hour, hour_summaries.c.record, hour_summaries.c.bins)
    with opened(url) as engine, engine.connect() as connection:
        rows = connection.execute(sa.select(*columns).order_by(hour_summaries.c.hour))
        return [tuple(row) for row in rows]


def spoil(url: str, statement: str) -> None:
    with opened(url) as engine, engine.begin() as connection:
        connection.execute(sa.text(statement))


@pytest.fixture
def analysed(database_url: str) -> str:
    """A database whose readings came late, twice and out of order, and were summarised in between."""
    with in_process(database_url) as api:
        api.register()
        shuffled = [*batches(), *batches()[3:6]]
        random.Random(4).shuffle(shuffled)
        for document in shuffled:
            api.send(document)
            api.analyse()
    return database_url


def recompute(url: str, *more: str) -> int:
    return cli.main(["recompute", "--database", url, "--owner", "plateau", *more])


def test_computed_again_they_equal_the_stored_ones_to_the_last_bit(
    analysed: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = kept(analysed)
    assert len(before) == 12
    assert recompute(analysed, "--check", "--json") == 0
    [line] = [json.loads(line) for line in capsys.readouterr().out.splitlines()]
    assert (line["hours"], line["equal"]) == (12, True)
    assert recompute(analysed) == 0
    assert kept(analysed) == before


@pytest.mark.parametrize(
    ("statement", "shown"),
    [
        ("UPDATE hour_summaries SET bins = record WHERE hour % 5 = 0", "differ"),
        ("DELETE FROM hour_summaries WHERE hour % 5 = 0", "missing"),
        ("UPDATE hour_summaries SET hour = hour + 1000 WHERE hour % 5 = 0", "no readings"),
    ],
)
def test_a_summary_that_does_not_fit_its_readings_is_found_and_mended(
    analysed: str, capsys: pytest.CaptureFixture[str], statement: str, shown: str
) -> None:
    before = kept(analysed)
    spoil(analysed, statement)
    assert recompute(analysed, "--check") == 1
    assert shown in capsys.readouterr().out
    assert kept(analysed) != before
    assert recompute(analysed) == 0
    assert [row for row in kept(analysed) if row[1] is not None] == before
    assert recompute(analysed, "--check") == 0


def test_hours_that_wait_for_the_background_are_no_fault(
    analysed: str, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil(analysed, "UPDATE hours SET revision = revision + 1")
    spoil(analysed, "DELETE FROM hour_summaries")
    assert recompute(analysed, "--check") == 0
    assert "waiting for the background: 12 hours" in capsys.readouterr().out


def test_a_process_that_remembers_summaries_sees_those_computed_again(sqlite_database_url: str) -> None:
    """Rows of hours without readings stay, empty, so that a remembered hour is taken back too."""
    with in_process(sqlite_database_url) as api:
        api.register()
        for document in batches():
            api.send(document)
        api.analyse()
        hours = len(api.get("/v1/machines/grader-07/restriction").json()["series"])
        moved = {"machine": "grader-07", "assigned_from": "2026-02-20T09:00:00Z"}
        assert api.post(f"/v1/devices/{DEVICE}/assignments", moved).status_code == 200
        api.post("/v1/machines", {"machine": "loader-02"})
        earlier = {"machine": "loader-02", "assigned_until": "2026-02-20T09:00:00Z", "with_history": True}
        assert api.post(f"/v1/devices/{DEVICE}/assignments", earlier).status_code == 200
        api.analyse()
        assert len(api.get("/v1/machines/grader-07/restriction").json()["series"]) == hours - 3


def test_an_unknown_machine_is_named(sqlite_database_url: str, capsys: pytest.CaptureFixture[str]) -> None:
    with in_process(sqlite_database_url) as api:
        api.register()
    assert recompute(sqlite_database_url, "--machine", "grader-99") == 2
    assert "grader-99" in capsys.readouterr().err


def test_beside_a_server_it_compares_and_does_not_write(sqlite_database_url: str) -> None:
    with in_process(sqlite_database_url) as api:
        api.register()
        assert recompute(sqlite_database_url) == 2  # a process serves: it holds the lock
        assert recompute(sqlite_database_url, "--check") == 0


def compared_by_two(url: str, helper: Helper) -> Compared:
    engine = database.reading_engine(url)
    try:
        with engine.connect() as connection:
            [housing] = fleet.every_housing(connection, 1)
        [found] = recompute_all(engine.connect, [housing], None, helper=helper, hours_at_once=2)
        return found
    finally:
        engine.dispose()


class Asked(Helper):
    """A helper that counts what it is asked, and may be made to see rows of another time."""

    def __init__(self, url: str, *, older: bool = False) -> None:
        super().__init__(url)
        self.pieces: list[Piece] = []
        self._older = older

    def ask(self, piece: Piece) -> Pending:
        self.pieces.append(piece)
        if self._older:
            return Done(RecomputedPiece([], [(1, 0, 0, 0, 0)]))
        pending = super().ask(piece)
        return Done(pending.get())  # as if it were always the faster one


class Done(NamedTuple):
    found: RecomputedPiece

    def ready(self) -> bool:
        return True

    def get(self) -> RecomputedPiece:
        return self.found


def test_two_processes_make_the_summaries_that_one_makes(analysed: str) -> None:
    with Asked(analysed) as helper:
        found = compared_by_two(analysed, helper)
    assert helper.pieces
    assert (found.hours, found.is_equal) == (12, True)


def test_what_a_helper_saw_at_another_time_is_made_again(analysed: str) -> None:
    with Asked(analysed, older=True) as helper:
        found = compared_by_two(analysed, helper)
    assert helper.pieces
    assert (found.hours, found.is_equal) == (12, True)
