"""Old readings move to the archive, whole, and everything goes on as if they had not."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow.parquet as pq
import pytest
import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES
from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.errors import ArchiveUnreadable
from cleanside.ingest.keeping import retention
from cleanside.ingest.keeping.retention import Planned
from cleanside.ingest.settings import load
from cleanside.ingest.store import archive, block_moves, database, partitions
from cleanside.ingest.store import archive_file as files
from cleanside.ingest.store.archive_disk import Disk
from cleanside.ingest.store.whole_readings import WholeReadings
from cleanside.ingest.writer.lease import Lease
from tests.support.archiving import LaterDisk, archive_all, counts, files_of, whole_readings, work_of
from tests.support.databases import choose_form, migrated_sqlite
from tests.support.ended_leases import end_leases
from tests.support.gatewaying import wait_until
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process

UNITS = {"restriction": "inH2O", "engine_speed": "r/min", "altitude": "ft", "air_temperature": "degF"}
JANUARY_US = parse_instant("2026-01-10T06:00:00Z").us


@contextmanager
def in_march(url: str, folder: Path) -> Iterator[Api]:
    """A server in March with an archive."""
    settings = load(flags={"database": url, "archive_folder": str(folder / "older")}, environ={})
    with in_process(url, settings=settings) as running:
        running.register(history_from=LEAP_YEAR)
        yield running


@pytest.fixture
def api(sqlite_database_url: str, tmp_path: Path) -> Iterator[Api]:
    """Most of it does not depend on the database."""
    with in_march(sqlite_database_url, tmp_path) as running:
        yield running


@pytest.fixture
def either(database_url: str, tmp_path: Path) -> Iterator[Api]:
    """On SQLite and on PostgreSQL."""
    with in_march(database_url, tmp_path) as running:
        yield running


def january(first: int, count: int, *, step_s: float = 10.0, stream: str = STREAM, **more: Any) -> Any:
    """Readings of five quantities in January, with noise of all digits in one of them."""
    noise = np.random.default_rng(first)
    numbers = range(first, first + count)
    return {
        "device": DEVICE,
        "stream": stream,
        "units": UNITS,
        "first_seq": first,
        "start": instant_text(JANUARY_US + round(first * step_s * 1e6)),
        "step_ms": [0] + [round(step_s * 1000)] * (count - 1),
        "at_uncertainty_s": [None if n % 3 else n / 7 for n in numbers],
        "columns": {
            "restriction": [None if n % 5 == 0 else round(10 + n % 7 / 3, 3) for n in numbers],
            "engine_speed": noise.uniform(800, 1800, count).tolist(),
            "altitude": [4_000 + n / 3 for n in numbers],
            "air_temperature": [71.5] * count,
        },
    } | more


LEAP_YEAR = "2016-01-01T00:00:00Z"  # the newest leap second is older than the history believed by itself
ODD_TIMES = [
    {"seq": 901, "at": "2026-01-11T06:00:00.123456789Z", "restriction": 3.0},
    {"seq": 902, "at": "2026-01-11T06:00:00.123457Z", "restriction": 3.0},
    {"seq": 903, "at": "2016-12-31T23:59:60Z", "restriction": 3.0},  # last: nothing says that it stands out
]


def fill_registered(api: Api) -> None:
    """The same at a server that knows nothing yet."""
    api.register(history_from=LEAP_YEAR)
    fill(api)


def fill(api: Api) -> None:
    """January in two streams, odd times, one reading without a number, and March."""
    api.send(january(1, 400))
    api.send(january(1, 300, stream=f"{STREAM[:-1]}2", step_s=30.0))
    api.send({"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}, "readings": ODD_TIMES})
    api.send(
        {
            "device": DEVICE,
            "units": {"restriction": "kPa"},
            "readings": [{"at": "2026-01-05T00:00:00+02:00", "restriction": 2.0}],
        }
    )
    api.send(batch(1, [3.0] * 50, stream=f"{STREAM[:-1]}3"))


def test_what_comes_back_from_the_archive_is_what_was_stored_bit_for_bit(either: Api) -> None:
    fill(either)
    before = whole_readings(either)
    assert counts(either) == (754, 0)
    moved = archive_all(either)
    assert moved.readings == 704
    assert counts(either) == (50, 704)
    assert whole_readings(either) == before
    assert any(row["instant"] for row in before)
    assert {row["units"] for row in before if row["altitude_m"]} == {json.dumps(UNITS, sort_keys=True)}


@pytest.mark.parametrize("in_blocks", [0, 150, 754])
def test_readings_in_rows_and_in_blocks_become_the_same_files(tmp_path: Path, in_blocks: int) -> None:
    """Byte for byte: a file does not say in which form its readings were stored."""
    assert digests_of_files(tmp_path / "rows", 0) == digests_of_files(tmp_path / "other", in_blocks)


def digests_of_files(folder: Path, in_blocks: int) -> list[str]:
    """SHA-256 of the archive of what `fill` sends, with so many readings of each stream in blocks."""
    folder.mkdir()
    url = migrated_sqlite(folder)
    choose_form(url, "rows")
    with in_march(url, folder) as api:
        fill(api)
        for stream_id in (1, 2, 3, 4) if in_blocks else ():
            api.resources.writer.call(partial(pack_lowest, stream_id=stream_id, limit=in_blocks))
        assert archive_all(api).readings == 704
        with api.resources.reading() as connection:
            return sorted(entry.sha256 for entry in archive.all_of(connection))


def pack_lowest(connection: sa.Connection, stream_id: int, limit: int) -> None:
    prepared = block_moves.prepare_pack(connection, stream_id, limit=limit)
    assert prepared is not None
    assert block_moves.pack(connection, stream_id, prepared) > 0


def test_all_numbers_still_count_in_the_account_from_the_rows_themselves(api: Api) -> None:
    fill(api)
    before = api.account()
    archive_all(api)
    assert api.account() == before
    assert before["balances"] is True
    assert sum(line["stored"] for line in before["streams"]) == 754


def test_a_late_duplicate_of_an_archived_reading_is_a_duplicate_and_another_content_a_conflict(
    api: Api,
) -> None:
    fill(api)
    archive_all(api)
    again = api.send(january(1, 400))
    assert (again["stored"], again["duplicates"], again["quarantined"]) == (0, 400, [])
    unnumbered = {
        "device": DEVICE,
        "units": {"restriction": "kPa"},
        "readings": [{"at": "2026-01-04T22:00:00Z", "restriction": 2.0}],
    }
    sent_as_before = unnumbered | {"readings": [{"at": "2026-01-05T00:00:00+02:00", "restriction": 2.0}]}
    assert api.send(sent_as_before)["duplicates"] == 1
    other = january(1, 400)
    other["columns"]["air_temperature"] = [70.0] * 400
    conflict = api.send(other)
    assert conflict["stored"] == 0
    assert {note["code"] for note in conflict["quarantined"]} == {"number_conflict"}
    assert api.account()["balances"] is True


def test_late_readings_of_an_archived_month_are_stored_and_join_it_later(api: Api) -> None:
    api.send(january(1, 100))
    api.send(january(201, 100))
    archive_all(api)
    late = api.send(january(101, 100))
    assert (late["stored"], late["acknowledged_through"]) == (100, 300)
    assert counts(api) == (100, 200)
    before = whole_readings(api)
    moved = archive_all(api)
    assert (moved.readings, moved.joined) == (100, 2)
    assert counts(api) == (0, 300)
    assert whole_readings(api) == before
    assert api.account()["balances"] is True


def test_a_month_of_a_device_becomes_one_file_and_the_pieces_are_swept_away_later(
    either: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(retention, "STEP_ROWS", 150)
    fill(either)
    moved = archive_all(either)
    assert moved.files > moved.joined > 2
    with either.resources.reading() as connection:
        registered = [entry.file for entry in archive.all_of(connection)]
    assert (
        len(registered) == len({file.split("/")[0] for file in registered}) == 2
    )  # January, and the leap second
    assert set(registered) < set(files_of(either))  # a reader that began before still finds the pieces
    for path in either.resources.archive_folder.rglob("*.parquet"):
        os.utime(path, (0, 0))
    assert archive_all(either).swept > 2
    assert files_of(either) == sorted(registered)
    assert either.account()["balances"] is True


def test_a_file_says_what_it_is_to_any_reader_of_parquet(api: Api) -> None:
    fill(api)
    archive_all(api)
    path = next(p for p in api.resources.archive_folder.rglob("2026-01/*.parquet"))
    table = pq.read_table(path)
    about = {key.decode(): value.decode() for key, value in table.schema.metadata.items()}
    assert (about["owner"], about["device"], about["month"]) == ("plateau", DEVICE, "2026-01")
    assert STREAM in json.loads(about["streams"]).values()
    assert str(table.schema.field("at").type) == "timestamp[ms, tz=UTC]"
    assert {quantity.column for quantity in QUANTITIES.values()} <= set(table.column_names)
    assert pq.ParquetFile(path).metadata.row_group(0).column(0).compression == "ZSTD"


def test_what_is_archived_is_set_aside_amended_stored_and_undone(either: Api) -> None:
    """Weeks in the wrong unit, found when they are in the archive already."""
    sent = january(1, 100)  # without the digits beyond 15, which no unit conversion carries both ways
    sent["columns"] |= {"engine_speed": [1500.125] * 100, "altitude": [4_000.5] * 100}
    either.send(sent)
    before = whole_readings(either)
    archive_all(either)
    body = {"stream": STREAM, "first": 11, "last": 14, "reason": "the gauge showed another unit"}
    aside = either.post("/v1/quarantine/set-aside", body, key="operator").json()
    assert aside["entries"] == 4
    [line] = either.account()["streams"]
    assert (line["stored"], line["quarantined"], line["balances"]) == (96, 4, True)
    assert either.send(sent)["duplicates"] == 96
    change = {"where": {"code": "set_aside"}, "change": {"units": {"restriction": "mbar"}}}
    amended = either.post("/v1/quarantine/amendments", change, key="operator").json()
    assert amended["stored"] == 4, amended
    after = {row["seq"]: row for row in whole_readings(either)}
    assert after[11]["restriction_pa"] == pytest.approx(100 * (10 + 11 % 7 / 3), abs=0.1)
    assert after[11]["content_hash"] == before[10]["content_hash"]
    archive_all(either)
    assert counts(either) == (0, 100)
    assert either.account()["balances"] is True
    for amendment in (amended["amendment_id"], aside["amendment_id"]):
        undone = either.post(f"/v1/quarantine/amendments/{amendment}/undo", {}, key="operator")
        assert undone.status_code == 200, undone.text
    assert whole_readings(either) == before
    assert either.account()["balances"] is True


def test_the_analysis_reads_archived_readings_when_a_late_one_changes_their_hour(api: Api) -> None:
    api.send(january(1, 300))
    api.send(january(302, 60))
    archive_all(api)
    api.send(january(301, 1))
    api.analyse()
    points = api.get("/v1/machines/grader-07/restriction").json()["series"]
    # 361 readings 10 s apart reach from one hour into the next; none of what was archived is missing.
    assert sum(point["operating_s"] for point in points) == pytest.approx(3_610, abs=20)


def test_nothing_moves_before_its_month_is_old_enough() -> None:
    at = "2026-03-31T12:00:00Z"
    cuts = {
        days: instant_text(retention.cut_us(parse_instant(at).us, days)) for days in (1, 30, 31, 59, 89, 400)
    }
    assert cuts == {
        1: "2026-03-01T00:00:00Z",
        30: "2026-03-01T00:00:00Z",
        31: "2026-02-01T00:00:00Z",
        59: "2026-01-01T00:00:00Z",
        89: "2026-01-01T00:00:00Z",
        400: "2025-02-01T00:00:00Z",
    }
    assert retention.span_of("2025-12") == (
        parse_instant("2025-12-01T00:00:00Z").us,
        parse_instant("2026-01-01T00:00:00Z").us,
    )


def test_a_dry_run_says_what_would_move_and_moves_nothing(api: Api) -> None:
    fill(api)
    with api.resources.reading() as connection:
        planned = retention.plan(connection, retention.cut_us(api.clock(), 1))
    assert planned == [Planned(DEVICE, "2017-01", 1), Planned(DEVICE, "2026-01", 703)]
    assert counts(api) == (754, 0)
    assert archive_all(api).readings == 704


class FullDisk(Disk):
    """Takes nothing more."""

    def sync_file(self, path: Any) -> None:
        raise OSError(28, "No space left on device", str(path))


def test_a_full_disk_moves_nothing_and_leaves_nothing(api: Api) -> None:
    fill(api)
    before = whole_readings(api)
    with pytest.raises(OSError, match="No space"):
        archive_all(api, FullDisk())
    assert counts(api) == (754, 0)
    assert files_of(api) == []
    assert whole_readings(api) == before


class LyingDisk(Disk):
    """Loses the end of a file without a word."""

    def sync_file(self, path: Any) -> None:
        with path.open("r+b") as file:
            file.seek(200)
            file.write(b"\x00" * 40)


def test_a_file_that_does_not_read_back_replaces_nothing(api: Api) -> None:
    fill(api)
    with pytest.raises(ArchiveUnreadable):
        archive_all(api, LyingDisk())
    assert counts(api) == (754, 0)
    assert files_of(api) == []


def test_readings_that_come_while_a_file_is_written_are_not_deleted_with_it(either: Api) -> None:
    either.send(january(1, 100))
    either.send(january(151, 100))

    class Meanwhile(Disk):
        def rename(self, old: Any, new: Any) -> None:
            either.send(january(101, 50))
            super().rename(old, new)

    assert archive_all(either, Meanwhile()).readings == 0
    assert counts(either) == (250, 0)
    assert archive_all(either).readings == 250
    assert either.account()["balances"] is True


def test_a_missing_file_is_said_and_nothing_is_guessed(api: Api) -> None:
    api.send(january(1, 100))
    archive_all(api)
    for path in api.resources.archive_folder.rglob("*.parquet"):
        path.unlink()
    response = api.post("/v1/readings", january(1, 100), key="device")
    assert (response.status_code, response.json()["code"]) == (503, "store_unavailable")
    assert "put it back from a backup" in response.json()["detail"]
    assert int(response.headers["retry-after"]) > 0
    assert api.get("/v1/account").status_code == 503
    assert api.send(january(101, 10))["stored"] == 10  # what needs no look at it goes on


def test_a_serving_process_moves_old_months_by_itself(sqlite_database_url: str, tmp_path: Path) -> None:
    given = {"archive_interval_s": 1, "retention_days": 28, "archive_folder": str(tmp_path / "older")}
    settings = load(flags={"database": sqlite_database_url} | given, environ={})
    with in_process(sqlite_database_url, settings=settings) as api:
        fill_registered(api)
        keeper = retention.Keeper(api.resources)
        keeper.start()
        wait_until(lambda: counts(api) == (50, 704), "January is in the archive, March is not")
        api.resources.stopping.set()
        keeper.join()
        assert api.account()["balances"] is True


def test_a_server_that_keeps_everything_has_no_archive(sqlite_database_url: str) -> None:
    settings = load(flags={"database": sqlite_database_url, "retention_days": 0}, environ={})
    with in_process(sqlite_database_url, settings=settings) as api:
        keeper = retention.Keeper(api.resources)
        keeper.start()
        keeper.join()
        assert files_of(api) == []


#: a pass of a server, in a process of its own: what is loaded stays for a whole process
LOOKED_THROUGH = """
import sys
from cleanside.ingest.api.routes.services import new_services
from cleanside.ingest.keeping import retention
from cleanside.ingest.settings import load
from cleanside.ingest.writer import system_clock

