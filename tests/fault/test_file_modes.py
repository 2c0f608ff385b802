"""
Whatever the umask is, files with secrets or readings are their user's alone, and so are their folders.

Real processes under umask 0, which takes nothing away from the mode that a program asks for.
"""

from __future__ import annotations

import errno
import json
import os
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest

from cleanside.gateway import file_modes
from cleanside.gateway.commands.export import export
from cleanside.gateway.errors import SpoolDamaged
from cleanside.gateway.spool import file as spool_file
from cleanside.gateway.wire import instant_text
from cleanside.ingest.evaluation.recorded import write_report
from cleanside.ingest.store import archive_mark, database
from cleanside.ingest.store.archive_mark import ArchiveMark
from tests.integration.ingest.keeping.test_backup import PG_TOOLS
from tests.support.databases import Postgres
from tests.support.gatewaying import GatewayProcess, wait_until
from tests.support.serving import DEVICE, STREAM, ServerProcess, batch, make_keys
from tests.unit.gateway.helpers import open_spool, readings, settable_clock


@pytest.fixture
def open_umask() -> Iterator[None]:
    before = os.umask(0)
    yield
    os.umask(before)


def wide(folder: Path) -> dict[str, str]:
    """What others may do something with, below a folder: name -> mode."""
    return {
        str(path.relative_to(folder)): f"{stat.S_IMODE(path.stat().st_mode):04o}"
        for path in sorted(folder.rglob("*"))
        if path.stat().st_mode & 0o077
    }


def names(folder: Path) -> set[str]:
    return {str(path.relative_to(folder)) for path in folder.rglob("*")}


def command(*words: str, module: str = "ingest") -> str:
    done = subprocess.run([sys.executable, "-m", module, *words], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


def january() -> dict[str, object]:
    """Readings that are old enough for the archive."""
    document = batch(1, [3.0] * 20, stream=f"{STREAM[:-1]}2")
    for reading in document["readings"]:
        reading["at"] = reading["at"].replace("2026-03-02", "2026-01-02")
    return document


@pytest.mark.usefixtures("open_umask")
def test_no_file_of_the_server_is_for_others(tmp_path: Path) -> None:
    """Database with log and lock while it serves, keys, archive, backup, what is restored."""
    place = tmp_path / "made" / "by" / "the" / "server"
    url = f"sqlite:///{place / 'shop.db'}"
    with_archive = ["--database", url, "--archive-folder", str(place / "older" / "files")]
    out = ["--out", str(tmp_path / "admin.key"), *with_archive]
    command("keys", "create", "--role", "admin", *out)
    server = ServerProcess(url, make_keys(url, [DEVICE]), *with_archive[2:])
    with closing(server):
        server.start()
        with server.client("admin") as client:
            client.post("/v1/machines", json={"machine": "grader-07"}).raise_for_status()
            client.post("/v1/devices", json={"device": DEVICE, "machine": "grader-07"}).raise_for_status()
            key = client.post("/v1/keys", json={"role": "planner"}).raise_for_status().json()
            client.delete(f"/v1/keys/{key['handle']}").raise_for_status()
        with server.client() as client:
            client.post("/v1/readings", json=january()).raise_for_status()
        assert {"shop.db", "shop.db-wal", "shop.db-shm", "shop.db.lock"} < names(place)
        assert wide(tmp_path) == {}
        assert server.stop() == 0
    command("archive", "--retention-days", "1", *with_archive)
    server = ServerProcess(url, server.tokens, *with_archive[2:])
    with closing(server):
        server.start()
        command("backup", *with_archive, "--to", str(tmp_path / "backups" / "backup"))
    new = tmp_path / "new"
    restored = ["--database", f"sqlite:///{new / 'shop.db'}", "--archive-folder", str(new / "older")]
    command("restore", *restored, "--from", str(tmp_path / "backups" / "backup"))
    assert [n for n in names(new / "older") if n.endswith(".parquet")]
    assert "revoked-keys" in names(new / "older")
    assert wide(tmp_path) == {}


@pytest.mark.postgres
@pytest.mark.usefixtures("open_umask")
def test_no_file_of_a_backup_of_postgresql_is_for_others(postgres: Postgres, tmp_path: Path) -> None:
    tools = ["--pg-tools", str(PG_TOOLS)]
    command("backup", "--database", postgres.migrated(), "--to", str(tmp_path / "a" / "backup"), *tools)
    assert names(tmp_path / "a" / "backup") == {"manifest.json", "database.dump"}
    assert wide(tmp_path) == {}


@pytest.mark.usefixtures("open_umask")
def test_no_file_of_the_gateway_is_for_others(
    tmp_path: Path, sqlite_database_url: str, start_server: Callable[..., ServerProcess]
) -> None:
    """Spool with log and lock while it runs, a bundle of it, and what is set aside when it vanishes."""
    server = start_server(sqlite_database_url)
    machine = tmp_path / "machine"
    machine.mkdir(mode=0o700)
    with ExitStack() as stack:
        # No server listens there: what is collected stays.
        gateway = GatewayProcess(
            machine, device=DEVICE, key=server.tokens["device"], server="http://127.0.0.1:9"
        )
        gateway.spool_path = machine / "var" / "spool" / "intake.spool"
        gateway._write_settings("http://127.0.0.1:9", None)
        stack.callback(gateway.close)
        (machine / f"{DEVICE}.toml").chmod(0o600)  # the test's own
        gateway.start()
        for n in range(20):
            at = instant_text(1_772_000_000_000_000 + n * 10_000_000)
            gateway.write({"at": at, "at_uncertainty_s": 0, "restriction": 3.0})
        wait_until(lambda: gateway.appended() == 20, "all are on disk")
        there = names(machine / "var" / "spool")
        assert {"intake.spool", "intake.spool-wal", "intake.spool-shm", "intake.spool.lock"} <= there
        settings = str(machine / f"{DEVICE}.toml")
        command("export", "--settings", settings, "--out", str(machine / "carried"), module="gateway")
        assert wide(machine) == {}


@pytest.mark.usefixtures("open_umask")
def test_a_copy_of_a_spool_that_vanished_is_not_for_others(tmp_path: Path) -> None:
    with open_spool(tmp_path / "intake.spool", settable_clock()) as spool:
        spool.append(readings(1, 5))
        for path in list(tmp_path.glob("intake.spool*")):
            if not path.name.endswith(".lock"):
                path.unlink()
        with pytest.raises(SpoolDamaged):
            spool.append(readings(6, 10))
    assert "intake.spool.damaged-1" in names(tmp_path)
    assert wide(tmp_path) == {}


@pytest.mark.usefixtures("open_umask")
def test_a_report_of_a_command_is_not_for_others(tmp_path: Path) -> None:
    write_report(tmp_path / "report.json", {"lives": []})
    assert json.loads((tmp_path / "report.json").read_text()) == {"lives": []}
    assert wide(tmp_path) == {}


def test_a_database_that_was_readable_is_narrowed_at_the_start_and_that_is_logged(
    tmp_path: Path, sqlite_database_url: str, start_server: Callable[..., ServerProcess]
) -> None:
    """A release before left it as the umask had it."""
    path = tmp_path / "ingest.db"
    path.chmod(0o644)
    server = start_server(sqlite_database_url)
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "ingest.db-wal").stat().st_mode) == 0o600
    assert "ingest.file_mode_narrowed" in server.log()
    assert "0644" in server.log()


