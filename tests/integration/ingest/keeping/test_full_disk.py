"""A disk that fills up during a backup, a drill, a restore or a migration: said in one line, nothing left."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from cleanside.ingest.cli import main
from cleanside.ingest.commands.backup import folder_of
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.keeping import full_disk, restore
from cleanside.ingest.settings import load
from cleanside.ingest.store.archive_disk import Disk
from tests.integration.ingest.keeping.test_backup import NOW_US, fill, made
from tests.support.serving import batch, in_process
from tests.support.small_disks import small_disk

SIZE_BYTES = 2**20


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Path]:
    """A folder on a file system of 1 MiB, less than an empty database needs with its indexes."""
    with small_disk(tmp_path / "small", SIZE_BYTES) as folder:
        (folder / "others").write_bytes(bytes(SIZE_BYTES - 2**17))
        yield folder


@pytest.fixture
def database_url(sqlite_database_url: str) -> str:
    """A database with some readings."""
    with in_process(sqlite_database_url) as api:
        api.register()
        api.send(batch(1, [3.0] * 500))
    return sqlite_database_url


def names_in(folder: Path) -> list[str]:
    return sorted(one.name for one in folder.iterdir())


def said(arguments: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    """The one line of a command that failed."""
    capsys.readouterr()
    assert main(arguments) == 2
    shown = capsys.readouterr()
    assert shown.err.count("\n") == 1, shown.err
    return shown.err


def test_a_backup_on_a_full_disk_says_what_it_needs_and_leaves_nothing(
    database_url: str, small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    line = said(["backup", "--to", str(small / "b"), "--database", database_url], capsys)
    file = Path(database_url.removeprefix("sqlite:///"))
    archive = file.with_name(
        f"{file.name}.archive"
    )  # on another disk than the backup, so its files are copied
    size = file.stat().st_size + sum(one.stat().st_size for one in archive.iterdir())
    assert f"the disk of {small} is full: it needs {size:,} bytes at least" in line
    assert line.rstrip().endswith("or give another --to")
    assert names_in(small) == ["others"]


def test_a_restore_or_drill_on_a_full_disk_says_the_same(
    database_url: str, small: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    source = tmp_path / "backup"
    assert main(["backup", "--to", str(source), "--database", database_url]) == 0
    needed = f"{(source / 'database.sqlite').stat().st_size:,} bytes at least"
    new = f"sqlite:///{small}/new.db"
    line = said(["restore", "--from", str(source), "--database", new], capsys)
    assert f"the disk of {small} is full: it needs {needed}" in line
    assert "--database" in line
    assert names_in(small) == ["new.db.lock", "others"]
    line = said(["drill", "--from", str(source), "--aside", str(small), "--database", database_url], capsys)
    assert f"the disk of {small} is full: it needs {needed}" in line
    assert "--aside" in line
    assert names_in(small) == ["new.db.lock", "others"]


def test_a_migration_on_a_full_disk_does_not_blame_the_password(
    small: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    migrate = ["migrate", "--database", f"sqlite:///{small}/new.db"]
    for more in (0, 2**17):  # in the middle of the work, and at the first contact
        with (small / "others").open("ab", buffering=0) as others, suppress(OSError):
            others.write(bytes(more))
        capsys.readouterr()
        assert main(migrate) == 2
        line = capsys.readouterr().err.splitlines()[-1]
        assert f"the disk of {small}/new.db is full" in line
        assert "make room" in line
        assert "password" not in line


def test_what_a_backup_takes_of_a_database_without_an_archive_is_its_file(
    database_url: str, tmp_path: Path
) -> None:
    chosen = load(flags={"database": database_url}, environ={})
    [need] = full_disk.of_backup(database_url, folder_of(chosen), tmp_path / "not there" / "b")
    assert need.least_bytes == Path(database_url.removeprefix("sqlite:///")).stat().st_size
    with (
        pytest.raises(CalledWrongly) as raised,
        full_disk.said_where_full(lambda: [need]),
    ):
        raise OSError(28, "No space left on device")
    assert raised.value.code == "disk_full"
    with pytest.raises(PermissionError), full_disk.said_where_full(lambda: [need]):
        raise PermissionError(13, "Permission denied")


def test_a_restore_that_fails_once_its_archive_is_in_place_takes_it_back(
    sqlite_database_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source, target = tmp_path / "backup", tmp_path / "place"
    target.mkdir()
    with in_process(sqlite_database_url) as api:
        fill(api)
        made(api, source)

    def full(*_arguments: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(restore, "_release", full)
    new = f"sqlite:///{target}/new.db"
    with pytest.raises(OSError, match="No space left"):
        restore.restore(new, target / "older", source=source, now_us=NOW_US, disk=Disk())
    assert names_in(target) == []
    monkeypatch.undo()
    restore.restore(new, target / "older", source=source, now_us=NOW_US, disk=Disk())
    assert [path.suffix for path in (target / "older").rglob("0*")] == [".parquet"]
