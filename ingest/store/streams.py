"""Streams: whose they are, their marks, islands and shed ranges, and what their gateways report."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from gateway.wire import GatewayReport
from ingest.marks import Marks, Range, Ranges, Shed
from ingest.models import devices, islands, reports, shed_ranges, streams
from ingest.store import dialect

UNNUMBERED = "unnumbered "  # not a UUID, so it cannot meet a stream that a gateway names


@dataclass(frozen=True, slots=True)
class Stream:
    """A row of `streams` with the name of its device."""

    id: int
    owner_id: int
    device_id: int
    device: str
    stream: str
    mark: int
    highest: int
    appended_through: int | None
    installation: str | None
    gateway_version: str | None
    gateway_built: str | None
    duplicates: int
    conflicts: int
    first_heard_us: int
    last_heard_us: int


_FIELDS = [devices.c.name.label("device") if f == "device" else streams.c[f] for f in Stream.__slots__]
_JOINED = sa.select(*_FIELDS).join_from(streams, devices)
_BY_NAME = _JOINED.where(
    streams.c.owner_id == sa.bindparam("owner_id"), streams.c.stream == sa.bindparam("stream")
)
_BY_NAME_LOCKED = _BY_NAME.with_for_update(of=streams)


def find(connection: sa.Connection, owner_id: int, stream: str, *, lock: bool = False) -> Stream | None:
    """A stream of this owner by its name, or None. `lock` holds it until the transaction ends."""
    query = _BY_NAME_LOCKED if lock else _BY_NAME
    row = connection.execute(query, {"owner_id": owner_id, "stream": stream}).first()
    return None if row is None else Stream(*row)


def create(connection: sa.Connection, owner_id: int, device_id: int, stream: str, now_us: int) -> Stream:
    """Make a stream and lock it. Where another process was faster, that one's row is given."""
    values = {"owner_id": owner_id, "device_id": device_id, "stream": stream}
    heard = {"first_heard_us": now_us, "last_heard_us": now_us}
    statement = dialect.insert(connection, streams).values(values | heard).on_conflict_do_nothing()
    connection.execute(statement)
    found = find(connection, owner_id, stream, lock=True)
    assert found is not None
    return found


def all_of(connection: sa.Connection, owner_id: int | None) -> list[Stream]:
    """Every stream of an owner, or of all where None, in a steady order."""
    query = _JOINED.order_by(devices.c.name, streams.c.id)
    if owner_id is not None:
        query = query.where(streams.c.owner_id == owner_id)
    return [Stream(*row) for row in connection.execute(query)]


# ---------------------------------------------------------------- marks

_ISLANDS = sa.select(islands.c.first, islands.c.last).where(islands.c.stream_id == sa.bindparam("stream_id"))
_ISLANDS = _ISLANDS.order_by(islands.c.first)
_SHED = sa.select(shed_ranges.c.first, shed_ranges.c.last, shed_ranges.c.reason)
_SHED = _SHED.where(shed_ranges.c.stream_id == sa.bindparam("stream_id")).order_by(shed_ranges.c.first)
_SHED_NEAR = _SHED.where(
    shed_ranges.c.last >= sa.bindparam("lowest"), shed_ranges.c.first <= sa.bindparam("top")
)


def marks_of(connection: sa.Connection, stream: Stream, near: Range | None = None) -> Marks:
    """The marks of a stream: all its islands, and its shed ranges, or those of them that touch `near`."""
    beyond = connection.execute(_ISLANDS, {"stream_id": stream.id}).all()
    if near is None:
        shed = connection.execute(_SHED, {"stream_id": stream.id}).all()
    else:
        bounds = {"stream_id": stream.id, "lowest": near[0] - 1, "top": near[1] + 1}
        shed = connection.execute(_SHED_NEAR, bounds).all()
    return Marks(
        mark=stream.mark,
        highest=stream.highest,
        islands=tuple((first, last) for first, last in beyond),
        shed=tuple(Shed(*row) for row in shed),
    )


def save_marks(connection: sa.Connection, stream_id: int, before: Marks, after: Marks) -> None:
    """Write what changed of islands and shed ranges; mark and highest go with `save`."""
    _save_ranges(connection, islands, stream_id, before.islands, after.islands)
    if before.shed != after.shed:
        gone = [s.first for s in before.shed if s not in after.shed]
        come = [
            {"stream_id": stream_id, "first": s.first, "last": s.last, "reason": s.reason}
            for s in after.shed
            if s not in before.shed
        ]
        _replace(connection, shed_ranges, stream_id, gone, come)


