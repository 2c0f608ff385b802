"""
Boots and events of gateways: whole rows, counts by day of the others, and a tally of both.

The caller locks the streams.
Leaves to others: which reports stay whole (`ingest.store.gateway_reports`).
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.gateway.wire import MAX_INTEGER, readings_in
from cleanside.ingest.store import corrections, dialect, gateway_reports
from cleanside.ingest.store.gateway_reports import (
    BOOT,
    CLOCK_STEPPED,
    EVENT,
    MOST_BOOTS,
    MOST_LOSSES,
    Days,
    GatewayEntry,
    Place,
    ReportPlan,
    Tally,
)
from cleanside.ingest.store.models import report_days, report_tallies, reports, streams

_ROW = ("stream_id", "kind", "digest", "at_seq", "name", "content", "received_us")
LOOKUP = 300  # rows asked for at once, of 3 values each


class Reported(NamedTuple):
    """How often a stream's gateway reported something, and since when."""

    kind: str
    name: str
    times: int
    whole: int
    first_us: int
    last_us: int


def put(connection: sa.Connection, given: Sequence[GatewayEntry]) -> None:
    """Store boots and events, each once however often it is sent."""
    if not given:
        return
    whole, room = _whole_among(connection, given), _room(connection, given)
    stream_ids = sorted({report.stream_id for report in given})
    made = gateway_reports.plan(given, whole, tallies_of(connection, stream_ids), room)
    _write(connection, made)
    # Those that were whole before, too: the boot that a correction speaks of may have come since. None
    # beyond the bound, because a correction leaves rows of its own.
    whole_now = whole | {(r.stream_id, r.kind, r.digest) for rows in made.whole.values() for r in rows}
    corrections.take_up(
        connection,
        [
            r._asdict()
            for r in given
            if (r.stream_id, r.kind, r.digest) in whole_now and room.get((r.stream_id, r.kind), 0) > 0
        ],
    )


# Joined in this order: of a list of rows SQLite would not use the key. The streams are named a second time
# for a database that places rows by them (`tests/contract/test_hot_statements.py`).
_WHOLE_AMONG = """
WITH wanted (stream_id, kind, digest) AS (VALUES {})
SELECT r.stream_id, r.kind, r.digest FROM wanted CROSS JOIN reports r
WHERE r.stream_id = wanted.stream_id AND r.kind = wanted.kind AND r.digest = wanted.digest
    AND r.stream_id IN ({})
"""


def _whole_among(connection: sa.Connection, given: Sequence[GatewayEntry]) -> set[tuple[int, str, str]]:
    """(stream, kind, digest) of whole rows."""
    wanted = sorted({(r.stream_id, r.kind, r.digest) for r in given})
    whole: set[tuple[int, str, str]] = set()
    for piece in dialect.chunks(wanted, LOOKUP):
        stream_ids = dialect.padded(sorted({stream_id for stream_id, _, _ in piece}))
        listed = dialect.padded(piece)
        sql = _WHOLE_AMONG.format(", ".join(["(?, ?, ?)"] * len(listed)), dialect.marks(stream_ids))
        values = (*(value for row in listed for value in row), *stream_ids)
        whole |= {(row[0], row[1], row[2]) for row in dialect.run(connection, sql, values)}
    return whole


_TALLIES = f"""
SELECT {", ".join((*Place._fields, *Tally._fields))} FROM report_tallies WHERE stream_id IN ({{}})
"""
_OF_THEIR_DEVICES = """
SELECT mine.id, every.id FROM streams mine JOIN streams every ON every.device_id = mine.device_id
WHERE mine.id IN ({})
"""
_ADD_TALLY = f"""
INSERT INTO report_tallies ({", ".join((*Place._fields, *Tally._fields))}) VALUES (?, ?, ?, ?, ?, ?, ?)
ON CONFLICT (stream_id, kind, name) DO UPDATE SET
    whole = report_tallies.whole + excluded.whole,
    times = report_tallies.times + excluded.times,
    lost = CASE WHEN report_tallies.lost + excluded.lost > {MAX_INTEGER} THEN {MAX_INTEGER}
        ELSE report_tallies.lost + excluded.lost END,
    folded_through = CASE WHEN report_tallies.folded_through > excluded.folded_through
        THEN report_tallies.folded_through ELSE excluded.folded_through END
"""


