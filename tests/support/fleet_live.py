"""
Some machines of the large fleet, day by day through real gateways and a real server, and what it answers.

Simulated time: the gateways live through each day in processes of their own, which are killed now and then;
the server's clock stands at 20:00 of that day when it is asked. Its answers are scored as `fleet_truth` does.
"""

from __future__ import annotations

import json
import random
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from cleanside.gateway.commands import status
from cleanside.simulator.fleet_unit import UnitPlan
from cleanside.simulator.shop import Shop
from tests.support.fleet_truth import DAY_S, Floats, Machine, Said
from tests.support.server_on_set_time import Told

LOOK_AT_S = 20 * 3600.0
KILL_SHARE = 0.03  # of the days of a machine
ANSWER_WITHIN_S = 300.0


@dataclass
class Running:
    """A machine's gateways: the process, and what it said is on disk."""

    machine: Machine
    plan: UnitPlan
    plan_file: Path
    process: subprocess.Popen[str] | None = None
    on_disk: dict[str, int] = field(default_factory=dict)
    kills: int = 0

    def start(self, from_s: float) -> None:
        """Start its process at an instant of simulated time."""
        words = {name: getattr(self.plan, name) for name in self.plan.__dataclass_fields__} | {
            "from_s": from_s
        }
        self.plan_file.write_text(UnitPlan(**words).as_json())
        command = [sys.executable, "-m", "cleanside.simulator.fleet_unit", str(self.plan_file)]
        self.process = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)

    def tell(self, until_s: float) -> None:
        """Let it live on."""
        assert self.process is not None
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps({"until_s": until_s}) + "\n")
        self.process.stdin.flush()

    def hear(self) -> None:
        """Wait until it has; a process that ended by itself is an error."""
        assert self.process is not None
        assert self.process.stdout is not None
        line = self.process.stdout.readline()
        if not line:
            raise RuntimeError(f"the gateways of {self.machine.name} ended with {self.process.wait()}")
        self.on_disk |= json.loads(line)["on_disk"]

    def kill(self) -> None:
        """Take its power away."""
        assert self.process is not None
        self.process.kill()
        self.process.communicate()
        self.kills += 1

    def stop(self) -> None:
        """Close its input: it ends."""
        if self.process is not None:
            self.process.communicate()


@dataclass(frozen=True)
class Lived:
    """What came of it."""

    said: dict[str, list[Said]]
    account: dict[str, Any]
    #: streams whose spool and server do not agree
    faults: list[str]
    readings: int
    kills: int


def live_through(
    machines: Sequence[Machine],
    folder: Path,
    *,
    seed: int,
    cadence_s: float,
    every_days: int = 1,
    learn_on_days: Sequence[int] | None = None,
) -> Lived:
    """
    Let the machines live through their days, and ask the server every so many.

    learn_on_days : the server learns the fleet on the evenings of these; None: on its own schedule.
    """
    told_file = folder / "told"
    told = Told(told_file)
    told.set_time(float(machines[0].about["start_s"]))
    if learn_on_days is not None:
        told.learn_when_told()
    shop = Shop(folder, program=("-m", "tests.support.server_on_set_time", str(told_file)))
    try:
        shop.open()
        with _running(machines, shop, folder, seed=seed, cadence_s=cadence_s) as gateways:
            chance = random.Random(seed)
            said = _days(gateways, shop, told, every_days, learn_on_days or (), chance)
        account = shop.get("/v1/account")
        faults = [fault for running in gateways for fault in _faults(running, account)]
    finally:
        shop.stop()
    streams = account["streams"]
    return Lived(
        said=said,
        account=account,
        faults=faults,
        readings=sum(line["stored"] for line in streams),
        kills=sum(running.kills for running in gateways),
    )


@contextmanager
def _running(
    machines: Sequence[Machine], shop: Shop, folder: Path, *, seed: int, cadence_s: float
) -> Iterator[list[Running]]:
    gateways = [_prepare(machine, shop, folder, seed, cadence_s) for machine in machines]
    try:
        for running in gateways:
            running.start(running.plan.start_s)
        yield gateways
    finally:
        for running in gateways:
            running.stop()


def _prepare(machine: Machine, shop: Shop, folder: Path, seed: int, cadence_s: float) -> Running:
    about = machine.about
    shop.register_machine(machine.name, about["kind"], about["terminal"], about["terminal_unit"])
    devices = {}
    for device in (1, 2) if about["second_device"] else (1,):
        name = f"{machine.name}-{device}"
        key_file = folder / f"{name}.key"
        key_file.touch(mode=0o600)
        key_file.write_text(shop.register_device(name, machine.name))
        devices[device] = (name, str(folder / f"{name}.spool"), str(key_file))
    plan = UnitPlan(
        number=about["number"],
        start_s=about["start_s"],
        days=about["days"],
        seed=seed,
        cadence_s=cadence_s,
        devices=devices,
        server=shop.url,
        from_s=about["start_s"],
    )
    return Running(machine, plan, folder / f"{machine.name}.plan.json")


