"""
One machine under load: it samples on time, whatever the server does, and sends as a gateway does.

Promises: an open loop. A reading is due at its moment and waits if the server is slow; the next one is due
all the same. One batch is in flight, in order, until the server acknowledges it; what an answer means and how
long to wait is the gateway's own decision (`cleanside.gateway.uplink.decision`).
Leaves to others: when it is due (`load_patterns.py`), what it reads (`load_samples.py`), its connection
(`server_line.py`).
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
import zstandard

from cleanside.gateway.uplink.decision import (
    BODY_HEADERS,
    CODINGS,
    Decision,
    LinkState,
    Sent,
    batch_limit,
    decide,
)
from cleanside.gateway.uplink.transport import Outcome, Reply, Request
from cleanside.gateway.wire import Batch, encode
from cleanside.simulator.load_patterns import LoadPlan
from cleanside.simulator.load_samples import UNITS, IntArray, values_of
from cleanside.simulator.load_timings import Figures
from cleanside.simulator.server_line import ServerLine

PACKED_FROM_BYTES: Final = 256  # below it compression adds more than it saves, as on the machine
LOOK_S: Final = 0.02  # a machine that samples often wakes at most so often; chosen


@dataclass(frozen=True, slots=True)
class Bench:
    """What all machines of a run share."""

    plan: LoadPlan
    figures: Figures
    #: seconds since the start of the run
    elapsed_s: Callable[[], float]
    #: returns a number from 0 to 1, for the jitter
    chance: Callable[[], float]
    #: the run and its time to settle are over
    ends: asyncio.Event


class OpenMachine:
    """A machine with its schedule and its line to the server."""

    def __init__(self, bench: Bench, machine: int, line: ServerLine) -> None:
        self._bench, self._machine, self._line = bench, machine, line
        plan = bench.plan
        self._samples = plan.samples_of(machine)
        self._link_out_s = plan.link_out_s(machine)
        self._sampled = plan.backlog_of(machine)
        self._mark = 0
        self._highest_mark = 0  # a link may bring back an old answer: what was timed is not timed again
        self._highest_sent = 0
        self._link = LinkState()
        self._more = asyncio.Event()
        bench.figures.sampled += self._sampled
        #: why it stopped before all was acknowledged; empty: it did not
        self.trouble = ""

    @property
    def sampled(self) -> int:
        """How many readings it sampled so far."""
        return self._sampled

    @property
    def is_done(self) -> bool:
        """All that it samples is acknowledged."""
        return self._mark == self._samples

    async def run(self) -> None:
        """Sample and send until all is acknowledged, or the run ends."""
        sampling = asyncio.create_task(self._sample())
        try:
            await self._send_all()
        finally:
            sampling.cancel()
            self._line.close()

    # ------------------------------------------------------------ samples

    async def _sample(self) -> None:
        """Note each reading when it is due; one that is due while this could not run is late, not lost."""
        bench = self._bench
        while self._sampled < self._samples:
            wait_s = self._due_s(self._sampled + 1) - bench.elapsed_s()
            if wait_s > 0:
                await asyncio.sleep(max(wait_s, LOOK_S))
            now_s = bench.elapsed_s()
            while self._sampled < self._samples and (due_s := self._due_s(self._sampled + 1)) <= now_s:
                self._sampled += 1
                bench.figures.sampled += 1
                bench.figures.now(due_s).sampled += 1
                bench.figures.lag.add(now_s - due_s, slice_number=bench.figures.slice_at(due_s))
            self._more.set()

    def _due_s(self, number: int) -> float:
        return float(self._due_ms(number, number)[0]) / 1000

    def _due_ms(self, first: int, last: int) -> IntArray:
        return self._bench.plan.due_ms(self._machine, np.arange(first, last + 1))

    # ------------------------------------------------------------ sending

    async def _send_all(self) -> None:
        ends = self._bench.ends
        while not self.is_done and not ends.is_set():
            if self._mark == self._sampled:
                self._more.clear()
                await _first_of(self._more, ends)
            elif (wait_s := self._without_link_s()) > 0:
                await _sleep(wait_s, ends)
            else:
                decision = await self._send()
                await _sleep(decision.wait_s, ends)

    def _without_link_s(self) -> float:
        """Seconds until the machine has its link again; 0: it has."""
        now_s = self._bench.elapsed_s()
        first_s, last_s = self._link_out_s
        return last_s - now_s if first_s <= now_s < last_s else 0.0

    async def _send(self) -> Decision:
        first = self._mark + 1
        last = min(self._sampled, self._mark + batch_limit(self._link))
        request = self._request(first, last)
        sent = self._about(first, last)
        self._highest_sent = max(self._highest_sent, last)
        outcome = await self._line.send(request)
        self._count(request, outcome)
        now = datetime.now(UTC)
        decision = decide(self._link, sent, outcome, jitter=self._bench.chance(), now=now)
        self._link = decision.state
        self._carry_out(decision)
        return decision

    def _request(self, first: int, last: int) -> Request:
        plan, numbers = self._bench.plan, np.arange(first, last + 1)
        columns = values_of(self._machine, numbers)
        body = encode(
            Batch(
                device=plan.device(self._machine),
                stream=plan.stream(self._machine),
                seq=range(first, last + 1),
                at_us=plan.at_us(self._machine, numbers).tolist(),
                at_uncertainty_s=0.05,
                units=UNITS,
                columns={name: column.tolist() for name, column in columns.items()},
            )
        )
        headers = dict(BODY_HEADERS)
        if len(body) >= PACKED_FROM_BYTES and CODINGS[self._link.coding] == "zstd":
            body, headers["Content-Encoding"] = zstandard.compress(body), "zstd"
        return Request(method="POST", path="/v1/readings", headers=headers, body=body)

    def _about(self, first: int, last: int) -> Sent:
        return Sent(
            stream=self._bench.plan.stream(self._machine),
            count=last - first + 1,
            first=first,
            last=last,
            highest=max(self._highest_sent, last),
            released=max(self._highest_sent, last),
            acknowledged_through=self._mark,
            appended_through=self._sampled,
            bare=True,  # no report goes with it
        )

    def _carry_out(self, decision: Decision) -> None:
        figures, answer = self._bench.figures, decision.answer
        if decision.acknowledge_through is not None:
            self._mark = decision.acknowledge_through
            self._acknowledged(decision.acknowledge_through)
        if decision.rewind_to is not None:
            self._mark = decision.rewind_to
        if answer is not None:
            figures.duplicates += answer.duplicates
            figures.quarantined += len(answer.quarantined)
        if decision.fork or decision.shed or decision.needs_person:
            self.trouble = decision.reason or decision.event or "the server refused the batch"
            self._bench.ends.set()

    def _acknowledged(self, through: int) -> None:
        figures, now_s = self._bench.figures, self._bench.elapsed_s()
        first_s, last_s = self._link_out_s
        new = max(0, through - self._highest_mark)
        for due_ms in self._due_ms(self._highest_mark + 1, through).tolist():
            due_s = due_ms / 1000
            waited = first_s <= due_s < last_s or due_s < 0
            kind, since_s = (figures.backlog, max(last_s, 0.0)) if waited else (figures.live, due_s)
            kind.add(max(0.0, now_s - since_s), slice_number=figures.slice_at(since_s))
        figures.now(now_s).acknowledged += new
        figures.acknowledged += new
        self._highest_mark += new

    def _count(self, request: Request, outcome: Outcome) -> None:
        figures = self._bench.figures
        figures.now(self._bench.elapsed_s()).requests += 1
        figures.sent_bytes += request.up_bytes
        what = str(outcome.status) if isinstance(outcome, Reply) else outcome.reason.partition(":")[0]
        figures.outcomes[what] += 1


async def _sleep(seconds: float, ends: asyncio.Event) -> None:
    """Wait so long, or until the end."""
    if seconds > 0:
        try:
            async with asyncio.timeout(seconds):
                await ends.wait()
        except TimeoutError:
            return


async def _first_of(*events: asyncio.Event) -> None:
    """Wait until one of them is set."""
    waits = [asyncio.create_task(event.wait()) for event in events]
    try:
        await asyncio.wait(waits, return_when=asyncio.FIRST_COMPLETED)
    finally:
        for wait in waits:
            wait.cancel()
