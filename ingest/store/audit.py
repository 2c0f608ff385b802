"""The audit log as it is read; `fleet.note` writes it."""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.hidden import origin_of
from cleanside.ingest.store.models import audit


class AuditRow(NamedTuple):
    """A row of `audit`."""

    id: int
    at_us: int
    who: str
    what: str
    detail: str


_ENTRY = sa.select(*(audit.c[f] for f in AuditRow._fields)).order_by(audit.c.id.desc())


def entries_of(
    connection: sa.Connection,
    owner_id: int,
    *,
    who: str | None,
    what: str | None,
    before_id: int | None,
    limit: int,
) -> list[AuditRow]:
    """What was done at an owner, newest first; None means any."""
    query = _ENTRY.where(audit.c.owner_id == owner_id).limit(limit)
    if who is not None:
        query = query.where(audit.c.who == who)
    if what is not None:
        query = query.where(audit.c.what == what)
    if before_id is not None:
        query = query.where(audit.c.id < before_id)
    return [AuditRow(*row) for row in connection.execute(query)]


def hide_addresses(connection: sa.Connection) -> None:
    """
    Leave of the addresses of webhooks only where they lead: releases before 0010 noted them whole.

    The one case in which the log is rewritten: a token in it would let whoever reads the log send.
    """
    rows = connection.execute(sa.select(audit.c.id, audit.c.detail).where(audit.c.what == "webhook"))
    for entry_id, detail in rows.all():
        number, _, url = detail.partition(" ")
        if url and (shown := f"{number} {origin_of(url)}") != detail:
            connection.execute(sa.update(audit).where(audit.c.id == entry_id).values(detail=shown))
