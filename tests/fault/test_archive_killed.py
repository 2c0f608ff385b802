"""The archive killed at each of its steps: nothing lost, nothing twice, the next pass finishes by itself."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support.archiver import look
from tests.support.databases import migrated_sqlite
from tests.support.serving import DEVICE, STREAM, batch, in_process


@pytest.fixture
def template(tmp_path: Path) -> Path:
    """A database with two months of two streams to be archived, a leap second, and one month that stays."""
    folder = tmp_path / "template"
    folder.mkdir()
    with in_process(migrated_sqlite(folder)) as api:
        api.register(history_from="2016-01-01T00:00:00Z")
        api.send(at("2026-01-31T23:50:00Z", 100))
        api.send(at("2026-01-31T23:55:00Z", 40, stream=f"{STREAM[:-1]}2"))
        leap = [{"seq": 101, "at": "2016-12-31T23:59:60Z", "restriction": 3.0}]
        api.send(
            {
                "device": DEVICE,
                "stream": STREAM,
                "units": {"restriction": "kPa"},
                "readings": leap,
            }
        )
        api.send(batch(1, [3.0] * 5, stream=f"{STREAM[:-1]}3"))
    return folder


def at(start: str, count: int, *, stream: str = STREAM) -> dict[str, object]:
    return {
        "device": DEVICE,
        "stream": stream,
        "units": {"restriction": "kPa"},
        "first_seq": 1,
        "start": start,
        "step_ms": [0] + [10_000] * (count - 1),
        "columns": {"restriction": [3.0 + n / 1000 for n in range(count)]},
    }


def test_killed_at_any_step_the_archive_loses_and_doubles_nothing(template: Path, tmp_path: Path) -> None:
    before = look(f"sqlite:///{template / 'ingest.db'}")
    assert (before["readings"], before["archived"], before["balances"]) == (146, 0, True)
    command = [sys.executable, "-m", "tests.support.archiver", str(template), str(tmp_path / "work")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=110)
    assert done.returncode == 0, done.stderr
    lives = [json.loads(line) for line in done.stdout.splitlines()]
    assert [life["ended"] for life in lives] == [-signal.SIGKILL] * (len(lives) - 1) + [0]
    assert len(lives) > 40  # each sync, rename, removal and commit of six steps and two joins
    for life in lives:
        after, finished = life["seen"]
        for seen in (after, finished):
            assert (seen["readings"], seen["digest"]) == (before["readings"], before["digest"]), life
            assert (seen["balances"], seen["missing"]) == (True, []), life
        assert (finished["archived"], finished["strange"]) == (3, []), life
    # Where the process died between file and register, a file was left over; the next pass swept it away.
    assert any(life["seen"][0]["strange"] for life in lives)
