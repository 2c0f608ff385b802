"""
`cleanside-simulator load`: machines put load on a server, on time whatever it does, and then it is checked.

An open loop: a reading is due at its moment, and its latency counts from there to the acknowledgement. Then
every reading is asked of the server again over HTTP and compared. Exit code 0 only if all was acknowledged
and all of it holds.
Leaves to others: patterns, machines, figures and the check (the files beside this one).
"""

from __future__ import annotations

import asyncio
import dataclasses
import json
import random
import secrets
import time
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlsplit

from rich.console import Console

from cleanside.gateway.units import counted
from cleanside.simulator.demo import run_folder
from cleanside.simulator.errors import CalledWrongly
from cleanside.simulator.held_rows import check
from cleanside.simulator.load_page import page_of
from cleanside.simulator.load_patterns import OWN_SERVER_ONLY, PATTERNS, LoadPlan, plan_of
from cleanside.simulator.load_report import LoadOutcome, document_of, kinds, render
from cleanside.simulator.load_target import LoadTarget, own_server, register, running_server
from cleanside.simulator.load_timings import Figures
from cleanside.simulator.load_troubles import Troubles, relays
from cleanside.simulator.open_machine import Bench, OpenMachine
from cleanside.simulator.server_line import ServerLine

MOST_READINGS: Final = 50_000_000  # of a run; chosen: what a check of some minutes reads back
REQUEST_WITHIN_S: Final = 10.0  # then a machine tries again, as with a link that is gone
LINES: Final = 20  # of progress in a run


@dataclass(frozen=True, kw_only=True, slots=True)
class LoadChoices:
    """What can be chosen on the command line."""

    pattern: str = "steady"
    machines: int = 50
    interval_s: float = 1.0
    duration_s: float = 60.0
    #: of each machine that comes back [readings]
    backlog: int = 2_880
    seed: int = 7
    #: how long to wait after the run until everything is acknowledged [s]
    settle_s: float = 180.0
    #: None: the simulator's own
    server: str | None = None
    key_file: Path | None = None
    beyond_loopback: bool = False
    json_file: Path | None = None
    page_file: Path | None = None
    folder: Path | None = None


def run_load(choices: LoadChoices, *, console: Console) -> int:
    """Run a pattern against a server; returns the exit code."""
    plan = plan_for(choices)
    with ExitStack() as stack:
        if choices.server is None:
            folder = stack.enter_context(run_folder(choices.folder, prefix="cleanside-load-"))
            target = stack.enter_context(own_server(folder))
        else:
            target = running_server(choices.server, choices.key_file, beyond_loopback=choices.beyond_loopback)
        outcome = _run(plan, target, choices.settle_s, console)
    render(outcome, console)
    if choices.json_file is not None:
        _write(choices.json_file, json.dumps(document_of(outcome), indent=2) + "\n")
    if choices.page_file is not None:
        _write(choices.page_file, page_of(outcome))
    return 0 if outcome.holds else 1


def run_check(report: Path, *, server: str, key_file: Path, beyond_loopback: bool, console: Console) -> int:
    """Check once more what a run left on a server, from its report; returns the exit code."""
    try:
        document: Any = json.loads(report.read_text())
    except (OSError, ValueError) as error:
        raise CalledWrongly(
            f"{report} cannot be read as a report ({error}); give one of `load --json`"
        ) from error
    plan = plan_of(document)
    sampled: list[int] = document.get("sampled_by_machine", [])
    if len(sampled) != plan.machines:
        machines = counted(len(sampled), "machine")
        raise CalledWrongly(f"{report} counts {machines}, its plan has {plan.machines}; give a whole one")
    target = running_server(server, key_file, beyond_loopback=beyond_loopback)
    findings = check(plan, target.url, target.key, sampled.__getitem__, lambda _: None)
    for finding in findings:
        many = counted(finding.readings, "reading")
        console.print(
            f"{finding.kind}: {finding.device}: {many}, {finding.detail}", soft_wrap=True, highlight=False
        )
    found = ", ".join(f"{many:,} {kind}" for kind, many in kinds(findings).items())
    console.print(f"{counted(sum(sampled), 'reading')} of {counted(plan.machines, 'machine')}: {found}.")
    return 1 if findings else 0


def plan_for(choices: LoadChoices) -> LoadPlan:
    """The plan of a run that begins later. Raises CalledWrongly where it is too large, or not to be had."""
    plan = LoadPlan(
        pattern=choices.pattern,
        run=secrets.token_hex(3),
        seed=choices.seed,
        machines=choices.machines,
        interval_s=choices.interval_s,
        duration_s=choices.duration_s,
        backlog=choices.backlog if choices.pattern == "herd" else 0,
        start_us=0,
    )
    total = sum(map(plan.samples_of, range(plan.machines)))
    if total > MOST_READINGS:
        raise CalledWrongly(
            f"{counted(total, 'reading')} are more than {MOST_READINGS:,}; "
            "use fewer --machines, a longer --interval-s or a shorter --seconds"
        )
    if choices.server is not None and PATTERNS[choices.pattern].trouble in OWN_SERVER_ONLY:
        raise CalledWrongly(
            f'pattern "{choices.pattern}" makes trouble for server or links, so it needs a server that the '
            "simulator starts; leave --server out"
        )
    return plan


