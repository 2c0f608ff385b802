"""
How answers about the plan of visits look, for the OpenAPI description.

Prices are in the currency of the answer; days are ISO 8601; null: not known, or not entered.
Leaves to others: what the values are (`planning_terms`, `visit_plan`).
"""

from __future__ import annotations

from pydantic import Field

from cleanside.ingest.api.routes.described import CautionShown, Dates, Described, PlannedShown, ServiceShown
from cleanside.ingest.api.routes.described_kinds import (
    DatesRestOn,
    NotPlannedReason,
    OrderEnd,
    ServiceFit,
    State,
    StateForm,
    UnsureReason,
    VisitReason,
    WaitsFor,
)
from cleanside.ingest.api.routes.described_shop import AskedPlanShown, StockShown


class AssumedShown(Described):
    """A figure without an entry, and what the plan takes instead."""

    field: str = Field(description="its name in the body of POST /v1/planning-terms")
    value: str = Field(description="a number, or days of the week, as text")


class TripTermsShown(Described):
    """The way to a site and back."""

    site: str = Field(description="name of the site")
    km: float = Field(description="there and back [km]")
    hours: float = Field(description="of one person, there and back [h]")


class TermsAnswer(Described):
    """What a shop enters for its plan of visits; null: not entered."""

    currency: str | None = Field(description="of all prices, ISO 4217")
    people: int | None = Field(description="who change elements, on a working day")
    hours_per_day: float | None = Field(description="of each of them, driving included [h]")
    working_days: str | None = Field(description="days of the week, 1 is Monday", examples=["12345"])
    days_off: list[str] = Field(
        description="holidays and days on which the shop is closed, ISO 8601; empty: none",
        examples=[["2026-12-25"]],
    )
    change_hours: float | None = Field(description="of one person for one change [h]")
    stop_price: float | None = Field(description="a machine stands for a change [currency]")
    km_price: float | None = Field(description="of driving, with whoever drives [currency/km]")
    over_price_per_day: float | None = Field(description="a machine works past its limit [currency/day]")
    move_price: float | None = Field(description="a planned visit goes to another day [currency]")
    chance_allowed: float | None = Field(
        description="that an element is at its limit before its visit, 0 to 1"
    )
    element_price: float | None = Field(
        description="element and work, where a machine has no price of its own [currency]"
    )
    fuel_l_per_h: float | None = Field(
        description="burnt at work, where a machine has no figure of its own [l/h]"
    )
    fuel_price_per_l: float | None = Field(description="of fuel [currency/l]")
    assumed: list[AssumedShown] = Field(description="what a plan takes where nothing is entered")
    trips: list[TripTermsShown] = Field(description="ways to sites that are entered")
    entered_at: str | None = Field(description="when prices or rules were entered last, UTC; null: never")
    entered_by: str | None = Field(description="who did; null: no person")


# ---------------------------------------------------------------- the plan


class VisitCostShown(Described):
    """Expected costs of a visit, without its trip. [currency]"""

    element: float = Field(
        description="hours that it would have lasted, each at the mean cost of an hour [currency]"
    )
    fuel: float = Field(description="extra fuel from restriction until then [currency]")
    over: float = Field(
        description="reaching the limit before: days past it and a trip of its own [currency]"
    )
    stop: float = Field(description="the machine stands for it; 0: for a service anyway [currency]")
    moved: float = Field(description="it was planned for another day [currency]")
    waiting: float = Field(
        description="below 0: nearer the day more is known, which is expected to save that [currency]"
    )


class PlanCostShown(VisitCostShown):
    """Expected costs of a plan. [currency]"""

    total: float = Field(description="sum of all [currency]")
    travel: float = Field(description="trips to sites [currency]")
    later: float = Field(description="elements that are changed after the plan [currency]")


class VisitNameShown(Described):
    """A housing."""

    machine: str
    housing: str


class PlannedMachineShown(VisitNameShown):
    """A housing with its state and dates."""

    display_name: str | None
    site: str | None
    state: State
    state_form: StateForm
    limit_in_doubt: bool
    element_in_doubt: bool
    due_at: Dates | None
    dates_rest_on: DatesRestOn | None


