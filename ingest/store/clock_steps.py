"""
Steps back of a clock within a stream: the time falls by more than an hour while the numbers run on.

Promises: nothing of what is stored changes; a step is a report of its stream, in the server's words, so that
it counts and stays like those of gateways. A step is settled once its first reading is, or was, quarantined:
a person then has it in hand.
Leaves to others: what a step is (`ingest.checking.plausible_time`), who is asked (`analysis.concerns`).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, NamedTuple

import sqlalchemy as sa

from cleanside.gateway.wire import GatewayReport, instant_text
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
    """The steps of one stream that nobody has settled."""

    owner: str
    device: str
    stream: str
    steps: int
    #: the last of them by number: its number, and the times before and after it
    seq: int
    before: str
    after: str
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
        rows = _open_steps(connection, stream_id, since_us)
        if rows:
            last = max(rows, key=lambda row: row.at_seq)
            said = json.loads(last.content)
            found.append(
                SteppedClock(
                    owner=owner,
                    device=device,
                    stream=stream,
                    steps=len(rows),
                    seq=last.at_seq,
                    before=str(said.get("before")),
                    after=str(said.get("after")),
                    last_us=max(row.received_us for row in rows),
                )
            )
    return found


def _open_steps(connection: sa.Connection, stream_id: int, since_us: int) -> list[Any]:
    """Steps of a stream whose first reading was never quarantined: number, content, time of receipt."""
    columns = stored.c.at_seq, stored.c.content, stored.c.received_us
    query = sa.select(*columns).where(stored.c.stream_id == stream_id, stored.c.kind == EVENT)
    query = query.where(stored.c.name == CLOCK_STEPPED, stored.c.received_us > since_us)
    rows = connection.execute(query.where(stored.c.at_seq.is_not(None)).limit(MOST_SHOWN)).all()
    aside = quarantine.seen(connection, stream_id, tuple((row.at_seq, row.at_seq) for row in rows))
    return [row for row in rows if row.at_seq not in aside]
