"""
One machine's gateway as a process of its own, on simulated time: `python -m cleanside.simulator.unit
plan.json`.

Promises: the spool, the uplink and the HTTP are the real ones; only the clock, the sensor and the radio link
are simulated, and injected. It prints each append on standard output, one JSON line each, once it is on
disk. In a power cycle that ends in a kill it keeps writing, a reading a commit, until it is killed.
Leaves to others: when to start and kill it (`demo.py`).
"""

from __future__ import annotations

import json
import os
import random
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np

from cleanside.gateway.log import EventLog
from cleanside.gateway.spool.queue import Spool
from cleanside.gateway.timing.clock import Anchor, SettableClock
from cleanside.gateway.uplink.loop import Uplink
from cleanside.gateway.uplink.transport import HttpTransport, NoAnswer, Outcome, Reply, Request
from cleanside.gateway.wire import Reading, us_of
from cleanside.simulator.fleet import FLEET, MachineSpec
from cleanside.simulator.instrument import UNITS, Cycle, Instrument
from cleanside.simulator.schedule import PowerCycle, Schedule, make_schedule

CHUNK_READINGS = 60
FIRST_FIX_S = 90.0  # common practice without a source: a cold GPS receiver has a fix within a minute or two
FIX_UNCERTAINTY_US = 100_000
NO_FIX_EVERY = 9  # one power cycle in nine is spent where the sky is hidden: its time is bracketed later
WRONG_UNIT = "r.p.m"  # what a hurried technician typed; no spelling that is accepted
LOST_REPLY_SHARE = 0.02  # chosen: the server has stored the batch, the machine does not know
OUTAGE_PAUSE_S = 0.15  # real time, for each try while the server is down
DRAIN_STEPS = 4_000  # bound of the last drain


