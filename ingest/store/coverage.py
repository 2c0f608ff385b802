"""How the readings of a stream came, by the hour: from one reading of each hour, so that months are cheap."""

from __future__ import annotations

import json
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import stored
from cleanside.ingest.store.models import audit, hours

MOST_BUNDLES = 200  # of an owner, newest first; chosen: one a day for half a year


class HourCame(NamedTuple):
    """An hour in which a stream has readings."""

    hour: int  # whole hours since 1970
    first_seq: int
    last_seq: int
    readings: int
    #: when its first reading came [us]; None: it lies in the archive
    received_us: int | None


def hours_came(connection: sa.Connection, stream_id: int, from_hour: int) -> list[HourCame]:
    """Hours of a stream from one on, in order."""
    query = (
        sa.select(hours.c.hour, hours.c.first_seq, hours.c.last_seq, hours.c.readings)
        .where(hours.c.stream_id == stream_id, hours.c.hour >= from_hour, hours.c.readings > 0)
        .order_by(hours.c.hour)
    )
    found = connection.execute(query).all()
    received = stored.received(connection, stream_id, [row.first_seq for row in found])
    return [HourCame(*row, received.get(row.first_seq)) for row in found]


def bundles_came(connection: sa.Connection, owner_id: int) -> dict[str, list[tuple[int, int]]]:
    """Device -> from when until when its bundles came in [us], as the audit has it."""
    query = sa.select(audit.c.at_us, audit.c.what, audit.c.about)
    query = query.where(audit.c.owner_id == owner_id, audit.c.what.in_(["bundle_begun", "bundle"]))
    rows = connection.execute(query.order_by(audit.c.id.desc()).limit(2 * MOST_BUNDLES)).all()
    found: dict[str, list[tuple[int, int]]] = {}
    begun: dict[str, int] = {}
    for at_us, what, about in reversed(rows):
        device = json.loads(about or "{}").get("device", "")
        if what == "bundle_begun":
            begun[device] = at_us
        else:
            found.setdefault(device, []).append((begun.get(device, at_us), at_us))
    return found
