"""
The spool beside general queue libraries on disk, each in its durable setting (WAL, synchronous=FULL).

    python -m tests.benchmark.bench_spool_queues [--readings 1000] [--pairs 7]

One item a call, the same payload texts, in turns of ten calls: put, then get and acknowledge until empty.
Then once more the way the uplink takes them, 500 at a time; the libraries have no such call. What the spool
does beside it: it numbers, keeps time and source, keeps what was acknowledged, and can be rewound.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

import diskcache
import litequeue
import persistqueue

from cleanside.gateway.spool.payload import write_values
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.wire import Reading
from tests.benchmark.gateway_floor import PAIRS, in_turns, open_spool, recording, show, timed

CALLS_A_TURN = 10
FULL = 2  # sqlite.org/pragma.html#pragma_synchronous


class Queue(Protocol):
    """What is compared: one call is one durable commit, or more where the library needs more."""

    def put(self, number: int) -> object:
        """Put item `number` of the recording; it is on disk when the call returns."""

    def take(self) -> object:
        """Take the oldest item and acknowledge it."""

    def close(self) -> object:
        """Close the files."""


class OurSpool:
    """`append`, then `peek` and `acknowledge`."""

    def __init__(self, folder: Path, readings: Sequence[Reading]) -> None:
        self.spool: Spool = open_spool(folder / "spool")
        self._readings = readings

    def put(self, number: int) -> None:
        self.spool.append(self._readings[number : number + 1])

    def take(self, most: int = 1) -> None:
        batch = self.spool.peek(max_readings=most)
        assert batch is not None
        assert batch.stream is not None
        assert batch.seq
        self.spool.acknowledge(batch.stream, batch.seq[-1])

    def close(self) -> None:
        self.spool.close()


class PersistQueue:
    """SQLiteAckQueue: every call commits; it leaves `synchronous` at SQLite's own default, which is FULL."""

    def __init__(self, folder: Path, texts: Sequence[str]) -> None:
        self._queue = persistqueue.SQLiteAckQueue(str(folder / "persistqueue"), auto_commit=True)
        putter: Any = self._queue._putter
        assert putter.execute("PRAGMA synchronous").fetchone() == (FULL,)
        self._texts = texts

    def put(self, number: int) -> None:
        self._queue.put(self._texts[number])

    def take(self) -> None:
        self._queue.ack(self._queue.get(block=False))

    def close(self) -> None:
        self._queue.close()


class LiteQueue:
    """Comes with NORMAL, which loses commits at a power cut; set to FULL here."""

    def __init__(self, folder: Path, texts: Sequence[str]) -> None:
        self._queue = litequeue.LiteQueue(str(folder / "litequeue"))
        self._queue.conn.execute("PRAGMA synchronous=FULL")
        self._texts = texts

    def put(self, number: int) -> None:
        self._queue.put(self._texts[number])

    def take(self) -> None:
        message = self._queue.pop()
        assert message is not None
        self._queue.done(message.message_id)

    def close(self) -> None:
        self._queue.close()


class DiskCache:
    """Cache.push and peek, then delete as the acknowledgement; comes with NORMAL, set to FULL here."""

    def __init__(self, folder: Path, texts: Sequence[str]) -> None:
        self._cache = diskcache.Cache(
            str(folder / "diskcache"), sqlite_synchronous=FULL, eviction_policy="none"
        )
        self._texts = texts

    def put(self, number: int) -> None:
        self._cache.push(self._texts[number])

    def take(self) -> None:
        key, _ = self._cache.peek()
        assert self._cache.delete(key)

    def close(self) -> None:
        self._cache.close()


def pair(folder: Path, readings: Sequence[Reading]) -> Mapping[str, Mapping[str, float]]:
    """Seconds of each queue for putting and for taking all; and of the spool for taking 500 at a time."""
    folder.mkdir()
    texts = [write_values(reading.values.values()) for reading in readings]
    ours = OurSpool(folder, readings)
    queues: dict[str, Queue] = {
        "spool": ours,
        "persist-queue": PersistQueue(folder, texts),
        "litequeue": LiteQueue(folder, texts),
        "diskcache": DiskCache(folder, texts),
    }
    turns = len(readings) // CALLS_A_TURN
    puts = [_putting(queue) for queue in queues.values()]
    takes = [_taking(queue) for queue in queues.values()]
    seconds = {
        "put": dict(zip(queues, in_turns(puts, turns), strict=True)),
        "get and acknowledge": dict(zip(queues, in_turns(takes, turns), strict=True)),
    }
    ours.spool.rewind(ours.spool.open_stream, 0)
    at_once_s = timed(lambda: take_all(ours))
    assert ours.spool.state().backlog == 0
    for queue in queues.values():
        queue.close()
    return seconds | {"at once": {"spool": at_once_s}}


def take_all(spool: OurSpool) -> None:
    """As the uplink does it: a batch of 500, one acknowledgement."""
    while spool.spool.state().backlog:
        spool.take(500)


def _putting(queue: Queue) -> Callable[[int], object]:
    return lambda turn: [queue.put(turn * CALLS_A_TURN + call) for call in range(CALLS_A_TURN)]


def _taking(queue: Queue) -> Callable[[int], object]:
    return lambda _turn: [queue.take() for _ in range(CALLS_A_TURN)]


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure, and say how many times as fast the spool is as each library."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1] if __doc__ else None)
    parser.add_argument("--readings", type=int, default=1000, help="in each pair; a multiple of ten")
    parser.add_argument("--pairs", type=int, default=PAIRS)
    options = parser.parse_args(arguments)
    readings = recording(options.readings)
    with tempfile.TemporaryDirectory() as folder:
        pairs = [pair(Path(folder, str(number)), readings) for number in range(options.pairs)]
    for verb in ("put", "get and acknowledge"):
        for name in pairs[0][verb]:
            rate_per_s = statistics.median(len(readings) / one[verb][name] for one in pairs)
            ratios = [one[verb][name] / one[verb]["spool"] for one in pairs]
            show(f"{verb}: {name}", ratios, rate_per_s, of="times the spool's time")
    at_once_per_s = statistics.median(len(readings) / one["at once"]["spool"] for one in pairs)
    print(f"{'get and acknowledge: spool, 500 at a time':42} {at_once_per_s:,.0f} readings/s")


if __name__ == "__main__":
    main()