def tallies_of(connection: sa.Connection, stream_ids: Sequence[int]) -> dict[Place, Tally]:
    """The tallies of every place of these streams."""
    tallies_by_place: dict[Place, Tally] = {}
    for piece in dialect.in_lists(stream_ids):
        rows = dialect.run(connection, _TALLIES.format(dialect.marks(piece)), tuple(piece))
        tallies_by_place |= {Place(*row[:3]): Tally(*row[3:]) for row in rows}
    return tallies_by_place


def _room(connection: sa.Connection, given: Sequence[GatewayEntry]) -> dict[tuple[int, str], int]:
    """
    (stream, kind) -> how many more boots or losses its device may have.

    Of the streams of one device all count, so that a new stream brings no new room.
    """
    wanted = sorted({r.stream_id for r in given if gateway_reports.is_lasting(r.kind, r.name or "")})
    room = {(stream_id, kind): most for stream_id in wanted for kind, most in MOST.items()}
    wanted_by_other: dict[int, list[int]] = {}
    for piece in dialect.in_lists(wanted):
        for stream_id, other_id in dialect.run(
            connection, _OF_THEIR_DEVICES.format(dialect.marks(piece)), tuple(piece)
        ):
            wanted_by_other.setdefault(other_id, []).append(stream_id)
    for place, tally in tallies_of(connection, sorted(wanted_by_other)).items():
        if gateway_reports.is_lasting(place.kind, place.name):
            for stream_id in wanted_by_other[place.stream_id]:
                room[stream_id, place.kind] -= tally.whole
    return room


MOST = {BOOT: MOST_BOOTS, EVENT: MOST_LOSSES}


def _write(connection: sa.Connection, made: ReportPlan) -> None:
    rows = [{field: getattr(r, field) for field in _ROW} for kept in made.whole.values() for r in kept]
    if rows:
        connection.execute(dialect.insert(connection, reports).on_conflict_do_nothing(), rows)
    whole = Counter({place: len(kept) for place, kept in made.whole.items()})
    counted = list(made.counted)
    for place, (newest, many) in made.fold.items():
        days = _fold(connection, place, newest, many)
        whole.subtract({place: sum(day.times for day in days)})
        counted += days
    _add_days(connection, counted)
    through = dict.fromkeys(made.came, 0)
    for day in counted:
        through[day.place] = max(through[day.place], day.last_seq or 0)
    tallies = {p: Tally(whole[p], times, through[p], lost) for p, (times, lost) in made.came.items()}
    _add_tallies(connection, tallies)


def _rows_of(place: Place) -> list[sa.ColumnElement[bool]]:
    conditions = [reports.c.stream_id == place.stream_id, reports.c.kind == place.kind]
    return (
        conditions
        if place.kind == BOOT
        else [*conditions, sa.func.coalesce(reports.c.name, "") == place.name]
    )


def _fold(connection: sa.Connection, place: Place, newest: int, many: int) -> list[Days]:
    """Replace so many whole rows of a place, behind its newest ones, by a count."""
    order = sa.func.coalesce(reports.c.at_seq, 0).desc(), reports.c.received_us.desc(), reports.c.digest
    query = sa.select(*(reports.c[f] for f in _ROW)).where(*_rows_of(place)).order_by(*order)
    rows = connection.execute(query.offset(newest).limit(many)).all()
    for piece in dialect.in_lists([row.digest for row in rows]):
        conditions = reports.c.stream_id == place.stream_id, reports.c.kind == place.kind
        connection.execute(sa.delete(reports).where(*conditions, reports.c.digest.in_(piece)))
    old = [GatewayEntry(**row._asdict(), was_held=True, lost=_lost(row.name, row.content)) for row in rows]
    return gateway_reports.days_of(place, old)