def _days(
    gateways: list[Running],
    shop: Shop,
    told: Told,
    every_days: int,
    learn_on_days: Sequence[int],
    chance: random.Random,
) -> dict[str, list[Said]]:
    """Day after day: the terminal value as entered, the work, the look, and what the fleet taught."""
    said: dict[str, list[Said]] = {running.machine.name: [] for running in gateways}
    about = gateways[0].machine.about
    entered = {r.machine.name: r.machine.entered_terminal(about["start_s"]) for r in gateways}
    for day in range(about["days"]):
        at_s = about["start_s"] + day * DAY_S + LOOK_AT_S
        told.set_time(at_s)
        _enter_terminals(gateways, shop, at_s, entered)
        _live_one_day(gateways, at_s, chance)
        if day % every_days == every_days - 1:
            for housing in _settled(shop)["housings"]:
                running = next(r for r in gateways if r.machine.name == housing["machine"])
                if housing["last_reading_at"] is not None:
                    said[running.machine.name].append(_said(running.machine, housing, shop, at_s))
        if day in learn_on_days:
            _settled(shop)
            told.learn()
    return said


def _enter_terminals(
    gateways: list[Running], shop: Shop, at_s: float, entered: dict[str, tuple[float, str]]
) -> None:
    """What a person enters by the evening: a wrong terminal value, and later the right one again."""
    for running in gateways:
        name, now = running.machine.name, running.machine.entered_terminal(at_s)
        if now != entered[name]:
            since = datetime.fromtimestamp(at_s - 1, UTC).isoformat().replace("+00:00", "Z")
            body = {"value": now[0], "unit": now[1], "valid_from": since}
            shop.post(f"/v1/machines/{name}/terminal-restriction", body)
            entered[name] = now


def _live_one_day(gateways: list[Running], at_s: float, chance: random.Random) -> None:
    """All gateways live to `at_s`; some lose their power on the way and come back the next day."""
    killed = [running for running in gateways if chance.random() < KILL_SHARE]
    for running in gateways:
        running.tell(at_s)
    for running in killed:
        time.sleep(chance.uniform(0.0, 0.2))  # hits it somewhere in its day: nothing is waited for here
        running.kill()
        running.start(at_s)
    for running in gateways:
        if running not in killed:
            running.hear()


def _settled(shop: Shop) -> dict[str, Any]:
    """The fleet, once the analysis has caught up."""
    deadline = time.monotonic() + ANSWER_WITHIN_S
    while True:
        fleet = shop.get("/v1/fleet")
        if not any(housing["hours_behind"] for housing in fleet["housings"]):
            return fleet
        if time.monotonic() > deadline:
            raise RuntimeError(f"the analysis is still behind after {ANSWER_WITHIN_S:g} s")
        time.sleep(0.1)


def _said(machine: Machine, housing: dict[str, Any], shop: Shop, at_s: float) -> Said:
    """A housing's answer in the form that is scored."""
    left, due = housing["hours_left"], housing["due_at"]
    return Said(
        at_s=at_s,
        seen_h=float(machine.hours_at(_seconds(housing["last_reading_at"]))),
        state=housing["state"],
        causes=frozenset(s["cause"] for s in housing["suspicions"]),
        hours_left=None if left is None else np.array([left["p10"], left["p50"], left["p90"]]),
        due_s=None if due is None else _dates(due),
        found=_changes(machine, shop),
    )


def _dates(due: dict[str, str | None]) -> Floats:
    return np.array([np.inf if due[p] is None else _seconds(due[p]) for p in ("p10", "p50", "p90")])


def _changes(machine: Machine, shop: Shop) -> tuple[tuple[float, str], ...]:
    """Where the server lets a life begin that is not the first, and as what."""
    lives = shop.get(f"/v1/machines/{machine.name}/lives")["lives"]
    return tuple((_seconds(life["start_at"]), life["began"]) for life in lives[1:])


def _seconds(at: str | None) -> float:
    assert at is not None
    return datetime.fromisoformat(at).timestamp()


def _faults(running: Running, account: dict[str, Any]) -> list[str]:
    """Where spool and server do not agree, stream by stream."""
    by_stream = {line["stream"]: line for line in account["streams"]}
    found = []
    for _, spool_path, _ in running.plan.devices.values():
        for stream in status.read(Path(spool_path), now_us=0).spool.streams:
            said, server = running.on_disk.get(stream.stream, 0), by_stream.get(stream.stream)
            if said > stream.appended_through:
                found.append(f"{stream.stream}: had {said} on disk, has {stream.appended_through}")
            if server is None or server["acknowledged_through"] < stream.acknowledged_through:
                found.append(
                    f"{stream.stream}: released through {stream.acknowledged_through}, server {server}"
                )
    return found
