"""The newest values of the devices on a housing, for whoever stands beside the machine."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.store import stored
from cleanside.ingest.store.at_rest import ALWAYS, HIGHEST
from cleanside.ingest.store.models import (
    confirmations,
    element_changes,
    gauge_readings,
    hand_comparisons,
    housings,
    meter_readings,
    streams,
    terminals,
)

# Readings that are looked at for a value: sources with other quantities take turns (chosen).
LATEST_READINGS_SEEN = 60
LINK_SHOWN_US = 10 * 60 * 1_000_000  # chosen: long enough to carry an antenna around a machine
#: readings in which signal strengths are looked for: one a second for that time
LINK_READINGS = 600


class NewestValue(NamedTuple):
    """A value in SI, and when it was measured."""

    value: float
    at_us: int


class NewestOf(NamedTuple):
    """What the newest stream of some devices last said."""

    #: quantity -> its newest value
    values: Mapping[str, NewestValue]
    #: when the newest reading came; None: there is none
    received_us: int | None
    #: numbers that the gateway said it has and that have not come
    waiting: int
    #: (instant, dBm) of the last minutes, oldest first
    signal: Sequence[tuple[int, float]]


NOTHING = NewestOf({}, None, 0, ())


def newest_of(connection: sa.Connection, device_ids: Sequence[int]) -> NewestOf:
    """What the stream that was heard last says."""
    heard = sa.select(streams.c.id, streams.c.highest, streams.c.appended_through)
    heard = heard.where(streams.c.device_id.in_(device_ids), streams.c.highest > 0)
    stream = connection.execute(heard.order_by(streams.c.last_heard_us.desc(), streams.c.id.desc())).first()
    if stream is None:
        return NOTHING
    values, received_us = _values(connection, stream.id)
    return NewestOf(
        values=values,
        received_us=received_us,
        waiting=max(0, (stream.appended_through or 0) - stream.highest),
        signal=_signal(connection, stream.id, stream.highest),
    )


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


def _values(connection: sa.Connection, stream_id: int) -> tuple[dict[str, NewestValue], int | None]:
    columns = ["at_us", "received_us", *(quantity.column for quantity in QUANTITIES.values())]
    rows = stored.newest(connection, stream_id, LATEST_READINGS_SEEN, columns)
    if not len(rows["seq"]):
        return {}, None
    by_time = np.lexsort((-rows["seq"], -rows["at_us"]))
    found: dict[str, NewestValue] = {}
    for name, quantity in QUANTITIES.items():
        values = rows[quantity.column][by_time]
        present = np.flatnonzero(~np.isnan(values))
        if len(present):
            newest = present[0]
            found[name] = NewestValue(float(values[newest]), int(rows["at_us"][by_time[newest]]))
    return found, int(rows["received_us"].max())


def _signal(connection: sa.Connection, stream_id: int, highest: int) -> list[tuple[int, float]]:
    strength = QUANTITIES["signal_strength"].column
    numbers = highest - LINK_READINGS + 1, HIGHEST
    rows = stored.arrays(connection, stream_id, numbers, ALWAYS, ["at_us", strength])
    heard = ~np.isnan(rows[strength])
    pairs = sorted(zip(rows["at_us"][heard].tolist(), rows[strength][heard].tolist(), strict=True))
    return [pair for pair in pairs if pair[0] > pairs[-1][0] - LINK_SHOWN_US]
