"""
The plan of visits: which machine on which day in the next six weeks, what to order by when, and why.

A plan is advice. Accepted, its days become planned changes (`planned-change` of each machine); nothing is
changed on a machine or ordered by it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from fastapi import Depends, Query, Request
from pydantic import Field

from cleanside.ingest.api.routes.described_plan import AcceptedAnswer, VisitPlanAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import find_housing
from cleanside.ingest.api.routes.paper_shapes import Day, ZoneName, end_of_day_us
from cleanside.ingest.api.routes.planning_terms import assumed_document
from cleanside.ingest.api.routes.restriction import dates_of, rest_on
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import Name, R, Strict, needs, problems, router_of, text, text_s
from cleanside.ingest.api.routes.shop import ShopReader, stock_seen
from cleanside.ingest.api.routes.work import OnList, on_list
from cleanside.ingest.cautions import shown as shown_cautions
from cleanside.ingest.errors import Complaint, NotFound, NotValid
from cleanside.ingest.planning.part_orders import PartOrder
from cleanside.ingest.planning.visit_plan import (
    LaterElement,
    PlanCost,
    PlannedVisit,
    VisitPlan,
    VisitTrip,
)
from cleanside.ingest.planning.visit_problem import VisitProblem
from cleanside.ingest.shop.visit_inputs import PLAN_DAYS, PricedCandidate, Supply, VisitInputs, visit_inputs
from cleanside.ingest.shop.work_list import ListDays
from cleanside.ingest.store import acceptance, audit, papers, planning_terms, shop
from cleanside.ingest.store.acceptance import HousingPrices
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import PlannedChange

router = router_of("shop")

MOST_FIXED = 50  # days chosen by hand at once; chosen
MOST_ACCEPTED = 1_000  # visits; chosen

OnListByName = Mapping[tuple[str, str], OnList]


class AcceptedVisit(Strict):
    """A visit of the plan, as it was seen."""

    machine: Name
    housing: Name
    on: Day


class NewAcceptedPlan(Strict):
    """The visits of a plan that are meant to be made."""

    zone: ZoneName = Field("UTC", description="where days begin and end")
    visits: list[AcceptedVisit] = Field(
        min_length=1, max_length=MOST_ACCEPTED, description="visits of the plan, as they were seen"
    )


@router.get(
    "/v1/visit-plan",
    summary="The plan of visits",
    response_model=VisitPlanAnswer,
    responses=problems(404, 409, 503),
)
@example(query={"fixed": "{machine}/{housing}/2026-03-03"}, plain="fixed")
def get_visit_plan(
    request: Request,
    resources: R,
    key: ShopReader,
    zone: Annotated[ZoneName, Query(description="where days begin and end")] = "UTC",
    fixed: Annotated[
        list[str] | None,
        Query(
            max_length=MOST_FIXED,
            description="days chosen by hand, each as machine/housing/day, like grader-07/main/2026-12-04",
        ),
    ] = None,
) -> dict[str, Any]:
    """
    The visits of the next six weeks at least expected cost, over all machines that the key may see.

    The plan is made where its inputs changed, and remembered; 503 where too many plans are being made.
    """
    now_s, services = resources.clock() / 1e6, services_of(request)
    days = ListDays(ZoneInfo(zone), now_s, before=date.max)
    with resources.reading() as connection:
        every = on_list(connection, services.judge(connection, key.owner_id), key, days)
        inputs = _inputs(connection, key, every, days, _chosen(fixed or [], every))
    plan = services.plans.of(inputs.problem)  # outside the transaction: it may take seconds
    return _plan_document(plan, inputs, every, zone, now_s)


@router.post(
    "/v1/visit-plan/accepted",
    summary="Accept a plan of visits",
    response_model=AcceptedAnswer,
    responses=problems(404),
)
@example(
    {"zone": "UTC", "visits": [{"machine": "{machine}", "housing": "{housing}", "on": "2026-03-04"}]},
    plain="zone visits on",
)
def post_accepted_plan(
    body: NewAcceptedPlan, resources: R, key: Annotated[Key, Depends(needs("shop:write"))]
) -> dict[str, Any]:
    """Each visit becomes the planned change of its housing. One planned for its day stays as it is."""
    now_us, zone = resources.clock(), ZoneInfo(body.zone)
    for place, visit in enumerate(body.visits):
        if end_of_day_us(visit.on, zone) <= now_us:
            pointer = f"#/visits/{place}/on"
            raise NotValid(Complaint(pointer, "planned_day_over", on=visit.on, now=text(now_us)))

    def save(connection: sa.Connection) -> dict[str, Any]:
        known = papers.papers_of_owner(connection, key.owner_id)
        found = [(find_housing(connection, key, v.machine, v.housing).id, v.on) for v in body.visits]
        before = {housing_id: known[housing_id].planned for housing_id, _ in found}
        changed = [(h, on) for h, on in found if (was := before[h]) is None or was.planned_on != on]
        for housing_id, on in changed:
            planned = PlannedChange(on, end_of_day_us(on, zone), now_us, key.handle, "")
            papers.put_planned(connection, housing_id, planned)
        about = {"visits": len(found), "changed": len(changed)}
        audit.note(connection, key.owner_id, now_us, key.handle, "visit_plan_accepted", **about)
        return about

    document: dict[str, Any] = resources.writer.call(save)
    return document


# ---------------------------------------------------------------- what the plan is made from


def _chosen(fixed: list[str], every: OnListByName) -> dict[tuple[str, str], date]:
    """Days chosen by hand. Raises NotValid for one written otherwise, NotFound for an unknown machine."""
    found = {}
    for place, written in enumerate(fixed):
        machine, housing, day = [*written.split("/"), "", ""][:3]
        try:
            on = date.fromisoformat(day)
        except ValueError:
            raise NotValid(
                Complaint("query/fixed", "fixed_not_read", text=written[:80], place=place)
            ) from None
        if (machine, housing) not in every:
            raise NotFound("machine", machine)
        found[machine, housing] = on
    return found


def _inputs(
    connection: sa.Connection,
    key: Key,
    every: OnListByName,
    days: ListDays,
    fixed: Mapping[tuple[str, str], date],
) -> VisitInputs:
    prices = acceptance.prices_of_owner(connection, key.owner_id)
    stock = stock_seen(connection, key)
    supplies = {
        part.number: Supply(pieces=sum(stock.get(part.number, {}).values()), lead_days=part.lead_time_days)
        for part in shop.parts_of(connection, key.owner_id)
    }
    return visit_inputs(
        [_priced(seen, prices.get(seen.view.housing.id)) for seen in every.values()],
        days,
        entered=planning_terms.terms_of(connection, key.owner_id).terms,
        trips=planning_terms.trips_of(connection, key.owner_id),
        supplies=supplies,
        fixed=fixed,
    )


def _priced(seen: OnList, prices: HousingPrices | None) -> PricedCandidate:
    study = seen.view.assessment.study
    at_limit, share = None, study.share_used_percent
    if study.clean_pa is not None and study.terminal_pa is not None:
        at_limit = max(0.0, study.terminal_pa - study.clean_pa)
    return PricedCandidate(
        candidate=seen.candidate,
        prices=prices,
        extra_pa=None if at_limit is None or share is None else at_limit * share / 100,
        extra_at_limit_pa=at_limit,
    )


# ---------------------------------------------------------------- how it is shown


def _plan_document(
    plan: VisitPlan, inputs: VisitInputs, every: OnListByName, zone: str, now_s: float
) -> dict[str, Any]:
    problem = inputs.problem
    return {
        "now": text_s(now_s),
        "zone": zone,
        "first_day": problem.first_on.isoformat(),
        "before": problem.on(PLAN_DAYS).isoformat(),
        "currency": inputs.currency,
        "cost": _cost_document(plan.cost),
        "least_cost": plan.bound,
        "gap": plan.gap,
        "was_cut_off": plan.was_cut_off,
        "cost_each_alone": plan.alone_cost,
        "is_late": any("late" in visit.reasons for visit in plan.visits),
        "visits": [_visit_document(visit, problem, every) for visit in plan.visits],
        "trips": [_trip_document(trip, problem) for trip in plan.trips],
        "later": [_later_document(later, problem, every) for later in plan.later],
        "not_planned": [
            {**_machine_document(name, every), "reason": reason}
            for name, reason in sorted(inputs.not_planned.items())
        ],
        "orders": [_order_document(order, problem) for order in plan.orders],
        "assumed": assumed_document(dict(inputs.assumed)),
        "sites_without_trip": [site or None for site in inputs.sites_without_trip],
        "other_currency": list(inputs.other_currency),
        "parts_without_lead_time": list(inputs.parts_without_lead_time),
        "chance_allowed": problem.terms.chance_allowed,
        "cautions": shown_cautions("change"),
    }


def _machine_document(name: tuple[str, str], every: OnListByName) -> dict[str, Any]:
    view = every[name].view
    return {
        "machine": name[0],
        "housing": name[1],
        "display_name": view.housing.display_name,
        "site": view.papers.machine.site,
        "state": view.assessment.state,
        "due_at": dates_of(view.assessment.due_s),
    }


def _visit_document(visit: PlannedVisit, problem: VisitProblem, every: OnListByName) -> dict[str, Any]:
    return {
        "day": problem.on(visit.day).isoformat(),
        **_machine_document(visit.element.name, every),
        "part": visit.element.part,
        "reasons": list(visit.reasons),
        "together_with": [{"machine": m, "housing": h} for m, h in visit.together_with],
        "alone_day": _day(visit.alone_day, problem),
        "hours_given": visit.hours_given,
        "chance_at_limit_before": visit.chance,
        "hours_lost": visit.hours_lost,
        "cost": {
            "element": visit.element_cost,
            "fuel": visit.fuel_cost,
            "over": visit.over_cost,
            "stop": visit.stop_cost,
            "moved": visit.move_cost,
            "waiting": -visit.waiting_gain,
        },
        "last_day": _day(visit.last_day, problem),
        "planned_on": _day(visit.element.planned_day, problem),
        "moves": [
            {
                "day": _day(move.day, problem),
                "more_cost": move.more_cost,
                "chance_at_limit_before": move.chance,
            }
            for move in visit.moves
        ],
    }


def _day(day: int | None, problem: VisitProblem) -> str | None:
    """A day for an answer; null: none, or after the plan."""
    return None if day is None or day >= problem.days else problem.on(day).isoformat()


def _trip_document(trip: VisitTrip, problem: VisitProblem) -> dict[str, Any]:
    return {
        "day": problem.on(trip.day).isoformat(),
        "site": trip.site or None,
        "price": trip.price,
        "km": trip.km,
        "hours": trip.hours,
        "is_for_service": trip.is_for_service,
        "machines": sorted({machine for machine, _ in trip.names}),
    }


def _later_document(later: LaterElement, problem: VisitProblem, every: OnListByName) -> dict[str, Any]:
    return {
        **_machine_document(later.element.name, every),
        "last_day": problem.on(later.last_day).isoformat(),
        "cost": later.cost,
    }


def _order_document(order: PartOrder, problem: VisitProblem) -> dict[str, Any]:
    return {
        "part": order.part,
        "pieces": order.pieces,
        "order_by": problem.on(order.order_day).isoformat(),
        "needed_on": problem.on(order.needed_day).isoformat(),
        "in_stock": order.in_stock,
        "is_late": order.is_late,
    }


def _cost_document(cost: PlanCost) -> dict[str, float]:
    return {
        "total": cost.all,
        "element": cost.element,
        "fuel": cost.fuel,
        "over": cost.over,
        "stop": cost.stop,
        "travel": cost.travel,
        "moved": cost.moved,
        "waiting": cost.waiting,
        "later": cost.later,
    }
        "dates_rest_on": rest_on(view.assessment),
