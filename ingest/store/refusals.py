"""Requests refused for missing authorisation, counted by hour; bounded in rows and in time."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import refusals

HOUR_US = 3_600_000_000
NO_OWNER = 0  # no key of ours was shown
OTHERS = "others"  # all beyond the bound, together
MOST_NAMED = 64  # rows of an hour and owner; with KEPT_HOURS at most some 140 000 rows of strangers; chosen
KEPT_HOURS = 24 * 90  # chosen: a season is looked back upon


class Refusal(NamedTuple):
    """A row of `refusals`."""

    hour: int
    owner_id: int
    reason: str
    who: str
    times: int
    first_us: int
    last_us: int

    @property
    def place(self) -> tuple[int, int, str, str]:
        """What is counted together."""
        return self.hour, self.owner_id, self.reason, self.who

    def plus(self, other: Refusal) -> Refusal:
        """Both counts of one place as one."""
        return self._replace(
            times=self.times + other.times,
            first_us=min(self.first_us, other.first_us),
            last_us=max(self.last_us, other.last_us),
        )


_MORE = """
UPDATE refusals SET times = times + ?, first_us = CASE WHEN first_us < ? THEN first_us ELSE ? END,
    last_us = CASE WHEN last_us > ? THEN last_us ELSE ? END
WHERE hour = ? AND owner_id = ? AND reason = ? AND who = ?
"""


def add(connection: sa.Connection, counts: Sequence[Refusal]) -> None:
    """Add counts to what is there, and drop what is older than `KEPT_HOURS`."""
    for count in sorted(counts, key=lambda c: c.place):  # in one order: processes must not wait in a circle
        if not _more(connection, count):
            _put(connection, count)
    if counts:
        oldest = max(count.hour for count in counts) - KEPT_HOURS
        connection.execute(sa.delete(refusals).where(refusals.c.hour < oldest))


def _more(connection: sa.Connection, count: Refusal) -> bool:
    """Add to a row; False where there is none."""
    times = (count.times, count.first_us, count.first_us, count.last_us, count.last_us)
    return bool(dialect.run(connection, _MORE, (*times, *count.place)).rowcount)


def _put(connection: sa.Connection, count: Refusal) -> None:
    conditions = refusals.c.hour == count.hour, refusals.c.owner_id == count.owner_id
    many = connection.scalar(sa.select(sa.func.count()).select_from(refusals).where(*conditions)) or 0
    if many >= MOST_NAMED:
        count = count._replace(who=OTHERS)
    fresh = dialect.insert(connection, refusals).values(count._asdict()).on_conflict_do_nothing()
    # None: another process was faster, or "others" is there.
    if connection.execute(fresh.returning(refusals.c.hour)).first() is None:
        _more(connection, count)


def list_of(
    connection: sa.Connection, owner_id: int, *, after: tuple[int, str, str] | None = None, limit: int
) -> list[Refusal]:
    """Counts of an owner, or of none, newest hour first; at most `limit` after (hour, reason, who)."""
    query = sa.select(*(refusals.c[f] for f in Refusal._fields)).where(refusals.c.owner_id == owner_id)
    if after is not None:
        hour, reason, who = after
        later = sa.tuple_(refusals.c.reason, refusals.c.who) > sa.tuple_(sa.literal(reason), sa.literal(who))
        query = query.where(sa.or_(refusals.c.hour < hour, sa.and_(refusals.c.hour == hour, later)))
    order = refusals.c.hour.desc(), refusals.c.reason, refusals.c.who
    return [Refusal(*row) for row in connection.execute(query.order_by(*order).limit(limit))]