def _lost(name: str | None, content: str) -> int:
    """How many readings a whole row declares lost."""
    return readings_in(name or "", json.loads(content))


def _add_days(connection: sa.Connection, counted: Sequence[Days]) -> None:
    for days in counted:
        key = {**days.place._asdict(), "day": days.day}
        new = dict(zip(Days._fields[2:], days[2:], strict=True)) | {"lost": min(days.lost, MAX_INTEGER)}
        statement = dialect.insert(connection, report_days).values(key | new)
        before = report_days.c
        changed = {
            "times": before.times + new["times"],
            "first_us": _lower(before.first_us, new["first_us"]),
            "last_us": _higher(before.last_us, new["last_us"]),
            "first_seq": _lower(before.first_seq, new["first_seq"]),
            "last_seq": _higher(before.last_seq, new["last_seq"]),
            "lost": sa.case(
                (before.lost + new["lost"] > MAX_INTEGER, MAX_INTEGER), else_=before.lost + new["lost"]
            ),
        }
        connection.execute(statement.on_conflict_do_update(index_elements=list(key), set_=changed))


def _lower(column: sa.ColumnElement[Any], value: int | None) -> Any:
    return column if value is None else sa.case((column < value, column), else_=value)


def _higher(column: sa.ColumnElement[Any], value: int | None) -> Any:
    return column if value is None else sa.case((column > value, column), else_=value)


def _add_tallies(connection: sa.Connection, more: dict[Place, Tally]) -> None:
    if more:
        bounded = {place: tally._replace(lost=min(tally.lost, MAX_INTEGER)) for place, tally in more.items()}
        dialect.run(connection, _ADD_TALLY, [(*place, *tally) for place, tally in bounded.items()])


# ---------------------------------------------------------------- queries

# What the server noticed itself says nothing of why a machine is silent.
_LAST_EVENT = f"""
SELECT name, received_us FROM reports
WHERE kind = 'event' AND name IS NOT NULL AND name <> '{CLOCK_STEPPED}' AND stream_id = (
    SELECT id FROM streams WHERE device_id IN ({{}}) ORDER BY last_heard_us DESC, id DESC LIMIT 1)
ORDER BY coalesce(at_seq, 0) DESC, received_us DESC LIMIT 1
"""


def last_event(connection: sa.Connection, device_ids: list[int]) -> tuple[str, int] | None:
    """Name and time of receipt [us] of the event that is last by number on the device's newest stream."""
    if not device_ids:
        return None
    sql = _LAST_EVENT.format(dialect.marks(device_ids))
    row = dialect.run(connection, sql, tuple(device_ids)).first()
    return None if row is None else (row[0], row[1])


def reported(connection: sa.Connection, stream_id: int) -> list[Reported]:
    """
    How often the gateway of a stream reported each kind, boots first; first and last by time of receipt.
    """
    spans = spans_of(connection, [stream_id])
    return [
        Reported(place.kind, place.name, tally.times, tally.whole, *spans[place])
        for place, tally in sorted(tallies_of(connection, [stream_id]).items())
        if place in spans
    ]


def spans_of(
    connection: sa.Connection, stream_ids: Sequence[int], kind: str | None = None
) -> dict[Place, tuple[int, int]]:
    """First and last receipt [us] of each place of these streams, whole or counted. kind : None: both."""
    spans: dict[Place, tuple[int, int]] = {}
    for piece in dialect.in_lists(stream_ids):
        for table, first, last in (
            (reports.c, reports.c.received_us, reports.c.received_us),
            (report_days.c, report_days.c.first_us, report_days.c.last_us),
        ):
            key = table.stream_id, table.kind, table.name
            query = sa.select(*key, sa.func.min(first), sa.func.max(last)).where(table.stream_id.in_(piece))
            if kind is not None:
                query = query.where(table.kind == kind)
            for *named, first_us, last_us in connection.execute(query.group_by(*key)):
                place = _place(*named)
                before = spans.get(place, (first_us, last_us))
                spans[place] = min(before[0], first_us), max(before[1], last_us)
    return spans