flags = {"database": sys.argv[1], "archive_folder": sys.argv[2], "retention_days": 400}
with new_services(load(flags=flags, environ={}), system_clock.now_us).open() as resources:
    moved = retention.keep(resources)
print(moved == retention.MoveReport(), "pyarrow" in sys.modules)
"""


def test_a_pass_with_nothing_to_move_loads_no_library_of_files(
    sqlite_database_url: str, tmp_path: Path
) -> None:
    command = [sys.executable, "-c", LOOKED_THROUGH, sqlite_database_url, str(tmp_path / "archive")]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    assert said.split() == ["True", "False"]


def test_one_process_of_a_database_archives_at_a_time(either: Api) -> None:
    either.send(january(1, 10))
    either.clock.advance(2 * 365 * 86_400)
    other = Lease(either.resources, retention.ARCHIVE_LEASE, retention.ARCHIVE_LEASE_US, holder="other")
    assert other.take()
    assert retention.keep(either.resources).readings == 0
    end_leases(either)  # it was killed, or hangs
    assert retention.keep(either.resources).readings == 10
    assert other.take()  # given back at once


def test_a_piece_that_was_made_long_ago_stays_for_readers_that_began_before(either: Api) -> None:
    either.send(january(1, 10))
    archive_all(either)
    [made] = files_of(either)
    os.utime(either.resources.archive_folder / made, (0, 0))
    either.send(january(1, 10, stream=f"{STREAM[:-1]}2"))
    assert archive_all(either).joined == 2
    assert made in files_of(either)


def test_a_file_that_became_old_before_it_was_registered_is_made_again(either: Api) -> None:
    """Its process hung for an hour: another one may have counted it as left over, and removed it."""
    either.send(january(1, 10))
    before, times_s = whole_readings(either), iter([0.0])
    work = work_of(either, clock_s=lambda: next(times_s, retention.GRACE_S))
    assert retention.run_pass(work, retention.cut_us(either.clock(), 1)).readings == 0
    assert archive_all(either).readings == 10
    assert whole_readings(either) == before


def test_what_another_process_archives_while_one_sweeps_is_not_left_over(either: Api) -> None:
    """Its process hung for an hour between its look at the register and at the folder."""
    either.send(january(1, 10))
    before, others = whole_readings(either), iter([partial(archive_all, either)])

    @contextmanager
    def reading() -> Iterator[Any]:
        with either.resources.reading() as connection:
            yield connection
        next(others, lambda: None)()

    either.resources.archive_folder.mkdir(exist_ok=True)
    retention.sweep(replace(work_of(either, LaterDisk()), reading=reading))
    assert counts(either) == (0, 10)
    assert whole_readings(either) == before


def test_a_stop_comes_between_two_steps(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(retention, "STEP_ROWS", 50)
    fill(api)
    steps: list[int] = []
    work = work_of(api, stopping=lambda: len(steps) >= 2, pause=lambda: steps.append(1))
    moved = retention.run_pass(work, retention.cut_us(api.clock(), 1))
    assert moved.files == 2
    assert api.account()["balances"] is True


@pytest.mark.postgres
def test_on_postgres_the_table_of_an_emptied_month_is_dropped_a_while_later(either: Api) -> None:
    """Not at once: a reader whose view is older than the move still needs its rows."""
    month = partitions.Month(2026, 1)

    def listed() -> list[partitions.Month]:
        with either.resources.reading() as connection:
            return partitions.listed(connection)

    if either.resources.is_sqlite:
        assert listed() == []
        return
    at_us = parse_instant("2026-01-20T00:00:00Z").us
    either.resources.writer.call(lambda c: partitions.make_ahead(c, at_us))
    either.send(january(1, 100))
    assert month in listed()
    archive_all(either)
    archive_all(either)
    assert month in listed()
    either.clock.advance(retention.GRACE_S + 1)
    archive_all(either)
    assert month not in listed()
    assert either.send(january(1, 100))["duplicates"] == 100
    assert either.account()["balances"] is True
    assert either.send(january(101, 10))["stored"] == 10  # late ones still find a place


def test_postgres_without_a_folder_keeps_its_readings() -> None:
    assert database.archive_folder("postgresql://host/name") is None
    assert str(database.archive_folder("postgresql://host/name", "/var/older")) == "/var/older"
    assert str(database.archive_folder("sqlite:////data/ingest.db")) == "/data/ingest.db.archive"


def test_values_of_every_kind_survive_a_file(tmp_path: Any) -> None:
    """Bit for bit: many digits, few values, whole numbers, extremes, absent ones, all in one column each."""
    noise = np.random.default_rng(20260302)
    count = 5_000
    kinds = [
        noise.normal(3000, 400, count),
        noise.integers(0, 50, count) * 49.9999,
        np.full(count, 0.1),
        np.where(noise.random(count) < 0.5, np.nan, noise.normal(0, 1, count)),
        np.full(count, np.nan),
        noise.choice([5e-324, 1.7976931348623157e308, -1.5, 0.0, 2.2250738585072014e-308], count),
        noise.integers(-(2**53), 2**53, count).astype(float),
    ]
    columns = {name: kinds[i % len(kinds)] for i, name in enumerate(files.QUANTITY_COLUMNS)}
    instants = 1_767_225_600_000_000 + noise.integers(0, 10**12, count)
    whole = WholeReadings(
        stream_id=7,
        seq=2**53 - count + np.arange(count),
        at_us=np.where(np.arange(count) == 0, -1, instants),
        received_us=np.full(count, 1_772_442_000_123_457),
        at_uncertainty_s=np.where(np.arange(count) % 2, np.nan, 0.25),
        content_hash=noise.integers(-(2**63), 2**63 - 1, count),
        values=columns,
        units=['{"restriction": "Pa"}'] * count,
        instants={2**53 - count: "2016-12-31T23:59:60Z"},
    )
    table = files.table_of(whole)
    written = files.write(Disk(), tmp_path, "2026-01/000007", lambda: [table], {"device": DEVICE})
    assert files.digest_of(tmp_path / written.file) == written.sha256
    back = files.load(tmp_path / written.file, files.SCHEMA.names)
    for name, column in columns.items():
        assert back[name].to_numpy().tobytes() == np.where(np.isnan(column), np.nan, column).tobytes()
        assert back[name].null_count == int(np.isnan(column).sum())
    assert files.at_us(back).tolist() == whole.at_us.tolist()
    assert back["stream_id"].to_pylist() == [7] * count
    assert back["at_uncertainty_s"].to_pylist() == [None if i % 2 else 0.25 for i in range(count)]
    assert back["instant"].to_pylist() == ["2016-12-31T23:59:60Z"] + [None] * (count - 1)
    assert back["units"].to_pylist() == whole.units
    for name in ("seq", "content_hash"):
        assert back[name].to_numpy().tolist() == getattr(whole, name).tolist()


def test_a_time_of_long_ago_that_a_person_confirmed_is_read_from_the_archive(either: Api) -> None:
    """Its month had a year of three digits, no file may be so named, and no other month was moved either."""
    old = {"seq": 1, "at": "0999-05-01T06:00:00Z", "restriction": 3.0}
    either.send({"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}, "readings": [old]})
    (entry,) = either.get("/v1/quarantine", key="operator").json()["entries"]
    said = {"entries": [entry["entry"]], "change": {"time_is_right": True}}
    assert either.post("/v1/quarantine/amendments", said, key="operator").json()["stored"] == 1
    before = whole_readings(either)
    archive_all(either)
    assert [file.partition("/")[0] for file in files_of(either)] == ["0999-05"]
    assert whole_readings(either) == before
    assert either.account()["balances"]
