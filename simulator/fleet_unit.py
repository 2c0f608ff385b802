"""
One machine of the large fleet on simulated time, as a process: `python -m cleanside.simulator.fleet_unit
plan.json`.

Promises: spools, uplinks and HTTP are the real ones, one of each for every monitor; clock, sensor and radio
link are simulated. It runs up to each line {"until_s": ...} on standard input, one at a time, and
answers with what is on disk once it is there. It can be killed at any time: started again with a later
`from_s` it continues from there, with the spools that it finds; readings that it did not append were never
measured.
Leaves to others: when to continue and when to kill it (the caller).
"""

from __future__ import annotations

import json
import os
import random
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from cleanside.gateway.log import EventLog
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import Anchor, SettableClock
from cleanside.gateway.units import QUANTITIES
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.transport import HttpTransport
from cleanside.gateway.wire import Reading
from cleanside.simulator.difficulty import read_difficulty
from cleanside.simulator.unit import DRAIN_STEPS, FIRST_FIX_S, FIX_UNCERTAINTY_US, Radio
from cleanside.simulator.year import Year, live

FLEET_CHUNK_READINGS = 240
#: columns of a year -> quantity on the wire, in the unit of storage
QUANTITY_OF = {quantity.column: quantity for quantity in QUANTITIES.values()}


@dataclass(frozen=True, kw_only=True, slots=True)
class UnitPlan:
    """The caller's orders to the process. Written as JSON."""

    number: int
    start_s: float
    days: int
    seed: int
    cadence_s: float
    #: device (1 or 2) -> its name, its spool and the file with its key
    devices: dict[int, tuple[str, str, str]]
    server: str
    #: readings before it are not sent: the process was killed before, or they are lived through
    from_s: float

    def as_json(self) -> str:
        """The plan as text."""
        return json.dumps({name: getattr(self, name) for name in self.__dataclass_fields__})

    @classmethod
    def from_json(cls, text: str) -> UnitPlan:
        """The plan from text."""
        plain: dict[str, Any] = json.loads(text)
        plain["devices"] = {int(number): tuple(names) for number, names in plain["devices"].items()}
        return cls(**plain)


class FleetUnit:
    """The gateways of one machine."""

    def __init__(self, plan: UnitPlan) -> None:
        self._year: Year = live(
            plan.number,
            read_difficulty(),
            start_s=plan.start_s,
            days=plan.days,
            seed=plan.seed,
            cadence_s=plan.cadence_s,
        )
        self._now_s = plan.from_s
        self._gateways = [
            MonitorGateway(
                plan, device, self._year, random.Random(f"{plan.seed} {plan.number} {device} {plan.from_s}")
            )
            for device in plan.devices
        ]

    def go_to(self, until_s: float) -> dict[str, Any]:
        """Live through the power cycles that end before `until_s`; returns what is on disk."""
        on_disk: dict[str, int] = {}
        for gateway in self._gateways:
            on_disk |= gateway.go_to(self._now_s, until_s)
        self._now_s = until_s
        return {"until_s": until_s, "on_disk": on_disk}