def _save_ranges(
    connection: sa.Connection, table: sa.Table, stream_id: int, before: Ranges, after: Ranges
) -> None:
    if before == after:
        return
    kept = set(before) & set(after)
    gone = [first for first, last in before if (first, last) not in kept]
    come = [{"stream_id": stream_id, "first": a, "last": b} for a, b in after if (a, b) not in kept]
    _replace(connection, table, stream_id, gone, come)


def _replace(
    connection: sa.Connection, table: sa.Table, stream_id: int, gone: list[int], come: list[dict[str, Any]]
) -> None:
    if gone:
        here = sa.delete(table).where(
            table.c.stream_id == stream_id, table.c.first == sa.bindparam("gone_first")
        )
        connection.execute(here, [{"gone_first": first} for first in gone])
    if come:
        connection.execute(sa.insert(table), come)


_SAVE = (
    sa.update(streams)
    .where(streams.c.id == sa.bindparam("stream_id"))
    .values(
        mark=sa.bindparam("new_mark"),
        highest=sa.bindparam("new_highest"),
        appended_through=sa.bindparam("new_appended_through"),
        installation=sa.bindparam("new_installation"),
        gateway_version=sa.bindparam("new_version"),
        gateway_built=sa.bindparam("new_built"),
        duplicates=streams.c.duplicates + sa.bindparam("more_duplicates"),
        conflicts=streams.c.conflicts + sa.bindparam("more_conflicts"),
        last_heard_us=sa.bindparam("heard_us"),
    )
)


def save(
    connection: sa.Connection,
    stream: Stream,
    marks: Marks,
    report: GatewayReport | None,
    *,
    duplicates: int,
    conflicts: int,
    now_us: int,
) -> None:
    """Write mark, counters and what the gateway says of itself; what it does not say stays."""
    told = report or GatewayReport()
    appended = max(
        (n for n in (told.appended_through, stream.appended_through) if n is not None), default=None
    )
    connection.execute(
        _SAVE,
        {
            "stream_id": stream.id,
            "new_mark": marks.mark,
            "new_highest": marks.highest,
            "new_appended_through": appended,
            "new_installation": told.installation or stream.installation,
            "new_version": told.version or stream.gateway_version,
            "new_built": told.built or stream.gateway_built,
            "more_duplicates": duplicates,
            "more_conflicts": conflicts,
            "heard_us": max(now_us, stream.last_heard_us),
        },
    )


# ---------------------------------------------------------------- reports


def add_reports(connection: sa.Connection, stream_id: int, report: GatewayReport, now_us: int) -> None:
    """Keep boots and events of a gateway, each once however often it is sent."""
    rows = [
        *(_report_row(stream_id, "boot", entry, now_us) for entry in report.boots),
        *(_report_row(stream_id, "event", entry, now_us) for entry in report.events),
    ]
    if rows:
        connection.execute(dialect.insert(connection, reports).on_conflict_do_nothing(), rows)


def _report_row(stream_id: int, kind: str, entry: Mapping[str, Any], now_us: int) -> dict[str, Any]:
    content = json.dumps(entry, sort_keys=True)
    at_seq = entry.get("at_seq", entry.get("first_seq"))
    name = entry.get("event", entry.get("anchor"))
    return {
        "stream_id": stream_id,
        "kind": kind,
        "digest": hashlib.sha256(content.encode()).hexdigest()[:32],
        "at_seq": at_seq if type(at_seq) is int else None,
        "name": name[:64] if isinstance(name, str) and name.isprintable() else None,
        "content": content,
        "received_us": now_us,
    }


def last_event(connection: sa.Connection, device_ids: list[int]) -> tuple[str, int] | None:
    """Name and time of receipt [us] of the event that is last by number on the device's newest stream."""
    newest = sa.select(streams.c.id).where(streams.c.device_id.in_(device_ids))
    newest = newest.order_by(streams.c.last_heard_us.desc(), streams.c.id.desc()).limit(1)
    query = sa.select(reports.c.name, reports.c.received_us).where(
        reports.c.stream_id == newest.scalar_subquery(),
        reports.c.kind == "event",
        reports.c.name.is_not(None),
    )
    row = connection.execute(
        query.order_by(reports.c.at_seq.desc(), reports.c.received_us.desc()).limit(1)
    ).first()
    return None if row is None else (row[0], row[1])


def of_device(connection: sa.Connection, device_id: int) -> list[Stream]:
    """Every stream of a device."""
    query = _JOINED.where(streams.c.device_id == device_id).order_by(streams.c.id)
    return [Stream(*row) for row in connection.execute(query)]
