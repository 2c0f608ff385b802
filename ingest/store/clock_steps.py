"""
Steps back of a clock within a stream: the time falls by more than half an hour while the numbers run on.

Promises: nothing of what is stored changes; a step is a report of its stream, in the server's words, so that
it counts and stays like those of gateways. A step is settled once its first reading is, or was, quarantined:
a person then has it in hand.
A step forward is no report: nothing that is sent tells it from a key-off (`docs/explanation/time.md`).
Leaves to others: what a step is (`ingest.checking.plausible_time`), who is asked (`analysis.concerns`).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import sqlalchemy as sa

from cleanside.gateway.wire import GatewayReport, instant_text, parse_instant
from cleanside.ingest.store import gateway_reports, quarantine, reports
from cleanside.ingest.store.gateway_reports import CLOCK_STEPPED, EVENT
from cleanside.ingest.store.marks import Marks
from cleanside.ingest.store.models import devices, owners, report_tallies, streams
from cleanside.ingest.store.models import reports as stored

MOST_SHOWN: Final = gateway_reports.FOLD_AT  # of a stream; so many at most stay whole


class ClockStep(NamedTuple):
    """A step back."""

    #: the first number after it
    seq: int
    #: times of the readings before and after it [us]
    before_us: int
    after_us: int


@dataclass(frozen=True, slots=True, kw_only=True)
class SteppedClock:
    """The steps of one stream that are not settled."""

    owner: str
    device: str
    stream: str
    steps: int
    #: the last of them by number
    step: ClockStep
    #: of receipt, of the newest
    last_us: int


def put(connection: sa.Connection, stream_id: int, steps: Sequence[ClockStep], now_us: int) -> None:
    """Store steps of a stream, each once."""
    if not steps:
        return
    events = [
        {
            "event": CLOCK_STEPPED,
            "at_seq": step.seq,
            "before": instant_text(step.before_us),
            "after": instant_text(step.after_us),
        }
        for step in steps
    ]
    said = GatewayReport(events=tuple(events))
    given = gateway_reports.reports_of(stream_id, said, now_us, before=Marks(), resent=False)
    reports.put(connection, given)


def stepped(connection: sa.Connection, owner_id: int | None, since_us: int) -> list[SteppedClock]:
    """Streams of an owner (None: of all) with steps received after an instant that are not settled."""
    query = (
        sa.select(streams.c.id, owners.c.name, devices.c.name, streams.c.stream)
        .select_from(
            report_tallies.join(streams).join(devices).join(owners, owners.c.id == devices.c.owner_id)
        )
        .where(report_tallies.c.kind == EVENT, report_tallies.c.name == CLOCK_STEPPED)
        .order_by(owners.c.name, devices.c.name, streams.c.stream)
    )
    if owner_id is not None:
        query = query.where(streams.c.owner_id == owner_id)
    found = []
    for stream_id, owner, device, stream in connection.execute(query).all():
        if steps := _open_steps(connection, stream_id, since_us):
            last, received_us = max(steps), max(received_us for _, received_us in steps)
            about = {"owner": owner, "device": device, "stream": stream, "steps": len(steps)}
            found.append(SteppedClock(**about, step=last[0], last_us=received_us))
    return found


def _open_steps(connection: sa.Connection, stream_id: int, since_us: int) -> list[tuple[ClockStep, int]]:
    """Steps of a stream whose first reading was never quarantined, and when each was received."""
    columns = stored.c.content, stored.c.received_us
    query = sa.select(*columns).where(stored.c.stream_id == stream_id, stored.c.kind == EVENT)
    query = query.where(stored.c.name == CLOCK_STEPPED, stored.c.received_us > since_us).limit(MOST_SHOWN)
    rows = connection.execute(query).all()
    steps = [(step, row.received_us) for row in rows if (step := _step_of(row.content)) is not None]
    aside = quarantine.seen(connection, stream_id, tuple((step.seq, step.seq) for step, _ in steps))
    return [(step, received_us) for step, received_us in steps if step.seq not in aside]


def _step_of(content: str) -> ClockStep | None:
    """The step that a report says; None where a gateway sent one of this name that says none."""
    said = json.loads(content)
    try:
        times_us = parse_instant(said["before"]).us, parse_instant(said["after"]).us
    except (KeyError, TypeError, ValueError):
        return None
    return ClockStep(said["at_seq"], *times_us) if type(said.get("at_seq")) is int else None
