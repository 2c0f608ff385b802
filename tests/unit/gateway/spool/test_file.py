"""The spool's file: which SQLite, which policy, which version."""

from __future__ import annotations

from pathlib import Path

import apsw
import pytest

from cleanside.gateway.errors import CalledWrongly, SpoolDamaged, SpoolTooNew, SpoolUnavailable
from cleanside.gateway.spool.file import SCHEMA_VERSION, check_library, open_beside, open_file, open_to_read
from cleanside.gateway.wire import ShedRange
from tests.support.coded import refused
from tests.unit.gateway.helpers import open_spool, readings


@pytest.mark.parametrize("version", ["3.7.0", "3.40.1", "3.51.2"])
def test_a_sqlite_that_can_lose_commits_is_refused(version: str) -> None:
    # sqlite.org/wal.html, "The WAL-reset bug": 3.7.0 to 3.51.2.
    with refused(SpoolTooNew, "sqlite_loses_commits", version=version):
        check_library(version)


def test_the_sqlite_that_is_installed_can_be_trusted() -> None:
    check_library("3.51.3")
    check_library(apsw.sqlite_lib_version())


def test_every_way_to_a_spool_looks_at_the_sqlite_first(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    open_spool(tmp_path / "a").close()
    monkeypatch.setattr(apsw, "sqlite_lib_version", lambda: "3.51.2")
    for way in (open_file, open_to_read, open_beside):
        with refused(SpoolTooNew, "sqlite_loses_commits", version="3.51.2", least="3.51.3"):
            way(tmp_path / "a")


def test_a_place_without_a_write_ahead_log_is_refused_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)  # a file of that name is made before SQLite reads it as a database in memory
    # A database in memory has none, whatever is asked for (sqlite.org/pragma.html#pragma_journal_mode).
    with refused(SpoolUnavailable, "no_write_ahead_log", mode="memory"):
        open_file(Path(":memory:"))


def test_the_policy_is_a_synced_write_ahead_log(tmp_path: Path) -> None:
    connection = open_file(tmp_path / "a")
    assert connection.execute("PRAGMA journal_mode").get == "wal"
    assert connection.execute("PRAGMA synchronous").get == 2  # FULL (sqlite.org/pragma.html)
    assert connection.execute("PRAGMA user_version").get == SCHEMA_VERSION
    connection.close()


def test_a_file_of_a_later_version_is_left_alone(tmp_path: Path) -> None:
    connection = open_file(tmp_path / "a")
    connection.execute(f"PRAGMA user_version={SCHEMA_VERSION + 1}")
    connection.close()
    with refused(SpoolTooNew, "version_newer", version=SCHEMA_VERSION + 1):
        open_file(tmp_path / "a")


def test_another_database_is_not_taken_for_a_spool(tmp_path: Path) -> None:
    connection = apsw.Connection(str(tmp_path / "a"))
    connection.execute("CREATE TABLE other (x)")
    connection.close()
    with refused(CalledWrongly, "spool_a_database"):
        open_file(tmp_path / "a")


def test_a_file_whose_making_was_cut_off_is_told_to_be_finished_by_a_start(tmp_path: Path) -> None:
    connection = apsw.Connection(str(tmp_path / "a"))
    assert connection.execute("PRAGMA journal_mode=WAL").get == "wal"  # here the power went
    connection.close()
    for look in (open_to_read, open_beside):
        with refused(CalledWrongly, "spool_empty"):
            look(tmp_path / "a")
    open_file(tmp_path / "a").close()
    open_to_read(tmp_path / "a").close()


def test_a_file_that_is_no_database_is_called_damaged(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"not a database at all" * 1000)
    with refused(SpoolDamaged, "not_readable"):
        open_file(tmp_path / "a")
    assert (tmp_path / "a").read_bytes().startswith(b"not a database")


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises((SpoolUnavailable, CalledWrongly)) as wrong:
        open_spool(tmp_path / "file" / "a")
    assert str(wrong.value.values["path"]).startswith(str(tmp_path / "file"))


def test_a_reader_beside_a_running_gateway_sees_what_was_appended_and_cannot_write(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 3))
        connection = open_to_read(tmp_path / "a")
        assert connection.execute("SELECT count(*) FROM readings").get == 3
        with pytest.raises(apsw.ReadOnlyError):
            connection.execute("DELETE FROM readings")
        connection.close()


def test_shed_ranges_of_one_reason_that_touch_become_one(tmp_path: Path) -> None:
    with open_spool(tmp_path / "a") as spool:
        spool.append(readings(1, 20))
        stream = spool.open_stream
        for first, last, reason in [(3, 4, "disk_budget"), (7, 8, "disk_budget"), (5, 6, "disk_budget")]:
            spool.shed(stream, first, last, reason=reason)
        spool.shed(stream, 2, 10, reason="damaged")
        batch = spool.peek()
        assert batch is not None
        assert batch.shed == (
            ShedRange(2, 2, "damaged"),
            ShedRange(3, 8, "disk_budget"),
            ShedRange(9, 10, "damaged"),
        )
