"""How loaded each element is, when it will be due, and the evidence."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated, Any

import numpy as np
import sqlalchemy as sa
from fastapi import Depends, Query, Request
from pydantic import BeforeValidator

from cleanside.ingest.analysis.assessment import View, gauge_unit
from cleanside.ingest.analysis.coverage import coverage_of
from cleanside.ingest.analysis.moved_dates import MovedDate
from cleanside.ingest.analysis.working_out import WorkingOut
from cleanside.ingest.api.routes.described import FleetAnswer, RestrictionAnswer
from cleanside.ingest.api.routes.described_kinds import State
from cleanside.ingest.api.routes.element_changes import question_document, said_document
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import (
    DEFAULT_HOUSING,
    find_housing,
    terminal_document,
)
from cleanside.ingest.api.routes.paging import P, Page
from cleanside.ingest.api.routes.paper_shapes import chance_before_end, laid_up_document, planned_document
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import (
    At,
    Name,
    PathName,
    R,
    needs,
    problems,
    router_of,
    text,
    text_s,
    us,
)
from cleanside.ingest.cautions import shown as shown_cautions
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.owners.access import BOUND_ROLES, sees_site
from cleanside.ingest.owners.reach import sees_machine_named
from cleanside.ingest.planning.shop_terms import WorkingDays
from cleanside.ingest.restriction import Assessment, Quantiles, Suspicion
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.measure.summary import DAY_S
from cleanside.ingest.restriction.verdict.assess import LOOK
from cleanside.ingest.restriction.verdict.plain_forms import CAUSE_FORMS, text_of
from cleanside.ingest.restriction.verdict.trend import TREND_STEP_S
from cleanside.ingest.shop.advice import advice_of
from cleanside.ingest.shop.day_asked import DAY_US, waits_over
from cleanside.ingest.shop.planned import state_of_plan
from cleanside.ingest.shop.work_list import AT_ONCE, is_laid_up
from cleanside.ingest.store import fleet, held_places, planning_terms
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.keyless import Keyless
from cleanside.ingest.store.keys import Key

router = router_of("restriction")

MAX_POINTS = 2_000  # of the series in one answer, newest first kept; chosen: more than a screen has columns
#: advice of what lets dust into the engine, or may: before every state
DUST_FIRST = ("advice_below_clean", "advice_fell_denied", LOOK)
#: most urgent first
URGENCY = ("over", "due", "suspect", "plan", "silent", "running-in", "serving")

PAGES_FOR_US = 3_600_000_000  # a cursor of the fleet is good for an hour: after that its states are old

#: above what the shop allows: less is the same in whole per cents, as it is said
LATE_BY = 0.005
NEVER_S = 4_102_444_800  # 2100-01-01

Reader = Annotated[Key, Depends(needs("fleet:read"))]


@router.get(
    "/v1/machines/{machine}/restriction",
    summary="Restriction, share used, state, hours left, due dates",
    description=(
        "A status is advice. The engine maker's service limit and manual come first; engine off, key out and "
        "machine secured before anyone works in the engine bay; never run the engine with the element out."
    ),
    response_model=RestrictionAnswer,
    responses=problems(404),
)
@example(query={"housing": "{housing}"}, plain="with_coverage")
def get_restriction(
    machine: PathName,
    request: Request,
    resources: R,
    key: Reader,
    housing: Annotated[Name, Query()] = DEFAULT_HOUSING,
    since: Annotated[At | None, Query(description="the series from here on")] = None,
    with_coverage: Annotated[bool, Query(description="with the spans in which readings came live or not")] = (
        False
    ),
) -> dict[str, Any]:
    """The present view of one housing, with the series of restriction at the reference flow by hour."""
    with resources.reading() as connection:
        housing_row = find_housing(connection, key, machine, housing)
        judge = services_of(request).judge(connection, key)
        seen = judge.view(housing_row)
        points = _points_of(judge.series(seen), us(since))
        came = _coverage(connection, housing_row, points) if with_coverage else None
        moved = services_of(request).moved_dates.of(connection, resources, seen)
    shown = {"series": points, "coverage": came, "date_moved": _moved_document(moved)}
    return document_of(seen) | shown


def _moved_document(moved: MovedDate | None) -> dict[str, Any] | None:
    """A likely date that learning moved; None: it did not, beyond its stated width."""
    if moved is None:
        return None
    return {
        "since": text_s(moved.since_s),
        "likely_before_at": _date(moved.from_s),
        "likely_at": _date(moved.to_s),
        "more_lives": moved.more_lives,
    }


def _coverage(
    connection: sa.Connection, housing: HousingRow, points: list[dict[str, Any]]
) -> list[dict[str, Any]]:
    """How the readings measured on a housing came, from the first point of its series on."""
    if not points:
        return []
    since_us = us(points[0]["hour"]) or 0
    seats = fleet.assignments_of_housing(connection, housing.id)
    spans = coverage_of(connection, housing.owner_id, seats, since_us / 1e6)
    return [
        {
            "from": text_s(span.from_s),
            "until": text_s(span.until_s),
            "came": span.came,
            "readings": span.readings,
        }
        for span in spans
    ]


@dataclass(frozen=True, kw_only=True)
class FleetFilter:
    """Which housings of a fleet are asked for; None: any."""

    site: str | None = None
    crew: str | None = None
    kind: str | None = None
    state: str | None = None
    text: str | None = None
    asks: bool = False  # only where a person has something to answer

    def leaves(self, seen: View) -> bool:
        """True where a housing is asked for."""
        names = f"{seen.housing.machine} {seen.housing.display_name or ''} {seen.housing.name}".casefold()
        of_machine = seen.papers.machine
        return (
            self.site in (None, of_machine.site)
            and self.crew in (None, of_machine.crew)
            and self.kind in (None, seen.housing.kind)
            and self.state in (None, seen.assessment.state)
            and (not self.asks or has_question(seen))
            and (self.text or "").casefold() in names
        )


def _empty_is_none(value: str | None) -> str | None:
    """A form without scripts sends every field; one that is empty chooses nothing."""
    return value or None


def _filter(
    site: Annotated[
        Name | None, BeforeValidator(_empty_is_none), Query(description="only machines of this site")
    ] = None,
    crew: Annotated[
        Name | None, BeforeValidator(_empty_is_none), Query(description="only machines of this crew")
    ] = None,
    kind: Annotated[
        Name | None, BeforeValidator(_empty_is_none), Query(description="only machines of this kind")
    ] = None,
    state: Annotated[
        State | None, BeforeValidator(_empty_is_none), Query(description="only in this state")
    ] = None,
    text: Annotated[
        str | None, Query(max_length=120, description="only where a name has this in it, in any case")
    ] = None,
    asks: Annotated[bool, Query(description="only where a person has something to answer")] = False,
) -> FleetFilter:
    return FleetFilter(site=site, crew=crew, kind=kind, state=state, text=text, asks=asks)


Filter = Annotated[FleetFilter, Depends(_filter)]


@router.get(
    "/v1/fleet",
    summary="All housings, most urgent first",
    response_model=FleetAnswer,
    response_model_exclude_unset=True,
)
@example(query={"site": "{site}", "crew": "{crew}"}, plain="with_trend")
def get_fleet(
    request: Request,
    resources: R,
    key: Reader,
    page: P,
    wanted: Filter,
    with_trend: Annotated[bool, Query(description="with the last ninety days in steps")] = False,
) -> dict[str, Any]:
    """
    The present views of the housings that the key may see, most urgent first, a page at a time.

    First comes what lets dust into the engine, or may. Then what is over its limit, due, or contradicts
    itself. Then questions: contradicted entries, changes found without an entry, work in a lay-up, planned
    changes whose day passed without one, falls into a lay-up, or was planned before a change became known.
    All pages show the instant of the first (`now`), because due dates, and so the order, move with the clock.
    """
    return fleet_of(request, resources, key, page, wanted, with_trend=with_trend)


def fleet_of(
    request: Request,
    resources: R,
    key: Key,
    page: Page,
    wanted: FleetFilter,
    *,
    with_trend: bool,
    with_evidence: bool = True,
) -> dict[str, Any]:
    """The answer of `get_fleet`. with_evidence : False leaves it out, for a list that shows none."""
    after = page.after(int, int, int, str, str)
    now_us = resources.clock() if after is None else _of_first_page(after[0], resources.clock())
    every = views_of(request, resources, key, now_us)
    places = [seen.papers.machine for seen in every]
    found = [seen for seen in every if wanted.leaves(seen)]
    rest = (seen for seen in found if after is None or urgency(seen) > after[1:])
    shown, cursor = page.cut(rest, lambda seen: (now_us, *urgency(seen)))
    with resources.reading() as connection:
        held = held_places.held_on_housings(connection, [seen.housing.id for seen in shown])
        terms = planning_terms.terms_of(connection, key.owner_id).terms
    allowed, working = terms.filled()["chance_allowed"], terms.working()
    return {
        "now": text_s(now_us / 1e6),
        "count": len(found),
        "by_state": dict(Counter(seen.assessment.state for seen in found)),
        "with_questions": sum(has_question(seen) for seen in found),
        "with_day": sum(seen.assessment.state == "plan" and has_day(seen) for seen in found),
        "late_day_by_state": dict(
            Counter(s.assessment.state for s in found if has_late_day(s, allowed, working))
        ),
        "chance_allowed": allowed,
        "by_kind": dict(sorted(Counter(seen.housing.kind for seen in every if seen.housing.kind).items())),
        "by_site": dict(sorted(Counter(place.site for place in places if place.site).items())),
        "by_crew": dict(sorted(Counter(place.crew for place in places if place.crew).items())),
        "housings": [
            document_of(seen, with_evidence=with_evidence)
            | {"readings_quarantined": held.get(seen.housing.id, 0)}
            | ({"trend": _trend(seen)} if with_trend else {})
            for seen in shown
        ],
        "next": cursor,
    }


def views_of(
    request: Request, resources: R, key: Key, now_us: int, working_out: WorkingOut | None = None
) -> list[View]:
    """
    The housings that a key may see as of an instant, most urgent first.

    working_out : of a request that looks at more; None: of its own.
    """
    is_bound = key.role in BOUND_ROLES
    with resources.reading() as connection:
        every = fleet.housings_in_use(connection, key.owner_id)
        if is_bound:
            every = [housing for housing in every if sees_machine_named(connection, key, housing.machine)]
        judge = services_of(request).judge(connection, key, now_us=now_us, working_out=working_out)
        views = judge.views(every, whole_owner=not is_bound)
    return sorted((seen for seen in views if sees_site(key, seen.papers.machine.site)), key=urgency)


def _trend(seen: View) -> dict[str, Any] | None:
    found = seen.assessment.study.trend
    if not found.levels_pa:
        return None
    return {
        "start_at": text_s(found.start_s),
        "step_s": int(TREND_STEP_S),
        "restriction_pa": list(found.levels_pa),
        "changes_at": [
            text_s(life.start_s)
            for life in seen.assessment.study.lives
            if life.began_by and life.start_s >= found.start_s
        ],
    }


def has_question(seen: View) -> bool:
    """True where a person is asked: an entry, a found change, work in a lay-up, a plan that cannot be."""
    study, now_us = seen.assessment.study, round(seen.assessment.now_s * 1_000_000)
    if study.questions or study.changes_found_s or seen.assessment.worked_laid_up:
        return True
    if seen.assessment.asks_to_look:
        return True
    if state_of_plan(seen.papers.planned, study, now_us) in ("missed", "overtaken"):
        return True
    day = _open_day(seen)
    return day is not None and is_laid_up(seen.papers, day)


def has_day(seen: View) -> bool:
    """True where its change has a planned day that no one is asked about."""
    day = _open_day(seen)
    return day is not None and not is_laid_up(seen.papers, day)


def has_late_day(seen: View, allowed: float, working: WorkingDays) -> bool:
    """
    True where its planned day cannot hold: the chance of being at the limit before is more than allowed.

    allowed : 0 to 1. What is due, or is to be looked at, is urgent whatever was planned. A machine over
    its limit is late on every day after the first working day.
    """
    planned = seen.papers.planned
    state = seen.assessment.state
    if planned is None or (state in AT_ONCE and state != "over") or not has_day(seen):
        return False
    if state == "over":
        on = date.fromisoformat(planned.planned_on)
        ahead_us = planned.passes_us - 1 - round(seen.assessment.now_s * 1_000_000)
        return waits_over(on, today=on - timedelta(days=ahead_us // DAY_US), working=working)
    chance = chance_before_end(seen, planned.passes_us)
    return chance is not None and chance > allowed + LATE_BY


def _open_day(seen: View) -> date | None:
    """The planned day that is still to come; None: there is none."""
    planned, now_us = seen.papers.planned, round(seen.assessment.now_s * 1_000_000)
    if planned is None or state_of_plan(planned, seen.assessment.study, now_us) != "open":
        return None
    return date.fromisoformat(planned.planned_on)


def _of_first_page(at_us: int, now_us: int) -> int:
    """The instant of a cursor. Raises Refused (422) where it is too old."""
    if not now_us - PAGES_FOR_US <= at_us <= now_us:
        raise NotValid(Complaint("query/cursor", "cursor_too_old", at=text(at_us), now=text(now_us)))
    return at_us


def urgency(seen: View) -> tuple[int, int, str, str]:
    """
    The sort key of a housing in the fleet, by what it costs to wait; then by due date and name.

    Dust in the engine costs an engine, so what lets it in comes first, then what may. What is over, due or
    contradicts itself costs power, fuel or a wrong plan. Any other question costs a plan that rests on it.
    """
    due_s = int(seen.assessment.due_s.p50) if seen.assessment.due_s else NEVER_S
    return _rank(seen), min(due_s, NEVER_S), seen.housing.machine, seen.housing.name


def _rank(seen: View) -> int:
    """By how much it costs to wait, 0 first."""
    if seen.assessment.advice.code in DUST_FIRST:
        return DUST_FIRST.index(seen.assessment.advice.code)
    rank = len(DUST_FIRST) + URGENCY.index(seen.assessment.state)
    return rank if seen.assessment.state in AT_ONCE or has_question(seen) else rank + len(URGENCY)


def document_of(seen: View, *, with_evidence: bool = True) -> dict[str, Any]:
    """A housing's assessment for an answer. Restriction in Pa, hours are operating hours, times in UTC."""
    assessment, unit = seen.assessment, gauge_unit(seen.terminal)
    entered = {change.entry_id: change for change in seen.changes}
    advice = advice_of(assessment, seen.papers)
    return {
        "machine": seen.housing.machine,
        "display_name": seen.housing.display_name,
        "housing": seen.housing.name,
        "kind": seen.housing.kind or None,
        "now": text_s(assessment.now_s),
        "state": assessment.state,
        "state_form": seen.state_form,
        "state_text": seen.state_text,
        "advice": text_of(advice),
        "advice_code": advice.code,
        "cautions": shown_cautions("below_clean") if _may_reach_engine(assessment) else [],
        "suspicions": [_suspicion(suspicion, unit) for suspicion in assessment.study.suspicions],
        "questions": [question_document(entry, unit, entered) for entry in assessment.study.questions],
        "restriction_pa": assessment.study.restriction_pa,
        "restriction_at": text_s(assessment.study.restriction_s),
        "hours_in_doubt": assessment.study.hours_in_doubt,
        "newest_in_doubt": _in_doubt(assessment),
        "clean_restriction_pa": assessment.study.clean_pa,
        "terminal_restriction": terminal_document(seen.terminal),
        "share_used_percent": assessment.study.share_used_percent,
        "limit_in_doubt": assessment.study.limit_in_doubt,
        "element_in_doubt": assessment.study.element_in_doubt,
        "life_hours": assessment.study.life_hours,
        "cleanings": assessment.study.cleanings,
        "age_known": assessment.study.age_known,
        "hours_left": _points(assessment.study.hours_left),
        "due_at": dates_of(assessment.due_s),
        "latch_hours_left": _points(assessment.study.latch_hours_left),
        "latch_at": dates_of(assessment.latch_s),
        "plan_by": plan_by(assessment),
        "dates_rest_on": rest_on(assessment),
        "rests_on_entry": resting_document(assessment),
        "duty_hours_per_day": assessment.study.duty.hours_per_day,
        "last_reading_at": text_s(seen.last_reading_s),
        "last_heard_at": text(seen.heard_us),
        "no_monitor": _no_monitor(seen),
        "without_key": [key_ended(one) | {"device": one.device} for one in seen.keyless],
        "quiet_s": assessment.quiet_s,
        "quiet_because": assessment.quiet_because,
        "may_have_worked_hours": assessment.may_have_worked_hours,
        "readings_waiting": seen.readings_waiting,
        **(_evidence(assessment, unit) if with_evidence else {}),
        "basis": assessment.study.reference.basis,
        "flow_exponent": assessment.study.reference.exponent,
        "lives_learned_from": assessment.study.lives_learned_from,
        "snapshot": seen.snapshot.number,
        "learned_at": text(seen.snapshot.learned_us),
        "learning_failed_at": text(seen.snapshot.failed_us),
        "hours_behind": seen.hours_behind,
        "analysed_through": text(seen.analysed_through_us),
        "changes_found": [text_s(at_s) for at_s in assessment.study.changes_found_s],
        "site": seen.papers.machine.site,
        "crew": seen.papers.machine.crew,
        "primary_part": seen.papers.housing.primary_part,
        "safety_part": seen.papers.housing.safety_part,
        "laid_up": laid_up_document(seen.papers.machine),
        "worked_laid_up": asked_of_lay_up(assessment),
        "planned": planned_document(seen),
    }


