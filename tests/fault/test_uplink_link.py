"""A link that fails in every way between any two requests: each reading is stored once, in order."""

from __future__ import annotations

import random
from itertools import pairwise
from pathlib import Path

import pytest

from cleanside.gateway.uplink.fakes import Fault, problem
from cleanside.gateway.uplink.transport import NoAnswer, Reply
from tests.unit.gateway.helpers import readings
from tests.unit.gateway.uplink.test_loop import Bench

PAGE = Reply(status=200, headers={"content-type": "text/html"}, body=b"<html>Please sign in</html>")
FAULTS: list[Fault] = [
    "lost",
    "lost",
    "lost",  # the common case
    "fine",
    "fine",
    NoAnswer("no route"),
    PAGE,
    Reply(status=302, headers={"location": "http://portal.example/"}, body=b""),
    Reply(status=502, headers={}, body=b"Bad Gateway"),
    problem(503, "overloaded", retry_after="7"),
    problem(429, "over_quota"),
    problem(408, "timeout"),
    problem(401, "key_unknown"),
    problem(413, "too_large"),
    problem(415, "coding_not_supported"),
    problem(422, "batch_refused"),
]


@pytest.mark.parametrize("script", range(40))
def test_nothing_lost_and_nothing_twice_over_a_link_that_fails_at_random(tmp_path: Path, script: int) -> None:
    """Faults of every kind, restarts in between, new readings while the backlog drains."""
    chance = random.Random(script)
    bench = Bench(tmp_path / "a", max_readings=7)
    appended = 0
    for _ in range(25):
        count = chance.randrange(0, 12)
        bench.spool.append(readings(appended + 1, appended + count))
        appended += count
        bench.server.faults.extend(chance.choices(FAULTS, k=chance.randrange(0, 4)))
        for _ in range(chance.randrange(0, 4)):
            bench.clock.advance(bench.uplink.step().wait_s)
        if chance.random() < 0.2:
            bench.restart()
    bench.server.faults.clear()
    bench.drain()
    (stream,) = bench.server.streams.values()
    assert stream.mark == appended
    told = {seq: _speed(content) for seq, content in stream.held.items()}
    told |= {seq: _speed(content.decode()) for seq, content in stream.opaque.items() if seq not in told}
    assert told == {n: n for n in range(1, appended + 1)}
    assert not stream.conflicts
    marks = [batch.seq[0] for batch in bench.server.batches if batch.seq]
    assert all(b <= a + 7 for a, b in pairwise(marks)), "a batch was skipped"
    bench.spool.close()


def _speed(content: str) -> int:
    import json

    return int(json.loads(content)["engine_speed"])
