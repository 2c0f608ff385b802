"""
`cleanside-simulator demo`: a small invented fleet lives through some weeks in under a minute.

A real server, real gateway processes with real spool files, real HTTP on loopback. Links are lost as machines
enter the valley, gateways are killed while they write, the server is killed while batches are on the way.
Then: is every reading that a gateway had on disk at the server, once? Exit code 0 only if it is.
"""

from __future__ import annotations

import json
import math
import random
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeElapsedColumn

from cleanside.gateway import file_modes
from cleanside.gateway.commands import status
from cleanside.gateway.units import counted
from cleanside.simulator import depot
from cleanside.simulator.errors import CalledWrongly, DemoFailed
from cleanside.simulator.fleet import FLEET, MachineSpec
from cleanside.simulator.instrument import Instrument
from cleanside.simulator.report import DemoOutcome, StreamVerdict, as_json, render
from cleanside.simulator.schedule import Schedule, make_schedule
from cleanside.simulator.shop import Shop
from cleanside.simulator.unit import Plan

OUTAGE_AT_SHARE = 0.45  # of all power cycles: when the server is killed
OUTAGE_S = 2.0  # real time; days of simulated time
MAX_DELAY_TO_KILL_S = (
    0.02  # a reading takes about 0.2 ms to commit, so the kill hits one of the first hundred
)
UNIT_DEADLINE_S = 240.0
WAIT_S = 0.5  # between two looks at what is waited for
#: who is invited to the console where the server stays up
PERSON = "demo-admin"


@dataclass(frozen=True, kw_only=True, slots=True)
class Choices:
    """What can be chosen on the command line."""

    days: int = 21
    seed: int = 7
    cadence_s: float = 30.0
    serve: bool = False
    json_file: Path | None = None
    folder: Path | None = None
    #: of the server; 0: a free one
    port: int = 0


@dataclass(slots=True)
class DemoMachine:
    """One machine while the demo runs."""

    spec: MachineSpec
    schedule: Schedule
    spool_path: Path
    key_file: Path
    kills: int = 0
    #: stream -> highest number the process said was on disk
    reported_through: dict[str, int] = field(default_factory=dict)
    error: str = ""
    #: its gateway, while it runs
    process: subprocess.Popen[bytes] | None = None
    #: the demo was interrupted: no further gateway is started
    is_over: bool = False


def run(choices: Choices, *, now: datetime, console: Console) -> int:
    """Run the demo; returns the exit code."""
    if choices.json_file is not None and not choices.json_file.parent.is_dir():
        raise CalledWrongly(f"--json {choices.json_file} is in no folder; give one that is there")
    with run_folder(choices.folder, prefix="cleanside-demo-") as folder:
        return _run_in(folder, choices, now=now, console=console)


@contextmanager
def run_folder(folder: Path | None, *, prefix: str) -> Iterator[Path]:
    """
    Where a run leaves its files. folder : None: a temporary one.

    Raises CalledWrongly unless it is empty: what an earlier run left has keys and numbers of its own.
    """
    if folder is None:
        with tempfile.TemporaryDirectory(prefix=prefix) as made:
            yield Path(made)
        return
    try:
        file_modes.make_folder(folder)
        is_used = any(folder.iterdir())
    except OSError as error:
        raise CalledWrongly(f"--folder {folder} cannot be made ({error.strerror}); give another") from error
    if is_used:
        raise CalledWrongly(f"--folder {folder} is not empty; give one that is, or is not there yet")
    yield folder


