"""
What the gateway costs beside bare SQLite with the same library, rows and commits.

    python -m tests.benchmark.bench_spool [append] [drain] [wire] [large]

Interleaved pairs: floor, spool, floor, spool ...; each figure is the median of the ratios with its range.
The recording is made here, seeded: five quantities at J1939 resolution, every 10 s with jitter.
"""

from __future__ import annotations

import http.server
import os
import random
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import apsw

from gateway.clock import SystemClock
from gateway.payload import write_values
from gateway.spool import Spool
from gateway.transport import HttpTransport
from gateway.uplink import Uplink
from gateway.wire import Answer, Reading, StreamState, encode_answer, encode_stream_state, us_of

PAIRS = 7
BEGIN = datetime(2026, 12, 2, 6, 0, tzinfo=UTC)
UNITS = {
    "restriction": "kPa",
    "engine_speed": "r/min",
    "ambient_pressure": "kPa",
    "supply_voltage": "V",
    "intake_temperature": "Cel",
}


def recording(count: int, *, seed: int = 7) -> list[Reading]:
    """The recording "plateau grader": noise and wander, J1939 resolution, every 10 s with jitter."""
    chance = random.Random(seed)
    at, speed, made = BEGIN, 1800.0, []
    for number in range(count):
        at += timedelta(milliseconds=10_000 + round(chance.gauss(0, 15)))
        speed = min(2200.0, max(700.0, speed + chance.gauss(0, 60)))
        restriction = 2.0 + 1e-5 * number + 1.5 * (speed / 2000) ** 2 + chance.gauss(0, 0.05)
        values = {
            "restriction": round(round(restriction / 0.05) * 0.05, 2),
            "engine_speed": round(speed / 0.125) * 0.125,
            "ambient_pressure": 92.5 + 0.5 * round(chance.gauss(0, 0.6)),
            "supply_voltage": round(round(chance.gauss(27.6, 0.08) / 0.05) * 0.05, 2),
            "intake_temperature": float(round(chance.gauss(38, 1.5))),
        }
        made.append(Reading(at=at, values=values, units=UNITS))
    return made


class Bare:
    """The floor: one table, the same library, log, sync and payload, nothing else."""

    def __init__(self, path: Path) -> None:
        self.connection = apsw.Connection(str(path))
        self.connection.execute("PRAGMA journal_mode=WAL").get  # noqa: B018
        self.connection.execute("PRAGMA synchronous=FULL")
        self.connection.execute("CREATE TABLE q (p INTEGER PRIMARY KEY, at INTEGER, payload TEXT)")

    def append(self, rows: list[tuple[int, str]]) -> int:
        """One commit. Returns the last row's number."""
        self.connection.execute("BEGIN IMMEDIATE")
        self.connection.executemany("INSERT INTO q (at, payload) VALUES (?, ?)", rows)
        self.connection.execute("COMMIT")
        return self.connection.last_insert_rowid()


def open_spool(path: Path) -> Spool:
    return Spool(path, device="grader-07-intake", clock=SystemClock(), budget_bytes=2**40)


def timed(work: Callable[[], object]) -> float:
    began_s = time.perf_counter()
    work()
    return time.perf_counter() - began_s


def show(name: str, ratios: list[float], rate_per_s: float) -> None:
    low, middle, high = min(ratios), statistics.median(ratios), max(ratios)
    print(f"{name:42} {middle:5.2f} of the floor ({low:.2f} to {high:.2f}); {rate_per_s:,.0f} readings/s")


def bench_append(folder: Path) -> None:
    """Durable appends beside bare durable inserts of the same payloads."""
    for group, commits in ((1, 1500), (100, 300)):
        readings = recording(group * commits)
        pairs = [append_pair(folder / f"{group}-{pair}", readings, group) for pair in range(PAIRS)]
        rate_per_s = statistics.median(len(readings) / ours_s for _, ours_s in pairs)
        show(f"append, {group} a commit", [floor_s / ours_s for floor_s, ours_s in pairs], rate_per_s)


def append_pair(folder: Path, readings: list[Reading], group: int) -> tuple[float, float]:
    """Seconds of the floor and of the spool for the same readings in the same commits."""
    folder.mkdir()
    rows = [(us_of(r.at), write_values(r.values.values())) for r in readings if r.at is not None]
    cuts = range(0, len(readings), group)
    bare, spool = Bare(folder / "bare"), open_spool(folder / "spool")
    floor_s = timed(lambda: [bare.append(rows[i : i + group]) for i in cuts])
    ours_s = timed(lambda: [spool.append(readings[i : i + group]) for i in cuts])
    bare.connection.close()
    spool.close()
    return floor_s, ours_s


class AtOnce(http.server.BaseHTTPRequestHandler):
    """A server that answers at once and looks at nothing but what it has to echo."""

    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    through = 0

    def do_GET(self) -> None:
        stream = self.path.rpartition("/")[2]
        state = StreamState(stream=stream, device="d", acknowledged_through=0, highest=0, server_time_us=1)
        type(self).stream = stream  # type: ignore[attr-defined]
        self._say(encode_stream_state(state))

    def do_POST(self) -> None:
        self.rfile.read(int(self.headers["Content-Length"]))
        type(self).through += int(BATCH)
        answer = Answer(
            stream=type(self).stream,  # type: ignore[attr-defined]
            acknowledged_through=type(self).through,
            stored=0,
            server_time_us=1,
        )
        self._say(encode_answer(answer))

    def _say(self, body: bytes) -> None:
        head = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\nContent-Length: %d\r\n\r\n" % len(body)
        self.wfile.write(head + body)

    def log_message(self, format: str, *args: object) -> None:
        """Say nothing."""


