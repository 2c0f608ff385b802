"""Key-off in mid-write: a child is killed with SIGKILL at any moment; what its `append` returned is there."""

from __future__ import annotations

import os
import random
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from cleanside.gateway.commands.verify import verify
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SettableClock
from cleanside.gateway.wire import Reading

DEVICE = "hauler-03-intake"
LONGEST_LIFE_S = 0.06
#: An empty spool takes 110,592 bytes, and a sixteenth of the budget is the log's: what is left holds some
#: 1,500 readings. That is more than one child appends, so none of them has to be shed, and far fewer than are
#: asked for below: acknowledged ones are deleted while a child appends, and it is killed in that too.
BUDGET_BYTES = 172_000
#: readings that each of the three threads of a child appends at most: where files lie in memory and this
#: process waits for its turn, a child would append more than there is room for before it is killed
MOST_OF_LANE = 250
#: readings that a child says are on disk before its time counts, where it counts from its words
LEAST_WORDS = 25

# A prepared process that has imported all and opened nothing: at each line it forks a child, which opens the
# spool, appends readings that tell their number, three threads at once, and says on the shared output what is
# on disk. At the next line the child is killed. Lines are short: a pipe takes each whole or not at all.
NURSERY = """
import os, signal, sys, threading
from datetime import UTC, datetime
from pathlib import Path
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.wire import Reading

AT = datetime(2026, 12, 2, tzinfo=UTC)

def feed(spool, lane, number, most):
    for _ in range(most):
        reading = Reading(at=AT, values={"engine_speed": number}, units={"engine_speed": "r/min"})
        seq = spool.append([reading], source=f"lane-{lane}", mark=str(number)).start
        os.write(1, f"{seq} {number}\\n".encode())
        number += 3

def live(path, first, budget_bytes, most):
    spool = Spool(Path(path), device="hauler-03-intake", clock=SystemClock(), budget_bytes=budget_bytes)
    for lane in range(3):
        threading.Thread(target=feed, args=(spool, lane, first + lane, most)).start()

for line in sys.stdin:
    path, first, budget_bytes, most = line.split()
    child = os.fork()
    if child == 0:
        live(path, int(first), int(budget_bytes), int(most))
        signal.pause()
    sys.stdin.readline()
    os.kill(child, signal.SIGKILL)
    os.write(1, f"ended {os.waitpid(child, 0)[1]}\\n".encode())
"""


class Nursery:
    """Children that start at once, and are killed."""

    def __init__(self, process: subprocess.Popen[bytes]) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self._input = process.stdin
        self._output = process.stdout.fileno()

    def live_and_die(self, path: Path, first: int, *, after_s: float, from_word: bool) -> dict[int, int]:
        """
        A child's life; returns what it said was on disk: number -> reading.

        from_word : the time counts from its first words on, so that it lives to append; else from its birth.
        """
        self._tell(f"{path} {first} {BUDGET_BYTES} {MOST_OF_LANE}")
        said = self._listen(time.monotonic() + 30, until=b"\n", times=LEAST_WORDS) if from_word else b""
        said += self._listen(time.monotonic() + after_s, until=b"ended")
        self._tell("kill")
        said += self._listen(time.monotonic() + 30, until=b"ended")
        *lines, end = said.decode().splitlines()
        assert end == f"ended {int(signal.SIGKILL)}", "it did not die of the kill"
        return {int(seq): int(number) for seq, number in map(str.split, lines)}

    def _tell(self, line: str) -> None:
        self._input.write(line.encode() + b"\n")
        self._input.flush()

    def _listen(self, deadline_s: float, *, until: bytes, times: int = 1) -> bytes:
        said = b""
        while said.count(until) < times and (left_s := deadline_s - time.monotonic()) > 0:
            if select.select([self._output], [], [], left_s)[0]:
                said += os.read(self._output, 2**16)
        return said


@contextmanager
def nursery() -> Iterator[Nursery]:
    """The prepared process, until the block ends."""
    with subprocess.Popen(
        [sys.executable, "-c", NURSERY], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as process:
        try:
            yield Nursery(process)
        finally:
            assert process.stdin is not None
            process.stdin.close()


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


@pytest.mark.parametrize("kills", [100, 300])
def test_nothing_lost_when_a_child_is_killed_in_mid_append(tmp_path: Path, kills: int) -> None:
    """Each append that returned is there, once, in order, under its number; numbers have no gap."""
    moments = random.Random(20261202)
    through, total, lives = 0, 0, 0
    with nursery() as children:
        for kill in range(kills):
            said = children.live_and_die(
                tmp_path / "a",
                kill * 3_000_000,
                after_s=moments.uniform(0.0, LONGEST_LIFE_S),
                from_word=kill % 2 == 1,
            )
            through += check_after_kill(tmp_path / "a", said, through)
            total += len(said)
            lives += bool(said)
    figures = f"{kills} kills, {lives} of children that appended, {total} readings said to be on disk"
    print(figures)  # noqa: T201 - the figures are what pytest -s is asked for
    assert kills / 2 <= lives < kills, "some are killed while they open the spool, others while they append"
    assert total > 10 * kills, "the children appended too little to show anything"
    with Spool(tmp_path / "a", device=DEVICE, clock=SettableClock(utc_us=0)) as spool:
        assert spool.state().held < through, "no acknowledged reading was deleted on the way"


def check_after_kill(path: Path, said: dict[int, int], through: int) -> int:
    """Open what a killed child left and see that all is there; returns how many numbers were given since."""
    if said or through:  # a child killed while it makes the file leaves one that is no spool yet, or none
        assert verify(path) == []
    clock = SettableClock(utc_us=1_796_000_000_000_000)
    with Spool(path, device=DEVICE, clock=clock, budget_bytes=BUDGET_BYTES) as spool:
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
        own = through + len(held) + 1
        assert spool.append([_reading()]).start == own
        spool.acknowledge(spool.open_stream, own)
    return len(held) + 1


def _reading() -> Reading:
    from datetime import UTC, datetime

    at = datetime(2026, 12, 2, tzinfo=UTC)
    return Reading(at=at, values={"engine_speed": -1}, units={"engine_speed": "r/min"})
