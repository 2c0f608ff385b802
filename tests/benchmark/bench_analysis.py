"""
How fast the analysis is: four figures, each a command, each beside a floor of the same run.

    python -m tests.benchmark.bench_analysis recompute   [--days N] [--step-s S]
    python -m tests.benchmark.bench_analysis incremental [--days N] [--batch N] [--rounds N]
    python -m tests.benchmark.bench_analysis page        [--days N] [--rounds N]
    python -m tests.benchmark.bench_analysis fleet       [--machines N] [--hours-a-day H] [--lives N]

recompute: all summaries of a machine-year made again; the arithmetic alone, and from a SQLite file.
incremental: from a committed batch to the new summaries in the database and the housing judged again.
page: GET .../restriction of a machine-year, by a process that remembers nothing, and by one that does.
fleet: every machine judged and forecast from its packed summaries, on two processes.
Beside each time by the clock stands the processor time, which a busy machine does not stretch as much.
The machine of recompute, incremental and page works around the clock: 8 760 operating hours a year.
"""

from __future__ import annotations

import argparse
import multiprocessing
import statistics
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.analysis.assessment import SnapshotInUse
from cleanside.ingest.analysis.knowledge import Snapshots
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.recompute import Helper, recompute
from cleanside.ingest.restriction import (
    FleetKnowledge,
    HousingFacts,
    Life,
    PackedHour,
    Readings,
    Summaries,
    assess_housing,
    learn_fleet,
    summarise_hours,
)
from cleanside.ingest.store import database, fleet, hours
from cleanside.ingest.store import stored as door
from cleanside.ingest.store.at_rest import ALWAYS, HIGHEST
from cleanside.ingest.store.hours import Kept
from tests.support import filling
from tests.support.serving import DEVICE, STREAM, Api, in_process, summarise_all

COLUMNS = (
    *("restriction_pa", "engine_speed_rad_s", "supply_voltage_v", "ambient_pressure_pa"),
    "air_temperature_k",
)
BATCH_ROWS = 500
START_S = 1_740_960_000.0  # 2025-03-03, a Monday
TERMINAL_PA = 6200.0
LIFE_H = 400.0
KINDS = ("grader", "loader", "hauler", "genset")
DISTINCT = 100  # machines made; the fleet goes round them
SHIFT_FROM_H = 6
PROCESSES = 2


def made_readings(days: float, step_s: float, *, seed: int, hours_a_day: float = 24.0) -> Readings:
    """A machine at work; elements of some LIFE_H hours, five quantities, ten minutes of each hour off."""
    rng = np.random.default_rng(seed)
    at_s = START_S + step_s * np.arange(int(days * 86_400 / step_s))
    at_s = at_s[(at_s / 3600 - SHIFT_FROM_H) % 24 < hours_a_day]
    running = (at_s % 3600) >= 600
    speed = np.where(running, rng.choice([84.0, 150.0, 180.0, 200.0], len(at_s)), 0.0)
    speed += np.where(running, rng.normal(0, 1.2, len(at_s)), 0.0)
    used = (np.cumsum(running) * step_s / 3600 / LIFE_H + rng.random()) % 1.0
    level = 1800 + (TERMINAL_PA - 1800) * np.expm1(2.2 * used) / np.expm1(2.2)
    return Readings(
        at_s=np.asarray(at_s, dtype=np.float64),
        restriction_pa=np.where(running, level * (speed / 200) ** 1.6, 0.0) + rng.normal(0, 35, len(at_s)),
        engine_speed_rad_s=speed,
        supply_voltage_v=np.where(running, 27.9, 25.1),
        ambient_pressure_pa=np.full(len(at_s), 88_000.0) + rng.normal(0, 50, len(at_s)),
        air_temperature_k=np.full(len(at_s), 290.0),
    )


class Took(NamedTuple):
    """Seconds of one call, by the clock and of the processor (this process)."""

    clock_s: float
    processor_s: float

    def __str__(self) -> str:
        if self.clock_s < 1:
            return f"{1e3 * self.clock_s:.1f} ms ({1e3 * self.processor_s:.1f} ms of processor)"
        return f"{self.clock_s:.2f} s ({self.processor_s:.2f} s of processor)"


def timed(run: Callable[[], Any]) -> Took:
    """How long one call takes."""
    began, began_cpu = time.perf_counter(), time.process_time()
    run()
    return Took(time.perf_counter() - began, time.process_time() - began_cpu)


def median(every: Sequence[Took]) -> Took:
    """The middle of many, each time for itself."""
    return Took(*(statistics.median(values) for values in zip(*every, strict=True)))


# ---------------------------------------------------------------- recompute