def _place(stream_id: int, kind: str, name: str | None) -> Place:
    """Where a row counts: the boots of a stream are one place, and so are its events without a name."""
    return Place(stream_id, kind, "" if kind == BOOT else name or "")


def counted_since(
    connection: sa.Connection, device_ids: Iterable[int], kind: str, name: str, since_us: int
) -> int:
    """How many reports of these devices became a count, of days that began to be counted since then."""
    query = (
        sa.select(sa.func.sum(report_days.c.times))
        .select_from(report_days.join(streams))
        .where(
            streams.c.device_id.in_(list(device_ids)),
            report_days.c.kind == kind,
            report_days.c.name == name,
            report_days.c.first_us >= since_us,
        )
    )
    return int(connection.scalar(query) or 0)


# ---------------------------------------------------------------- a stream changes hands


def give(
    connection: sa.Connection, old_id: int, new_id: int, numbers: tuple[int, int], *, goes: bool
) -> None:
    """
    Move reports about these numbers to another stream; boots are copied, both need them.

    goes : the gateway continues there, so its later reports and those without a number move too. The count
    of a day that reaches beyond the numbers stays.
    """

    def of(table: sa.Table, first: sa.Column[Any], last: sa.Column[Any]) -> Sequence[sa.Row[Any]]:
        within = first >= numbers[0] if goes else sa.and_(first >= numbers[0], last <= numbers[1])
        here = table.c.stream_id == old_id, sa.or_(within, first.is_(None)) if goes else within
        rows = connection.execute(sa.select(table).where(*here)).all()
        connection.execute(sa.delete(table).where(*here, table.c.kind == EVENT))
        return rows

    whole = of(reports, reports.c.at_seq, reports.c.at_seq)
    if whole:
        statement = dialect.insert(connection, reports).on_conflict_do_nothing()
        connection.execute(statement, [row._asdict() | {"stream_id": new_id} for row in whole])
    days = of(report_days, report_days.c.first_seq, report_days.c.last_seq)
    fields = Days._fields[1:]
    _add_days(
        connection,
        [
            Days(Place(new_id, row.kind, row.name), **{field: getattr(row, field) for field in fields})
            for row in days
        ],
    )
    for stream_id in (old_id, new_id):
        recount(connection, stream_id)


def recount(connection: sa.Connection, stream_id: int) -> None:
    """Compute the tallies of a stream from its rows and days."""
    connection.execute(sa.delete(report_tallies).where(report_tallies.c.stream_id == stream_id))
    tallies_by_place: dict[Place, Tally] = {}
    whole = sa.select(reports.c.kind, reports.c.name, sa.func.count()).where(reports.c.stream_id == stream_id)
    for kind, name, many in connection.execute(whole.group_by(reports.c.kind, reports.c.name)):
        place = _place(stream_id, kind, name)
        before = tallies_by_place.get(place, Tally(0, 0, 0))
        tallies_by_place[place] = Tally(before.whole + many, before.times + many, 0, 0)
    losses = sa.select(reports.c.name, reports.c.content).where(
        reports.c.stream_id == stream_id, reports.c.kind == EVENT, reports.c.name.startswith("readings")
    )
    for row in connection.execute(losses):
        place = Place(stream_id, EVENT, row.name)
        tallies_by_place[place] = tallies_by_place[place]._replace(
            lost=tallies_by_place[place].lost + _lost(row.name, row.content)
        )
    days = sa.select(report_days).where(report_days.c.stream_id == stream_id)
    for row in connection.execute(days):
        place = Place(stream_id, row.kind, row.name)
        before = tallies_by_place.get(place, Tally(0, 0, 0))
        through = max(before.folded_through, row.last_seq or 0)
        tallies_by_place[place] = Tally(
            before.whole, before.times + row.times, through, before.lost + row.lost
        )
    _add_tallies(connection, tallies_by_place)