def _run_in(folder: Path, choices: Choices, *, now: datetime, console: Console) -> int:
    began_s = time.monotonic()
    midnight = now.astimezone(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    start_at = midnight - timedelta(days=choices.days)
    shop = Shop(folder, port=choices.port)
    machines: list[DemoMachine] = []
    try:
        machines_of, days = counted(len(FLEET), "machine"), counted(choices.days, "day")
        console.print(f"Starting a server and {machines_of}; {days} of readings follow.")
        console.file.flush()  # into a file too: what follows takes a while
        shop.open()
        machines += [_prepare(spec, shop, folder, start_at, choices) for spec in FLEET]
        outages = _live(machines, shop, start_at, choices, console)
        _enter_changes(machines, shop, choices)
        depot.enter(FLEET, now.astimezone(UTC).date(), post=shop.post, patch=shop.patch)
        shop.wait_analysed()
        outcome = _judge(machines, shop, outages, took_s=time.monotonic() - began_s)
        render(outcome, console)
        if choices.json_file is not None:
            choices.json_file.write_text(json.dumps(as_json(outcome), indent=2) + "\n")
        if choices.serve:
            show_the_way_in(shop, console)
            shop.wait()
        return 0 if outcome.balances else 1
    except KeyboardInterrupt:
        return 130
    finally:
        _end(machines)
        shop.stop()


def show_the_way_in(shop: Shop, console: Console) -> None:
    """Print the address, the key, and a link to the console that signs in as admin, once."""
    console.print(
        f"The server stays up at {shop.url}, described at {shop.url}/openapi.json; Ctrl-C stops it. "
        f"An admin key is in {shop.key_file}."
    )
    # Whole on a line of its own, so that it can be clicked or copied.
    console.print("The fleet in a browser, signed in as admin; the link opens once, choose a password there:")
    console.print(shop.invite(PERSON), soft_wrap=True)
    console.print(f"The documents, from a first integration to each setting: {shop.url}/docs")
    console.print("A clone builds them once, in a minute or so; until then that page says so.")
    console.file.flush()  # into a file too: the build takes a while, and then the server waits for a signal
    is_there = shop.show_documents()
    console.print("The documents are built." if is_there else f"They cannot be built; see {shop.log_file}")
    console.file.flush()


def _end(machines: list[DemoMachine]) -> None:
    """Leave no gateway behind where the demo was interrupted."""
    for machine in machines:
        machine.is_over = True
        if machine.process is not None:
            machine.process.kill()


def _prepare(
    spec: MachineSpec, shop: Shop, folder: Path, start_at: datetime, choices: Choices
) -> DemoMachine:
    key_file = folder / f"{spec.device}.key"
    file_modes.make_file(key_file)
    key_file.write_text(shop.register(spec))
    schedule = make_schedule(spec, start_at=start_at, days=choices.days, seed=choices.seed)
    return DemoMachine(spec, schedule, folder / f"{spec.device}.spool", key_file)


# ---------------------------------------------------------------- weeks of work


def _live(
    machines: list[DemoMachine], shop: Shop, start_at: datetime, choices: Choices, console: Console
) -> int:
    """Run all gateways to the end of their schedules; returns how often the server was killed."""
    total = sum(len(machine.schedule.cycles) for machine in machines)
    done = threading.Semaphore(0)
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TimeElapsedColumn(),
        console=console,
    )
    with bar:
        task = bar.add_task(
            f"{counted(choices.days, 'day')} of {counted(len(machines), 'machine')}", total=total
        )
        lock = threading.Lock()
        lived = 0

        def advance(cycles: int) -> None:
            nonlocal lived
            with lock:
                if not console.is_terminal:  # where no bar is drawn, a line says that it goes on
                    for percent in tenths_passed(lived, lived + cycles, total):
                        print(f"{percent} % of the work is done", file=sys.stderr, flush=True)
                lived += cycles
                bar.update(task, completed=lived)
            if lived >= total * OUTAGE_AT_SHARE:
                done.release()

        threads = [
            threading.Thread(target=_follow, args=(m, shop.url, start_at, choices, advance)) for m in machines
        ]
        for thread in threads:
            thread.start()
        _wait(lambda: done.acquire(timeout=WAIT_S), until_s=time.monotonic() + UNIT_DEADLINE_S)
        shop.kill()
        bar.update(task, description="the server is down")
        time.sleep(OUTAGE_S)
        shop.start()
        bar.update(task, description="the server is back")
        _wait(lambda: all(_has_ended(thread) for thread in threads))
    for machine in machines:
        if machine.error:
            raise DemoFailed(f"{machine.spec.name}: {machine.error}")
    return 1


def tenths_passed(before: int, after: int, total: int) -> list[int]:
    """The tenths of a whole, in percent, that are reached between two counts. Pure."""
    return [10 * tenth for tenth in range(1, 11) if before * 10 < tenth * total <= after * 10]