class MonitorGateway:
    """One monitor's spool and uplink, and the readings that are to go through them."""

    def __init__(self, plan: UnitPlan, device: int, year: Year, chance: random.Random) -> None:
        self._name, self._spool_path, key_file = plan.devices[device]
        self._key = Path(key_file).read_text().strip()
        self._server = plan.server
        self._year = year
        self._chance = chance
        self._clock = SettableClock(utc_us=round(plan.from_s * 1e6))
        self._next_try_us = 0
        measured = year.measured
        self._rows = np.flatnonzero(measured.device == device)
        self._cycle = measured.cycle[self._rows]

    def go_to(self, from_s: float, until_s: float) -> dict[str, int]:
        """Run the power cycles in [from_s, until_s); returns stream -> highest number on disk."""
        cycles = self._year.world.cycles
        on_disk: dict[str, int] = {}
        for number in np.flatnonzero((cycles.on_s >= from_s) & (cycles.off_s < until_s)).tolist():
            rows = self._rows[self._cycle == number]
            if len(rows):
                on_disk |= self._one_cycle(number, rows)
        return on_disk

    def _one_cycle(self, number: int, rows: npt.NDArray[np.int64]) -> dict[str, int]:
        on_us = round(float(self._year.world.cycles.on_s[number]) * 1e6)
        self._clock.key_off(off_s=(on_us - self._clock.true_us()) / 1e6, boot_id=f"boot-{number}")
        self._next_try_us = 0
        http = HttpTransport(self._server, key=lambda: self._key, timeout_s=30)
        radio = Radio(http, has_link=self._has_link, random=self._chance)
        with Spool(Path(self._spool_path), device=self._name, clock=self._clock) as spool:
            log = EventLog(now_us=self._clock.since_boot_us, write=lambda _level, _line: None)
            uplink = Uplink(spool, radio, clock=self._clock, random=self._chance.random, log=log)
            spool.event("key_on")
            through = self._work(spool, uplink, rows, on_us)
            stream = str(spool.open_stream)
        radio.close()
        return {stream: through}

    def _work(self, spool: Spool, uplink: Uplink, rows: npt.NDArray[np.int64], on_us: int) -> int:
        measured, through = self._year.measured, 0
        # A cycle whose readings are placed where they were taken had a fix; the others are bracketed.
        fixed = abs(float(measured.at_s[rows[0]] - measured.taken_s[rows[0]])) < 1e-3
        for first in range(0, len(rows), FLEET_CHUNK_READINGS):
            chunk = rows[first : first + FLEET_CHUNK_READINGS]
            since_us = [round(float(at_s) * 1e6) - on_us for at_s in measured.taken_s[chunk]]
            self._clock.advance(max(0.0, (since_us[-1] - self._clock.since_boot_us()) / 1e6))
            if first + FLEET_CHUNK_READINGS >= len(rows):
                spool.event("key_off")
            through = spool.append(list(self._readings(chunk)), since_boot_us=since_us)[-1]
            if fixed and self._clock.since_boot_us() >= FIRST_FIX_S * 1e6:
                spool.anchor(self._fix())
            self._exchange(uplink)
        return through

    def _readings(self, rows: npt.NDArray[np.int64]) -> Iterator[Reading]:
        columns = {n: c[rows].tolist() for n, c in self._year.measured.columns.items()}
        units = {QUANTITY_OF[n].name: QUANTITY_OF[n].si_unit for n in columns}
        for i in range(len(rows)):
            yield Reading(values={QUANTITY_OF[n].name: c[i] for n, c in columns.items()}, units=units)

    def _fix(self) -> Anchor:
        return Anchor(
            kind="gps",
            since_boot_us=self._clock.since_boot_us(),
            utc_us=self._clock.true_us(),
            uncertainty_us=FIX_UNCERTAINTY_US,
        )

    def _has_link(self) -> bool:
        now_s = self._clock.true_us() / 1e6
        return not any(from_s <= now_s < until_s for from_s, until_s in self._year.link.gaps)

    def _exchange(self, uplink: Uplink) -> None:
        """Send what can be sent at this moment of simulated time."""
        for _ in range(DRAIN_STEPS):
            if self._clock.true_us() < self._next_try_us:
                return
            step = uplink.step()
            if step.idle:
                return
            self._next_try_us = self._clock.true_us() + round(step.wait_s * 1e6)


def follow(unit: FleetUnit, lines: Iterator[str], say: Callable[[dict[str, Any]], None]) -> None:
    """Go as far as each line says, until there are no more."""
    for line in lines:
        say(unit.go_to(float(json.loads(line)["until_s"])))


def main() -> None:
    """Run the plan named on the command line."""
    plan = UnitPlan.from_json(Path(sys.argv[1]).read_text())

    def say(line: dict[str, Any]) -> None:
        os.write(1, json.dumps(line).encode() + b"\n")

    follow(FleetUnit(plan), iter(sys.stdin), say)


if __name__ == "__main__":
    main()