BATCH = 2000


def bench_drain(folder: Path) -> None:
    """From the spool over loopback HTTP to a server that answers at once, in this same process."""
    rates = [drain(folder / f"drain-{turn}", count=200_000) for turn in range(3)]
    print(f"{'drain over loopback HTTP':42} {statistics.median(rates):,.0f} readings/s (batches of {BATCH})")


def drain(path: Path, *, count: int) -> float:
    """Readings a second from a full spool to an empty one."""
    AtOnce.through = 0
    readings = recording(10_000)
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), AtOnce) as server, open_spool(path) as spool:
        threading.Thread(target=server.serve_forever, daemon=True).start()
        for _ in range(count // len(readings)):
            spool.append(readings)
        transport = HttpTransport(f"http://127.0.0.1:{server.server_port}", key=lambda: "k")
        uplink = Uplink(
            spool,
            transport,
            clock=SystemClock(),
            random=random.random,
            log=lambda *_, **__: None,
            max_readings=BATCH,
        )
        took_s = timed(lambda: until_idle(uplink))
        assert spool.state().backlog == 0
        transport.close()
        server.shutdown()
    return count / took_s


def until_idle(uplink: Uplink) -> None:
    """Turn the loop until nothing is left."""
    while not uplink.step().idle:
        pass


def bench_wire(folder: Path) -> None:
    """Bytes on the wire for a backlog batch of 500 readings of five quantities, heads included."""
    import gzip
    import json

    import zstandard

    from gateway.transport import _HEAD_BYTES
    from gateway.wire import encode

    with open_spool(folder / "wire") as spool:
        spool.append(recording(5_000))
        sizes: dict[str, list[float]] = {}
        while (batch := spool.peek(max_readings=500)) is not None:
            columns = encode(batch)
            rows = json.dumps({"readings": [batch.as_sent(i) for i in range(len(batch))]}).encode()
            for name, body in (
                ("columns", columns),
                ("columns, gzip 6", gzip.compress(columns, 6)),
                ("columns, zstd 3", zstandard.ZstdCompressor(level=3).compress(columns)),
                ("columns, zstd 19", zstandard.ZstdCompressor(level=19).compress(columns)),
                ("rows", rows),
                ("rows, zstd 3", zstandard.ZstdCompressor(level=3).compress(rows)),
            ):
                sizes.setdefault(name, []).append((len(body) + _HEAD_BYTES) / len(batch))
            spool.acknowledge(batch.stream or "", (batch.seq or [0])[-1])
    for name, each in sizes.items():
        print(f"{'wire, 500 readings, ' + name:42} {statistics.mean(each):6.1f} B a reading, head included")


def bench_large(folder: Path, *, count: int = 10_000_000) -> None:
    """A backlog of ten million: opening, appending, peeking, memory and file beside an empty spool."""
    readings = recording(20_000)
    payload = statistics.mean(len(write_values(r.values.values())) for r in readings)
    with open_spool(folder / "large") as large:
        for _ in range(count // len(readings)):
            large.append(readings)
    opened_s = [timed(lambda: open_spool(folder / "large").close()) for _ in range(PAIRS)]
    print(f"{f'open and close, {count:,} waiting':42} {1e3 * statistics.median(opened_s):.1f} ms")
    with open_spool(folder / "empty") as empty, open_spool(folder / "large") as large:
        empty.append(readings[:5000])
        compare("append one, beside an empty spool", empty, large, lambda s: s.append(readings[:1]))
        compare("peek 500, beside an empty spool", empty, large, lambda s: s.peek(max_readings=500))
    size = (folder / "large").stat().st_size
    print(f"{'file':42} {size / count:.1f} B a reading; its payload alone {payload:.1f} B")
    print(f"{'memory of a gateway at rest on it':42} {resident_mib(folder / 'large'):.0f} MiB resident")


def compare(name: str, empty: Spool, large: Spool, work: Callable[[Spool], object]) -> None:
    """What a call costs on the large spool, as a multiple of what it costs on the empty one."""
    ratios = []
    for _ in range(PAIRS):
        floor_s = timed(lambda: [work(empty) for _ in range(200)])
        ratios.append(timed(lambda: [work(large) for _ in range(200)]) / floor_s)
    print(f"{name:42} {statistics.median(ratios):.2f} ({min(ratios):.2f} to {max(ratios):.2f})")


def resident_mib(path: Path) -> float:
    """Resident memory of a real gateway process on the spool, with a server that cannot be reached."""
    arguments = ["run", "--device", "grader-07-intake", "--spool-path", str(path)]
    arguments += ["--uplink-server", "http://127.0.0.1:9", "--spool-budget-bytes", str(2**40)]
    environ = {**os.environ, "CLEANSIDE_KEY": "k"}
    with subprocess.Popen(
        [sys.executable, "-m", "gateway", *arguments], env=environ, stderr=subprocess.PIPE, text=True
    ) as gateway:
        assert gateway.stderr is not None
        while "gateway.no_answer" not in gateway.stderr.readline():
            pass  # until it has peeked and tried to send
        status = Path(f"/proc/{gateway.pid}/status").read_text()
        gateway.terminate()
    return int(status.split("VmRSS:")[1].split()[0]) / 1024


def main() -> None:
    """Run the parts that are named, or all but the large one."""
    parts = {"append": bench_append, "drain": bench_drain, "wire": bench_wire, "large": bench_large}
    for name in sys.argv[1:] or ["append", "drain", "wire"]:
        with tempfile.TemporaryDirectory(dir=Path.cwd() if name == "large" else None) as folder:
            parts[name](Path(folder))


if __name__ == "__main__":
    main()
