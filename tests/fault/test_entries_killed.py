"""Entries made at the machine, through kill -9: each that was kept reaches the server, once and in order."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
from pathlib import Path

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.timing.clock import SettableClock
from cleanside.gateway.uplink.fakes import FakeServer
from cleanside.gateway.uplink.loop import Uplink
from tests.unit.gateway.helpers import BEGIN_US, open_spool, settable_clock

#: enters and appends for as long as it lives; says which entries are kept
CHILD = """
import sys
from pathlib import Path
from tests.unit.gateway.helpers import open_spool, readings
with open_spool(Path(sys.argv[1])) as spool:
    for number in range(100_000):
        name = f"{sys.argv[2]}-{number:05}"
        work = {"what": "takes_back", "of": before} if number % 3 == 2 else {"what": "inspected"}
        spool.enter(name, {**work, "note": "", "by": "T. Wolny"})
        before = name
        print(name, flush=True)
        spool.append(readings(number + 1, number + 3))
"""
LIVES = 6


def live(path: Path, life: int, entries: int) -> list[str]:
    """One life of a process: killed after so many entries. Returns those that it said are kept."""
    command = [sys.executable, "-c", CHILD, str(path), f"life-{life}"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        assert process.stdout is not None
        kept = [process.stdout.readline().strip() for _ in range(entries)]
        process.send_signal(signal.SIGKILL)
        kept += process.stdout.read().split()
    return kept


def drain(path: Path, server: FakeServer, clock: SettableClock, *, turns: int) -> None:
    """So many turns of an uplink, then it is gone without a word."""
    spool = open_spool(path, clock)
    uplink = Uplink(spool, server, clock=clock, random=lambda: 0.5, log=lambda *_, **__: None)
    for _ in range(turns):
        if uplink.step().idle:
            break
    spool._disk.close()


def test_every_entry_that_was_kept_arrives_once_and_in_order_whatever_is_killed(tmp_path: Path) -> None:
    chance = random.Random(7)
    clock = settable_clock()
    server = FakeServer(now_us=clock.true_us)
    kept: list[str] = []
    for life in range(LIVES):
        kept += live(tmp_path / "a", life, chance.randrange(1, 60))
        if life % 2:
            server.faults.extend(chance.choices(["", "lost"], k=6))
            drain(tmp_path / "a", server, clock, turns=chance.randrange(1, 8))
    server.faults.clear()
    drain(tmp_path / "a", server, clock, turns=10_000)
    arrived = [entry for held in server.entries.values() for _, entry in held]
    names = [entry["entry_id"] for entry in arrived]
    assert [name for name in names if name in set(kept)] == kept
    assert len(names) == len(set(names))
    assert len(set(names) - set(kept)) <= LIVES, "one a life may be on disk without having said so"
    assert all(entry["at"].startswith("2026-12-02T") for entry in arrived), BEGIN_US
    assert verify(tmp_path / "a") == []
