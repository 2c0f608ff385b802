"""
The housings in use as the work list and the plan of visits see them: judged now, with what the shop knows.

Leaves to others: the lists themselves (`work`, `visit_plan`), which follow from a candidate (`ingest.shop`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import sqlalchemy as sa

from cleanside.ingest.analysis.assessment import Judge, View
from cleanside.ingest.api.routes.meter_readings import without_questions
from cleanside.ingest.owners.access import sees_site
from cleanside.ingest.planning.shop_terms import ShopTerms, WorkingDays
from cleanside.ingest.restriction import Assessment
from cleanside.ingest.shop.meter import meter_now_h, service_due_s
from cleanside.ingest.shop.planned import state_of_plan
from cleanside.ingest.shop.prices_used import currency_of, visit_share
from cleanside.ingest.shop.work_list import Candidate, ListDays
from cleanside.ingest.store import acceptance, fleet, papers, planning_terms
from cleanside.ingest.store.acceptance import HousingPrices
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import MeterReading


@dataclass(frozen=True)
class OnList:
    """A housing, and what the list sees of it."""

    view: View
    candidate: Candidate
    meter_h: float | None
    prices: HousingPrices | None = None  # None: not entered
    #: without an entry that no reading could confirm yet; None: no entry waits for readings
    otherwise: Candidate | None = None


HousingName = tuple[str, str]  # of machine and housing
OnListByName = Mapping[HousingName, OnList]


def working_of(every: OnListByName) -> WorkingDays:
    """The shop's working days, as `on_list` read them for all housings; of none, those assumed."""
    return next((seen.candidate.working for seen in every.values()), ShopTerms().working())


def on_list(connection: sa.Connection, judge: Judge, key: Key, days: ListDays) -> OnListByName:
    """Every housing in use that the key may see, judged now, by machine and name; whenever the list ends."""
    views = judge.views(fleet.housings_in_use(connection, key.owner_id), whole_owner=True)
    views = [view for view in views if sees_site(key, view.papers.machine.site)]
    meters = papers.meters_of_owner(connection, key.owner_id)
    terms = planning_terms.terms_of(connection, key.owner_id).terms
    trips = planning_terms.trips_of(connection, key.owner_id)
    every = acceptance.prices_of_owner(connection, key.owner_id)
    prices = {view.housing.id: every.get(view.housing.id) for view in views}
    currency = currency_of(terms, prices.values())

    def seen_of(view: View) -> OnList:
        site, its_prices = view.papers.machine.site, prices[view.housing.id]
        trip = None if site is None else trips.get(site)
        share = visit_share(terms, its_prices, trip, currency)
        return _seen_of(view, meters.get(view.housing.machine, []), days, terms, its_prices, share)

    found = [seen_of(view) for view in views]
    return {(seen.candidate.machine, seen.candidate.housing): seen for seen in found}


def _seen_of(
    view: View,
    meters: Sequence[MeterReading],
    days: ListDays,
    terms: ShopTerms,
    prices: HousingPrices | None,
    share: float,
) -> OnList:
    """share : of a visit in what element and visit cost, 0 to 1."""
    study, otherwise = view.assessment.study, view.assessment.otherwise
    meter_h = meter_now_h(without_questions(meters, study), study.duty, round(days.now_s * 1_000_000))
    return OnList(
        view,
        _candidate(view, view.assessment, meter_h, days, terms, share),
        meter_h,
        prices,
        None if otherwise is None else _candidate(view, otherwise, meter_h, days, terms, share),
    )


def _candidate(
    view: View, found: Assessment, meter_h: float | None, days: ListDays, terms: ShopTerms, share: float
) -> Candidate:
    """found : what is judged of the housing, with the entries that count."""
    study, now_us = found.study, round(days.now_s * 1_000_000)
    running = study.lives[-1] if study.lives else None
    return Candidate(
        machine=view.housing.machine,
        housing=view.housing.name,
        papers=view.papers,
        plan=state_of_plan(view.papers.planned, study, now_us),
        state=found.state,
        due_s=found.due_s,
        risk=found.risk,
        hours_left=study.hours_left,
        life_hours=study.life_hours,
        life_start_s=running.start_s if running is not None and running.began != "first seen" else None,
        cleanings=study.cleanings,
        duty=study.duty,
        service_s=_service_s(view, meter_h, days),
        chance_allowed=terms.filled()["chance_allowed"],
        visit_share=share,
        working=terms.working(),
        lets_dust_in=study.is_below_clean,
        asks_to_look=found.asks_to_look,
    )


def _service_s(view: View, meter_h: float | None, days: ListDays) -> float | None:
    """When the next service falls: by the meter or by its day, whichever is first; None: not known."""
    of_machine, found = view.papers.machine, []
    on = None if of_machine.service_on is None else date.fromisoformat(of_machine.service_on)
    if on is not None and on >= days.today:  # one that has passed says nothing of the next
        found.append(days.start_s(on))
    if of_machine.service_meter_h is not None and meter_h is not None:
        duty = view.assessment.study.duty
        found.append(service_due_s(of_machine.service_meter_h, meter_h, duty, days.now_s))
    return min(found, default=None)
