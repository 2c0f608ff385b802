"""The newest values of the devices on a housing, for whoever stands beside the machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.store import reasons, stored
from cleanside.ingest.store.at_rest import ALWAYS, HIGHEST, Arrays
from cleanside.ingest.store.models import (
    confirmations,
    element_changes,
    gauge_readings,
    hand_comparisons,
    housings,
    meter_readings,
    quarantine,
    streams,
    terminals,
)
from cleanside.ingest.store.quarantine import HELD

# Readings that are looked at for a value: sources with other quantities take turns (chosen).
LATEST_READINGS_SEEN = 60
LINK_SHOWN_US = 10 * 60 * 1_000_000  # chosen: long enough to carry an antenna around a machine
#: readings in which signal strengths are looked for: one a second for that time
LINK_READINGS = 600
#: Streams that are looked at, those heard last first: a spool that was begun again has another (chosen).
STREAMS_SEEN = 8


class NewestValue(NamedTuple):
    """A value in SI, and when it was measured."""

    value: float
    at_us: int


class Quarantined(NamedTuple):
    """The newest reading that came and is not believed."""

    received_us: int
    reasons: Sequence[reasons.Reason]


class NewestOf(NamedTuple):
    """What some devices last said: of the stream heard last that has a stored reading."""

    #: quantity -> its newest value
    values: Mapping[str, NewestValue]
    #: when the newest stored reading came; None: there is none
    received_us: int | None
    #: a quarantined reading that came after every stored one; None: there is none
    quarantined: Quarantined | None
    #: numbers that the gateway said it has and that have not come
    waiting: int
    #: (instant, dBm) of the last minutes, oldest first
    signal: Sequence[tuple[int, float]]


NOTHING = NewestOf({}, None, None, 0, ())


def newest_of(connection: sa.Connection, device_ids: Sequence[int]) -> NewestOf:
    """What these devices last said, and what of it is not believed."""
    heard = _heard(connection, device_ids)
    if not heard:
        return NOTHING
    columns = ["at_us", "received_us", *(quantity.column for quantity in QUANTITIES.values())]
    stream, rows = _last_stored(connection, heard, LATEST_READINGS_SEEN, columns) or (heard[0], None)
    received_us = None if rows is None else int(rows["received_us"].max())
    return NewestOf(
        values={} if rows is None else _values(rows),
        received_us=received_us,
        quarantined=_quarantined(connection, heard, received_us),
        waiting=max(0, (heard[0].appended_through or 0) - heard[0].highest),
        signal=_signal(connection, stream.id, stream.highest),
    )


def newest_measured_us(connection: sa.Connection, stream_id: int) -> int | None:
    """When the newest among the last stored numbers of a stream was measured; None: none is stored."""
    at_us = stored.newest(connection, stream_id, LATEST_READINGS_SEEN, ["at_us"])["at_us"]
    return int(at_us.max()) if len(at_us) else None


def newest_rows(
    connection: sa.Connection, device_ids: Sequence[int], many: int, columns: Sequence[str]
) -> Arrays | None:
    """`many` newest stored readings of the stream heard last that has some; None: no reading is stored."""
    found = _last_stored(connection, _heard(connection, device_ids), many, columns)
    return None if found is None else found[1]


def quarantined_of(connection: sa.Connection, device_ids: Sequence[int]) -> Quarantined | None:
    """The quarantined reading of these devices that came after every stored one; None: there is none."""
    heard = _heard(connection, device_ids)
    found = _last_stored(connection, heard, LATEST_READINGS_SEEN, ["received_us"])
    return _quarantined(connection, heard, None if found is None else int(found[1]["received_us"].max()))


def state_of(connection: sa.Connection, housing_id: int, device_ids: Sequence[int]) -> tuple[object, ...]:
    """What stays equal as long as nothing came of these devices and nothing was entered; cheap."""
    heard = sa.select(sa.func.sum(streams.c.highest), sa.func.max(streams.c.last_heard_us))
    of_machine = sa.select(housings.c.machine_id).where(housings.c.id == housing_id).scalar_subquery()
    entered = [
        sa.select(sa.func.max(confirmations.c.id)).where(confirmations.c.housing_id == housing_id),
        sa.select(sa.func.max(hand_comparisons.c.id)).where(hand_comparisons.c.housing_id == housing_id),
        sa.select(sa.func.count(), sa.func.sum(terminals.c.value)).where(
            terminals.c.housing_id == housing_id
        ),
        *(
            sa.select(sa.func.count(), sa.func.max(table.c.id)).where(table.c.housing_id == housing_id)
            for table in (element_changes, gauge_readings)
        ),
        sa.select(sa.func.count(), sa.func.max(meter_readings.c.id)).where(
            meter_readings.c.machine_id == of_machine
        ),
    ]
    asked = [heard.where(streams.c.device_id.in_(device_ids)), *entered]
    return tuple(device_ids) + tuple(value for query in asked for value in connection.execute(query).one())


def _heard(connection: sa.Connection, device_ids: Sequence[int]) -> Sequence[sa.Row[Any, Any, Any]]:
    """Streams of these devices, those heard last first."""
    heard = sa.select(streams.c.id, streams.c.highest, streams.c.appended_through)
    heard = heard.where(streams.c.device_id.in_(device_ids), streams.c.highest > 0)
    newest_first = heard.order_by(streams.c.last_heard_us.desc(), streams.c.id.desc())
    return connection.execute(newest_first.limit(STREAMS_SEEN)).all()


def _last_stored(
    connection: sa.Connection, heard: Sequence[sa.Row[Any, Any, Any]], many: int, columns: Sequence[str]
) -> tuple[sa.Row[Any, Any, Any], Arrays] | None:
    """The first of these streams that has a stored reading, and its newest ones; None: none has."""
    for stream in heard:
        rows = stored.newest(connection, stream.id, many, columns)
        if len(rows["seq"]):
            return stream, rows
    return None


def _quarantined(
    connection: sa.Connection, heard: Sequence[sa.Row[Any, Any, Any]], stored_us: int | None
) -> Quarantined | None:
    """The quarantined reading among the last numbers of these streams that came last, after `stored_us`."""
    entries = sa.select(quarantine.c.received_us, quarantine.c.reasons).where(quarantine.c.state == HELD)
    if stored_us is not None:
        entries = entries.where(quarantine.c.received_us > stored_us)
    last = [
        sa.and_(quarantine.c.stream_id == row.id, quarantine.c.seq > row.highest - LATEST_READINGS_SEEN)
        for row in heard
    ]
    newest_first = entries.where(sa.or_(sa.false(), *last)).order_by(
        quarantine.c.received_us.desc(), quarantine.c.id.desc()
    )
    row = connection.execute(newest_first.limit(1)).first()
    return None if row is None else Quarantined(row.received_us, reasons.read(row.reasons))


def _values(rows: Arrays) -> dict[str, NewestValue]:
    by_time = np.lexsort((-rows["seq"], -rows["at_us"]))
    found: dict[str, NewestValue] = {}
    for name, quantity in QUANTITIES.items():
        values = rows[quantity.column][by_time]
        present = np.flatnonzero(~np.isnan(values))
        if len(present):
            newest = present[0]
            found[name] = NewestValue(float(values[newest]), int(rows["at_us"][by_time[newest]]))
    return found


def _signal(connection: sa.Connection, stream_id: int, highest: int) -> list[tuple[int, float]]:
    strength = QUANTITIES["signal_strength"].column
    numbers = highest - LINK_READINGS + 1, HIGHEST
    rows = stored.arrays(connection, stream_id, numbers, ALWAYS, ["at_us", strength])
    heard = ~np.isnan(rows[strength])
    pairs = sorted(zip(rows["at_us"][heard].tolist(), rows[strength][heard].tolist(), strict=True))
    return [pair for pair in pairs if pair[0] > pairs[-1][0] - LINK_SHOWN_US]
