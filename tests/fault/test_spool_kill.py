"""Key-off in mid-write: a child is killed with SIGKILL at any moment; what its `append` returned is there."""

from __future__ import annotations

import random
import select
import subprocess
import sys
import time
from pathlib import Path

from gateway.clock import SettableClock
from gateway.spool import Spool
from gateway.verify import verify
from gateway.wire import Reading

DEVICE = "hauler-03-intake"
KILLS = 40

# Appends readings that tell their number, three threads at once, and says on its output what is on disk.
CHILD = """
import sys, threading
from datetime import UTC, datetime
from pathlib import Path
from gateway.clock import SystemClock
from gateway.spool import Spool
from gateway.wire import Reading

path, first = Path(sys.argv[1]), int(sys.argv[2])
spool = Spool(path, device="hauler-03-intake", clock=SystemClock())
say = threading.Lock()

def feed(lane):
    number = first + lane
    while True:
        at = datetime(2026, 12, 2, tzinfo=UTC)
        reading = Reading(at=at, values={"engine_speed": number}, units={"engine_speed": "r/min"})
        seq = spool.append([reading], source=f"lane-{lane}", mark=str(number)).start
        with say:
            sys.stdout.write(f"{seq} {number}\\n")
            sys.stdout.flush()
        number += 3

for lane in range(3):
    threading.Thread(target=feed, args=(lane,)).start()
"""


def run_and_kill(path: Path, first: int, *, after_s: float) -> dict[int, int]:
    """Let a child append for a while, kill it, and return what it said was on disk: number -> reading."""
    said = b""
    with subprocess.Popen(
        [sys.executable, "-c", CHILD, str(path), str(first)], stdout=subprocess.PIPE
    ) as child:
        assert child.stdout is not None
        select.select([child.stdout], [], [], 30)  # until it has begun
        deadline_s = time.monotonic() + after_s
        while (left_s := deadline_s - time.monotonic()) > 0:
            if select.select([child.stdout], [], [], left_s)[0]:
                said += child.stdout.read1(65536)  # type: ignore[attr-defined]
        child.kill()
        said += child.stdout.read()
    whole = said[: said.rfind(b"\n") + 1].decode().splitlines()
    return {int(seq): int(number) for seq, number in (line.split() for line in whole)}


def drain(spool: Spool) -> dict[int, int]:
    """Everything the spool holds above its mark, acknowledged as it goes: number -> reading."""
    held: dict[int, int] = {}
    while (batch := spool.peek(max_readings=5000)) is not None:
        assert not batch.shed
        assert isinstance(batch.seq, range), "a gap in the numbers"
        values = batch.columns["engine_speed"]
        held |= {seq: int(value or 0) for seq, value in zip(batch.seq, values, strict=True)}
        spool.acknowledge(batch.stream or "", batch.seq[-1])
    return held


def test_nothing_lost_when_a_child_is_killed_in_mid_append(tmp_path: Path) -> None:
    """Each append that returned is there, once, in order, under its number; numbers have no gap."""
    clock = SettableClock(utc_us=1_796_000_000_000_000)
    moments = random.Random(20261202)
    through, total = 0, 0
    for kill in range(KILLS):
        said = run_and_kill(tmp_path / "a", kill * 3_000_000, after_s=moments.uniform(0.0, 0.12))
        assert verify(tmp_path / "a") == []
        with Spool(tmp_path / "a", device=DEVICE, clock=clock) as spool:
            held = drain(spool)
            assert list(held) == list(range(through + 1, through + 1 + len(held)))
            assert said.items() <= held.items(), "an append that returned is not there"
            # A commit may have been durable and its caller killed before it said so: one for each lane.
            assert len(held) - len(said) <= 3
            for lane in range(3):
                mine = [number for number in held.values() if number % 3 == lane]
                assert mine == sorted(set(mine)), "doubled or out of order"
                if mine:
                    assert spool.mark(f"lane-{lane}") == str(mine[-1]), "the mark is that of the last reading"
            through += len(held)
            total += len(said)
            assert spool.append([_reading()]).start == through + 1
            through += 1
            spool.acknowledge(spool.open_stream, through)
    assert total > KILLS, "the children appended too little to show anything"


def _reading() -> Reading:
    from datetime import UTC, datetime

    at = datetime(2026, 12, 2, tzinfo=UTC)
    return Reading(at=at, values={"engine_speed": -1}, units={"engine_speed": "r/min"})
