"""
How small the archive is, how fast it is written and read, and what intake notices of it.

    python -m tests.benchmark.bench_archive [--readings 260000] [--pairs 7] [--json FILE]

Data: the recording "gravel shift" of `bench_ingest`: five quantities at J1939 resolution, one reading every
10 s with jitter, a seed; posted to the app in this process in batches of 500, so that hashes, units and times
of receipt are real. 260 000 readings are a month of one machine.

Size: bytes of all registered files by readings in them. Exactness: every row taken out of the archive equals
the row that was stored, all columns. Moving: readings a second, their processor time, and the longest time
that one step held the writer. Reading: a page and the whole month through the API, from the table and from
the archive, in pairs.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import statistics
import tempfile
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from cleanside.gateway.wire import instant_text
from cleanside.ingest.keeping import retention
from cleanside.ingest.settings import load
from cleanside.ingest.store import archive, streams
from cleanside.ingest.store import readings as store
from tests.benchmark.bench_ingest import SEED, START_US, UNITS, recording
from tests.support.archiving import counts, work_of
from tests.support.databases import migrate
from tests.support.serving import DEVICE, STREAM, Api, in_process

BATCH = 500


def fill(api: Api, readings: int) -> None:
    """The recording, posted as a gateway does."""
    api.register()
    steps, values = recording(readings, SEED)
    at_us = START_US
    for first in range(0, readings, BATCH):
        part = slice(first, first + BATCH)
        at_us += steps[first] * 1000
        document = {
            "device": DEVICE,
            "stream": STREAM,
            "units": UNITS,
            "first_seq": first + 1,
            "start": instant_text(at_us),
            "step_ms": [0, *steps[part][1:]],
            "at_uncertainty_s": 0.05,
            "columns": {name: column[part] for name, column in values.items()},
        }
        at_us += sum(steps[part][1:]) * 1000
        api.clock.now_us = at_us + 1_000_000  # received as it was measured
        api.send(document)
    api.clock.advance(40 * 86_400)


def timed(do: Callable[[], Any]) -> tuple[float, Any]:
    """How long it took [s], and what came of it."""
    began = time.perf_counter()
    found = do()
    return time.perf_counter() - began, found


def month(api: Api) -> int:
    """The whole month as CSV; gives its size."""
    response = api.get(f"/v1/devices/{DEVICE}/readings", params={"format": "csv"})
    return response.content.count(b"\r\n") - 1


def steps(api: Api) -> int:
    """The month in hours; gives how many."""
    path = f"/v1/devices/{DEVICE}/readings"
    return len(api.get(path, params={"resolution": "3600s", "limit": 1_000}).json()["buckets"])


def page(api: Api) -> int:
    """A page of 1 000 from the middle of the month."""
    since = instant_text(START_US + 10 * 86_400_000_000)
    path = f"/v1/devices/{DEVICE}/readings"
    return len(api.get(path, params={"since": since, "limit": 1_000}).json()["readings"])


QUESTIONS = {"page of 1 000": page, "month in hours": steps, "month as CSV": month}


def move(api: Api) -> dict[str, float]:
    """Move everything; how fast, and how long the writer had to wait at a time."""
    held: list[float] = []
    work = work_of(api)

    def write(job: Callable[[Any], Any]) -> Any:
        def measured(connection: Any) -> Any:
            took_s, done = timed(lambda: job(connection))
            held.append(took_s)
            return done

        return work.write(measured)

    measuring = retention.MovePlan(
        reading=work.reading, write=write, folder=work.folder, disk=work.disk, now_us=work.now_us
    )
    began_s = time.process_time()
    took_s, moved = timed(lambda: retention.run_pass(measuring, retention.cut_us(api.clock(), 1)))
    return {
        "moved": moved.readings,
        "readings_per_s": moved.readings / took_s,
        "processor_us": 1e6 * (time.process_time() - began_s) / moved.readings,
        "writer_held_ms_median": 1000 * statistics.median(held),
        "writer_held_ms_longest": 1000 * max(held),
    }


def measure(readings: int, pairs: int) -> dict[str, Any]:
    """Two databases with the same readings, one of them archived."""
    with tempfile.TemporaryDirectory() as folder:
        urls = [f"sqlite:///{folder}/{name}.db" for name in ("table", "archive")]
        for url in urls:
            migrate(url)
        settings = [load(flags={"database": url}, environ={}) for url in urls]
        with (
            in_process(urls[0], settings=settings[0]) as table,
            in_process(urls[1], settings=settings[1]) as older,
        ):
            for api in (table, older):
                fill(api, readings)
            found: dict[str, Any] = move(older)
            stored, archived = counts(older)
            if (stored, archived) != (0, readings):
                raise RuntimeError(f"{stored} stored and {archived} archived of {readings}")
            with older.resources.reading() as connection:
                files = archive.all_of(connection)
            found["files"] = len(files)
            found["bytes_per_reading"] = sum(entry.size_bytes for entry in files) / readings
            found["table_bytes_per_reading"] = size_of(table) / readings
            if digest_of(older, readings) != digest_of(table, readings):
                raise RuntimeError("the archive does not give back what was stored")
            found["exact"] = True
            found["questions"] = {
                name: compared(lambda a=ask: a(older), lambda a=ask: a(table), pairs)  # type: ignore[misc]
                for name, ask in QUESTIONS.items()
            }
    return found


def size_of(api: Api) -> int:
    """Bytes of the database: its pages."""
    with api.resources.reading() as connection:
        pages = connection.exec_driver_sql("PRAGMA page_count").scalar_one()
        return int(pages * connection.exec_driver_sql("PRAGMA page_size").scalar_one())


class _TakenBack(Exception):
    pass


def digest_of(api: Api, readings: int) -> str:
    """SHA-256 over every column of every reading, taken out piece by piece, and put back."""
    digest = hashlib.sha256()

    def look(connection: Any) -> None:
        [stream] = streams.all_of(connection, None)
        for first in range(1, readings + 1, 20_000):
            for row in store.take_out(connection, stream.id, ((first, first + 19_999),)):
                kept = sorted((k, v) for k, v in row.items() if k not in ("unit_set_id", "stream_id"))
                digest.update(repr(kept).encode())
        raise _TakenBack

    with suppress(_TakenBack):
        api.resources.writer.call(look)
    return digest.hexdigest()


def compared(one: Callable[[], int], other: Callable[[], int], pairs: int) -> dict[str, Any]:
    """Archive against table, alternating: medians [ms] and the ratio with its range."""
    times: list[tuple[float, float]] = []
    for index in range(pairs):
        order = (one, other) if index % 2 == 0 else (other, one)
        measured = {ask: timed(ask) for ask in order}
        if measured[one][1] != measured[other][1]:
            raise RuntimeError("archive and table do not say the same")
        times.append((measured[one][0], measured[other][0]))
    ratios = sorted(a / b for a, b in times)
    return {
        "archive_ms": 1000 * statistics.median(a for a, _ in times),
        "table_ms": 1000 * statistics.median(b for _, b in times),
        "ratio": statistics.median(ratios),
        "ratio_range": [ratios[0], ratios[-1]],
    }


def shown(found: dict[str, Any]) -> str:
    """For people."""
    lines = [
        f"{found['moved']:,} readings of 5 quantities in {found['files']} file(s): "
        f"{found['bytes_per_reading']:.2f} bytes a reading (table and its index: "
        f"{found['table_bytes_per_reading']:.1f}); every column comes back equal",
        f"moved at {found['readings_per_s']:,.0f} readings/s, each {found['processor_us']:.1f} us of the "
        f"processor; the writer waited "
        f"{found['writer_held_ms_median']:.0f} ms a step, {found['writer_held_ms_longest']:.0f} ms at most",
    ]
    for name, times in found["questions"].items():
        low, high = times["ratio_range"]
        lines.append(
            f"{name}: {times['archive_ms']:.0f} ms from the archive, {times['table_ms']:.0f} ms from the "
            f"table, ratio {times['ratio']:.2f} ({low:.2f} to {high:.2f})"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description="Size and speed of the archive.")
    parser.add_argument("--readings", type=int, default=260_000)
    parser.add_argument("--pairs", type=int, default=7)
    parser.add_argument("--json", type=Path, help="write the result here too")
    given = parser.parse_args()
    found = measure(given.readings, given.pairs)
    print(shown(found))
    if given.json:
        given.json.write_text(json.dumps(found, indent=2))


if __name__ == "__main__":
    main()
