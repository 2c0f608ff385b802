"""What a shop entered for its plan of visits: prices, people, rules, and the ways to its sites."""

from __future__ import annotations

from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.planning.shop_terms import TERM_FIELDS, ShopTerms
from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import planning_terms, site_trips, sites


class EnteredTerms(NamedTuple):
    """The terms of an owner, with who entered them last and when [us]; None: no person did."""

    terms: ShopTerms
    entered_us: int | None
    who: str | None


class TripRow(NamedTuple):
    """The way to a site and back."""

    km: float
    hours: float


def terms_of(connection: sa.Connection, owner_id: int) -> EnteredTerms:
    """The terms of an owner; all None where none is entered."""
    columns = [planning_terms.c[name] for name in (*TERM_FIELDS, "entered_us", "who")]
    row = connection.execute(sa.select(*columns).where(planning_terms.c.owner_id == owner_id)).first()
    if row is None:
        return EnteredTerms(ShopTerms(), None, None)
    *entered, entered_us, who = row
    return EnteredTerms(ShopTerms(**dict(zip(TERM_FIELDS, entered, strict=True))), entered_us, who)


def edit_terms(connection: sa.Connection, owner_id: int, entered_us: int, who: str, **changes: Any) -> None:
    """Set fields of the terms; None takes one away, others stay."""
    values = {"entered_us": entered_us, "who": who, **changes}
    statement = dialect.insert(connection, planning_terms).values(owner_id=owner_id, **values)
    connection.execute(statement.on_conflict_do_update(index_elements=["owner_id"], set_=values))


def trips_of(connection: sa.Connection, owner_id: int) -> dict[str, TripRow]:
    """Site -> the way there and back, where it is entered."""
    query = sa.select(sites.c.name, site_trips.c.km, site_trips.c.hours).join_from(site_trips, sites)
    rows = connection.execute(query.where(sites.c.owner_id == owner_id).order_by(sites.c.name))
    return {name: TripRow(km, hours) for name, km, hours in rows}


def put_trip(connection: sa.Connection, site_id: int, trip: TripRow) -> None:
    """Set the way to a site."""
    values = trip._asdict()
    statement = dialect.insert(connection, site_trips).values(site_id=site_id, **values)
    connection.execute(statement.on_conflict_do_update(index_elements=["site_id"], set_=values))
