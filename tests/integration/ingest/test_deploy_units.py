"""The units for systemd are sound by systemd's own word, and the backup that they start is tried at once."""

from __future__ import annotations

import os
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from math import inf
from pathlib import Path

import pytest

from cleanside.ingest.keeping.watched import backup_age_s
from tests.support.databases import migrated_sqlite
from tests.support.house import ROOT

UNITS = sorted(
    path
    for kind in ("service", "timer")
    for place in ("gateway", "ingest")
    for path in (ROOT / place).rglob(f"*.{kind}")
)
MOST_EXPOSED = 22  # tenths; the gateway reaches serial ports and a CAN bus. Today 1.7, 1.7 and 2.1
SCRIPT = ROOT / "ingest" / "deploy" / "backup-with-drill.sh"


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="this machine has no systemd")
@pytest.mark.parametrize("unit", UNITS, ids=lambda unit: unit.name)
def test_systemd_has_nothing_to_say_about_a_unit(unit: Path) -> None:
    """It exits with 0 on an unknown key, so every word of it fails."""
    done = subprocess.run(
        ["systemd-analyze", "verify", str(unit)], capture_output=True, text=True, check=False
    )
    assert (done.stdout, done.stderr, done.returncode) == ("", "", 0)


@pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="this machine has no systemd")
@pytest.mark.parametrize(
    "unit", [unit for unit in UNITS if unit.suffix == ".service"], ids=lambda unit: unit.name
)
def test_a_unit_is_hardened(unit: Path) -> None:
    """systemd's own score of what a service may do to its machine: 0 to 10, below 2 is its best grade."""
    done = subprocess.run(
        ["systemd-analyze", "security", "--offline=true", f"--threshold={MOST_EXPOSED}", str(unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, "Overall exposure level" in done.stdout) == (0, True), done.stdout + done.stderr


def test_there_are_units_to_verify() -> None:
    names = {unit.name for unit in UNITS}
    assert {"cleanside-ingest.service", "cleanside-backup.service", "cleanside-backup.timer"} <= names


def run_script(*words: str) -> subprocess.CompletedProcess[str]:
    """The script with our commands first in its path."""
    path = f"{Path(sys.executable).parent}:{os.environ['PATH']}"
    command = ["/bin/sh", str(SCRIPT), *words]
    return subprocess.run(
        command, capture_output=True, text=True, check=False, env={**os.environ, "PATH": path}
    )


def old_backups(folder: Path, names: Sequence[str]) -> None:
    for name in names:
        (folder / name).mkdir(parents=True)


def test_a_backup_is_restored_aside_and_old_ones_go(tmp_path: Path) -> None:
    url, folder = migrated_sqlite(tmp_path), tmp_path / "backups"
    old_backups(folder, ["2025-01-01T023000Z", "2025-01-02T023000Z", "of a person"])
    done = run_script(str(folder), "2", "--database", url)
    assert done.returncode == 0, done.stderr
    assert "balances" in done.stdout
    left = sorted(path.name for path in folder.iterdir())
    assert left[0] == "2025-01-02T023000Z"
    assert left[2] == "of a person"
    assert (folder / left[1] / "database.sqlite").exists()
    assert len(left) == 3


def test_a_backup_that_fails_removes_nothing(tmp_path: Path) -> None:
    folder = tmp_path / "backups"
    old_backups(folder, ["2025-01-01T023000Z", "2025-01-02T023000Z"])
    (tmp_path / "ingest.db").write_text("no database")
    assert run_script(str(folder), "1", "--database", f"sqlite:///{tmp_path / 'ingest.db'}").returncode != 0
    assert {"2025-01-01T023000Z", "2025-01-02T023000Z"} <= {path.name for path in folder.iterdir()}


def test_a_backup_whose_drill_fails_removes_nothing(tmp_path: Path) -> None:
    """The account of what was restored does not balance: a stream's mark has no rows behind it."""
    url, folder = migrated_sqlite(tmp_path), tmp_path / "backups"
    old_backups(folder, ["2025-01-01T023000Z"])
    with sqlite3.connect(tmp_path / "ingest.db") as connection:
        connection.executescript(
            "INSERT INTO owners (id, name, created_us) VALUES (1, 'plateau', 0);"
            "INSERT INTO devices (id, owner_id, name) VALUES (1, 1, 'grader-07-intake');"
            "INSERT INTO streams (owner_id, device_id, stream, mark, highest, first_heard_us, last_heard_us)"
            " VALUES (1, 1, '019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11', 5, 5, 1, 1);"
        )
    connection.close()
    assert run_script(str(folder), "1", "--database", url).returncode != 0
    assert sorted(path.name for path in folder.iterdir()) == ["2025-01-01T023000Z", "undrilled"]
    assert backup_age_s(folder, 0) == inf  # a backup counts once it was restored


@pytest.mark.parametrize("words", [(), ("folder",), ("folder", "0"), ("folder", "some")])
def test_the_script_says_how_it_is_called(words: tuple[str, ...]) -> None:
    done = run_script(*words)
    assert done.returncode == 2
    assert "backup-with-drill.sh" in done.stderr
