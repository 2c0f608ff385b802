"""Quarantine: readings that were understood but not believed, whole, with the reason. Never dropped."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import Doubt
from cleanside.ingest.store import dialect, old_rows, reasons
from cleanside.ingest.store.marks import Range, Ranges, ranges_of
from cleanside.ingest.store.models import amendments, devices, quarantine, streams

HELD, RELEASED, DISCARDED = "held", "released", "discarded"
SET_ASIDE = "set_aside"  # code of readings that a person removed from the store: only a person puts them back


@dataclass(frozen=True, slots=True)
class QuarantineRow:
    """A row of `quarantine` with the names of its stream and device."""

    id: int
    owner_id: int
    device_id: int
    device: str
    stream_id: int
    stream: str
    seq: int
    content_hash: int
    beside: bool
    state: str
    code: str
    reasons: str
    content: str
    amended: str | None
    received_us: int
    recheck_us: int | None
    amendment_id: int | None


_OF_STREAM = {"owner_id", "device_id", "stream"}
_FIELDS = [
    devices.c.name.label("device") if f == "device" else (streams if f in _OF_STREAM else quarantine).c[f]
    for f in QuarantineRow.__slots__
]
_JOINED = sa.select(*_FIELDS).select_from(quarantine.join(streams).join(devices))


@dataclass(frozen=True, slots=True)
class NewQuarantineRow:
    """A reading to quarantine, before it has a row."""

    seq: int
    content_hash: int
    beside: bool
    doubts: tuple[Doubt, ...]
    content: str
    recheck_us: int | None


def put(connection: sa.Connection, stream_id: int, held: Sequence[NewQuarantineRow], now_us: int) -> None:
    """
    Put readings into quarantine; the same content under the same number is stored once.

    One that had left the numbering of its stream, given up, is quarantined again where its number comes.
    """
    if not held:
        return
    rows = [
        {
            "stream_id": stream_id,
            "seq": entry.seq,
            "content_hash": entry.content_hash,
            "beside": entry.beside,
            "state": HELD,
            "code": entry.doubts[0].code,
            "reasons": reasons.kept(entry.doubts),
            "content": entry.content,
            "received_us": now_us,
            "recheck_us": entry.recheck_us,
        }
        for entry in held
    ]
    insert = dialect.insert(connection, quarantine)
    fresh = {name: insert.excluded[name] for name in rows[0] if name not in _SAME}
    left = quarantine.c.beside & (quarantine.c.state == DISCARDED)
    connection.execute(
        insert.on_conflict_do_update(index_elements=_SAME, set_=fresh | {"amendment_id": None}, where=left),
        rows,
    )


_SAME = ("stream_id", "seq", "content_hash")


def seen(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, list[Any]]:
    """Number -> entries (id, content_hash, state, code, reasons, beside) of `numbers`, in any state."""
    by_number: dict[int, list[Any]] = {}
    fields = ("id", "seq", "content_hash", "state", "code", "reasons", "beside")
    query = sa.select(*(quarantine.c[f] for f in fields)).where(quarantine.c.stream_id == stream_id)
    for among in dialect.among(quarantine.c.seq, numbers):
        for row in connection.execute(query.where(among)):
            by_number.setdefault(row.seq, []).append(row)
    return by_number


def joined() -> sa.Select[Any]:
    """The query for `QuarantineRow`, without conditions."""
    return _JOINED


def by_ids(connection: sa.Connection, owner_id: int, entry_ids: Sequence[int]) -> list[QuarantineRow]:
    """Those of these entries that belong to this owner, in order of receipt."""
    rows: list[QuarantineRow] = []
    if not entry_ids:
        return rows
    query = _JOINED.where(streams.c.owner_id == owner_id).order_by(quarantine.c.id)
    for piece in dialect.in_lists(sorted(set(entry_ids))):
        rows += [QuarantineRow(*row) for row in connection.execute(query.where(quarantine.c.id.in_(piece)))]
    return rows


def locked(connection: sa.Connection, entries: Sequence[QuarantineRow]) -> list[QuarantineRow]:
    """
    These entries as they are now, with their streams locked until the transaction ends.

    Who changes an entry has the lock of its stream, so until then no other process changes these. One that
    went to another owner meanwhile is left out.
    """
    if dialect.is_sqlite(connection) or not entries:
        return list(entries)  # SQLite has one transaction that writes at a time
    old_rows.lock(connection, sorted({entry.stream_id for entry in entries}))
    of_owner: dict[int, list[int]] = {}
    for entry in entries:
        of_owner.setdefault(entry.owner_id, []).append(entry.id)
    found = {row.id: row for owner_id, ids in of_owner.items() for row in by_ids(connection, owner_id, ids)}
    return [found[entry.id] for entry in entries if entry.id in found]


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedRows:
    """Which entries of an owner; None: any."""

    state: str | None = HELD
    code: str | None = None
    device: str | None = None
    #: devices that the key sees; None: all of the owner
    among_devices: frozenset[str] | None = None
    #: from the one instant on, before the other
    received_us: tuple[int | None, int | None] = (None, None)
    #: those that came after this entry
    after_id: int = 0
    #: entries that are not wanted
    without: frozenset[int] = frozenset()


def list_of(
    connection: sa.Connection, owner_id: int, wanted: WantedRows, *, limit: int
) -> list[QuarantineRow]:
    """Entries of this owner in order of receipt, a page at a time."""
    query = _narrowed(_JOINED, owner_id, wanted).order_by(quarantine.c.id).limit(limit)
    return [QuarantineRow(*row) for row in connection.execute(query)]


def count_of(connection: sa.Connection, owner_id: int, wanted: WantedRows) -> int:
    """How many entries of this owner there are."""
    query = sa.select(sa.func.count()).select_from(quarantine.join(streams).join(devices))
    return connection.scalar(_narrowed(query, owner_id, wanted)) or 0


def _narrowed(query: sa.Select[Any], owner_id: int, wanted: WantedRows) -> sa.Select[Any]:
    query = query.where(streams.c.owner_id == owner_id, quarantine.c.id > wanted.after_id)
    if wanted.state is not None:
        query = query.where(quarantine.c.state == wanted.state)
    if wanted.code is not None:
        query = query.where(quarantine.c.code == wanted.code)
    if wanted.device is not None:
        query = query.where(devices.c.name == wanted.device)
    if wanted.among_devices is not None:
        query = query.where(devices.c.name.in_(sorted(wanted.among_devices)))
    if wanted.without:
        query = query.where(quarantine.c.id.not_in(sorted(wanted.without)))
    since_us, until_us = wanted.received_us
    if since_us is not None:
        query = query.where(quarantine.c.received_us >= since_us)
    if until_us is not None:
        query = query.where(quarantine.c.received_us < until_us)
    return query


def due(connection: sa.Connection, now_us: int, *, limit: int = 1_000) -> list[QuarantineRow]:
    """Quarantined entries that are due for another check."""
    query = _JOINED.where(quarantine.c.state == HELD, quarantine.c.recheck_us <= now_us)
    return [
        QuarantineRow(*row)
        for row in connection.execute(query.order_by(quarantine.c.recheck_us).limit(limit))
    ]


def look_again(connection: sa.Connection, codes: Sequence[str], now_us: int) -> int:
    """Mark entries with one of these reasons for another check. Returns how many."""
    statement = sa.update(quarantine).where(
        quarantine.c.state == HELD,
        quarantine.c.code.in_(codes),
        quarantine.c.recheck_us.is_(None),
        sa.not_(quarantine.c.beside),
    )
    return int(connection.execute(statement.values(recheck_us=now_us)).rowcount)


def held_of_device(
    connection: sa.Connection, device_id: int, code: str, *, limit: int
) -> list[QuarantineRow]:
    """Entries of one device that are quarantined for one reason, oldest first."""
    query = _JOINED.where(
        streams.c.device_id == device_id, quarantine.c.state == HELD, quarantine.c.code == code
    )
    return [QuarantineRow(*row) for row in connection.execute(query.order_by(quarantine.c.id).limit(limit))]


def count_unregistered(connection: sa.Connection, owner_id: int) -> int:
    """How many entries of an owner belong to unregistered devices, whatever their reason."""
    # Stream by stream: from the state alone a database would look at every entry that is quarantined, of all
    # owners, for each batch of a stranger.
    of_strangers = sa.select(streams.c.id).select_from(streams.join(devices))
    unregistered = devices.c.owner_id == owner_id, devices.c.registered_us.is_(None)
    found = list(connection.scalars(of_strangers.where(*unregistered)))
    # The state is no condition, or a database would choose the index by it.
    query = sa.select(sa.func.count(sa.case((quarantine.c.state == HELD, 1))))
    pieces = (query.where(quarantine.c.stream_id.in_(piece)) for piece in dialect.in_lists(found))
    return sum(connection.scalar(piece) or 0 for piece in pieces)


def set_states(connection: sa.Connection, entry_ids: Sequence[int], state: str) -> None:
    """Move many entries to another state at once; the server does not check them again by itself."""
    for piece in dialect.in_lists(entry_ids):
        statement = sa.update(quarantine).where(quarantine.c.id.in_(piece))
        connection.execute(statement.values(state=state, recheck_us=None))


def set_beside(connection: sa.Connection, entry_ids: Sequence[int], *, beside: bool) -> None:
    """Say whether entries have the number that they were sent with (False), or only stand beside it."""
    for piece in dialect.in_lists(entry_ids):
        statement = sa.update(quarantine).where(quarantine.c.id.in_(piece))
        connection.execute(statement.values(beside=beside))


# Many rows by one prepared statement: building one for each row is what took the time (measured: 2/3 of it).

_SET_DOUBTS = "UPDATE quarantine SET code = ?, reasons = ?, recheck_us = ? WHERE id = ?"
_AMEND = "UPDATE quarantine SET amended = ?, amendment_id = ? WHERE id = ?"
_RESTORE = """
UPDATE quarantine SET state = ?, code = ?, reasons = ?, amended = ?, recheck_us = ?, amendment_id = ?
WHERE id = ?
"""
_SNAPSHOT = ("state", "code", "reasons", "amended", "recheck_us", "amendment_id")


def set_doubts(connection: sa.Connection, found: Sequence[tuple[int, Sequence[Doubt], int | None]]) -> None:
    """Write the reasons of a later check. found : entry, doubts, when to check again."""
    rows = [
        (doubts[0].code, reasons.kept(doubts), later_us, entry_id) for entry_id, doubts, later_us in found
    ]
    if rows:
        dialect.run(connection, _SET_DOUBTS, rows)


def amend(connection: sa.Connection, amendment_id: int, contents: Sequence[tuple[int, str | None]]) -> None:
    """
    Write a person's changes of entries, and the amendment.

    contents : entry and its present content (JSON; None: as sent).
    """
    if contents:
        rows = [(amended, amendment_id, entry_id) for entry_id, amended in contents]
        dialect.run(connection, _AMEND, rows)


def restore(connection: sa.Connection, before: Mapping[int, Mapping[str, Any]]) -> None:
    """Restore entries to their snapshots. before : entry -> snapshot."""
    rows = [(*(was[name] for name in _SNAPSHOT), entry_id) for entry_id, was in before.items()]
    if rows:
        dialect.run(connection, _RESTORE, rows)


def snapshot(entry: QuarantineRow) -> dict[str, Any]:
    """The fields of an entry that an amendment may change."""
    return {name: getattr(entry, name) for name in _SNAPSHOT}


_HOLD_AGAIN = """
UPDATE quarantine SET state = ?, code = ?, reasons = ?, recheck_us = NULL
WHERE stream_id = ? AND seq = ? AND state = ? AND NOT beside
"""


def hold_again(connection: sa.Connection, stream_id: int, because: Mapping[int, Doubt]) -> set[int]:
    """Quarantine released entries again. because : number -> why. Returns the numbers that had an entry."""
    entries = {
        seq
        for seq, rows in seen(connection, stream_id, ranges_of(sorted(because))).items()
        if any(row.state == RELEASED and not row.beside for row in rows)
    }
    rows = [
        (HELD, why.code, reasons.kept([why]), stream_id, seq, RELEASED)
        for seq, why in because.items()
        if seq in entries
    ]
    if rows:
        dialect.run(connection, _HOLD_AGAIN, rows)
    return entries


def amended_of(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, str]:
    """number -> amended content, of the readings among `numbers` that were stored after an amendment."""
    if not numbers:
        return {}
    query = sa.select(quarantine.c.seq, quarantine.c.amended).where(
        quarantine.c.stream_id == stream_id,
        quarantine.c.state == RELEASED,
        sa.not_(quarantine.c.beside),
        quarantine.c.amended.is_not(None),
    )
    by_number: dict[int, str] = {}
    for among in dialect.among(quarantine.c.seq, numbers):
        by_number.update((seq, amended) for seq, amended in connection.execute(query.where(among)))
    return by_number


_NEAR = """
SELECT seq, id, COALESCE(amended, content), reasons FROM quarantine
WHERE stream_id = ? AND state = 'held' AND NOT beside AND
"""
_NEAR_BELOW = f"{_NEAR} seq < ? AND seq > ? ORDER BY seq DESC LIMIT ?"
_NEAR_ABOVE = f"{_NEAR} seq > ? AND seq < ? ORDER BY seq LIMIT ?"
_NEAR_BETWEEN = f"{_NEAR} seq BETWEEN ? AND ?"


def near(
    connection: sa.Connection, stream_id: int, numbers: Range, bounds: Range, many: int
) -> list[tuple[int, int, str, str]]:
    """
    (number, entry, content, reasons) of entries of these numbers, and of `many` on either side of them.

    bounds : numbers at or beyond these are left out.
    """
    (first, last), (low, high) = numbers, bounds
    asked: tuple[tuple[str, tuple[int, ...]], ...] = (
        (_NEAR_BELOW, (stream_id, first, low, many)),
        (_NEAR_BETWEEN, (stream_id, first, last)),
        (_NEAR_ABOVE, (stream_id, last, high, many)),
    )
    rows = [row for sql, values in asked for row in dialect.run(connection, sql, values)]
    return [(seq, entry_id, content, reasons) for seq, entry_id, content, reasons in rows]


def latest(connection: sa.Connection, stream_id: int, code: str, *, above: int, below: int) -> str | None:
    """Content of the entry with the highest number between two that is doubted by a code; None: none."""
    sql = f"{_NEAR} seq > ? AND seq < ? AND reasons LIKE ? ORDER BY seq DESC LIMIT 1"
    rows = dialect.run(connection, sql, (stream_id, above, below, f'%"{code}"%'))
    return next((content for _, _, content, _ in rows), None)


# ---------------------------------------------------------------- amendments


@dataclass(frozen=True, slots=True)
class Amendment:
    """A row of `amendments`."""

    id: int
    owner_id: int
    kind: str
    at_us: int
    who: str
    detail: str
    before: str
    entries: int
    undone_us: int | None


_AMENDMENT = sa.select(*(amendments.c[f] for f in Amendment.__slots__))


def put_amendment(
    connection: sa.Connection, *, owner_id: int, kind: str, at_us: int, who: str, detail: str
) -> int:
    """Note an amendment of entries; `set_before` writes what they were before."""
    values = {"owner_id": owner_id, "kind": kind, "at_us": at_us, "who": who, "detail": detail}
    statement = sa.insert(amendments).values(before="[]", entries=0, **values).returning(amendments.c.id)
    return int(connection.execute(statement).scalar_one())


def set_before(connection: sa.Connection, amendment_id: int, before: Sequence[tuple[int, Any]]) -> None:
    """Store each entry's state before: (entry, snapshot)."""
    values = {"before": json.dumps(before), "entries": len(before)}
    connection.execute(sa.update(amendments).where(amendments.c.id == amendment_id).values(values))


def amendment(connection: sa.Connection, owner_id: int, amendment_id: int) -> Amendment | None:
    """One amendment of this owner, locked until the transaction ends."""
    query = _AMENDMENT.where(amendments.c.owner_id == owner_id, amendments.c.id == amendment_id)
    query = query.with_for_update()
    row = connection.execute(query).first()
    return None if row is None else Amendment(*row)


def amendments_of(
    connection: sa.Connection, owner_id: int, *, after_id: int = 0, limit: int = 100
) -> list[Amendment]:
    """Amendments of this owner, oldest first, a page at a time."""
    query = _AMENDMENT.where(amendments.c.owner_id == owner_id, amendments.c.id > after_id)
    return [Amendment(*row) for row in connection.execute(query.order_by(amendments.c.id).limit(limit))]


def set_undone(connection: sa.Connection, amendment_id: int, now_us: int) -> None:
    """Note that an amendment is undone."""
    statement = sa.update(amendments).where(amendments.c.id == amendment_id)
    connection.execute(statement.values(undone_us=now_us))