def bench_recompute(given: argparse.Namespace) -> None:
    """All summaries of a machine-year."""
    readings = made_readings(given.days, given.step_s, seed=1)
    n = len(readings.at_s)
    floor = timed(lambda: [np.sort(np.asarray(c)) for c in (readings.at_s, readings.restriction_pa)])
    arithmetic = min(timed(lambda: summarise_hours(readings)) for _ in range(3))
    print(f"{n:,} readings; floor, two of six columns sorted: {floor}")
    print(f"summaries, arithmetic alone: {arithmetic}")
    database_of = stored(readings)
    with database_of as (api, housing):
        engine = api.resources.readers
        scan = timed(lambda: _scan(engine))
        alone = timed(lambda: list(recompute(engine.connect, [housing], None)))
        with Helper(database_of.url) as helper:
            shared = timed(lambda: list(recompute(engine.connect, [housing], None, helper=helper)))
    print(f"the same from a SQLite file by one process: {alone}; floor, every reading fetched: {scan}")
    print(f"by two, as the command does, the start of the second included: {shared}")


def _scan(engine: sa.Engine) -> None:
    with engine.connect() as connection:
        door.arrays(connection, 1, (0, HIGHEST), ALWAYS, ["at_us", *COLUMNS])


class stored:
    """A server's database with one machine, its readings and summaries; gives the app and the housing."""

    def __init__(self, readings: Readings, *, keep_readings: bool = True) -> None:
        self._readings = readings
        self._keep = keep_readings

    def __enter__(self) -> tuple[Api, fleet.HousingRow]:
        self._folder = tempfile.TemporaryDirectory()
        self.url = f"sqlite:///{Path(self._folder.name) / 'bench.db'}"
        engine = database.writing_engine(self.url)
        database.migrate(engine)
        engine.dispose()
        self._process = in_process(self.url)
        api = self._process.__enter__()
        api.register()
        api.clock.now_us = int((self._readings.at_s[-1] + 60) * 1e6)
        api.resources.writer.call(self._fill)
        with api.resources.reading() as connection:
            [housing] = fleet.every_housing(connection, 1)
        return api, housing

    def __exit__(self, *error: Any) -> None:
        self._process.__exit__(*error)
        self._folder.cleanup()

    def _fill(self, connection: sa.Connection) -> None:
        summaries = summarise_hours(self._readings)
        whole = (summaries.hours["hour_s"] // 3600).tolist()
        kept = [Kept(hour, *packed) for hour, packed in zip(whole, summaries.packed(), strict=True)]
        hours.put_summaries(connection, 1, 0, kept)
        if not self._keep:
            return
        at_us = (self._readings.at_s * 1e6).astype(np.int64)
        streams = "owner_id, device_id, stream, mark, highest, first_heard_us, last_heard_us"
        connection.exec_driver_sql(
            f"INSERT INTO streams (id, {streams}) VALUES (1, 1, 1, 'bench', {len(at_us)}, {len(at_us)}, 1, 1)"
        )
        for first in range(0, len(at_us), BATCH_ROWS):
            piece = slice(first, first + BATCH_ROWS)
            values = {name: getattr(self._readings, name)[piece] for name in COLUMNS}
            numbers = np.arange(first + 1, first + 1 + len(at_us[piece]))
            filling.put(connection, 1, numbers, at_us[piece], values)
        connection.exec_driver_sql("UPDATE hours SET analysed_revision = revision")


# ---------------------------------------------------------------- incremental, page


def bench_incremental(given: argparse.Namespace) -> None:
    """From a committed batch to the housing judged again, at a year of history."""
    readings = made_readings(given.days, 30.0, seed=2)
    with stored(readings, keep_readings=False) as (api, _):
        known, memory = SnapshotInUse(0, known_lives(40)), Memory()
        summaries_s, judged_s = [], []
        for number in range(given.rounds + 1):
            api.clock.advance(given.batch * 10)
            answer = api.send(_batch(float(readings.at_s[-1]) + 10, number * given.batch, given.batch))
            assert answer["stored"] == given.batch, answer
            summaries_s.append(timed(lambda: summarise_all(api.resources)))
            judged_s.append(timed(lambda: judge(api, memory, known)))
        floor = median([timed(lambda: _empty_commit(api)) for _ in range(given.rounds)])
    both = [Took(*map(sum, zip(*pair, strict=True))) for pair in zip(summaries_s, judged_s, strict=True)]
    print(
        f"a batch of {given.batch} readings at {given.days:g} days of history, {given.rounds} rounds, median:"
    )
    print(f"summaries into the database: {median(summaries_s[1:])}")  # the first round loads the year
    print(f"judged and forecast again: {median(judged_s[1:])}")
    print(f"both: {median(both[1:])}; floor, one durable commit: {floor}")


def judge(api: Api, memory: Memory, known: SnapshotInUse) -> None:
    """Look at every housing, as a request would."""
    from cleanside.ingest.analysis.assessment import Judge

    with api.resources.reading() as connection:
        judge = Judge(connection, api.resources, memory, known)
        judge.views(fleet.every_housing(connection, 1), whole_owner=True)


def _empty_commit(api: Api) -> None:
    statement = "UPDATE housings SET name = name"
    api.resources.writer.call(lambda connection: connection.exec_driver_sql(statement))


def _batch(after_s: float, first: int, count: int) -> dict[str, Any]:
    at_us = [int(after_s * 1e6) + (first + i) * 10_000_000 for i in range(count)]
    columns = {"restriction": [3.0 + i % 7 / 10 for i in range(count)], "engine_speed": [1800.0] * count}
    return {
        "device": DEVICE,
        "stream": STREAM,
        "units": {"restriction": "kPa", "engine_speed": "r/min"},
        "first_seq": first + 1,
        "start": instant_text(at_us[0]),
        "step_ms": [0] + [10_000] * (count - 1),
        "columns": columns,
    }


def bench_page(given: argparse.Namespace) -> None:
    """The restriction page of a machine-year."""
    readings = made_readings(given.days, 60.0, seed=3)
    with stored(readings, keep_readings=False) as (api, _):
        cold, warm, floor = [], [], []
        for _ in range(given.rounds):
            api.services.memory, api.services.snapshots = Memory(), Snapshots()
            cold.append(timed(lambda: _page(api)))
            warm.append(timed(lambda: _page(api)))
            floor.append(timed(lambda: api.get("/healthz")))
    print(f"GET restriction of {given.days:g} days, {given.rounds} rounds, median, with up to 2 000 points:")
    print(f"by a process that remembers nothing: {median(cold)}")
    print(f"by one that does: {median(warm)}; floor, GET healthz: {median(floor)}")


def _page(api: Api) -> None:
    assert api.get("/v1/machines/grader-07/restriction").status_code == 200


# ---------------------------------------------------------------- fleet


def known_lives(count: int) -> FleetKnowledge:
    """A fitted snapshot of made lives, a third of them changed early."""
    rng = np.random.default_rng(4)
    lives = []
    for number in range(count):
        end_h = float(rng.uniform(0.8, 1.2)) * LIFE_H
        age = np.arange(1.0, end_h * (0.7 if number % 3 == 0 else 1.0))
        level = 1800 + (TERMINAL_PA - 1800) * np.expm1(2.2 * age / end_h) / np.expm1(2.2)
        level *= np.exp(rng.normal(0, 0.02, len(age)))
        lives.append(
            Life(
                hours=age,
                restriction_pa=level,
                terminal_pa=TERMINAL_PA,
                complete=number % 3 > 0,
                machine=f"machine-{number % DISTINCT}",
                kind=KINDS[number % len(KINDS)],
            )
        )
    learned = learn_fleet(lives)
    assert learned.forecaster.learned is not None  # fitted now, not at the first forecast
    return learned


_machines: list[list[PackedHour]] = []  # set before the processes fork
_known: list[FleetKnowledge] = []


def bench_fleet(given: argparse.Namespace) -> None:
    """Every machine judged and forecast from its packed summaries."""
    distinct = min(DISTINCT, given.machines)
    for number in range(distinct):
        readings = made_readings(365, 120.0, seed=10 + number, hours_a_day=given.hours_a_day)
        _machines.append(summarise_hours(readings).packed())
    _known.append(known_lives(given.lives))
    mean_hours = sum(len(packed) for packed in _machines) / distinct
    floor = timed(lambda: [Summaries.unpacked(packed) for packed in _machines]).processor_s / distinct
    with multiprocessing.get_context("fork").Pool(PROCESSES) as pool:
        pool.map(_forecast, range(PROCESSES))  # both are up
        began = time.perf_counter()
        each_s = [s for _, s in pool.map(_forecast, range(given.machines), chunksize=100)]
        took_s = time.perf_counter() - began
    print(f"{given.machines:,} machines, {mean_hours:,.0f} hours each, {given.lives} lives learned from:")
    print(f"judged and forecast on {PROCESSES} processes: {took_s:.1f} s")
    print(f"processor time of all: {sum(each_s):.1f} s, {1e3 * sum(each_s) / given.machines:.2f} ms each")
    print(f"floor, one machine's summaries unpacked: {1e3 * floor:.2f} ms of processor")


def _forecast(number: int) -> tuple[float, float]:
    """Due date of a machine, and the processor time that it took. [s]"""
    began = time.process_time()
    place = number % len(_machines)
    found = assess_housing(
        Summaries.unpacked(_machines[place]),
        HousingFacts(
            terminal_pa=TERMINAL_PA,
            fleet=_known[0],
            machine=f"machine-{place}",
            kind=KINDS[place % len(KINDS)],
        ),
        now_s=START_S + 365 * 86_400.0,
    )
    assert found.due_s is not None
    return found.due_s.p50, time.process_time() - began


def main(arguments: Sequence[str] | None = None) -> None:
    """Run one of the four."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    commands = parser.add_subparsers(required=True)
    for name, run, options in (
        ("recompute", bench_recompute, {"days": 365.0, "step_s": 10.0}),
        ("incremental", bench_incremental, {"days": 365.0, "batch": 500, "rounds": 20}),
        ("page", bench_page, {"days": 365.0, "rounds": 10}),
        ("fleet", bench_fleet, {"machines": 10_000, "hours_a_day": 8.0, "lives": 60}),
    ):
        command = commands.add_parser(name)
        for option, default in options.items():
            flag = f"--{option.replace('_', '-')}"
            command.add_argument(flag, type=type(default), default=default, help=f"default: {default:g}")
        command.set_defaults(run=run)
    given = parser.parse_args(arguments)
    given.run(given)


if __name__ == "__main__":
    main()