def _evidence(assessment: Assessment, unit: str | None) -> dict[str, Any]:
    """What the assessment rests on: as sentences, and for who says them in another language."""
    return {
        "evidence": [text_of(statement, unit) for statement in assessment.evidence],
        "evidence_said": [said_document(statement) for statement in assessment.evidence],
    }


def resting_document(assessment: Assessment) -> dict[str, Any] | None:
    """The newest entry that no reading could confirm yet, and what holds without it; None: none."""
    otherwise, unconfirmed = assessment.otherwise, assessment.study.unconfirmed
    if otherwise is None or not unconfirmed:
        return None
    newest = unconfirmed[-1]
    return {
        "entry_id": newest.entry.name,
        "what": newest.entry.what,
        "changed_at": text_s(newest.entry.at_s),
        "look_by": text_s(newest.look_by_s),
        "otherwise": {
            "state": otherwise.state,
            "share_used_percent": otherwise.study.share_used_percent,
            "due_at": dates_of(otherwise.due_s),
        },
    }


def _may_reach_engine(assessment: Assessment) -> bool:
    """Dust may: a sound element is not in the stream, or a person is asked whether one is."""
    return assessment.study.is_below_clean or assessment.asks_to_look


def asked_of_lay_up(assessment: Assessment) -> dict[str, Any] | None:
    """The question of a machine that works while it is laid up; None: it does not."""
    return None if assessment.worked_laid_up is None else said_document(assessment.worked_laid_up)


