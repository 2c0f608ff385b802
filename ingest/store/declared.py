"""
Declarations of gateways beside their readings: losses, damage, new numberings, a budget that is nearly full.

Promises: an event is stored once, whether it arrived with a batch, by itself, or both. An event of a stream
that is not the device's, or of none, is stored at another stream of the device, so that none is refused for
its stream; if it has an id, no stream of the device has it twice.
Leaves to others: which events stay whole and which are counted (`ingest.store.gateway_reports`).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import DECLARED, SENT_FIRST, DeclaredEvent, GatewayReport, as_sent_first
from cleanside.ingest.store import dialect, fleet, gateway_reports, reports, streams
from cleanside.ingest.store.gateway_reports import EVENT, Place
from cleanside.ingest.store.marks import Marks
from cleanside.ingest.store.models import devices, owners, report_tallies, told_events
from cleanside.ingest.store.models import reports as stored
from cleanside.ingest.store.models import streams as stream_rows
from cleanside.ingest.store.streams import UNNUMBERED, Stream

_is_owner = owners.c.id == devices.c.owner_id


@dataclass(frozen=True, slots=True)
class DeclaredLine:
    """The declarations of a stream's gateway under one name."""

    stream_id: int
    owner: str
    device: str
    stream: str
    event: str
    times: int
    #: readings that these events declare as lost or damaged
    lost: int
    #: of receipt
    first_us: int
    last_us: int


def keep(
    connection: sa.Connection, owner_id: int, device: str, events: Sequence[DeclaredEvent], now_us: int
) -> None:
    """Store events of a device, each once however often it is sent."""
    row = fleet.device(connection, owner_id, device) or fleet.keep_device(connection, owner_id, device)
    by_stream: dict[str, list[DeclaredEvent]] = {}
    for event in events:
        by_stream.setdefault(event.stream or "", []).append(event)
    for name in sorted(by_stream):
        stream = _stream_for(connection, owner_id, row, name, now_us)
        contents = [event.content for event in by_stream[name]]
        if stream.stream != name:
            contents = _without_known(connection, row.id, contents)
        said = GatewayReport(events=tuple(contents))
        # `resent`: an event that is a count by now was confirmed before, and the reply was lost.
        given = gateway_reports.reports_of(stream.id, said, now_us, before=Marks(), resent=True)
        reports.put(connection, given)


def apart(stream: str, report: GatewayReport | None) -> tuple[GatewayReport | None, list[DeclaredEvent]]:
    """A report without the events that were sent before by another file, and those as they were sent then."""
    if report is None or not (before := [event for event in report.events if SENT_FIRST in event]):
        return report, []
    own = tuple(event for event in report.events if SENT_FIRST not in event)
    return replace(report, events=own), [as_sent_first(stream, event) for event in before]


def _stream_for(
    connection: sa.Connection, owner_id: int, device: fleet.DeviceRow, name: str, now_us: int
) -> Stream:
    """The stream of that name if it is, or can be, the device's; else the newest of the device."""
    if name:
        stream = streams.find(connection, owner_id, name, lock=True)
        stream = stream or streams.create(connection, owner_id, device.id, name, now_us)
        if stream.device_id == device.id:
            return stream
    every = streams.of_device(connection, device.id)
    newest = max(every, key=lambda stream: (stream.last_heard_us, stream.id), default=None)
    found = newest.stream if newest is not None else UNNUMBERED + device.name
    return streams.create(connection, owner_id, device.id, found, now_us)


def _without_known(
    connection: sa.Connection, device_id: int, contents: Sequence[Mapping[str, Any]]
) -> list[Mapping[str, Any]]:
    """Those of these events that no stream of the device has. One without an id is never known."""
    query = sa.select(stored.c.content).select_from(stored.join(stream_rows))
    query = query.where(stream_rows.c.device_id == device_id, stored.c.kind == EVENT)
    names = {name for content in contents if isinstance(name := content.get("event"), str)}
    found = connection.scalars(query.where(stored.c.name.in_(names)))
    known = {_identity(json.loads(content)) for content in found}
    return [content for content in contents if _identity(content) not in known or "id" not in content]


def _identity(content: Mapping[str, Any]) -> str:
    return json.dumps([content.get(member) for member in ("event", "source", "id")])


def lines(
    connection: sa.Connection, owner_id: int | None, *, device_ids: Iterable[int] | None = None
) -> list[DeclaredLine]:
    """Declarations of an owner's gateways (None: of all), by device, stream and name."""
    tally = report_tallies.c
    query = (
        sa.select(
            *(tally.stream_id, owners.c.name, devices.c.name, stream_rows.c.stream),
            *(tally.name, tally.times, tally.lost),
        )
        .select_from(report_tallies.join(stream_rows).join(devices).join(owners, _is_owner))
        .where(tally.kind == EVENT, sa.or_(tally.lost > 0, _is_declared(tally.name)))
        .order_by(owners.c.name, devices.c.name, tally.stream_id, tally.name)
    )
    if owner_id is not None:
        query = query.where(stream_rows.c.owner_id == owner_id)
    if device_ids is not None:
        query = query.where(stream_rows.c.device_id.in_(list(device_ids)))
    rows = connection.execute(query).all()
    spans = reports.spans_of(connection, sorted({row.stream_id for row in rows}), EVENT)
    return [DeclaredLine(*row, *spans.get(Place(row[0], EVENT, row[4]), (0, 0))) for row in rows]


def _is_declared(name: sa.ColumnElement[str]) -> sa.ColumnElement[bool]:
    return sa.or_(*(name.startswith(begin, autoescape=True) for begin in DECLARED))


def totals(connection: sa.Connection) -> list[tuple[str, int, int]]:
    """(event, times, readings lost) over all owners, by event."""
    tally = report_tallies.c
    query = sa.select(tally.name, sa.func.sum(tally.times), sa.func.sum(tally.lost))
    query = query.where(tally.kind == EVENT, sa.or_(tally.lost > 0, _is_declared(tally.name)))
    return [
        (row[0], int(row[1]), int(row[2]))
        for row in connection.execute(query.group_by(tally.name).order_by(tally.name))
    ]


# ---------------------------------------------------------------- announced


def told(connection: sa.Connection, owner_id: int) -> dict[tuple[int, str], tuple[int, int]]:
    """(stream, event) -> times and readings lost as last announced."""
    query = sa.select(told_events).join_from(told_events, stream_rows)
    rows = connection.execute(query.where(stream_rows.c.owner_id == owner_id))
    return {(row.stream_id, row.name): (row.times, row.lost) for row in rows}


def save_told(connection: sa.Connection, found: Sequence[DeclaredLine]) -> None:
    """Write that these lines are announced."""
    for line in found:
        values = {"times": line.times, "lost": line.lost}
        fresh = dialect.insert(connection, told_events).values(
            stream_id=line.stream_id, name=line.event, **values
        )
        connection.execute(fresh.on_conflict_do_update(index_elements=["stream_id", "name"], set_=values))
