"""
The plan of visits: which machine on which day in the next six weeks, what to order by when, and why.

A plan is advice. Accepted, its days become planned changes (`planned-change` of each machine), and the work
list follows them; nothing is changed on a machine by it.
Promises: a day that a person planned stays unless the visit says that it replaces it. What people decided
since the plan was made is never overwritten (409 `plan_outdated`). What to order by when is the work list's
own function (`work.part_lines`), so both say the same.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date
from typing import Annotated, Any, NamedTuple
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from fastapi import Query, Request

from cleanside.ingest.api.routes.described_plan import VisitPlanAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.on_list import HousingName, OnList, OnListByName, on_list
from cleanside.ingest.api.routes.paper_shapes import (
    ZoneName,
    planned_document,
    service_document,
)
from cleanside.ingest.api.routes.plan_moves import moves_of
from cleanside.ingest.api.routes.planning_terms import assumed_document
from cleanside.ingest.api.routes.restriction import dates_of, rest_on
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import R, problems, router_of, text_s
from cleanside.ingest.api.routes.shop import ShopReader, stock_seen
from cleanside.ingest.api.routes.work import (
    asked_documents,
    indicator_document,
    part_lines,
    unsure_document,
)
from cleanside.ingest.cautions import shown as shown_cautions
from cleanside.ingest.errors import Complaint, NotFound, NotValid
from cleanside.ingest.planning.kept_plans import KeptPlans
from cleanside.ingest.planning.visit_plan import (
    LaterElement,
    PlanCost,
    PlannedVisit,
    VisitPlan,
    VisitReason,
    VisitTrip,
)
from cleanside.ingest.planning.visit_problem import NoVisitPlan, VisitProblem
from cleanside.ingest.restriction import Assessment
from cleanside.ingest.shop.planned import version_of
from cleanside.ingest.shop.stock import PartLine
from cleanside.ingest.shop.unsure_dates import UnsureReason
from cleanside.ingest.shop.visit_inputs import PLAN_DAYS, PricedCandidate, Supply, VisitInputs, visit_inputs
from cleanside.ingest.shop.work_list import (
    AT_ONCE,
    ListDays,
    chance_at_service,
    chance_before,
    hours_given_with_service,
    listed_day,
    service_day,
    service_fit,
)
from cleanside.ingest.store import element_changes, planning_terms, shop
from cleanside.ingest.store.element_changes import EntriesMade
from cleanside.ingest.store.keys import Key

router = router_of("shop")

CHOSEN_BY_PERSON = frozenset[VisitReason](("fixed", "as_planned"))
MOST_FIXED = 50  # days chosen by hand at once; chosen
MOST_ACCEPTED = 1_000  # visits; chosen
MACHINES_NAMED = 8  # of an outdated plan, in one sentence; chosen
NO_ENTRIES = EntriesMade()


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
        every = on_list(connection, services.judge(connection, key), key, days)
        inputs = _inputs(connection, key, every, days, _chosen(fixed or [], every))
        made = element_changes.entries_of_owner(connection, key.owner_id)
        moves = moves_of(connection, key, (seen.view for seen in every.values()), resources.clock())
    plan = services.plans.of(inputs.problem)  # outside the transaction: it may take seconds
    days = ListDays(ZoneInfo(zone), now_s, before=inputs.problem.on(PLAN_DAYS))
    with resources.reading() as connection:
        orders = part_lines(connection, key, every, days, planned=_days_of(plan, inputs.problem))
    return _plan_document(plan, inputs, PlanSeen(every, made, moves, days), orders)


class KnownVisit(NamedTuple):
    """The day of a visit, and what other days cost more. Days are ISO 8601."""

    day: str
    more_cost: Mapping[str, float]  # [currency]
    currency: str | None


def known_visits(
    connection: sa.Connection, plans: KeptPlans, key: Key, every: OnListByName, days: ListDays
) -> dict[HousingName, KnownVisit]:
    """
    The visits of the plan as it was made last; empty where something changed since, and none is made.

    every, days : of the work list that shows them.
    """
    if not len(plans):
        return {}
    unended = ListDays(days.zone, days.now_s, before=date.max)
    inputs = _inputs(connection, key, every, unended, {})
    plan, problem = plans.known(inputs.problem), inputs.problem
    if plan is None:
        return {}
    return {
        visit.element.name: KnownVisit(
            problem.on(visit.day).isoformat(),
            {problem.on(move.day).isoformat(): move.more_cost for move in visit.moves},
            inputs.currency,
        )
        for visit in plan.visits
    }


def proposed_days(request: Request, resources: R, key: Key, zone: str) -> set[tuple[str, str, str]]:
    """
    Machine, housing and day, ISO 8601, of visits that a plan of these machines proposed of itself.

    Of the plan as it is made now, and of those that are remembered: a page may be older than the last change.
    A day that a person chose by hand is none of them.
    """
    days, services = ListDays(ZoneInfo(zone), resources.clock() / 1e6, before=date.max), services_of(request)
    with resources.reading() as connection:
        every = on_list(connection, services.judge(connection, key), key, days)
        problem = _inputs(connection, key, every, days, {}).problem
    with suppress(NoVisitPlan):  # then only what was proposed before
        services.plans.of(problem)
    return {
        (*visit.element.name, made.on(visit.day).isoformat())
        for made, plan in services.plans.remembered()
        if every.keys() >= {element.name for element in made.elements}  # else it is of other machines
        for visit in plan.visits
        if visit.element.fixed_day is None
    }


def _days_of(plan: VisitPlan, problem: VisitProblem) -> dict[HousingName, date]:
    """The day on which each element of a plan is changed; what is only looked at needs no part."""
    return {v.element.name: problem.on(v.day) for v in plan.visits if v.element.wear is not None}


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
    stock = stock_seen(connection, key)
    supplies = {
        part.number: Supply(pieces=sum(stock.get(part.number, {}).values()), lead_days=part.lead_time_days)
        for part in shop.parts_of(connection, key.owner_id)
    }
    return visit_inputs(
        [_priced(seen) for seen in every.values()],
        days,
        entered=planning_terms.terms_of(connection, key.owner_id).terms,
        trips=planning_terms.trips_of(connection, key.owner_id),
        supplies=supplies,
        fixed=fixed,
    )


def _priced(seen: OnList) -> PricedCandidate:
    study = seen.view.assessment.study
    at_limit, share = None, study.share_used_percent
    if study.clean_pa is not None and study.terminal_pa is not None:
        at_limit = max(0.0, study.terminal_pa - study.clean_pa)
    return PricedCandidate(
        candidate=seen.candidate,
        prices=seen.prices,
        extra_pa=None if at_limit is None or share is None else at_limit * share / 100,
        extra_at_limit_pa=at_limit,
    )


# ---------------------------------------------------------------- how it is shown


@dataclass(frozen=True)
class PlanSeen:
    """What a plan was made from, and what people decided until then."""

    every: OnListByName
    made: Mapping[int, EntriesMade]
    moves: Mapping[HousingName, int]  # of planned days
    days: ListDays  # of the work list, until the end of the plan

    def version(self, name: HousingName) -> str:
        """Of what people decided about a housing."""
        view = self.every[name].view
        return version_of(view.papers.planned, self.made.get(view.housing.id, NO_ENTRIES))

    def chances(self, name: HousingName) -> Callable[[date, float], float]:
        """
        Says the chance of being at the limit before a day, as the work list does; without dates as planned.
        """
        candidate, days = self.every[name].candidate, self.days

        def chance(day: date, planned: float) -> float:
            found = chance_before(candidate, day, days)
            return planned if found is None else found

        return chance

    def listed(self, name: HousingName) -> str | None:
        """Its day on the work list; None: the list says none within the plan."""
        found = listed_day(self.every[name].candidate, self.days)
        return None if found is None or found[0] >= self.days.before else found[0].isoformat()


def _plan_document(
    plan: VisitPlan, inputs: VisitInputs, seen: PlanSeen, orders: Sequence[PartLine]
) -> dict[str, Any]:
    problem, every = inputs.problem, seen.every
    return {
        "now": text_s(seen.days.now_s),
        "zone": str(seen.days.zone),
        "first_day": problem.first_on.isoformat(),
        "before": problem.on(PLAN_DAYS).isoformat(),
        "currency": inputs.currency,
        "cost": _cost_document(plan.cost),
        "least_cost": plan.bound,
        "gap": plan.gap,
        "was_cut_off": plan.was_cut_off,
        "cost_each_alone": plan.alone_cost,
        "is_late": bool(plan.late),
        "late_days": plan.late_days,
        "visits": [_visit_document(visit, problem, seen) for visit in plan.visits],
        "trips": [_trip_document(trip, problem) for trip in plan.trips],
        "later": [_later_document(later, problem, every) for later in plan.later],
        "not_planned": [
            {**_machine_document(name, every), "reason": reason}
            for name, reason in sorted(inputs.not_planned.items())
        ],
        "asked": asked_documents(every.values()),
        "orders": list(_order_documents(orders)),
        "assumed": assumed_document(dict(inputs.assumed)),
        "sites_without_trip": [site or None for site in inputs.sites_without_trip],
        "other_currency": list(inputs.other_currency),
        "parts_without_lead_time": list(inputs.parts_without_lead_time),
        "chance_allowed": problem.terms.chance_allowed,
        "cautions": shown_cautions("change"),
    }


def _machine_document(name: HousingName, every: OnListByName) -> dict[str, Any]:
    view = every[name].view
    return {
        "machine": name[0],
        "housing": name[1],
        "display_name": view.housing.display_name,
        "site": view.papers.machine.site,
        "state": view.assessment.state,
        "state_form": view.state_form,
        "limit_in_doubt": view.assessment.study.limit_in_doubt,
        "element_in_doubt": view.assessment.study.element_in_doubt,
        "due_at": dates_of(view.assessment.due_s),
        "dates_rest_on": rest_on(view.assessment),
    }


def _visit_document(visit: PlannedVisit, problem: VisitProblem, seen: PlanSeen) -> dict[str, Any]:
    name = visit.element.name
    view, chance = seen.every[name].view, seen.chances(name)
    return {
        "day": problem.on(visit.day).isoformat(),
        **_machine_document(name, seen.every),
        **indicator_document(view.assessment, seen.days),
        "version": seen.version(name),
        "planned": planned_document(view),
        "moved_times": seen.moves.get(name, 0),
        "work_list_on": seen.listed(name),
        **_service_document(seen, name, problem.on(visit.day)),
        "part": visit.element.part,
        "reasons": list(visit.reasons),
        "causes": [suspicion.cause for suspicion in view.assessment.study.suspicions],
        "unsure_because": unsure_of_visit(view.assessment, visit.reasons),
        "share_used_percent": view.assessment.study.share_used_percent,
        "together_with": [{"machine": m, "housing": h} for m, h in visit.together_with],
        "alone_day": _day(visit.alone_day, problem),
        "hours_given": visit.hours_given,
        "chance_at_limit_before": chance(problem.on(visit.day), visit.chance),
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
        "waits_for": visit.waits_for,
        "part_there_on": _day(visit.part_day, problem),
        "planned_on": _day(visit.element.planned_day, problem),
        "moves": list(_move_documents(visit, problem, chance)),
    }


def _move_documents(
    visit: PlannedVisit, problem: VisitProblem, chance: Callable[[date, float], float]
) -> Iterator[dict[str, Any]]:
    """The days to which a visit can be moved; some ten for each of hundreds of visits."""
    calendar, written = problem.calendar, problem.written_calendar
    for move in visit.moves:
        day, before = move.day, move.chance
        is_within = day < len(calendar)
        yield {
            "day": written[day] if is_within else None,
            "more_cost": move.more_cost,
            "chance_at_limit_before": chance(calendar[day], before) if is_within else before,
        }


def unsure_of_visit(found: Assessment, reasons: Sequence[VisitReason]) -> list[UnsureReason]:
    """As on the work list: for a day that follows from the forecast, of an element that has used little."""
    is_at_once = found.state in AT_ONCE or found.asks_to_look
    return [] if is_at_once or CHOSEN_BY_PERSON & set(reasons) else unsure_document(found)


def _service_document(seen: PlanSeen, name: HousingName, on: date) -> dict[str, Any]:
    """What the next service means for a visit, as on the work list."""
    candidate = seen.every[name].candidate
    service_on = service_day(candidate, seen.days)
    return {
        "service": service_document(seen.every[name].view.papers.machine),
        "service_on": None if service_on is None else service_on.isoformat(),
        "service_fit": service_fit(candidate, on, seen.days),
        "chance_at_service": chance_at_service(candidate, seen.days),
        "hours_given_with_service": hours_given_with_service(candidate, on, seen.days),
    }


def _day(day: int | None, problem: VisitProblem) -> str | None:
    """A day for an answer; null: none, or after the plan."""
    return None if day is None or day >= problem.days else problem.written_calendar[day]


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


def _order_documents(lines: Sequence[PartLine]) -> Iterator[dict[str, Any]]:
    for line in lines:
        if line.to_order and line.order_by is not None and line.needed_on is not None:
            yield {
                "part": line.part,
                "pieces": line.to_order,
                "order_by": line.order_by.isoformat(),
                "needed_on": line.needed_on.isoformat(),
                "in_stock": line.in_stock,
                "stock": [{"site": s, "pieces": n} for s, n in sorted(line.stock_by_site.items())],
                "on_order": line.on_order,
                "is_late": line.late_days > 0,
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