def _in_doubt(assessment: Assessment) -> dict[str, Any] | None:
    """The newest level where it is not believed; None: it is, and stands in `restriction_pa`."""
    found = assessment.study.newest_in_doubt
    return None if found is None else {"restriction_pa": found.restriction_pa, "at": text_s(found.at_s)}


def _no_monitor(seen: View) -> dict[str, Any] | None:
    """Since when none sits on a housing, and where the last one went; None: one sits there."""
    if seen.monitors:
        return None
    last = seen.last_monitor
    if last is None:
        return {"since": None, "device": None, "moved_to": None, "by": None}
    moved_to = None if last.machine is None else {"machine": last.machine, "housing": last.housing}
    return {"since": text(last.until_us), "device": last.device, "moved_to": moved_to, "by": last.who}


def key_ended(one: Keyless) -> dict[str, Any]:
    """Since when a monitor has no valid key, and why."""
    return {"since": text(one.since_us), "because": one.code}


def _suspicion(suspicion: Suspicion, unit: str | None) -> dict[str, Any]:
    return {
        "cause": suspicion.cause,
        "cause_text": CAUSE_FORMS[suspicion.cause],
        "evidence": text_of(suspicion.evidence, unit),
        "said": said_document(suspicion.evidence),
    }


def _points(points: Quantiles | None) -> dict[str, float] | None:
    return None if points is None else {"p10": points.p10, "p50": points.p50, "p90": points.p90}


