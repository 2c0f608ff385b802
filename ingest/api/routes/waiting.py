"""The cost of waiting with the change, and the prices that a person enters for it."""

from __future__ import annotations

from typing import Annotated, Any

import numpy as np
import sqlalchemy as sa
from fastapi import Depends, Query, Request
from pydantic import Field

from cleanside.ingest.analysis.assessment import Judge, View
from cleanside.ingest.api.routes.described import PricesAnswer, WaitingAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import DEFAULT_HOUSING, find_housing
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import (
    Name,
    PathName,
    R,
    Strict,
    needs,
    problems,
    router_of,
    text,
    text_s,
)
from cleanside.ingest.errors import Complaint, Refused
from cleanside.ingest.restriction.forecast.duty import worked_off_s
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.verdict.cost_of_waiting import (
    SOURCE,
    CostRange,
    Prices,
    Waiting,
    cost_of_waiting,
    unusual_figures,
)
from cleanside.ingest.store import acceptance as store
from cleanside.ingest.store import audit
from cleanside.ingest.store.acceptance import HousingPrices
from cleanside.ingest.store.keys import Key

router = router_of("restriction")

NOTE = (
    "The published effect is of engines at load; at part load it is smaller. Terminal restriction, and the "
    "engine maker's own interval where it is shorter, come first whatever fuel costs."
)

Reader = Annotated[Key, Depends(needs("fleet:read"))]


class NewPrices(Strict):
    """Fuel consumption and prices, all in one currency."""

    housing: Name = DEFAULT_HOUSING
    currency: str = Field(
        pattern="^[A-Z]{3}$", description="currency of all prices, ISO 4217", examples=["EUR"]
    )
    fuel_l_per_h: float = Field(gt=0, le=2_000, description="fuel burnt at work, mean [l/h]", examples=[18.0])
    fuel_price_per_l: float = Field(gt=0, le=1e6, examples=[1.45])
    element_price: float = Field(
        gt=0, le=1e9, description="price of an element and the work [currency]", examples=[140.0]
    )
    figures_are_right: bool = Field(
        False,
        description="true: take figures that look mistyped: more than 500 l/h, an element worth 4 l of fuel",
    )


@router.post(
    "/v1/machines/{machine}/prices",
    summary="Enter what fuel and an element cost",
    response_model=PricesAnswer,
    responses=problems(404),
)
@example(
    {
        "currency": "EUR",
        "fuel_l_per_h": 18.0,
        "fuel_price_per_l": 1.45,
        "element_price": 140.0,
        "housing": "{housing}",
    }
)
def post_prices(
    machine: PathName, body: NewPrices, resources: R, key: Annotated[Key, Depends(needs("prices:write"))]
) -> dict[str, Any]:
    """Set the prices of a housing; the previous entry is replaced, and the audit log has it."""
    if not body.figures_are_right:
        _refuse_unusual(body)

    def save(connection: sa.Connection) -> dict[str, Any]:
        now_us = resources.clock()
        housing = find_housing(connection, key, machine, body.housing)
        given = HousingPrices(
            now_us,
            key.handle,
            body.currency,
            body.fuel_l_per_h,
            body.fuel_price_per_l,
            body.element_price,
        )
        store.put_prices(connection, housing.id, given)
        about = {"machine": machine, "body": body.model_dump(mode="json")}
        audit.note(connection, key.owner_id, now_us, key.handle, "prices", **about)
        return {"machine": machine, "housing": body.housing, **_prices_document(given)}

    return resources.writer.call(save)


def _refuse_unusual(body: NewPrices) -> None:
    """Ask about figures that look mistyped: they would make every cost wrong by the same factor."""
    prices = Prices(
        fuel_l_per_h=body.fuel_l_per_h,
        fuel_price_per_l=body.fuel_price_per_l,
        element_price=body.element_price,
    )
    if unusual := unusual_figures(prices):
        errors = [Complaint(f"#/{name}", code, **values) for name, code, values in unusual]
        figures = "; ".join(map(str, errors))
        raise Refused("figures_unusual", status=422, code="not_valid", errors=errors, figures=figures)


@router.get(
    "/v1/machines/{machine}/waiting",
    summary="What it costs to wait with the change",
    description=f"Extra fuel from restriction as a range, by {SOURCE}. {NOTE}",
    response_model=WaitingAnswer,
    responses=problems(404),
)
@example(query={"housing": "{housing}"})
def get_waiting(
    machine: PathName,
    request: Request,
    resources: R,
    key: Reader,
    housing: Annotated[Name, Query()] = DEFAULT_HOUSING,
) -> dict[str, Any]:
    """Extra fuel now and until terminal, and when changing costs least."""
    with resources.reading() as connection:
        housing_row = find_housing(connection, key, machine, housing)
        judge = services_of(request).judge(connection, key)
        seen = judge.view(housing_row)
        series = judge.series(seen)
        entered = store.prices_of(connection, housing_row.id)
    return document_of(seen, series, entered)


