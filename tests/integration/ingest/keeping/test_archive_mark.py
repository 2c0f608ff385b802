"""A folder is the archive of one database: a restored copy with the original's settings leaves it alone."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from cleanside.ingest.cli import main
from cleanside.ingest.commands.serve import prepare
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.keeping import backup, restore, retention
from cleanside.ingest.settings import load
from cleanside.ingest.store import archive_mark
from cleanside.ingest.store.archive_disk import Disk
from tests.support.archiving import LaterDisk, archive_all, files_of, work_of
from tests.support.coded import refused
from tests.support.serving import Api, batch, in_process

from .test_backup import NOW_US, PG_TOOLS, empty_place, fill


@pytest.fixture
def api(database_url: str, tmp_path: Path) -> Iterator[Api]:
    """A server with an archive in a folder that its settings name."""
    settings = load(flags={"database": database_url, "archive_folder": str(tmp_path / "older")}, environ={})
    with in_process(database_url, settings=settings) as running:
        fill(running)
        backup.backup(
            database_url,
            tmp_path / "older",
            to=tmp_path / "backup",
            now_us=NOW_US,
            disk=Disk(),
            tools=PG_TOOLS,
        )
        yield running


def archive_another(api: Api) -> list[str]:
    """A file that no backup has, registered by the original alone. Returns all files of the archive."""
    old = batch(101, [3.0] * 20)
    for reading in old["readings"]:
        reading["at"] = reading["at"].replace("2026-03-02", "2025-12-02")
    api.send(old)
    archive_all(api)
    return files_of(api)


def put_back(api: Api, folder: Path, tmp_path: Path, request: pytest.FixtureRequest) -> str:
    """The backup, restored to another place. Returns its URL."""
    url = empty_place(api, tmp_path, request)
    restore.restore(url, folder, source=tmp_path / "backup", now_us=NOW_US, disk=Disk(), tools=PG_TOOLS)
    return url


def test_a_copy_with_the_archive_folder_of_the_original_removes_none_of_its_files(
    api: Api, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    """An hour later each file that the copy's register has not would be swept: the original's newest too."""
    before = archive_another(api)
    url = put_back(api, tmp_path / "copied", tmp_path, request)
    settings = load(flags={"database": url, "archive_folder": str(tmp_path / "older")}, environ={})
    with refused(CalledWrongly, "archive_of_another_database"):
        prepare(settings, migrate_old=False)
    with (
        in_process(url, settings=settings, tokens=api.tokens) as copy,
        refused(CalledWrongly, "archive_of_another_database"),
    ):
        retention.run_pass(work_of(copy, LaterDisk()), NOW_US)
    assert files_of(api) == before
    assert api.account()["balances"]


def test_a_restore_elsewhere_takes_no_archive_that_has_an_owner(
    api: Api, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    with refused(CalledWrongly, "archive_of_another_database") as why:
        put_back(api, tmp_path / "older", tmp_path, request)
    assert "--archive-folder" in str(why.value)
    assert not (tmp_path / "restored.db").exists()


def test_a_restore_to_its_own_place_goes_on_with_the_archive(
    sqlite_database_url: str, tmp_path: Path
) -> None:
    """The database was lost, its archive was not."""
    older = tmp_path / "older"
    flags = {"database": sqlite_database_url, "archive_folder": str(older)}
    with in_process(sqlite_database_url, settings=load(flags=flags, environ={})) as before:
        fill(before)
        first = archive_mark.read(older)
        backup.backup(sqlite_database_url, older, to=tmp_path / "backup", now_us=NOW_US, disk=Disk())
    path = Path(sqlite_database_url.removeprefix("sqlite:///"))
    for lost in path.parent.glob(f"{path.name}*"):
        lost.unlink() if lost.is_file() else shutil.rmtree(lost)
    restore.restore(sqlite_database_url, older, source=tmp_path / "backup", now_us=NOW_US, disk=Disk())
    assert archive_mark.read(older) is None
    prepare(load(flags=flags, environ={}), migrate_old=False)
    with in_process(sqlite_database_url, settings=load(flags=flags, environ={})) as after:
        archive_all(after)
        found = archive_mark.read(older)
    assert found is not None
    assert first is not None
    assert found.place == first.place == str(path.resolve())
    assert found.database != first.database


def test_a_mark_that_is_none_of_ours_is_named_and_one_that_was_cut_off_is_written_again(
    api: Api, tmp_path: Path
) -> None:
    mark = tmp_path / "older" / archive_mark.MARK_FILE
    whole = mark.read_text()
    assert json.loads(whole)["place"]
    assert "password" not in whole
    mark.write_text(whole[:10])
    archive_all(api)
    assert mark.read_text() == whole
    mark.write_text("notes of a person\n")
    with refused(CalledWrongly, "archive_mark_unreadable"):
        archive_all(api)
    assert mark.read_text() == "notes of a person\n"


def test_the_command_says_whose_archive_it_is(
    sqlite_database_url: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    older = tmp_path / "older"
    archive_mark.claim(older, archive_mark.ArchiveMark("another", "/srv/shop/ingest.db"))
    with in_process(sqlite_database_url) as api:
        api.register()
    asked = ["archive", "--database", sqlite_database_url, "--archive-folder", str(older)]
    assert main([*asked, "--retention-days", "30"]) == 2
    said = capsys.readouterr().err
    assert "belongs to the database /srv/shop/ingest.db" in said
    assert str(older / archive_mark.MARK_FILE) in said
