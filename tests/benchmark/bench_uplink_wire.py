"""
Bytes a reading costs on the wire: a backlog batch of five quantities, heads included, beside other encodings.

    python -m tests.benchmark.bench_uplink_wire [--readings 5000] [--batch 500]

The recording is "plateau grader" (seeded, noisy, J1939 resolution, jittered 10 s). What the gateway sends is
counted by the server it sends to; the other encodings hold the same readings and get the same head.
Binary columns: Arrow's IPC stream of pyarrow, times as int64, values as float64. Goal: at most 20 bytes.
"""

from __future__ import annotations

import argparse
import gzip
import json
import random
import statistics
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import pyarrow
import pyarrow.ipc
import zstandard

from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import SystemClock
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.transport import HttpTransport
from cleanside.gateway.wire import Batch, encode
from tests.benchmark.at_once import serving
from tests.benchmark.bench_uplink_drain import until_idle
from tests.benchmark.gateway_floor import open_spool, recording


def batches(spool: Spool, size: int) -> list[Batch]:
    """The batches that the uplink sends, as the spool gives them."""
    taken = []
    while (batch := spool.peek(max_readings=size)) is not None:
        taken.append(batch)
        spool.acknowledge(batch.stream or "", (batch.seq or [0])[-1])
    spool.rewind(spool.open_stream, 0)
    return taken


def encodings(batch: Batch) -> Mapping[str, bytes]:
    """The same readings in other ways."""
    columns = encode(batch)
    rows = json.dumps({"readings": [batch.as_sent(i) for i in range(len(batch))]}).encode()
    arrow = as_arrow(batch)
    zstd = zstandard.ZstdCompressor(level=3).compress
    return {
        "columns, as they are": columns,
        "columns, gzip 6": gzip.compress(columns, 6),
        "columns, zstd 3": zstd(columns),
        "columns, zstd 19": zstandard.ZstdCompressor(level=19).compress(columns),
        "rows of objects, as they are": rows,
        "rows of objects, gzip 6": gzip.compress(rows, 6),
        "rows of objects, zstd 3": zstd(rows),
        "binary columns (Arrow), as they are": arrow,
        "binary columns (Arrow), gzip 6": gzip.compress(arrow, 6),
        "binary columns (Arrow), zstd 3": zstd(arrow),
    }


def as_arrow(batch: Batch) -> bytes:
    """Number, instant and each quantity as a column; units in the schema."""
    columns = {"seq": pyarrow.array(batch.seq, pyarrow.int64()), "at_us": pyarrow.array(batch.at_us)}
    columns |= {name: pyarrow.array(values, pyarrow.float64()) for name, values in batch.columns.items()}
    table = pyarrow.table(columns, metadata=dict(batch.units))
    sink = pyarrow.BufferOutputStream()
    with pyarrow.ipc.new_stream(sink, table.schema) as writer:
        writer.write_table(table)
    return bytes(sink.getvalue().to_pybytes())


def send_all(spool: Spool, size: int) -> list[tuple[int, int]]:
    """Bytes of each request, head included, and of its body, as the server counted them."""
    with serving() as server:
        transport = HttpTransport(f"http://127.0.0.1:{server.port}", key=lambda: "k" * 43)
        uplink = Uplink(
            spool,
            transport,
            clock=SystemClock(),
            random=random.random,
            log=lambda *_, **__: None,
            max_readings=size,
        )
        until_idle(uplink)
        transport.close()
        return server.posts


def main(arguments: Sequence[str] | None = None) -> None:
    """Send a backlog, then encode the same batches in the other ways."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1] if __doc__ else None)
    parser.add_argument("--readings", type=int, default=5_000)
    parser.add_argument("--batch", type=int, default=500)
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder, open_spool(Path(folder, "spool")) as spool:
        spool.append(recording(options.readings))
        taken = batches(spool, options.batch)
        posts = send_all(spool, options.batch)
        assert len(posts) == len(taken)
        assert spool.state().backlog == 0
    head_bytes = statistics.mean(whole - body for whole, body in posts)
    sizes = {"sent by the gateway": [whole / len(b) for (whole, _), b in zip(posts, taken, strict=True)]}
    for batch in taken:
        for name, body in encodings(batch).items():
            sizes.setdefault(name, []).append((len(body) + head_bytes) / len(batch))
    print(f"{len(taken)} requests of {options.batch} readings, {head_bytes:.0f} bytes of head each")
    for name, each in sizes.items():
        print(f"{name:38} {statistics.mean(each):7.1f} B a reading ({min(each):.1f} to {max(each):.1f})")


if __name__ == "__main__":
    main()