class VisitMoveShown(Described):
    """What another day for a visit costs, all others staying."""

    day: str | None = Field(description="ISO 8601; null: after the plan")
    more_cost: float = Field(
        description="more than on its day; below 0: it saves that, within the gap [currency]"
    )
    chance_at_limit_before: float = Field(description="that the limit is reached before, 0 to 1")


class VisitShown(PlannedMachineShown):
    """An element that is changed, or looked at, on a day."""

    day: str
    latch_at: Dates | None
    indicator_days: int | None
    indicator_latched: bool
    part: str | None = Field(description="the part that it takes; null: not entered")
    reasons: list[VisitReason] = Field(description="why on this day, the strongest first")
    causes: list[str] = Field(description="what to look at first, by code; empty: nothing")
    unsure_because: list[UnsureReason] = Field(
        description="why its early date is unsure, where its element has used little; empty: it has not"
    )
    share_used_percent: float | None
    together_with: list[VisitNameShown] = Field(description="others of the same trip")
    alone_day: str | None = Field(
        description="cheapest day if nothing were shared, ISO 8601; null: after the plan"
    )
    hours_given: float = Field(
        description="lost against that day, for the sake of the trip [operating hours]"
    )
    chance_at_limit_before: float = Field(description="that the limit is reached before, 0 to 1")
    hours_lost: float = Field(description="that the element would have lasted, expected [operating hours]")
    cost: VisitCostShown = Field(description="expected, without the trip [currency]")
    last_day: str | None = Field(description="the last day in time, ISO 8601; null: after the plan")
    waits_for: WaitsFor | None = Field(description="what a late visit waits for; null: it is not late")
    part_there_on: str | None = Field(
        description="from then on its part can be there, where it waits for that, ISO 8601"
    )
    version: str = Field(
        description="of what people decided about it; send it along when the plan is accepted"
    )
    planned: PlannedShown | None = Field(description="the day that is planned already; null: none")
    moved_times: int
    planned_on: str | None = Field(description="a person planned it for then, ISO 8601; null: no person did")
    work_list_on: str | None = Field(
        description="its day on the work list until the plan is accepted, ISO 8601; null: not within the plan"
    )
    service: ServiceShown | None
    service_on: str | None = Field(description="when the next service likely falls, ISO 8601")
    service_fit: ServiceFit | None
    chance_at_service: float | None
    hours_given_with_service: float | None
    moves: list[VisitMoveShown] = Field(description="other days that are possible")


class VisitTripShown(Described):
    """A way to a site and back."""

    day: str
    site: str | None
    price: float = Field(description="0: somebody goes there anyway [currency]")
    km: float = Field(description="there and back; 0: somebody goes there anyway [km]")
    hours: float = Field(description="of people, driving and changing [h]")
    is_for_service: bool = Field(description="true: somebody goes there anyway, for a service")
    machines: list[str] = Field(description="machines that are visited")


class LaterShown(PlannedMachineShown):
    """An element that need not be changed within the plan."""

    last_day: str = Field(description="when it must be at the latest, ISO 8601")
    cost: float = Field(description="expected, with a trip of its own [currency]")


class NotPlannedShown(PlannedMachineShown):
    """A housing that the plan says nothing of."""

    reason: NotPlannedReason


class PartOrderShown(Described):
    """Pieces to order."""

    part: str
    pieces: int
    order_by: str = Field(description="ISO 8601")
    needed_on: str = Field(description="the first of the pieces, ISO 8601")
    in_stock: int
    stock: list[StockShown] = Field(description="by site")
    on_order: int
    is_late: bool = Field(description="true: ordered today it comes after it is needed")