def test_a_spool_that_was_readable_is_narrowed_when_it_is_opened(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "intake.spool"
    with open_spool(path, settable_clock()) as spool:
        spool.append(readings(1, 5))
    path.chmod(0o664)
    (tmp_path / "intake.spool.lock").chmod(0o644)
    with open_spool(path, settable_clock()):
        assert wide(tmp_path) == {}
    assert "gateway.file_mode_narrowed" in caplog.text


def test_a_file_of_another_user_is_left_and_that_is_logged(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """A file system without modes says the same; here a file that root cannot change either, in /proc."""
    path = Path("/proc/self/status")
    before = path.stat().st_mode
    changed = file_modes.narrow(path)
    assert changed is not None
    assert changed.refused
    assert path.stat().st_mode == before
    database.narrow(f"sqlite:///{path}")
    spool_file._narrow(path)
    assert "ingest.file_readable_by_others" in caplog.text
    assert "gateway.file_readable_by_others" in caplog.text


def test_a_folder_that_is_there_keeps_its_mode(tmp_path: Path) -> None:
    (tmp_path / "shared").mkdir(mode=0o755)
    (tmp_path / "file").touch()
    file_modes.make_folder(tmp_path / "shared" / "ours" / "below")
    assert set(wide(tmp_path)) == {"shared", "file"}
    with pytest.raises(OSError, match=r"directory|exists"):
        file_modes.make_folder(tmp_path / "file")


@pytest.fixture
def synced(monkeypatch: pytest.MonkeyPatch) -> set[Path]:
    """What is synced from now on."""
    paths: set[Path] = set()
    really = os.fsync

    def noted(handle: int) -> None:
        really(handle)
        paths.add(Path(f"/proc/self/fd/{handle}").readlink())

    monkeypatch.setattr(os, "fsync", noted)
    return paths


def test_a_new_folder_is_durable_before_a_file_in_it_is_used(tmp_path: Path, synced: set[Path]) -> None:
    """
    A power cut may take a folder whose name in the folder above was never synced, with all that is in it.

    Source: Linux manual page fsync(2): the entry in the directory that contains the file needs an fsync too.
    """
    spool, archive = tmp_path / "var" / "gateway" / "spool.db", tmp_path / "srv" / "archive"
    spool_file.Lock(spool).release()
    assert {tmp_path, tmp_path / "var"} <= synced
    synced.clear()
    archive_mark.claim(archive, ArchiveMark("id", "place"))
    assert {tmp_path, tmp_path / "srv", archive} <= synced


def test_a_folder_whose_name_is_not_synced_is_not_left_for_the_next_try(tmp_path: Path) -> None:
    def refuse(_: Path) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    for _ in range(2):
        with pytest.raises(OSError, match="Input/output"):
            file_modes.make_folder(tmp_path / "archive", sync=refuse)


def test_a_new_bundle_has_its_name_on_the_disk_when_its_export_is_done(
    tmp_path: Path, synced: set[Path]
) -> None:
    """A power cut may take a file whose name in its folder was never synced. Source: as above, fsync(2)."""
    bundle = tmp_path / "stick" / "backlog.bundle"
    bundle.parent.mkdir()
    with open_spool(tmp_path / "intake.spool", settable_clock()) as spool:
        spool.append(readings(1, 5))
        synced.clear()
        export(tmp_path / "intake.spool", bundle, key="k0123abcd." + "5e" * 32)
    assert {bundle, bundle.parent} <= synced
