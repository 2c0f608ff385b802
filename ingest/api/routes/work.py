"""GET /v1/work: which element is changed on which day, with what to take and what to order."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, replace
from datetime import date, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from fastapi import Query, Request

from cleanside.ingest.analysis.assessment import Judge, View, gauge_unit
from cleanside.ingest.api.routes.described_shop import WorkAnswer
from cleanside.ingest.api.routes.element_changes import said_document, use_document
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.housing_lives import safety_document
from cleanside.ingest.api.routes.on_list import HousingName, OnList, OnListByName, on_list, working_of
from cleanside.ingest.api.routes.paper_shapes import (
    Day,
    ZoneName,
    laid_up_document,
    planned_document,
    service_document,
)
from cleanside.ingest.api.routes.part_orders import orders_seen
from cleanside.ingest.api.routes.plan_moves import moves_of
from cleanside.ingest.api.routes.restriction import dates_of, rest_on, resting_document
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import Name, R, problems, router_of, text_s
from cleanside.ingest.api.routes.shop import ShopReader, stock_seen
from cleanside.ingest.api.routes.waiting import waiting_of
from cleanside.ingest.cautions import shown as shown_cautions
from cleanside.ingest.errors import Complaint, NotValid, Refused
from cleanside.ingest.owners.access import sees_site
from cleanside.ingest.planning.shop_terms import WorkingDays
from cleanside.ingest.restriction import Assessment, WeighedEntry
from cleanside.ingest.restriction.verdict.cost_of_waiting import CostRange, Waiting
from cleanside.ingest.restriction.verdict.entry_words import of_entry
from cleanside.ingest.shop.dealt_parts import Coming, DealtPiece, WantedPiece, carries_of, deal
from cleanside.ingest.shop.indicator_days import has_latched, indicator_days
from cleanside.ingest.shop.stock import Need, PartLine, comes_on, order_first, part_line
from cleanside.ingest.shop.unsure_dates import UnsureReason, is_puzzling, unsure_because
from cleanside.ingest.shop.work_list import (
    MOST_DAYS,
    Candidate,
    Job,
    Later,
    ListDays,
    chance_needed,
    is_laid_up,
    jobs_of,
    last_day_allowed,
    later_of,
    needed_on,
    urgency,
)
from cleanside.ingest.store import part_uses, shop
from cleanside.ingest.store.acceptance import HousingPrices
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.part_uses import PartUse

router = router_of("shop")

LISTED_DAYS = 7
DONE_S = 3 * 86_400.0  # back to here changes are shown as done; chosen: over a weekend


NO_DAYS: Mapping[HousingName, date] = {}


@router.get("/v1/work", summary="The work list", response_model=WorkAnswer, responses=problems(404))
@example(query={"site": "{site}", "crew": "{crew}"})
def get_work(
    request: Request,
    resources: R,
    key: ShopReader,
    before: Annotated[Day | None, Query(description="left out: seven days from today on")] = None,
    zone: Annotated[ZoneName, Query(description="where days begin and end")] = "UTC",
    site: Annotated[Name | None, Query(description="machines of this site alone")] = None,
    crew: Annotated[Name | None, Query(description="machines of this crew alone")] = None,
) -> dict[str, Any]:
    """
    What to change before a day, by day, site and urgency; parts to take and to order.

    What is to be ordered is counted over all machines that the key may see, what to take over the list.
    """
    days = list_days(resources.clock() / 1e6, before, zone)
    with resources.reading() as connection:
        require_known(connection, key, site=site, crew=crew)
        judge = services_of(request).judge(connection, key)
        every = on_list(connection, judge, key, days)
        return work_document(connection, judge, key, every, days, site=site, crew=crew)


def work_document(
    connection: sa.Connection,
    judge: Judge,
    key: Key,
    every: OnListByName,
    days: ListDays,
    *,
    site: str | None = None,
    crew: str | None = None,
    done_s: float = DONE_S,
) -> dict[str, Any]:
    """The work list of a key. every : `on_list`. done_s : back to here changes are shown as done [s]."""
    wanted = [seen for seen in every.values() if _wanted(seen, site, crew)]
    candidates = [seen.candidate for seen in wanted]
    jobs = jobs_of(candidates, days)
    stock = stock_seen(connection, key)
    of_all = jobs if len(wanted) == len(every) else jobs_of([seen.candidate for seen in every.values()], days)
    dealt = _dealt(connection, key, every, of_all, days)
    moves = moves_of(connection, key, (seen.view for seen in wanted), judge.now_us)
    shown = [
        _job_document(judge, every[_name(job.candidate)], job, days)
        | {"moved_times": moves.get(_name(job.candidate), 0)}
        | {"part_elsewhere": _elsewhere(every[_name(job.candidate)], stock)}
        | {"piece": _piece_document(dealt.get(_name(job.candidate)))}
        for job in jobs
    ]
    late = {name for name, piece in dealt.items() if piece.is_late}
    taken = {_name(job.candidate) for job in jobs} - late
    parts = part_lines(connection, key, every, days, taken=taken)
    resting = _resting_without(every, wanted)
    # Ordered beside the same list, with the elements that laid-up machines take from the stock for a planned
    # day: what then is to be ordered beyond `parts` follows from the entries alone.
    otherwise = part_lines(connection, key, {**every, **resting}, days, taken=taken) if resting else []
    carried = carries_of(list(dealt.values()))
    return {
        "now": text_s(days.now_s),
        "zone": str(days.zone),
        "today": days.today.isoformat(),
        "before": days.before.isoformat(),
        "jobs": shown,
        "later": [
            _later_document(every[_name(later.candidate)].view, later, days)
            | {"moved_times": moves.get(_name(later.candidate), 0)}
            for later in later_of(candidates, days)
        ],
        "resting": _resting_documents(resting, wanted, otherwise, parts, days),
        "asked": asked_documents(wanted),
        "done": _done(wanted, days, done_s, part_uses.uses_of_owner(connection, key.owner_id)),
        "without_part": sorted({j["machine"] for j in shown if j["primary_part"] is None}),
        "parts": [_part_document(line) for line in parts],
        "carries": [
            asdict(one) | {"day": one.day.isoformat()}
            for one in carried
            if site in (None, one.site, one.from_site)
        ],
        "cautions": shown_cautions("change"),
    }


def _resting_without(every: OnListByName, wanted: Sequence[OnList]) -> dict[HousingName, OnList]:
    """
    Housings as they would stand without an entry that no reading confirmed yet.

    Empty where the list shows none of them: what would be ordered is counted over all sites, said of those.
    """
    found = {
        _name(seen.candidate): replace(seen, candidate=seen.otherwise)
        for seen in every.values()
        if seen.otherwise is not None
    }
    return found if any(seen.otherwise is not None for seen in wanted) else {}


def _resting_documents(
    resting: OnListByName,
    wanted: Sequence[OnList],
    otherwise: Sequence[PartLine],
    parts: Sequence[PartLine],
    days: ListDays,
) -> list[dict[str, Any]]:
    """
    Housings whose change left the list, or whose order fell away, by an entry that no reading confirmed yet.

    What would stand without the entry is kept here and not on the list: it is most likely right.
    otherwise, parts : part lines without these entries, and as things stand.
    """
    shown = sorted({_name(seen.candidate) for seen in wanted} & resting.keys())
    lines = {line.part: line for line in otherwise}
    ordered = {line.part: line.to_order for line in parts}
    found = [_resting_document(resting[name], lines, ordered, days) for name in shown]
    return [one for one in found if one["day"] is not None or one["order_by"] is not None]


def _resting_document(
    seen: OnList, lines: Mapping[str, PartLine], ordered: Mapping[str, int], days: ListDays
) -> dict[str, Any]:
    """lines : parts as they would be ordered. ordered : pieces to order as things stand, by part."""
    job = next(iter(jobs_of([seen.candidate], days)), None)
    part = seen.candidate.papers.housing.primary_part
    line = None if part is None else lines.get(part)
    more = line is not None and line.to_order > ordered.get(line.part, 0)
    order_by = line.order_by if line is not None and more else None
    return {
        **_place_document(seen.view),
        "rests_on_entry": resting_document(seen.view.assessment),
        "day": None if job is None else job.day.isoformat(),
        "part": part,
        "order_by": None if order_by is None else order_by.isoformat(),
    }


def asked_documents(every: Iterable[OnList]) -> list[dict[str, Any]]:
    """Planned days that a change questions, because it became known since; by name."""
    views = [seen.view for seen in every if seen.candidate.plan == "overtaken"]
    return [
        _place_document(view) | {"planned": planned_document(view)}
        for view in sorted(views, key=lambda view: (view.housing.machine, view.housing.name))
    ]


def list_days(now_s: float, before: str | None, zone: str) -> ListDays:
    """The days of the list. Raises Refused (422) for an end that is past or too far."""
    days = ListDays(ZoneInfo(zone), now_s, before=date.max)
    until = days.today + timedelta(days=LISTED_DAYS) if before is None else date.fromisoformat(before)
    latest = days.today + timedelta(days=MOST_DAYS)
    if not days.today < until <= latest:
        first = days.today + timedelta(days=1)
        span = {"before": until.isoformat(), "first": first.isoformat(), "latest": latest.isoformat()}
        raise NotValid(Complaint("query/before", "list_ends_elsewhere", **span))
    return ListDays(days.zone, now_s, before=until)


def require_known(connection: sa.Connection, key: Key, *, site: str | None, crew: str | None) -> None:
    """Raise Refused (404) for a site or crew that is not entered, or not seen by the key; None: all."""
    if site is not None:
        sites = [one for one in shop.groups_of(connection, "site", key.owner_id) if sees_site(key, one.name)]
        if site not in {one.name for one in sites}:
            likely = shop.nearest_group(site, sites)
            raise Refused("site_unknown", status=404, code="unknown_site", site=site, likely=likely)
    if crew is not None:
        crews = shop.groups_of(connection, "crew", key.owner_id)
        if crew not in {one.name for one in crews}:
            likely = shop.nearest_group(crew, crews)
            raise Refused("crew_unknown", status=404, code="unknown_crew", crew=crew, likely=likely)


def _name(candidate: Candidate) -> HousingName:
    return candidate.machine, candidate.housing


def _wanted(seen: OnList, site: str | None, crew: str | None) -> bool:
    of_machine = seen.view.papers.machine
    return site in (None, of_machine.site) and crew in (None, of_machine.crew)


# ---------------------------------------------------------------- parts


def part_lines(
    connection: sa.Connection,
    key: Key,
    every: OnListByName,
    days: ListDays,
    *,
    taken: Collection[HousingName] = (),
    planned: Mapping[HousingName, date] = NO_DAYS,
) -> list[PartLine]:
    """
    Parts that are taken, or must be ordered before the end of the list.

    taken : whose elements are taken along. planned : days of the plan of visits, which stand before the
    list's own.
    """
    known = {part.number: part for part in shop.parts_of(connection, key.owner_id)}
    stock, ordered = stock_seen(connection, key), _on_order(connection, key)
    working = working_of(every)
    needs: dict[str, list[Need]] = {}
    for name, seen in every.items():
        part = seen.candidate.papers.housing.primary_part
        if part is not None and (name in taken or not is_laid_up(seen.candidate.papers, days.today)):
            need = _need(part, seen.candidate, days, taken=name in taken, on=planned.get(name))
            needs.setdefault(part, []).append(need)
    lines = []
    for part in needs:
        entered = known.get(part)
        line = part_line(
            part,
            needs[part],
            description="" if entered is None else entered.description,
            stock_by_site=stock.get(part, {}),
            lead_time_days=None if entered is None else entered.lead_time_days,
            today=days.today,
            before=days.before,
            on_order=ordered[part],
            working=working,
        )
        if line.to_take or (line.order_by is not None and line.order_by < days.before):
            lines.append(line)
    return sorted(lines, key=order_first)


def _elsewhere(seen: OnList, stock: Mapping[str, Mapping[str, int]]) -> list[dict[str, Any]]:
    """Where its part is in stock, if it is not at the site of its machine."""
    site, at = seen.view.papers.machine.site, stock.get(seen.view.papers.housing.primary_part or "", {})
    if site is None or at.get(site, 0):
        return []
    return [{"site": other, "pieces": pieces} for other, pieces in sorted(at.items()) if pieces]


def _dealt(
    connection: sa.Connection, key: Key, every: OnListByName, jobs: Sequence[Job], days: ListDays
) -> dict[HousingName, DealtPiece]:
    """Which piece each change of all sites gets; what is only looked at needs none. jobs : of all sites."""
    wanted = {}
    for job in sorted(jobs, key=urgency):
        papers_of = job.candidate.papers
        if papers_of.housing.primary_part is not None and job.reason != "check_first":
            site, part = papers_of.machine.site, papers_of.housing.primary_part
            wanted[_name(job.candidate)] = WantedPiece(day=job.day, site=site, part=part)
    coming = _coming(connection, key, days, working_of(every))
    pieces = deal(list(wanted.values()), stock_seen(connection, key), coming)
    return dict(zip(wanted, pieces, strict=True))


def _coming(connection: sa.Connection, key: Key, days: ListDays, working: WorkingDays) -> dict[str, Coming]:
    """What is not there yet of each part; one on order comes a lead time after it, or at the next chance."""
    leads = {part.number: part.lead_time_days for part in shop.parts_of(connection, key.owner_id)}

    def comes(placed_on: date, part: str) -> date | None:
        lead = leads.get(part)
        return None if lead is None else comes_on(placed_on, lead, working)

    next_order_on = working.first(days.today, date.max)
    ordered: dict[str, list[date | None]] = {}
    for order, *_ in orders_seen(connection, key):
        if order.ordered_us is not None or order.entry_id is not None:
            placed_on = date.fromisoformat(order.order_by)
            if order.ordered_us is not None:
                placed_on = days.of(order.ordered_us / 1e6)
            there_on = comes(placed_on, order.part)
            expected = None if there_on is None else max(next_order_on, there_on)
            ordered.setdefault(order.part, []).extend([expected] * order.pieces)
    return {
        part: Coming(ordered=tuple(ordered.get(part, ())), if_ordered_now=comes(next_order_on, part))
        for part in leads.keys() | ordered.keys()
    }


def _on_order(connection: sa.Connection, key: Key) -> Counter[str]:
    """Part -> pieces that are ordered, or entered by hand to be, and did not come yet."""
    found: Counter[str] = Counter()
    for order, *_ in orders_seen(connection, key):
        if order.ordered_us is not None or order.entry_id is not None:
            found[order.part] += order.pieces
    return found


def _need(part: str, candidate: Candidate, days: ListDays, *, taken: bool, on: date | None) -> Need:
    return Need(
        part=part,
        site=candidate.papers.machine.site,
        taken=taken,
        needed_on=on or needed_on(candidate, days),
        last_day=last_day_allowed(candidate, days),
        chance_by=lambda day: chance_needed(candidate, day, days),
    )


# ---------------------------------------------------------------- how it is shown


def _place_document(view: View) -> dict[str, Any]:
    return {
        "machine": view.housing.machine,
        "display_name": view.housing.display_name,
        "housing": view.housing.name,
        "site": view.papers.machine.site,
    }


def _job_document(judge: Judge, seen: OnList, job: Job, days: ListDays) -> dict[str, Any]:
    view, found = seen.view, seen.view.assessment
    of_machine, of_housing = view.papers.machine, view.papers.housing
    prices = seen.prices
    return {
        "day": job.day.isoformat(),
        **_place_document(view),
        "kind": view.housing.kind or None,
        "crew": of_machine.crew,
        "state": found.state,
        "state_form": view.state_form,
        "reason": job.reason,
        "share_used_percent": found.study.share_used_percent,
        "limit_in_doubt": found.study.limit_in_doubt,
        "element_in_doubt": found.study.element_in_doubt,
        "due_at": dates_of(found.due_s),
        **indicator_document(found, days),
        "dates_rest_on": rest_on(found),
        "unsure_because": unsure_document(found) if job.reason == "early_date" else [],
        "has_question": bool(
            found.study.questions or found.study.changes_found_s or found.worked_laid_up or found.asks_to_look
        ),
        "causes": [suspicion.cause for suspicion in found.study.suspicions],
        "planned": planned_document(view),
        "service": service_document(of_machine),
        "service_on": None if job.service_on is None else job.service_on.isoformat(),
        "service_fit": job.service_fit,
        "chance_at_service": job.chance_at_service,
        "hours_given_with_service": job.hours_given_with_service,
        "calendar_limit_on": None if job.calendar_on is None else job.calendar_on.isoformat(),
        "last_cleaning": job.last_cleaning,
        "primary_part": of_housing.primary_part,
        "safety_part": of_housing.safety_part,
        "safety_element": safety_document(view),
        "chance_at_limit_before": job.own.chance_at_limit_before,
        "hours_lost": job.own.hours_lost,
        "element_value_lost": _value_lost(job, prices),
        "waiting": _waiting_document(view, waiting_of(judge, view, prices), prices),
        "options": [
            {
                "day": option.day.isoformat(),
                "chance_at_limit_before": option.chance_at_limit_before,
                "hours_lost": option.hours_lost,
            }
            for option in job.options[1:]
        ],
        "meter_hours_now": seen.meter_h,
        "gauge_unit": gauge_unit(view.terminal),
    }


def _piece_document(piece: DealtPiece | None) -> dict[str, Any] | None:
    """Where the piece of a change comes from; None: it needs none, or its number is not entered."""
    if piece is None:
        return None
    comes_on = None if piece.comes_on is None else piece.comes_on.isoformat()
    return {
        "where": piece.where,
        "from_site": piece.from_site,
        "comes_on": comes_on,
        "is_late": piece.is_late,
    }


def unsure_document(found: Assessment) -> list[UnsureReason]:
    """Why the early date of an element that has used little is unsure; empty: it is not puzzling."""
    if not is_puzzling(found.state, found.study.share_used_percent):
        return []
    return unsure_because(rest_on(found), (said.code for said in found.evidence))


def indicator_document(found: Assessment, days: ListDays) -> dict[str, Any]:
    """The dates of the indicator, beside those at full flow that every list goes by."""
    return {
        "latch_at": dates_of(found.latch_s),
        "indicator_days": indicator_days(found.due_s, found.latch_s, days),
        "indicator_latched": has_latched(found.study.latch_hours_left),
    }


def _later_document(view: View, later: Later, days: ListDays) -> dict[str, Any]:
    return {
        **_place_document(view),
        "state": view.assessment.state,
        "state_form": view.state_form,
        "causes": [suspicion.cause for suspicion in view.assessment.study.suspicions],
        "limit_in_doubt": view.assessment.study.limit_in_doubt,
        "element_in_doubt": view.assessment.study.element_in_doubt,
        "due_at": dates_of(view.assessment.due_s),
        **indicator_document(view.assessment, days),
        "reason": later.reason,
        "day": None if later.day is None else later.day.isoformat(),
        "planned": planned_document(view),
        "service": service_document(view.papers.machine),
        "laid_up": laid_up_document(view.papers.machine),
        "chance_at_limit_before": later.chance_at_limit_before,
    }


def _done(
    wanted: Sequence[OnList], days: ListDays, done_s: float, uses: Mapping[tuple[int, str], PartUse]
) -> list[dict[str, Any]]:
    """What was entered lately, newest first."""
    found = [
        (entry.entry.at_s, seen.view, entry)
        for seen in wanted
        for entry in seen.view.assessment.study.entries
        if entry.entry.at_s >= days.now_s - done_s
    ]
    ordered = sorted(found, key=lambda line: (-line[0], line[1].housing.machine, line[2].entry.name))
    return [
        _done_document(view, entry)
        | {"part_taken": use_document(uses.get((view.housing.id, entry.entry.name)))}
        for _, view, entry in ordered
    ]


def _done_document(view: View, entry: WeighedEntry) -> dict[str, Any]:
    return {
        **_place_document(view),
        "entry_id": entry.entry.name,
        "changed_at": text_s(entry.entry.at_s),
        "what": entry.entry.what,
        "verdict": entry.verdict,
        "is_question": entry.is_question,
        "said": said_document(of_entry(entry)),
        "gauge_unit": gauge_unit(view.terminal),
    }


def _value_lost(job: Job, prices: HousingPrices | None) -> float | None:
    """The part of the element's price that a change on this day gives away; None: not known."""
    left, lived, lost = job.candidate.hours_left, job.candidate.life_hours, job.own.hours_lost
    if prices is None or left is None or lived is None or lost is None or lived + left.p50 <= 0:
        return None
    return prices.element_price * lost / (lived + left.p50)