def _wait(is_over: Callable[[], bool], *, until_s: float = math.inf) -> None:
    """
    Ask again and again, each time for a moment: a signal that comes just before a wait is handled after it.

    until_s : of the monotonic clock; then it is given up.
    """
    while not is_over() and time.monotonic() < until_s:
        pass


def _has_ended(thread: threading.Thread) -> bool:
    thread.join(WAIT_S)
    return not thread.is_alive()


def _follow(
    machine: DemoMachine, server: str, start_at: datetime, choices: Choices, advance: Callable[[int], None]
) -> None:
    """Start the machine's gateway process, kill it where the schedule says, start it at the next key-on."""
    try:
        next_cycle: int | None = 0
        while next_cycle is not None and not machine.is_over:
            next_cycle = _one_process(machine, next_cycle, server, start_at, choices, advance)
    except Exception as error:
        machine.error = f"{type(error).__name__}: {error}"


def _one_process(
    machine: DemoMachine,
    first_cycle: int,
    server: str,
    start_at: datetime,
    choices: Choices,
    advance: Callable[[int], None],
) -> int | None:
    """One life of the gateway process. Returns the next power cycle; None: it was the last."""
    plan = Plan(
        machine=machine.spec.name,
        start_at=start_at,
        days=choices.days,
        seed=choices.seed,
        cadence_s=choices.cadence_s,
        spool_path=machine.spool_path,
        server=server,
        key_file=machine.key_file,
        first_cycle=first_cycle,
    )
    plan_file = machine.spool_path.with_suffix(".plan.json")
    plan_file.write_text(plan.as_json())
    delay = random.Random(f"{choices.seed} {machine.spec.name} {first_cycle}")
    command = [sys.executable, "-m", "cleanside.simulator.unit", str(plan_file)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        machine.process = process
        if machine.is_over:  # meanwhile
            process.kill()
        assert process.stdout is not None
        assert process.stderr is not None
        cycle = first_cycle
        for line in process.stdout:
            said: dict[str, Any] = json.loads(line)
            if said["event"] == "appended":
                machine.reported_through[said["stream"]] = said["through"]
            elif said["event"] == "cycle":
                cycle = said["index"] + 1
                advance(1)
            elif said["event"] == "writing":
                timer = threading.Timer(delay.uniform(0, MAX_DELAY_TO_KILL_S), process.kill)
                timer.start()
            elif said["event"] == "finished":
                return None
        trouble = process.stderr.read().decode(errors="replace").strip()
    if process.returncode != -9:
        raise DemoFailed(f"its gateway ended with {process.returncode}: {trouble.splitlines()[-1:]}")
    machine.kills += 1
    advance(1)
    return cycle + 1


# ---------------------------------------------------------------- afterwards


def _enter_changes(machines: list[DemoMachine], shop: Shop, choices: Choices) -> None:
    """The technician enters the element that was changed."""
    for machine in machines:
        instrument = Instrument(
            machine.spec, machine.schedule.cycles, cadence_s=choices.cadence_s, seed=choices.seed
        )
        changed = instrument.changed_in_cycle()
        if changed is not None:
            at = machine.schedule.cycles[changed].on_at - timedelta(minutes=5)
            body = {"changed_at": at.isoformat(), "note": "new primary element, housing wiped"}
            shop.post(f"/v1/machines/{machine.spec.name}/element-changes", body)


def _judge(machines: list[DemoMachine], shop: Shop, outages: int, *, took_s: float) -> DemoOutcome:
    """Compare the appended numbers of the spools with the server's account."""
    account = shop.get("/v1/account")
    by_stream = {line["stream"]: line for line in account["streams"]}
    lines = []
    for machine in machines:
        spool = status.read(machine.spool_path, now_us=0).spool
        for stream in spool.streams:
            lines.append(
                StreamVerdict(
                    machine=machine.spec.name,
                    stream=stream.stream,
                    appended=stream.appended_through,
                    released=stream.acknowledged_through,
                    reported=machine.reported_through.get(stream.stream, 0),
                    server=by_stream.get(stream.stream),
                )
            )
    return DemoOutcome(
        fleet=shop.get("/v1/fleet"),
        lines=lines,
        server_balances=bool(account["balances"]),
        kills=sum(machine.kills for machine in machines),
        outages=outages,
        took_s=took_s,
    )