# ---------------------------------------------------------------- the run


def _run(plan: LoadPlan, target: LoadTarget, settle_s: float, console: Console) -> LoadOutcome:
    console.print(
        f"{plan.pattern}: {PATTERNS[plan.pattern].about}. {counted(plan.machines, 'machine')}, "
        f"a reading each {plan.interval_s:g} s, {plan.duration_s:g} s.",
        soft_wrap=True,
        highlight=False,
    )
    keys = register(plan, target)
    with relays(plan, urlsplit(target.url).port or 80) as links:
        urls = [link.url for link in links] or [target.url]
        lines = [
            ServerLine(urls[machine % len(urls)], key=key, timeout_s=REQUEST_WITHIN_S)
            for machine, key in enumerate(keys)
        ]
        outcome = asyncio.run(
            drive(plan, lines, lambda begun: Troubles(begun, target.shop, links), settle_s, console.print)
        )
    step = max(1, plan.machines // LINES)

    def said(done: int) -> None:
        if done % step == 0 or done == plan.machines:
            console.print(f"  checked {done:,} of {counted(plan.machines, 'machine')}", highlight=False)

    findings = check(outcome.plan, target.url, target.key, outcome.sampled.__getitem__, said)
    return dataclasses.replace(outcome, findings=findings)


async def drive(
    plan: LoadPlan,
    lines: Sequence[ServerLine],
    troubles_of: Callable[[LoadPlan], Troubles],
    settle_s: float,
    say: Callable[[str], object],
) -> LoadOutcome:
    """Let all machines sample and send, until everything is acknowledged or given up. No check yet."""
    began_s, began_ms = time.monotonic(), time.time_ns() // 1_000_000
    plan = dataclasses.replace(plan, start_us=began_ms * 1000)
    figures, ends, chance = Figures(plan.duration_s), asyncio.Event(), random.Random(f"{plan.seed} waits")

    def elapsed_s() -> float:
        return time.monotonic() - began_s

    bench = Bench(plan, figures, elapsed_s, chance.random, ends)
    machines = [OpenMachine(bench, number, line) for number, line in enumerate(lines)]
    troubles = troubles_of(plan)
    trouble = asyncio.create_task(asyncio.to_thread(troubles.run, elapsed_s))
    watch = asyncio.create_task(_watch(bench, settle_s, say))
    try:
        await asyncio.gather(*(machine.run() for machine in machines))
        took_s = elapsed_s()
    finally:
        ends.set()
        troubles.end()
        await asyncio.gather(trouble, watch)
    return LoadOutcome(
        plan=plan,
        figures=figures,
        sampled=[machine.sampled for machine in machines],
        took_s=took_s,
        findings=None,
        troubles=_left_over(plan, machines),
    )


def _left_over(plan: LoadPlan, machines: Sequence[OpenMachine]) -> list[str]:
    lines = [f"{plan.device(n)} stopped: {m.trouble}" for n, m in enumerate(machines) if m.trouble]
    left = sum(not machine.is_done for machine in machines)
    if left:
        lines.append(f"{counted(left, 'machine')} still waited for the server at the end; see --settle-s")
    return lines


async def _watch(bench: Bench, settle_s: float, say: Callable[[str], object]) -> None:
    """Note each slice, say how it goes, and end the run when its time to settle is over."""
    figures, plan = bench.figures, bench.plan
    said_s, every_s = 0.0, max(1.0, plan.duration_s / LINES)
    while not bench.ends.is_set():
        await asyncio.sleep(min(1.0, every_s))
        now_s = bench.elapsed_s()
        figures.now(now_s).waiting = figures.waiting
        if now_s - said_s >= every_s:
            said_s = now_s
            say(_progress(figures, now_s, plan.duration_s))
        if now_s > plan.duration_s + settle_s:
            bench.ends.set()


def _progress(figures: Figures, now_s: float, duration_s: float) -> str:
    p99_ms = figures.live.at_percentile_ms(99.0)
    return (
        f"  {min(now_s, duration_s):.0f} of {duration_s:.0f} s: {figures.sampled:,} sampled, "
        f"{figures.acknowledged:,} acknowledged, {figures.waiting:,} wait, live p99 {p99_ms:,.0f} ms"
    )


def _write(file: Path, text: str) -> None:
    try:
        file.write_text(text)
    except OSError as error:
        raise CalledWrongly(f"{file} cannot be written ({error.strerror}); the run itself is done") from error
