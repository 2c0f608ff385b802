"""
From what the shop knows to the problem of a plan of visits, and what had to be assumed on the way.

Promises: pure. Before noon the plan begins today, later tomorrow.
Leaves to others: the plan itself (`ingest.planning`), the day on which it begins and dates counted from it
(`work_list`), where the figures are kept.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from cleanside.ingest.planning.day_costs import Wear
from cleanside.ingest.planning.shop_terms import ShopTerms, WorkingDays
from cleanside.ingest.planning.visit_problem import (
    ElementAhead,
    PartSupply,
    SiteTrip,
    VisitProblem,
    VisitTerms,
)
from cleanside.ingest.restriction.verdict.cost_of_waiting import FUEL_PER_PA
from cleanside.ingest.shop.prices_used import ASSUMED_TRIP, currency_of, is_foreign
from cleanside.ingest.shop.stock import comes_on
from cleanside.ingest.shop.work_list import (
    Candidate,
    ListDays,
    calendar_limit,
    comes_too_early,
    due_days,
    first_day,
    is_laid_up,
    risk_days,
    service_day,
)
from cleanside.ingest.store.acceptance import HousingPrices
from cleanside.ingest.store.papers import Papers
from cleanside.ingest.store.planning_terms import TripRow

PLAN_DAYS = 42
LEAST_HOURS_PER_DAY = 0.1  # of a machine that hardly works; its hours are worth as much as others'
FUEL_SHARE_PER_PA = sum(FUEL_PER_PA) / 2  # middle of the published range

#: why a housing is not in the plan. no_dates: too early to judge, no data, or no limit; `state` says which
NotPlanned = Literal["no_dates", "laid_up"]
Name = tuple[str, str]  # machine and housing


@dataclass(frozen=True, kw_only=True)
class PricedCandidate:
    """A housing with its prices and its restriction above clean; None: not entered, or not known."""

    candidate: Candidate
    prices: HousingPrices | None
    extra_pa: float | None
    extra_at_limit_pa: float | None

    @property
    def name(self) -> Name:
        """Machine and housing."""
        return self.candidate.machine, self.candidate.housing


@dataclass(frozen=True, kw_only=True)
class Supply:
    """What the shop knows of a part. lead_days None: not entered; it is taken to come the same day."""

    pieces: int
    lead_days: int | None


@dataclass(frozen=True, kw_only=True)
class VisitInputs:
    """The problem, and what it rests on."""

    problem: VisitProblem
    currency: str | None
    assumed: Mapping[str, str]  # field of the terms -> value, where the plan needed one without an entry
    sites_without_trip: tuple[str, ...]  # their ways are assumed
    other_currency: tuple[str, ...]  # machines whose prices are in another currency, and not used
    parts_without_lead_time: tuple[str, ...]
    not_planned: Mapping[Name, NotPlanned]


def visit_inputs(
    candidates: Sequence[PricedCandidate],
    days: ListDays,
    *,
    entered: ShopTerms,
    trips: Mapping[str, TripRow],
    supplies: Mapping[str, Supply],
    fixed: Mapping[Name, date],
) -> VisitInputs:
    """
    The problem of the next six weeks. fixed : days that a person chose by hand.

    trips : of sites, where entered. supplies : of parts, where known.
    """
    first_on, currency = first_day(days), currency_of(entered, [one.prices for one in candidates])
    terms = entered.filled()
    calendar = [first_on + timedelta(days=n) for n in range(PLAN_DAYS)]
    working = entered.working()
    works = [working.has(day) for day in calendar]
    worked = frozenset(n for n, is_working in enumerate(works) if is_working)
    not_planned: dict[Name, NotPlanned] = {}
    elements = []
    for one in candidates:
        laid_up = _laid_up_days(one.candidate.papers, calendar)
        if worked and worked <= laid_up:
            not_planned[one.name] = "laid_up"
        elif one.candidate.due_s is None and one.candidate.at_once is None:
            not_planned[one.name] = "no_dates"
        else:
            wear = _wear(one, days, terms["element_price"], entered, currency)
            elements.append(_element(one, days, first_on, wear, laid_up, fixed.get(one.name)))
    sites = sorted({element.site for element in elements})
    parts = sorted({element.part for element in elements if element.part is not None})
    people_h = terms["people"] * terms["hours_per_day"]
    problem = VisitProblem(
        first_on=first_on,
        terms=VisitTerms(
            stop_price=terms["stop_price"],
            over_price=terms["over_price_per_day"],
            move_price=terms["move_price"],
            chance_allowed=terms["chance_allowed"],
            change_hours=terms["change_hours"],
        ),
        capacity_h=tuple(people_h if is_working else 0.0 for is_working in works),
        elements=tuple(sorted(elements, key=lambda element: element.name)),
        trips=tuple(_trip(site, trips.get(site), terms["km_price"]) for site in sites),
        supplies=tuple(_supply(part, supplies.get(part), days.today, first_on, working) for part in parts),
    )
    return VisitInputs(
        problem=problem,
        currency=currency,
        assumed=_assumed(entered, candidates, currency),
        sites_without_trip=tuple(site for site in sites if site not in trips),
        other_currency=tuple(sorted({o.name[0] for o in candidates if is_foreign(o.prices, currency)})),
        parts_without_lead_time=tuple(
            part for part in parts if part not in supplies or supplies[part].lead_days is None
        ),
        not_planned=not_planned,
    )


# ---------------------------------------------------------------- one housing


def _laid_up_days(papers: Papers, calendar: Sequence[date]) -> frozenset[int]:
    """The days of the plan on which a machine is laid up, by number."""
    if papers.machine.laid_up_from is None:  # of most machines
        return frozenset()
    return frozenset(n for n, day in enumerate(calendar) if is_laid_up(papers, day))


def _element(
    one: PricedCandidate,
    days: ListDays,
    first_on: date,
    wear: Wear | None,
    laid_up: frozenset[int],
    fixed_on: date | None,
) -> ElementAhead:
    candidate = one.candidate
    planned = candidate.papers.planned if candidate.plan == "open" else None
    with_service, too_early = _service_days(candidate, days, first_on)
    return ElementAhead(
        machine=candidate.machine,
        housing=candidate.housing,
        site=candidate.papers.machine.site or "",
        wear=wear,
        part=candidate.papers.housing.primary_part,
        service_days=with_service,
        early_days=too_early,
        planned_day=_ahead(None if planned is None else date.fromisoformat(planned.planned_on), first_on),
        fixed_day=None if fixed_on is None else (fixed_on - first_on).days,
        calendar_day=_number(calendar_limit(candidate, days), first_on),
        laid_up=laid_up,
    )


def _service_days(
    candidate: Candidate, days: ListDays, first_on: date
) -> tuple[frozenset[int], frozenset[int]]:
    """Days of the next service: with which a change may be made, and too early for it, as the list says."""
    service_on = service_day(candidate, days)
    if service_on is None or (day := _ahead(service_on, first_on)) is None:
        return frozenset(), frozenset()
    found = frozenset((day,))
    return (frozenset(), found) if comes_too_early(candidate, service_on, days) else (found, frozenset())


def _wear(
    one: PricedCandidate,
    days: ListDays,
    element_price: float,
    entered: ShopTerms,
    currency: str | None,
) -> Wear | None:
    """How an element wears; None: somebody looks first."""
    candidate = one.candidate
    if candidate.at_once == "check_first":
        return None
    prices = None if is_foreign(one.prices, currency) else one.prices
    fuel = _fuel_price_per_h(prices, entered) * FUEL_SHARE_PER_PA
    return Wear(
        due=due_days(candidate.due_s, days),
        risk=risk_days(candidate, days),
        is_over=candidate.state == "over" or candidate.due_s is None,
        hours_per_day=max(LEAST_HOURS_PER_DAY, round(candidate.duty.hours_per_day, 1)),
        life_hours=float(round(_lived_h(candidate))),
        element_price=element_price if prices is None else prices.element_price,
        fuel_now=round(fuel * min(one.extra_pa or 0.0, one.extra_at_limit_pa or 0.0), 3),
        fuel_at_limit=round(fuel * (one.extra_at_limit_pa or 0.0), 3),
    )


def _lived_h(candidate: Candidate) -> float:
    """Operating hours of the element so far; where they are not known, as many as are likely left."""
    if candidate.life_hours is not None:
        return candidate.life_hours
    return 0.0 if candidate.hours_left is None else candidate.hours_left.p50


def _fuel_price_per_h(prices: HousingPrices | None, entered: ShopTerms) -> float:
    """What a machine burns [currency/h]; 0: not entered, then fuel does not count."""
    if prices is not None:
        return prices.fuel_l_per_h * prices.fuel_price_per_l
    return (entered.fuel_l_per_h or 0.0) * (entered.fuel_price_per_l or 0.0)


def _ahead(day: date | None, first_on: date) -> int | None:
    """The number of a day; None: none, or before the plan."""
    return None if day is None or day < first_on else (day - first_on).days


def _number(day: date | None, first_on: date) -> int | None:
    return None if day is None else (day - first_on).days


# ---------------------------------------------------------------- sites, parts, prices


def _trip(site: str, entered: TripRow | None, km_price: float) -> SiteTrip:
    way = ASSUMED_TRIP if entered is None else entered
    return SiteTrip(site=site, price=way.km * km_price, hours=way.hours, km=way.km)


def _supply(part: str, known: Supply | None, today: date, first_on: date, working: WorkingDays) -> PartSupply:
    if known is None:
        return PartSupply(part=part, pieces=0, there_day=0)
    # Counted from today, though the plan may begin tomorrow.
    there_on = comes_on(working.first(today, date.max), known.lead_days, working)
    return PartSupply(part=part, pieces=known.pieces, there_day=max(0, (there_on - first_on).days))


def _assumed(
    entered: ShopTerms, candidates: Sequence[PricedCandidate], currency: str | None
) -> dict[str, str]:
    unpriced = [one for one in candidates if one.prices is None or is_foreign(one.prices, currency)]
    found = {name: str(value) for name, value in entered.assumed().items()}
    if not unpriced:
        found.pop("element_price", None)
    elif _fuel_price_per_h(None, entered) == 0.0:
        found["fuel_price_per_l"] = "0"
    return found
