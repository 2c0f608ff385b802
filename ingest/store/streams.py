"""Streams: their device, marks, islands and shed ranges, and the gateway of each."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa
from sqlalchemy.dialects import sqlite

from cleanside.gateway.wire import GatewayReport
from cleanside.ingest.store import dialect, store_modes
from cleanside.ingest.store.fleet import DeviceRow
from cleanside.ingest.store.marks import Marks, Range, Shed
from cleanside.ingest.store.models import devices, islands, shed_ranges, streams
from cleanside.ingest.store.round_trips import Statement, text_array

UNNUMBERED = "unnumbered "  # not a UUID, so no stream of a gateway has this name


class Stream(NamedTuple):
    """A row of `streams` with the name of its device."""

    id: int
    owner_id: int
    device_id: int
    device: str
    stream: str
    mark: int
    highest: int
    island_count: int
    shed_count: int
    appended_through: int | None
    installation: str | None
    gateway_version: str | None
    gateway_built: str | None
    duplicates: int
    conflicts: int
    first_heard_us: int
    last_heard_us: int
    tail_seq: int | None
    tail_us: int | None
    again_mark: int | None
    again_through: int | None
    device_registered_us: int | None
    device_in_service_us: int | None
    device_history_from_us: int | None

    @property
    def answered_mark(self) -> int:
        """The mark that its gateway is answered: lower, while it is asked to send again."""
        return self.mark if self.again_mark is None else min(self.mark, self.again_mark)

    @property
    def tail_is_known(self) -> bool:
        """True where `tail_us` is the time of the last reading, and the last ones are in order."""
        return self.tail_us is not None and self.tail_seq == self.highest

    @property
    def has_gateway(self) -> bool:
        """True where a gateway sends it, which asks for the mark and sends again from there."""
        said = (self.installation, self.gateway_version, self.appended_through)
        return self.is_numbered and any(one is not None for one in said)

    @property
    def is_numbered(self) -> bool:
        """False where it is the stream of readings that came without numbers."""
        return not self.stream.startswith(UNNUMBERED)


_OF_DEVICE = {
    "device": devices.c.name,
    "device_registered_us": devices.c.registered_us,
    "device_in_service_us": devices.c.in_service_us,
    "device_history_from_us": devices.c.history_from_us,
}
_FIELDS = [_OF_DEVICE[f].label(f) if f in _OF_DEVICE else streams.c[f] for f in Stream._fields]
_JOINED = sa.select(*_FIELDS).join_from(streams, devices)
_BY_NAME = f"{_JOINED.compile(dialect=sqlite.dialect())} WHERE streams.owner_id = ? AND streams.stream = ?"
_IN_USE = sa.text(f"EXISTS (SELECT 1 FROM store_modes WHERE name = '{store_modes.BLOCKS}')")
_AMONG = f"{_JOINED.add_columns(_IN_USE).compile(dialect=sqlite.dialect())}"
_AMONG += " WHERE streams.owner_id = ? AND streams.stream {}"
_AMONG += " ORDER BY streams.stream"
_LOCKED_AMONG = f"{_AMONG.format('= ANY(?)')} FOR UPDATE OF streams"


def find(connection: sa.Connection, owner_id: int, stream: str, *, lock: bool = False) -> Stream | None:
    """A stream of this owner by its name, or None. `lock` : until the transaction ends."""
    locked = " FOR UPDATE OF streams" if lock and not dialect.is_sqlite(connection) else ""
    row = dialect.run(connection, _BY_NAME + locked, (owner_id, stream)).first()
    return None if row is None else Stream(*row)


def asked(connection: sa.Connection, owner_id: int, names: Sequence[str]) -> Statement:
    """
    What asks for the streams of one owner among these names, locked in the order of their names.

    For `round_trips.ask`; its rows are those of `Stream`, each with whether blocks are in use
    (`ingest.store.store_modes`) behind it.
    """
    if dialect.is_sqlite(connection):
        listed = dialect.padded(names)
        return _AMONG.format(f"IN ({dialect.marks(listed)})"), (owner_id, *listed)
    return _LOCKED_AMONG, (owner_id, text_array(names))


def of_names(owner_id: int, names: Sequence[str]) -> sa.Select[Any]:
    """The query for streams of one owner with these names."""
    return _JOINED.where(streams.c.owner_id == owner_id, streams.c.stream.in_(names))


def create(connection: sa.Connection, owner_id: int, device_id: int, stream: str, now_us: int) -> Stream:
    """Make a stream and lock it. Where another process was faster, its row is returned."""
    values = {"owner_id": owner_id, "device_id": device_id, "stream": stream}
    heard = {"first_heard_us": now_us, "last_heard_us": now_us}
    statement = dialect.insert(connection, streams).values(values | heard).on_conflict_do_nothing()
    connection.execute(statement)
    stream_row = find(connection, owner_id, stream, lock=True)
    assert stream_row is not None
    return stream_row


def empty(device: DeviceRow, stream: str, now_us: int) -> Stream:
    """A stream of a device before its first batch, which the database does not have yet: its id is 0."""
    nothing: dict[str, Any] = dict.fromkeys(Stream._fields)
    nothing |= dict.fromkeys(("id", "mark", "highest", "island_count", "shed_count"), 0)
    nothing |= {"duplicates": 0, "conflicts": 0, "first_heard_us": now_us, "last_heard_us": now_us}
    return Stream(
        **nothing
        | {"owner_id": device.owner_id, "device_id": device.id, "device": device.name, "stream": stream}
        | {"device_registered_us": device.registered_us, "device_in_service_us": device.in_service_us}
        | {"device_history_from_us": device.history_from_us}
    )


_OPENED = """
INSERT INTO streams (owner_id, device_id, stream, first_heard_us, last_heard_us) {}
ON CONFLICT DO NOTHING RETURNING id, owner_id, stream
"""
_OF_OPENED = ("int8", "int8", "text", "int8", "int8")


def opening(connection: sa.Connection, new: Sequence[Stream]) -> list[Statement]:
    """
    What makes streams as `empty` gives them and locks them, for `round_trips.ask`.

    Their rows are (id, owner, name) of those that they made: of the others another process was faster.
    """
    rows = [(s.owner_id, s.device_id, s.stream, s.first_heard_us, s.last_heard_us) for s in new]
    return dialect.with_rows(connection, _OPENED, _OF_OPENED, rows)


def all_of(connection: sa.Connection, owner_id: int | None) -> list[Stream]:
    """Every stream of an owner, or of all where None, in a stable order."""
    query = _JOINED.order_by(devices.c.name, streams.c.id)
    if owner_id is not None:
        query = query.where(streams.c.owner_id == owner_id)
    return [Stream(*row) for row in connection.execute(query)]


def list_of(connection: sa.Connection, owner_id: int, *, after_id: int = 0, limit: int) -> list[Stream]:
    """At most `limit` streams of an owner after one, in the order they were opened."""
    query = _JOINED.where(streams.c.owner_id == owner_id, streams.c.id > after_id)
    return [Stream(*row) for row in connection.execute(query.order_by(streams.c.id).limit(limit))]


# ---------------------------------------------------------------- marks

_ISLANDS = sa.select(islands.c.first, islands.c.last).where(islands.c.stream_id == sa.bindparam("stream_id"))
_ISLANDS = _ISLANDS.order_by(islands.c.first)
_SHED = sa.select(shed_ranges.c.first, shed_ranges.c.last, shed_ranges.c.reason)
_SHED = _SHED.where(shed_ranges.c.stream_id == sa.bindparam("stream_id")).order_by(shed_ranges.c.first)
_SHED_NEAR = _SHED.where(
    shed_ranges.c.last >= sa.bindparam("lowest"), shed_ranges.c.first <= sa.bindparam("top")
)


def newest_id(connection: sa.Connection) -> int:
    """The highest id of a stream; 0: there is none."""
    return connection.scalar(sa.select(sa.func.max(streams.c.id))) or 0


def mark_of(connection: sa.Connection, stream_id: int) -> int:
    """The mark alone: every number up to it is stored, quarantined or shed."""
    return int(connection.scalars(sa.select(streams.c.mark).where(streams.c.id == stream_id)).one())


def marks_of(connection: sa.Connection, stream: Stream, near: Range | None = None) -> Marks:
    """The marks of a stream: all its islands, and its shed ranges, or those of them that touch `near`."""
    # The counts are part of the locked row, so they are as new as the lock: most streams have neither.
    beyond: list[Range] = []
    if stream.island_count:
        beyond = [(a, b) for a, b in connection.execute(_ISLANDS, {"stream_id": stream.id})]
    shed: list[Shed] = []
    if stream.shed_count:
        bounds = {} if near is None else {"lowest": near[0] - 1, "top": near[1] + 1}
        query = _SHED if near is None else _SHED_NEAR
        shed = [Shed(a, b, why) for a, b, why in connection.execute(query, {"stream_id": stream.id} | bounds)]
    return Marks(
        mark=stream.mark,
        highest=stream.highest,
        islands=tuple(beyond),
        shed=tuple(shed),
    )


def _save_ranges(connection: sa.Connection, stream_id: int, before: Marks, after: Marks) -> None:
    """Write changed islands and shed ranges."""
    if before.islands != after.islands:
        unchanged = set(before.islands) & set(after.islands)
        removed = [first for first, last in before.islands if (first, last) not in unchanged]
        added = [(first, last, None) for first, last in after.islands if (first, last) not in unchanged]
        _replace(connection, islands, stream_id, removed, added)
    if before.shed != after.shed:
        removed = [s.first for s in before.shed if s not in after.shed]
        fresh = [(s.first, s.last, s.reason) for s in after.shed if s not in before.shed]
        _replace(connection, shed_ranges, stream_id, removed, fresh)


def _replace(
    connection: sa.Connection,
    table: sa.Table,
    stream_id: int,
    gone: Sequence[int],
    come: Sequence[tuple[int, int, str | None]],
) -> None:
    if gone:
        statement = sa.delete(table).where(
            table.c.stream_id == stream_id, table.c.first == sa.bindparam("gone_first")
        )
        connection.execute(statement, [{"gone_first": first} for first in gone])
    if come:
        fields = [column.name for column in table.columns]
        rows = [{"stream_id": stream_id, "first": a, "last": b, "reason": reason} for a, b, reason in come]
        connection.execute(sa.insert(table), [{f: row[f] for f in fields} for row in rows])


_SAVE = """
UPDATE streams SET mark = ?, highest = ?, island_count = ?, shed_count = shed_count + ?, appended_through = ?,
    installation = ?, gateway_version = ?, gateway_built = ?, duplicates = duplicates + ?,
    conflicts = conflicts + ?, last_heard_us = ?, tail_seq = ?, tail_us = ?
