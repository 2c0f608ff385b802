"""
Calendars for programs that cannot sign in: their secret addresses, and the day that each shows of an event.

Promises: of an address the hash of its token alone is stored.
Leaves to others: when an event moves (`ingest.messages.calendar_days`), how it reads (`ingest.console`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import calendar_days, calendar_links, people


class CalendarLink(NamedTuple):
    """A row of `calendar_links`."""

    id: int
    person_id: int
    #: the one site it shows; None: all that the person sees
    site: str | None
    zone: str
    language: str
    token_hash: str
    created_us: int
    ended_us: int | None


class ShownDay(NamedTuple):
    """The day on which a calendar shows an event."""

    day: str
    #: the date as it was when the event came to this day
    date_us: int
    sequence: int
    moved_us: int


_LINK = sa.select(*(calendar_links.c[name] for name in CalendarLink._fields))


def create(connection: sa.Connection, **values: object) -> CalendarLink:
    """Store a new link. values : columns of `CalendarLink` but its number and end."""
    columns = [calendar_links.c[name] for name in CalendarLink._fields]
    statement = sa.insert(calendar_links).values(values).returning(*columns)
    return CalendarLink(*connection.execute(statement).one())


def of_person(connection: sa.Connection, person_id: int) -> list[CalendarLink]:
    """The links of a person that are in use, oldest first."""
    query = _LINK.where(calendar_links.c.person_id == person_id, calendar_links.c.ended_us.is_(None))
    return [CalendarLink(*row) for row in connection.execute(query.order_by(calendar_links.c.id))]


def with_token(connection: sa.Connection, token_hash: str) -> CalendarLink | None:
    """The link of a token, if it is in use."""
    query = _LINK.where(calendar_links.c.token_hash == token_hash, calendar_links.c.ended_us.is_(None))
    row = connection.execute(query).first()
    return None if row is None else CalendarLink(*row)


def zones_of_owner(connection: sa.Connection, owner_id: int) -> frozenset[str]:
    """The time zones of the links in use of an owner's people."""
    query = sa.select(calendar_links.c.zone).join_from(calendar_links, people)
    query = query.where(people.c.owner_id == owner_id, calendar_links.c.ended_us.is_(None))
    return frozenset(connection.scalars(query))


def end(connection: sa.Connection, person_id: int, link_id: int, now_us: int) -> bool:
    """End a link of a person. False where there is none."""
    here = calendar_links.c.id == link_id, calendar_links.c.person_id == person_id
    ended = sa.update(calendar_links).where(*here, calendar_links.c.ended_us.is_(None))
    return connection.execute(ended.values(ended_us=now_us)).rowcount > 0


def days_of(connection: sa.Connection, link_id: int) -> dict[str, ShownDay]:
    """Event -> the day on which a calendar shows it."""
    columns = [calendar_days.c[name] for name in ("event", *ShownDay._fields)]
    rows = connection.execute(sa.select(*columns).where(calendar_days.c.link_id == link_id))
    return {row.event: ShownDay(*row[1:]) for row in rows}


def keep_days(connection: sa.Connection, link_id: int, moved: Mapping[str, ShownDay]) -> None:
    """Write the days of events that are new or moved."""
    for event, shown in _sorted(moved):
        values = shown._asdict()
        fresh = dialect.insert(connection, calendar_days).values(link_id=link_id, event=event, **values)
        connection.execute(fresh.on_conflict_do_update(index_elements=["link_id", "event"], set_=values))


def _sorted(moved: Mapping[str, ShownDay]) -> Iterable[tuple[str, ShownDay]]:
    """In one order, so that two processes that write the same rows do not wait for each other."""
    return sorted(moved.items())
