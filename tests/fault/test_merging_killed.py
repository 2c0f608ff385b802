"""
Rows made blocks, blocks joined, blocks made rows, killed at each step: all of a step or none of it.

At each statement on a copy of a file, where nothing else happens; and at named steps of real processes while
readings arrive and are read. `python -m tests.fault.kill_merging` does the second as often as asked for.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from cleanside.ingest.store import store_modes
from tests.fault.kill_merging import kill_merging
from tests.fault.test_archive_killed import at
from tests.support.databases import choose_form, migrated_sqlite
from tests.support.dying_merger import PACK
from tests.support.merger import seen
from tests.support.serving import DEVICE, STREAM, batch, in_process


def fill(folder: Path, *, single_posts: int) -> None:
    """A database with rows of two months, a leap second, and batches and single posts in blocks."""
    url = migrated_sqlite(folder)
    choose_form(url, "rows")
    with in_process(url) as api:
        api.register(history_from="2016-01-01T00:00:00Z")
        api.send(at("2026-01-31T23:50:00Z", 100))
        leap = {"seq": 1, "at": "2016-12-31T23:59:60Z", "restriction": 3.0}
        envelope = {"device": DEVICE, "stream": f"{STREAM[:-1]}4", "units": {"restriction": "kPa"}}
        api.send(envelope | {"readings": [leap]})
        api.resources.writer.call(lambda writing: store_modes.begin(writing, store_modes.BLOCKS, 1))
        api.resources.look_up_form()
        api.send(batch(151, [3.25] * 40))  # beyond a gap that is open
        api.send(batch(101, [3.5] * 30))
        for number in range(1, single_posts + 1):
            api.send(batch(number, [3.0 + number / 100], stream=f"{STREAM[:-1]}3"))


@pytest.mark.parametrize(("what", "single_posts"), [("merge", 35), ("unpack", 2)])
def test_killed_at_any_step_merging_loses_and_doubles_nothing(
    tmp_path: Path, what: str, single_posts: int
) -> None:
    template = tmp_path / "template"
    template.mkdir()
    fill(template, single_posts=single_posts)
    before = seen(f"sqlite:///{template / 'ingest.db'}")
    readings = 171 + single_posts
    assert (before["readings"], before["rows"], before["blocks"]) == (readings, 101, 2 + single_posts)
    command = [sys.executable, "-m", "tests.support.merger", what, str(template), str(tmp_path / "work")]
    done = subprocess.run(command, capture_output=True, text=True, timeout=110)
    assert done.returncode == 0, done.stderr
    lives = [json.loads(line) for line in done.stdout.splitlines()]
    assert [life["ended"] for life in lives] == [-signal.SIGKILL] * (len(lives) - 1) + [0]
    assert len(lives) > 20  # each statement and commit of several steps
    for life in lives:
        for found in life["seen"]:
            assert (found["readings"], found["digest"]) == (readings, before["digest"]), life
            assert found["balances"] is True, life
    ends = {(life["seen"][1]["rows"], life["seen"][1]["blocks"]) for life in lives}
    assert ends == ({(0, 6)} if what == "merge" else {(readings, 0)})
    # Killed between two steps, some of it was done and some was not.
    assert len({(life["seen"][0]["rows"], life["seen"][0]["blocks"]) for life in lives}) > 2


@pytest.mark.timeout(300)  # processes start one after the other on a busy machine
@pytest.mark.parametrize("kills", [8, 25])
def test_processes_killed_while_readings_change_their_form_lose_and_double_nothing(
    database_url: str, kills: int
) -> None:
    """`kill_merging` compares what is stored with the logs of the clients; 25 kills go once round."""
    workers = 1 if database_url.startswith("sqlite") else 2
    killer = kill_merging(database_url, kills=kills, workers=workers, seed=3)
    assert killer.deaths.total() >= kills
    # Which steps are reached in time, a busy machine decides; eight kills may all be at any instant.
    assert killer.deaths.keys() & set(PACK) or kills < 25
    assert sum(client.resent for client in killer.clients) > 0
    assert killer.watcher.pages > 0