WHERE id = ?
"""

# SQLite names the columns of VALUES so (sqlite.org/lang_update.html, UPDATE FROM).
_SAVE_TOGETHER = """
UPDATE streams SET mark = v.column1, highest = v.column2, island_count = v.column3,
    shed_count = shed_count + v.column4, appended_through = v.column5, installation = v.column6,
    gateway_version = v.column7, gateway_built = v.column8, duplicates = duplicates + v.column9,
    conflicts = conflicts + v.column10, last_heard_us = v.column11, tail_seq = v.column12,
    tail_us = v.column13
FROM ({}) AS v WHERE streams.id = v.column14
"""
_SAVED = (*["int8"] * 5, *["text"] * 3, *["int8"] * 6)


def save(
    connection: sa.Connection,
    stream: Stream,
    before: Marks,
    after: Marks,
    report: GatewayReport | None,
    *,
    duplicates: int,
    conflicts: int,
    now_us: int,
) -> None:
    """Write marks, counters and the gateway's report."""
    _save_ranges(connection, stream.id, before, after)
    heard = with_report(stream, report, now_us)
    more_shed = len(after.shed) - len(before.shed)
    dialect.run(connection, _SAVE, _values(heard, after, more_shed, duplicates, conflicts))


def save_all(connection: sa.Connection, changed: Sequence[Stream]) -> None:
    """Write streams whose mark and highest rose without a gap."""
    rows = [_values(s, Marks(mark=s.mark, highest=s.highest), 0, 0, 0) for s in changed]
    if rows:
        dialect.run_with_rows(connection, _SAVE_TOGETHER, _SAVED, rows)


