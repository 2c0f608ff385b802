"""Facts for acceptance beside the readings: clock, power cycles, limits read twice; and prices."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.ingest.store import dialect, newest
from cleanside.ingest.store import reports as report_store
from cleanside.ingest.store.models import (
    confirmations,
    hand_comparisons,
    hours,
    housings,
    machines,
    prices,
    reports,
    streams,
)

#: subject of `hand_comparisons` by which a new element's restriction is noted
CLEAN_ELEMENT = "clean_element"
LATEST_READINGS = 100  # the newest of a stream, to see how soon they arrive; chosen


class Confirmation(NamedTuple):
    """A terminal restriction that a person read a second time."""

    at_us: int
    who: str
    value: float
    unit: str
    restriction_pa: float


class HandComparison(NamedTuple):
    """A comparison by hand at an acceptance; `value_si` None: it has no number."""

    at_us: int
    who: str
    #: as in `ingest.restriction.verdict.installation.BY_HAND`
    subject: str
    value: float | None
    unit: str | None
    value_si: float | None
    compared_with: str


class CleanNote(NamedTuple):
    """What a new element read at full flow, as a person noted it at a housing."""

    at_us: int
    restriction_pa: float


class HousingPrices(NamedTuple):
    """Prices of fuel and element for a housing's machine."""

    entered_us: int
    who: str
    currency: str
    fuel_l_per_h: float
    fuel_price_per_l: float
    element_price: float


class NewestBoot(NamedTuple):
    """The newest boot that a device's gateway reported, and how many it reported in all."""

    boots: int
    anchor: str | None


def put_confirmation(connection: sa.Connection, housing_id: int, given: Confirmation) -> None:
    """Keep a confirmation; earlier ones stay."""
    connection.execute(sa.insert(confirmations).values(housing_id=housing_id, **given._asdict()))


def confirmations_of(connection: sa.Connection, housing_id: int) -> list[Confirmation]:
    """All confirmations of a housing, oldest first."""
    query = sa.select(*(confirmations.c[f] for f in Confirmation._fields))
    query = query.where(confirmations.c.housing_id == housing_id)
    return [Confirmation(*row) for row in connection.execute(query.order_by(confirmations.c.id))]


def take_confirmation_back(connection: sa.Connection, housing_id: int, at_us: int, who: str) -> bool:
    """Remove what somebody confirmed at an instant. False: nothing."""
    return _take_back(connection, confirmations, housing_id, at_us, who)


def put_comparison(connection: sa.Connection, housing_id: int, given: HandComparison) -> None:
    """Keep a comparison; earlier ones stay."""
    connection.execute(sa.insert(hand_comparisons).values(housing_id=housing_id, **given._asdict()))


def take_comparison_back(connection: sa.Connection, housing_id: int, at_us: int, who: str) -> bool:
    """Remove what somebody compared at an instant. False: nothing."""
    return _take_back(connection, hand_comparisons, housing_id, at_us, who)


def _take_back(connection: sa.Connection, table: sa.Table, housing_id: int, at_us: int, who: str) -> bool:
    of = (table.c.housing_id == housing_id) & (table.c.at_us == at_us)
    return connection.execute(sa.delete(table).where(of, table.c.who == who)).rowcount > 0


def comparisons_since(connection: sa.Connection, housing_id: int, since_us: int) -> list[HandComparison]:
    """Comparisons of a housing entered since an instant, oldest first."""
    query = sa.select(*(hand_comparisons.c[f] for f in HandComparison._fields))
    query = query.where(hand_comparisons.c.housing_id == housing_id, hand_comparisons.c.at_us >= since_us)
    return [HandComparison(*row) for row in connection.execute(query.order_by(hand_comparisons.c.id))]


def put_prices(connection: sa.Connection, housing_id: int, given: HousingPrices) -> None:
    """Set the prices of a housing."""
    statement = dialect.insert(connection, prices).values(housing_id=housing_id, **given._asdict())
    connection.execute(statement.on_conflict_do_update(index_elements=["housing_id"], set_=given._asdict()))


def prices_of(connection: sa.Connection, housing_id: int) -> HousingPrices | None:
    """The prices of a housing; None: not entered."""
    query = sa.select(*(prices.c[f] for f in HousingPrices._fields)).where(prices.c.housing_id == housing_id)
    row = connection.execute(query).first()
    return None if row is None else HousingPrices(*row)


def prices_of_owner(connection: sa.Connection, owner_id: int) -> dict[int, HousingPrices]:
    """Housing id -> its prices, of all housings of an owner that have some."""
    query = sa.select(prices.c.housing_id, *(prices.c[f] for f in HousingPrices._fields))
    query = query.join_from(prices, housings).join(machines).where(machines.c.owner_id == owner_id)
    return {housing_id: HousingPrices(*row) for housing_id, *row in connection.execute(query)}


def newest_uncertainty_s(connection: sa.Connection, device_ids: Sequence[int]) -> float | None:
    """How well the time of the newest stored reading is known; None: not stated, or there is no reading."""
    last = newest.newest_rows(connection, device_ids, 1, ["at_uncertainty_s"])
    if last is None or np.isnan(last["at_uncertainty_s"][0]):
        return None
    return float(last["at_uncertainty_s"][0])


def newest_delay_s(connection: sa.Connection, device_ids: Sequence[int]) -> float | None:
    """Shortest time from taking to receiving among the latest stored readings [s]; None: there are none."""
    last = newest.newest_rows(connection, device_ids, LATEST_READINGS, ["received_us", "at_us"])
    return None if last is None else float((last["received_us"] - last["at_us"]).min() / 1e6)


def boots_since(connection: sa.Connection, device_ids: Sequence[int], since_us: int) -> NewestBoot:
    """Boots that the gateways of these devices reported since then, and the newest one's anchor."""
    conditions = (
        sa.select(reports.c.name)
        .join_from(reports, streams)
        .where(
            streams.c.device_id.in_(device_ids),
            reports.c.kind == "boot",
            reports.c.received_us >= since_us,
        )
        .order_by(reports.c.received_us, reports.c.at_seq)
    )
    names = list(connection.scalars(conditions))
    counted = report_store.counted_since(connection, device_ids, "boot", "", since_us)
    return NewestBoot(len(names) + counted, names[-1] if names else None)


def key_offs_since(connection: sa.Connection, device_ids: Sequence[int], since_us: int) -> int:
    """Key-off events that the gateways of these devices reported since then."""
    query = (
        sa.select(sa.func.count())
        .select_from(reports.join(streams))
        .where(
            streams.c.device_id.in_(device_ids),
            reports.c.kind == "event",
            reports.c.name == "key_off",
            reports.c.received_us >= since_us,
        )
    )
    counted = report_store.counted_since(connection, device_ids, "event", "key_off", since_us)
    return (connection.scalar(query) or 0) + counted


def first_hour(connection: sa.Connection, device_ids: Sequence[int]) -> int | None:
    """The first UTC hour in which any of these devices has a reading, whole hours since 1970; None: none."""
    query = sa.select(sa.func.min(hours.c.hour)).select_from(hours.join(streams))
    hour: int | None = connection.scalar(
        query.where(streams.c.device_id.in_(device_ids), hours.c.readings > 0)
    )
    return hour