def document_of(seen: View, series: HourlyRestriction, entered: HousingPrices | None) -> dict[str, Any]:
    """The cost of waiting, for an answer. null: not known, or no prices entered."""
    cost = _cost(seen, series, _prices_of(entered))
    return {
        "machine": seen.housing.machine,
        "housing": seen.housing.name,
        "now": text_s(seen.assessment.now_s),
        "state": seen.assessment.state,
        "state_text": seen.state_text,
        "prices": None if entered is None else _prices_document(entered),
        "waiting": _waiting_document(seen, cost) if isinstance(cost, Waiting) else None,
        "missing": _missing(cost, entered),
        "source": SOURCE,
        "note": NOTE,
    }


def waiting_of(judge: Judge, seen: View, entered: HousingPrices | None) -> Waiting | None:
    """What waiting costs; None where something is missing for saying so."""
    if _not_judged(seen) is not None:
        return None
    prices = _prices_of(entered)
    found = judge.beside(seen, ("waiting", prices), lambda: _of_series(seen, judge.series(seen), prices))
    return found if isinstance(found, Waiting) else None


def _prices_of(entered: HousingPrices | None) -> Prices | None:
    if entered is None:
        return None
    return Prices(
        fuel_l_per_h=entered.fuel_l_per_h,
        fuel_price_per_l=entered.fuel_price_per_l,
        element_price=entered.element_price,
    )


def _cost(seen: View, series: HourlyRestriction, prices: Prices | None) -> Waiting | str:
    """The cost of waiting; or, in a sentence, what is missing and what to do about it."""
    return _not_judged(seen) or _of_series(seen, series, prices)


def _not_judged(seen: View) -> str | None:
    """Why nothing can be said before the series is looked at; None: it can."""
    if seen.assessment.state == "suspect":
        return "The figures contradict each other. Find the cause first: see the suspicions of this machine."
    if seen.assessment.asks_to_look:
        return "The element may be missing or torn. Look that it is in, and enter what you found."
    if seen.assessment.study.terminal_pa is None:
        return "No change limit is entered. Enter it from the engine maker's manual."
    return None


def _of_series(seen: View, series: HourlyRestriction, prices: Prices | None) -> Waiting | str:
    """The same as `_cost` of a housing that is judged, by study and series alone, whatever the time is."""
    study = seen.assessment.study
    assert study.terminal_pa is not None  # else it is not judged
    first = (
        int(np.searchsorted(series.hour_s, study.lives[-1].start_s)) if study.lives else len(series.hour_s)
    )
    if study.clean_pa is None or study.hours_left is None or first == len(series.hour_s):
        return "Too early to judge this element. Wait for its first operating hours."
    left = study.hours_left
    return cost_of_waiting(
        np.cumsum(series.operating_h[first:]),
        series.restriction_pa[first:],
        clean_pa=study.clean_pa,
        terminal_pa=study.terminal_pa,
        hours_left=np.array([left.p10, left.p50, left.p90]),
        prices=prices,
    )


def _missing(found: Waiting | str, entered: HousingPrices | None) -> str | None:
    if isinstance(found, str):
        return found
    if entered is None:
        return "No prices are entered. Post them to .../prices for litres, money and a date."
    if found.extra_fuel_l_until_due is None:
        return "No hours are left until the change limit. Change the element: each hour costs more fuel."
    return None


def _waiting_document(seen: View, found: Waiting) -> dict[str, Any]:
    return {
        "extra_fuel_percent_now": _span(found.extra_fuel_percent_now),
        "power_loss_percent_now": _span(found.power_loss_percent_now),
        "extra_fuel_l_per_hour_now": _span(found.extra_fuel_l_per_h_now),
        "extra_fuel_cost_per_hour_now": _span(found.extra_fuel_cost_per_h_now),
        "extra_fuel_percent_until_due": _span(found.extra_fuel_percent_until_due),
        "extra_fuel_l_until_due": _span(found.extra_fuel_l_until_due),
        "extra_fuel_cost_until_due": _span(found.extra_fuel_cost_until_due),
        "cheapest_in_hours": _span(found.cheapest_in_h),
        "cheapest_at": _dates(seen, found.cheapest_in_h),
        "terminal_first": found.terminal_first,
    }


def _dates(seen: View, span: CostRange | None) -> dict[str, str | None] | None:
    """Operating hours to dates in the same way as the due date, and never after its 50 % point."""
    if span is None:
        return None
    assessment = seen.assessment
    latest_s = assessment.due_s.p50 if assessment.due_s is not None else np.inf
    low_s, high_s = (
        min(worked_off_s(h, assessment.study.duty, assessment.now_s), latest_s) for h in (span.low, span.high)
    )
    return {"low": _date(low_s), "high": _date(high_s)}


def _date(at_s: float) -> str | None:
    return text_s(at_s) if at_s < 4_102_444_800 else None  # 2100-01-01: a later date would not be honest


def _span(span: CostRange | None) -> dict[str, float] | None:
    return None if span is None else {"low": span.low, "high": span.high}


def _prices_document(entered: HousingPrices) -> dict[str, Any]:
    return {
        "currency": entered.currency,
        "fuel_l_per_h": entered.fuel_l_per_h,
        "fuel_price_per_l": entered.fuel_price_per_l,
        "element_price": entered.element_price,
        "entered_at": text(entered.entered_us),
        "entered_by": entered.who,
    }