def with_report(stream: Stream, report: GatewayReport | None, now_us: int, **moved: Any) -> Stream:
    """
    The stream with the time of receipt and its gateway's report; fields that it does not report stay.

    moved : other fields that a batch has moved on.
    """
    fields = report or GatewayReport()
    appended = [n for n in (fields.appended_through, stream.appended_through) if n is not None]
    return stream._replace(
        appended_through=max(appended, default=None),
        installation=fields.installation or stream.installation,
        gateway_version=fields.version or stream.gateway_version,
        gateway_built=fields.built or stream.gateway_built,
        last_heard_us=max(now_us, stream.last_heard_us),
        **moved,
    )


def _values(s: Stream, after: Marks, more_shed: int, duplicates: int, conflicts: int) -> tuple[Any, ...]:
    return (
        *(after.mark, after.highest, len(after.islands), more_shed, s.appended_through),
        *(s.installation, s.gateway_version, s.gateway_built),
        *(duplicates, conflicts, s.last_heard_us, s.tail_seq, s.tail_us, s.id),
    )


def forget_tails(connection: sa.Connection, stream_ids: Sequence[int]) -> None:
    """Forget the last times, so that the next batch is checked in full: a person changed the stream."""
    for piece in dialect.in_lists(sorted(set(stream_ids))):
        connection.execute(sa.update(streams).where(streams.c.id.in_(piece)).values(tail_us=None))


def set_appended(connection: sa.Connection, stream_id: int, appended_through: int) -> None:
    """Set the reported number of the gateway, as a person decided; `save` only ever raises it."""
    statement = sa.update(streams).where(streams.c.id == stream_id)
    connection.execute(statement.values(appended_through=appended_through))


def set_again(connection: sa.Connection, stream_id: int, *, mark: int | None, through: int | None) -> None:
    """
    Ask a stream to send again, or ask no longer (None, None).

    mark : how far it has sent again. through : the mark when it was asked.
    """
    statement = sa.update(streams).where(streams.c.id == stream_id)
    connection.execute(statement.values(again_mark=mark, again_through=through))


def of_device(connection: sa.Connection, device_id: int) -> list[Stream]:
    """Every stream of a device."""
    query = _JOINED.where(streams.c.device_id == device_id).order_by(streams.c.id)
    return [Stream(*row) for row in connection.execute(query)]
