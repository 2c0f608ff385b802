"""
How fast readings come back: each form of readings at rest beside the other, in turns, over the same readings.

    python -m tests.benchmark.bench_read_back [sqlite|postgres] [--days 365] [--step-s 120] [--rounds 7]

A machine's readings come in as gateway batches of 500 of five quantities (the recording of bench_ingest),
once for each form; `merged` are blocks after the server has joined the small ones. Measured are a page of
5 000 readings and a page of hours of the whole time, each as an answer in JSON and from the store alone; and
all readings read and summarised, as `cleanside-ingest recompute` does.
Times are processor time of the server, on PostgreSQL with its database's. A ratio above 1 beats rows.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager
from typing import Any

from cleanside.gateway.units import QUANTITIES
from cleanside.gateway.wire import instant_text
from cleanside.ingest.analysis.recompute import recompute
from cleanside.ingest.store import fleet, raw
from cleanside.ingest.store.raw import DeviceSeat
from tests.benchmark.bench_ingest import BATCH_ROWS, SEED, START_US, UNITS, databases, recording
from tests.benchmark.bench_single import merge
from tests.benchmark.counters import counters
from tests.support.databases import FORMS, choose_form
from tests.support.serving import DEVICE, STREAM, Api, in_process

PAGE_ROWS = 5_000
HOUR_S = 3_600
MICRO = 1_000_000
MEASURED_S = 0.3  # of the processor, which the system counts in steps of 0.01; chosen
ALL_US = DeviceSeat(1, START_US, 2**60)
COLUMNS = [QUANTITIES[name].column for name in UNITS]


def fill(api: Api, days: float, step_s: int) -> int:
    """Send the readings. Returns how many."""
    many = int(days * 86_400 / step_s) // BATCH_ROWS * BATCH_ROWS
    _, values = recording(BATCH_ROWS * 20, SEED)
    api.clock.now_us = START_US + (many + 1) * step_s * MICRO
    api.register()
    for first in range(0, many, BATCH_ROWS):
        place = first % (BATCH_ROWS * 20)
        document: dict[str, Any] = {"device": DEVICE, "stream": STREAM, "units": UNITS}
        document |= {"first_seq": first + 1, "start": instant_text(START_US + first * step_s * MICRO)}
        document |= {"step_ms": [0] + [step_s * 1000] * (BATCH_ROWS - 1)}
        columns = {name: column[place : place + BATCH_ROWS] for name, column in values.items()}
        answer = api.send(document | {"columns": columns})
        assert answer["stored"] == BATCH_ROWS, answer
    return many


@contextmanager
def filled(url: str, way: str, given: argparse.Namespace) -> Iterator[Api]:
    """A server with the readings in one of the forms."""
    choose_form(url, "rows" if way == "rows" else "blocks")
    with in_process(url) as api:
        fill(api, given.days, given.step_s)
    if way == "merged":
        merge(url)
    with in_process(url, tokens=api.tokens) as again:
        again.clock.now_us = api.clock.now_us
        yield again


# ---------------------------------------------------------------- what is read


def page_as_json(api: Api) -> int:
    """A page from the middle of the time on."""
    return _rows(api, {"since": _middle(api), "limit": PAGE_ROWS})


def year_as_json(api: Api) -> int:
    """Hours: as many as a page has."""
    return _rows(api, {"resolution": f"{HOUR_S}s", "limit": 10_000})


def page(api: Api) -> int:
    """The readings of a page, without making JSON of them."""
    seat = ALL_US._replace(from_us=(START_US + api.clock.now_us) // 2)
    pieces = raw.walk(api.resources.reading, [seat], COLUMNS, rows_at_once=PAGE_ROWS)
    return len(next(pieces))


def year(api: Api) -> int:
    """Hours of the whole time."""
    walked = raw.buckets(api.resources.reading, [ALL_US], COLUMNS, resolution_us=HOUR_S * MICRO, limit=10_000)
    return len(walked.buckets)


def recomputed(api: Api) -> int:
    """All summaries made again."""
    with api.resources.reading() as connection:
        housings = fleet.every_housing(connection, 1)
    [compared] = recompute(api.resources.reading, housings, None)
    return compared.hours


def _rows(api: Api, asked: Mapping[str, Any]) -> int:
    answer = api.get(f"/v1/devices/{DEVICE}/readings", params=dict(asked))
    assert answer.status_code == 200, answer.text
    document = answer.json()
    return len(next(value for value in document.values() if isinstance(value, list)))


def _middle(api: Api) -> str:
    return instant_text((START_US + api.clock.now_us) // 2)


READS: Sequence[Callable[[Api], int]] = (page_as_json, page, year_as_json, year, recomputed)

# ---------------------------------------------------------------- rounds


def processor_ms(read: Callable[[Api], int], api: Api) -> float:
    """What one read takes of the processor, read as often as `MEASURED_S` has room for."""
    read(api)  # caches
    pids, times, began_s = [os.getpid()], 0, time.process_time()
    before = counters(api.url, pids)
    while times < 1 or time.process_time() - began_s < MEASURED_S:
        read(api)
        times += 1
    return 1000 * counters(api.url, pids).since(before).processor_s / times


def compare(servers: Mapping[str, Api], count: int) -> dict[str, dict[str, float]]:
    """Medians of each read in each form [ms], and ratios of rows to it, round by round."""
    found: dict[str, dict[str, float]] = {}
    for read in READS:
        same = {read(api) for api in servers.values()}
        assert len(same) == 1, same
        rounds = [{way: processor_ms(read, api) for way, api in servers.items()} for _ in range(count)]
        name = read.__name__
        found[name] = {way: round(statistics.median(r[way] for r in rounds), 1) for way in servers}
        for way in servers:
            ratios = [r["rows"] / r[way] for r in rounds if "rows" in r]
            found[name][f"{way}_ratio"] = round(statistics.median(ratios), 2)
        print(f"{name} ({same.pop():,}): {found[name]}", flush=True)
    return found


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description="How fast readings come back, in each form.")
    parser.add_argument("backend", nargs="?", choices=("sqlite", "postgres"), default="sqlite")
    parser.add_argument("--days", type=float, default=365.0)
    parser.add_argument("--step-s", type=int, default=120)
    parser.add_argument("--rounds", type=int, default=7)
    given = parser.parse_args(arguments)
    with databases(given.backend) as fresh, ExitStack() as stack:
        ways = ("rows", *(form for form in FORMS if form != "rows"), "merged")
        servers = {way: stack.enter_context(filled(fresh(), way, given)) for way in ways}
        for api in servers.values():
            api.analyse()
        print(json.dumps(compare(servers, given.rounds)), flush=True)


if __name__ == "__main__":
    main()