def _waiting_document(
    view: View, found: Waiting | None, prices: HousingPrices | None
) -> dict[str, Any] | None:
    """What a day of usual work costs at the present restriction; None: it cannot be said."""
    if found is None:
        return None
    a_day = view.assessment.study.duty.hours_per_day
    percent = found.extra_fuel_percent_now
    return {
        "extra_fuel_l": _times(found.extra_fuel_l_per_h_now, a_day),
        "extra_fuel_cost": _times(found.extra_fuel_cost_per_h_now, a_day),
        "currency": None if prices is None else prices.currency,
        "extra_fuel_percent": [percent.low, percent.high],
    }


def _times(span: CostRange | None, factor: float) -> list[float] | None:
    return None if span is None else [span.low * factor, span.high * factor]


def _part_document(line: PartLine) -> dict[str, Any]:
    return {
        "part": line.part,
        "description": line.description,
        "to_take": [{"site": s or None, "pieces": n} for s, n in sorted(line.take_by_site.items())],
        "in_stock": line.in_stock,
        "stock": [{"site": s, "pieces": n} for s, n in sorted(line.stock_by_site.items())],
        "on_order": line.on_order,
        "to_order": line.to_order,
        "order_by": None if line.order_by is None else line.order_by.isoformat(),
        "late_days": line.late_days,
        "lead_time_days": line.lead_time_days,
        "chance_of_running_out": line.chance_of_running_out,
    }
