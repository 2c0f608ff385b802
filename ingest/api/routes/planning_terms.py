"""What a shop enters for its plan of visits: prices in one currency, people, rules, ways to its sites."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends
from pydantic import AfterValidator, Field

from cleanside.ingest.api.routes.described_plan import TermsAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.named_once import each_once
from cleanside.ingest.api.routes.paper_shapes import Day
from cleanside.ingest.api.routes.shared import Name, R, Strict, needs, problems, router_of, text
from cleanside.ingest.api.routes.shop import ShopReader, find_group, require_all_sites, require_site
from cleanside.ingest.errors import WrongField
from cleanside.ingest.owners.access import sees_site
from cleanside.ingest.planning.shop_terms import TERM_FIELDS
from cleanside.ingest.store import audit, planning_terms
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.planning_terms import TripRow

router = router_of("shop")

MOST_PRICE = 1e6  # of anything in any currency; chosen, against a slip of the finger


def _each_day_once(written: str) -> str:
    if len(set(written)) != len(written):
        raise WrongField("day_twice", written=written)
    return "".join(sorted(written))


MOST_DAYS_OFF = 400  # more than a year; chosen
#: days of the week by ISO 8601: 1 is Monday
WorkingDays = Annotated[
    str, Field(pattern="^[1-7]{1,7}$", examples=["12345"]), AfterValidator(_each_day_once)
]
Price = Annotated[float, Field(ge=0, le=MOST_PRICE)]


class NewTrip(Strict):
    """The way to a site and back."""

    site: Name
    km: float = Field(ge=0, le=5_000, description="there and back [km]")
    hours: float = Field(ge=0, le=24, description="of one person, there and back [h]")


class NewTerms(Strict):
    """Prices, people and rules for the plan of visits; what is left out stays, null takes a value away."""

    currency: str | None = Field(
        None, pattern="^[A-Z]{3}$", description="of all prices, ISO 4217", examples=["EUR"]
    )
    people: int | None = Field(None, ge=1, le=1_000, description="who change elements, on a working day")
    hours_per_day: float | None = Field(
        None, gt=0, le=24, description="of each of them, driving included [h]"
    )
    working_days: WorkingDays | None = Field(None, description="days of the week, 1 is Monday")
    days_off: list[Day] | None = Field(
        None,
        max_length=MOST_DAYS_OFF,
        description="holidays and days on which the shop is closed: plan and work list leave them out",
        examples=[["2026-12-25", "2027-01-01"]],
    )
    change_hours: float | None = Field(None, gt=0, le=24, description="of one person for one change [h]")
    stop_price: Price | None = Field(None, description="a machine stands for a change [currency]")
    km_price: Price | None = Field(None, description="of driving, with whoever drives [currency/km]")
    over_price_per_day: Price | None = Field(
        None, description="a machine works past its limit [currency/day]"
    )
    move_price: Price | None = Field(None, description="a planned visit goes to another day [currency]")
    chance_allowed: float | None = Field(
        None, gt=0, le=0.5, description="that an element is at its limit before its visit, 0 to 1"
    )
    element_price: Price | None = Field(
        None, description="element and work, where a machine has no price of its own [currency]"
    )
    fuel_l_per_h: float | None = Field(
        None, gt=0, le=2_000, description="burnt at work, where a machine has no figure of its own [l/h]"
    )
    fuel_price_per_l: Price | None = Field(None, description="of fuel [currency/l]")
    trips: Annotated[list[NewTrip], each_once("site")] = Field(
        default_factory=list, max_length=256, description="to the sites named"
    )


@router.get(
    "/v1/planning-terms", summary="Prices and people for the plan of visits", response_model=TermsAnswer
)
def get_planning_terms(resources: R, key: ShopReader) -> dict[str, Any]:
    """What is entered, and what a plan assumes where nothing is."""
    with resources.reading() as connection:
        return terms_document(connection, key)


@router.post(
    "/v1/planning-terms",
    summary="Enter prices and people for the plan of visits",
    response_model=TermsAnswer,
    responses=problems(404),
)
@example(
    {
        "currency": "EUR",
        "people": 2,
        "stop_price": 80.0,
        "km_price": 0.9,
        "trips": [{"site": "{site}", "km": 90.0, "hours": 1.5}],
    },
    plain=f"{' '.join(TERM_FIELDS)} trips km hours",
)
def post_planning_terms(
    body: NewTerms, resources: R, key: Annotated[Key, Depends(needs("prices:write"))]
) -> dict[str, Any]:
    """Set what is named; the audit log has it."""
    changes = {name: getattr(body, name) for name in body.model_fields_set if name in TERM_FIELDS}
    if body.days_off is not None:
        changes["days_off"] = " ".join(sorted(set(body.days_off))) or None
    if changes:
        require_all_sites(key)  # they are one and the same at every site

    def save(connection: sa.Connection) -> dict[str, Any]:
        now_us = resources.clock()
        for trip in body.trips:
            require_site(key, trip.site)
            site = find_group(connection, "site", key, trip.site)
            planning_terms.put_trip(connection, site.id, TripRow(trip.km, trip.hours))
        if changes:
            planning_terms.edit_terms(connection, key.owner_id, now_us, key.handle, **changes)
        about = body.model_dump(mode="json", exclude_unset=True)
        audit.note(connection, key.owner_id, now_us, key.handle, "planning_terms", body=about)
        return terms_document(connection, key)

    document: dict[str, Any] = resources.writer.call(save)
    return document


def terms_document(connection: sa.Connection, key: Key) -> dict[str, Any]:
    """What is entered for the plan, for an answer."""
    entered = planning_terms.terms_of(connection, key.owner_id)
    trips = planning_terms.trips_of(connection, key.owner_id)
    return {
        **{name: getattr(entered.terms, name) for name in TERM_FIELDS},
        "days_off": (entered.terms.days_off or "").split(),
        "assumed": assumed_document(entered.terms.assumed()),
        "trips": [
            {"site": site, "km": trip.km, "hours": trip.hours}
            for site, trip in trips.items()
            if sees_site(key, site)
        ],
        "entered_at": text(entered.entered_us),
        "entered_by": entered.who,
    }


def assumed_document(assumed: dict[str, Any]) -> list[dict[str, Any]]:
    """What a plan assumes, for an answer: as text, because it may be a number or days of the week."""
    return [{"field": name, "value": str(value)} for name, value in assumed.items()]