def dates_of(points: Quantiles | None) -> dict[str, str | None] | None:
    """Early, likely and late for an answer; None where there are no dates."""
    if points is None:
        return None
    return {"p10": _date(points.p10), "p50": _date(points.p50), "p90": _date(points.p90)}


def plan_by(assessment: Assessment) -> str | None:
    """Which dates to plan by, at full flow or of the indicator: the earlier. None: there are not both."""
    due_s, latch_s = assessment.due_s, assessment.latch_s
    if due_s is None or latch_s is None:
        return None
    due, latch = ((at_s.p50 // DAY_S, at_s.p10 // DAY_S) for at_s in (due_s, latch_s))
    return "indicator" if latch < due else "full_flow"


def rest_on(assessment: Assessment) -> str | None:
    """What the dates of a housing rest on (`DatesRestOn`); None where there are none."""
    if assessment.due_s is None:
        return None
    if assessment.study.level_state != "running-in":
        return "element"
    return "fleet" if assessment.study.lives_learned_from else "general"


def _date(at_s: float) -> str | None:
    """An instant, or None beyond the calendar: a machine that hardly works has no honest date."""
    return text_s(at_s) if at_s < NEVER_S else None


def _points_of(series: HourlyRestriction, since_us: int | None) -> list[dict[str, Any]]:
    """Restriction at the reference flow, one point a clock hour of work, the newest `MAX_POINTS`."""
    first = 0 if since_us is None else int(np.searchsorted(series.hour_s, since_us / 1e6))
    kept = slice(max(first, len(series.hour_s) - MAX_POINTS), None)
    columns = (series.hour_s, series.restriction_pa, series.operating_s, series.operating_h)
    return [
        {
            "hour": text_s(hour_s),
            "restriction_pa": level_pa,
            "operating_s": seen_s,
            "operating_hours": counted,
        }
        for hour_s, level_pa, seen_s, counted in zip(*(c[kept].tolist() for c in columns), strict=True)
    ]