@dataclass(frozen=True, kw_only=True, slots=True)
class Plan:
    """The parent's orders to the process. Written as JSON."""

    machine: str
    start_at: datetime
    days: int
    seed: int
    cadence_s: float
    spool_path: Path
    server: str
    key_file: Path
    first_cycle: int = 0

    def as_json(self) -> str:
        """The plan as text."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return json.dumps(plain | {"start_at": self.start_at.isoformat()}, default=str)

    @classmethod
    def from_json(cls, text: str) -> Plan:
        """The plan from text."""
        plain: dict[str, Any] = json.loads(text)
        plain["start_at"] = datetime.fromisoformat(plain["start_at"])
        plain |= {name: Path(plain[name]) for name in ("spool_path", "key_file")}
        return cls(**plain)

    @property
    def spec(self) -> MachineSpec:
        """The machine by its name."""
        return next(spec for spec in FLEET if spec.name == self.machine)


class Radio:
    """A transport without a link where the schedule has none, that loses a reply now and then."""

    def __init__(self, inner: HttpTransport, *, has_link: Callable[[], bool], random: random.Random) -> None:
        self._inner = inner
        self._has_link = has_link
        self._random = random

    def send(self, request: Request) -> Outcome:
        """Ask once, if there is a link."""
        if not self._has_link():
            return NoAnswer("no coverage")
        reply = self._inner.send(request)
        if request.method == "POST" and self._random.random() < LOST_REPLY_SHARE:
            return NoAnswer("the link broke before the reply came")
        if isinstance(reply, NoAnswer):
            # Simulated time runs thousands of times faster than the outage: seconds would be weeks.
            time.sleep(OUTAGE_PAUSE_S)
        if isinstance(reply, Reply):
            # The server lives in real time, the machine in simulated time: its clock would be no anchor here.
            return Reply(
                status=reply.status,
                headers=reply.headers,
                body=reply.body,
                took_s=reply.took_s,
                trusted=False,
            )
        return reply

    def close(self) -> None:
        """Close the connection."""
        self._inner.close()


class MachineUnit:
    """Runs the power cycles of one machine through a real spool and a real uplink."""

    def __init__(self, plan: Plan, *, say: Callable[[dict[str, Any]], None]) -> None:
        self._plan = plan
        self._say = say
        self._schedule: Schedule = make_schedule(
            plan.spec, start_at=plan.start_at, days=plan.days, seed=plan.seed
        )
        self._instrument = Instrument(
            plan.spec, self._schedule.cycles, cadence_s=plan.cadence_s, seed=plan.seed
        )
        self._random = random.Random(f"{plan.seed} {plan.machine} {plan.first_cycle}")
        self._clock = SettableClock(utc_us=us_of(plan.start_at))
        self._next_try_us = 0
        self._key = plan.key_file.read_text().strip()

    def run(self) -> None:
        """Live through the power cycles from the planned one on, then drain what is left."""
        for index in range(self._plan.first_cycle, len(self._schedule.cycles)):
            self._one_cycle(index)
        self._say({"event": "finished"})

    def _one_cycle(self, index: int) -> None:
        cycle = self._schedule.cycles[index]
        off_us = us_of(cycle.on_at) - self._clock.true_us()
        self._clock.key_off(off_s=off_us / 1e6, boot_id=f"boot-{index}")
        self._next_try_us = 0
        http = HttpTransport(self._plan.server, key=lambda: self._key, timeout_s=10)
        radio = Radio(http, has_link=self._has_link, random=self._random)
        with Spool(self._plan.spool_path, device=self._plan.spec.device, clock=self._clock) as spool:
            log = EventLog(now_us=self._clock.since_boot_us, write=lambda _level, _line: None)
            uplink = Uplink(spool, radio, clock=self._clock, random=self._random.random, log=log)
            spool.event("key_on")
            self._work(spool, uplink, cycle, self._instrument.measure(index), index)
            if index == len(self._schedule.cycles) - 1:
                self._drain(uplink)
        radio.close()
        self._say({"event": "cycle", "index": index, "at": cycle.off_at.isoformat()})

    def _has_link(self) -> bool:
        return self._schedule.has_link(self._now())

    def _now(self) -> datetime:
        return self._plan.start_at + timedelta(
            microseconds=self._clock.true_us() - us_of(self._plan.start_at)
        )

    def _work(self, spool: Spool, uplink: Uplink, cycle: PowerCycle, measured: Cycle, index: int) -> None:
        count = len(measured.elapsed_s)
        cut_at = int(count * self._random.uniform(0.3, 0.9)) if cycle.cut else count
        for first in range(0, count, CHUNK_READINGS):
            last = min(first + CHUNK_READINGS, count)
            if last >= cut_at < count:
                self._write_until_killed(spool, measured, cycle, range(first, count))
            if last == count:
                spool.event("key_off")
            self._append(spool, measured, cycle, range(first, last))
            self._fix(spool, index)
            self._exchange(uplink)

    def _append(self, spool: Spool, measured: Cycle, cycle: PowerCycle, rows: range) -> None:
        elapsed_us = [round(float(measured.elapsed_s[i]) * 1e6) for i in rows]
        self._clock.advance((elapsed_us[-1] - self._clock.since_boot_us()) / 1e6)
        readings = list(self._readings(measured, cycle, rows))
        numbers = spool.append(readings, since_boot_us=elapsed_us)
        self._say({"event": "appended", "through": numbers[-1], "stream": spool.open_stream})

    def _readings(self, measured: Cycle, cycle: PowerCycle, rows: range) -> Iterator[Reading]:
        units = dict(UNITS)
        if self._unit_is_wrong(cycle):
            units["engine_speed"] = WRONG_UNIT
        columns = {name: column.tolist() for name, column in measured.columns.items()}
        for i in rows:
            yield Reading(values={name: column[i] for name, column in columns.items()}, units=units)

    def _unit_is_wrong(self, cycle: PowerCycle) -> bool:
        days = self._plan.spec.wrong_unit_days
        return days is not None and days[0] <= (cycle.on_at - self._plan.start_at).days < days[1]

    def _write_until_killed(self, spool: Spool, measured: Cycle, cycle: PowerCycle, rows: range) -> None:
        self._say({"event": "writing", "from": rows.start})
        for i in rows:
            self._append(spool, measured, cycle, range(i, i + 1))
        sys.stdin.read()  # all written and still alive: wait for the kill here

    def _fix(self, spool: Spool, index: int) -> None:
        """A GPS fix, once the receiver has had the time: what ties this boot to UTC."""
        if self._clock.since_boot_us() < FIRST_FIX_S * 1e6 or index % NO_FIX_EVERY == NO_FIX_EVERY - 1:
            return
        spool.anchor(
            Anchor(
                kind="gps",
                since_boot_us=self._clock.since_boot_us(),
                utc_us=self._clock.true_us(),
                uncertainty_us=FIX_UNCERTAINTY_US,
            )
        )

    def _exchange(self, uplink: Uplink) -> None:
        """Send what can be sent at this moment of simulated time."""
        while self._clock.true_us() >= self._next_try_us:
            step = uplink.step()
            if step.idle:
                return
            self._next_try_us = self._clock.true_us() + round(step.wait_s * 1e6)

    def _drain(self, uplink: Uplink) -> None:
        """Stay on until the backlog is gone, as long as there is a link."""
        for _ in range(DRAIN_STEPS):
            if not self._has_link():
                return
            step = uplink.step()
            if step.idle:
                return
            self._clock.advance(max(step.wait_s, 0.1))


def main() -> None:
    """Run the plan named on the command line."""
    plan = Plan.from_json(Path(sys.argv[1]).read_text())
    np.seterr(all="raise")

    def say(line: dict[str, Any]) -> None:
        os.write(1, json.dumps(line).encode() + b"\n")

    MachineUnit(plan, say=say).run()


if __name__ == "__main__":
    main()