class VisitPlanAnswer(Described):
    """The plan of visits. It is advice: the engine maker's manual and limits come first."""

    now: str
    zone: str
    first_day: str = Field(description="first day of the plan, ISO 8601; before noon today, later tomorrow")
    before: str = Field(description="the first day that is no longer in the plan")
    currency: str | None = Field(description="of all costs, ISO 4217; null: none is entered")
    cost: PlanCostShown = Field(description="expected [currency]")
    least_cost: float = Field(description="no plan costs less [currency]")
    gap: float = Field(description="how much of its cost the plan may be above the least one, 0 to 1")
    was_cut_off: bool = Field(description="true: the search ended before it came as near as it should")
    cost_each_alone: float = Field(description="each on its own cheapest day, for comparison [currency]")
    is_late: bool = Field(description="true: people or parts do not suffice, and visits are late")
    late_days: int = Field(description="by how many days visits are late, all together")
    visits: list[VisitShown] = Field(description="by day, site and name")
    trips: list[VisitTripShown] = Field(description="by day and site")
    later: list[LaterShown] = Field(description="not within the plan, by name")
    not_planned: list[NotPlannedShown] = Field(description="housings that the plan says nothing of")
    asked: list[AskedPlanShown] = Field(
        description="planned days that count for nothing until a person keeps or takes them back, by name"
    )
    orders: list[PartOrderShown] = Field(description="what to order, most urgent first")
    assumed: list[AssumedShown] = Field(description="figures without an entry, and what the plan takes")
    sites_without_trip: list[str | None] = Field(
        description="sites whose ways are assumed; null: machines without a site"
    )
    other_currency: list[str] = Field(description="machines whose prices are in another, and not used")
    parts_without_lead_time: list[str] = Field(description="taken to come on the day they are ordered")
    chance_allowed: float = Field(description="that an element is at its limit before its visit, 0 to 1")
    cautions: list[CautionShown]


class WantedOrderShown(Described):
    """Parts to order, or on their way."""

    order: int = Field(description="number of the order")
    part: str
    pieces: int = Field(description="pieces to order, or ordered")
    order_by: str = Field(description="ISO 8601")
    needed_on: str = Field(description="the first of the pieces, ISO 8601")
    planned_at: str
    by: str = Field(description="handle of whoever accepted the plan, or entered it")
    ordered_at: str | None = Field(description="when it was ordered, UTC; null: not yet")
    ordered_by: str | None = Field(description="handle of whoever ordered it")
    ended_at: str | None = Field(description="when it came or was dropped, UTC; null: it is open")
    site: str | None = Field(
        description="of the machine that needs it first, or where it came; null: unknown"
    )
    is_by_hand: bool = Field(description="true: a person entered it, without a plan")
    ended_as: OrderEnd | None = Field(description="null: it is open, or that was not kept")
    ended_by: str | None = Field(description="handle of whoever said so; null: it is open, or not known")
    is_yours: bool = Field(
        description="false: it is for machines of other sites too; its pieces are those for yours, and who "
        "sees all of its sites says what became of it"
    )


class WantedOrdersAnswer(Described):
    """Open orders, by day; and those that ended lately."""

    orders: list[WantedOrderShown] = Field(description="by the day on which they must be placed")
    closed: list[WantedOrderShown] = Field(
        description="yours that ended in the last 30 days, newest first; each can be opened again"
    )


class WantedShown(Described):
    """Pieces of a part that were recorded to be ordered."""

    part: str
    pieces: int = Field(description="pieces to order")
    order_by: str = Field(description="ISO 8601")


class KeptDayShown(VisitNameShown):
    """A planned day that stays, because the visit did not say that it replaces it."""

    on: str = Field(description="the day that is planned, ISO 8601")
    by: str


class AcceptedAnswer(Described):
    """What became of an accepted plan."""

    visits: int = Field(description="visits that were accepted")
    changed: int = Field(description="of them, those whose day was not planned before and is now")
    orders: list[WantedShown] = Field(description="recorded to be ordered: `/v1/part-orders`")
    kept: list[KeptDayShown] = Field(description="days that people had planned, which stay as they are")
    accepted_at: str = Field(description="what to name where the plan is to be taken back")


class AcceptedPlanShown(Described):
    """A plan that was accepted, with days that still stand as it set them."""

    accepted_at: str = Field(description="what to name where it is to be taken back")
    by: str = Field(description="who accepted it")
    days: int = Field(description="of it, those that still stand")


class AcceptedPlansAnswer(Described):
    """The accepted plans that can be taken back, the newest first."""

    plans: list[AcceptedPlanShown] = Field(description="newest first; empty: none stands")


class TakenBackAnswer(Described):
    """What became of an accepted plan that was taken back."""

    changed: int = Field(description="days that were taken back")
    stay: list[VisitNameShown] = Field(description="of the plan; somebody decided about them since")
    orders: list[WantedShown] = Field(description="recorded to be ordered for the days that are left")
