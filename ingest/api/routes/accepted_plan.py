"""
Accepting a plan of visits: its days become planned changes, and can be taken back together.

Nothing is changed on a machine by it. Promises: a day that a person planned stays unless the visit says that
it replaces it. What people decided since the plan was made is never overwritten (409 `plan_outdated`); taken
back are the days that still stand as they were accepted, and each gets back the day that it had before.
Leaves to others: the plan itself (`visit_plan`), a single planned day (`papers`).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Annotated, Any
from zoneinfo import ZoneInfo

import sqlalchemy as sa
from fastapi import Depends, Request
from pydantic import Field

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.analysis.assessment import Judge, View
from cleanside.ingest.api.routes.described_plan import AcceptedAnswer, AcceptedPlansAnswer, TakenBackAnswer
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import find_housing
from cleanside.ingest.api.routes.named_once import each_once
from cleanside.ingest.api.routes.on_list import on_list
from cleanside.ingest.api.routes.paper_shapes import Day, ZoneName, end_of_day_us
from cleanside.ingest.api.routes.part_orders import keep_wanted
from cleanside.ingest.api.routes.planned_day_asked import complaints_of_day
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import At, Because, Name, R, Strict, needs, problems, router_of, text
from cleanside.ingest.api.routes.shop import ShopReader
from cleanside.ingest.api.routes.visit_plan import proposed_days, unsure_of_visit
from cleanside.ingest.api.routes.work import part_lines
from cleanside.ingest.errors import Complaint, NotValid, Refused
from cleanside.ingest.owners.access import sees_site
from cleanside.ingest.shop.planned import overtaken_by_us, version_of
from cleanside.ingest.shop.visit_inputs import PLAN_DAYS
from cleanside.ingest.shop.work_list import ListDays
from cleanside.ingest.store import audit, element_changes, papers, planning_terms
from cleanside.ingest.store.element_changes import EntriesMade
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import NO_PAPERS, PlannedChange

router = router_of("shop")

Planner = Annotated[Key, Depends(needs("shop:write"))]

MOST_ACCEPTED = 1_000  # visits; chosen
MACHINES_NAMED = 8  # of an outdated plan, in one sentence; chosen
NO_ENTRIES = EntriesMade()
NO_DAY = "-"  # in the audit log, where no day was planned before


class AcceptedVisit(Strict):
    """A visit of the plan, as it was seen."""

    machine: Name
    housing: Name
    on: Day
    version: str | None = Field(
        None,
        max_length=64,
        description="as the plan had it; another by now: 409 `plan_outdated`. Left out: no day was planned",
        examples=["9f86d081884c7d65"],
    )
    replaces: bool = Field(
        False, description="true: it takes the place of another day that is planned; else that day stays"
    )
    confirmed_because: Because = Field(
        "",
        max_length=400,
        description="why a day holds that the plan did not propose, and that cannot hold by the forecast, "
        "the calendar or its distance; send the plan again with this",
    )


class NewAcceptedPlan(Strict):
    """The visits of a plan that are meant to be made."""

    zone: ZoneName = Field("UTC", description="where days begin and end")
    visits: Annotated[list[AcceptedVisit], each_once("machine", "housing")] = Field(
        min_length=1, max_length=MOST_ACCEPTED, description="visits of the plan, as they were seen"
    )


class PlanTakenBack(Strict):
    """A plan that was accepted by mistake."""

    accepted_at: At = Field(description="as the answer to its acceptance had it")
    zone: ZoneName = Field("UTC", description="where days begin and end")


@router.post(
    "/v1/visit-plan/accepted",
    summary="Accept a plan of visits",
    response_model=AcceptedAnswer,
    responses=problems(404, 409),
)
@example(
    {"zone": "UTC", "visits": [{"machine": "{machine}", "housing": "{housing}", "on": "2026-03-04"}]},
    plain="zone visits on version replaces confirmed_because",
)
def post_accepted_plan(body: NewAcceptedPlan, request: Request, resources: R, key: Planner) -> dict[str, Any]:
    """
    Each visit becomes the planned change of its housing; one planned for its day already stays as it is.

    Another day that is planned stays too, unless the visit `replaces` it. 409 `plan_outdated`: a day was
    planned, or work entered, since the plan was made; then nothing is accepted. What must be ordered for it
    is recorded in `/v1/part-orders`, in place of what an earlier plan wanted and no person ordered.
    A day that a change questions is kept where the visit names it again. A day that the plan did not propose
    is asked about as a planned change is (422): correct it, or say by `confirmed_because` why it is meant.
    `/v1/visit-plan/taken-back` takes all of its days back.
    """
    now_us, zone = resources.clock(), ZoneInfo(body.zone)
    questioned = questioned_days(request, resources, key)
    _ask_of_days(body, request, resources, key)

    def save(connection: sa.Connection) -> dict[str, Any]:
        moves = day_moves(connection, key, body, now_us, questioned)
        for move in (move for move in moves if move.is_made):
            passes_us, note = end_of_day_us(move.on, zone), "" if move.before is None else move.before.note
            planned = PlannedChange(move.on, passes_us, now_us, key.handle, note, move.kept_after_us)
            papers.put_planned(connection, move.housing.id, planned)
            audit.note(connection, key.owner_id, now_us, key.handle, "plan_day", **move.noted())
        about = {"visits": len(moves), "changed": sum(move.is_made for move in moves)}
        audit.note(connection, key.owner_id, now_us, key.handle, "visit_plan_accepted", **about)
        kept = [_kept_document(move) for move in moves if move.is_kept]
        return about | {"kept": kept, "accepted_at": text(now_us)}

    document: dict[str, Any] = resources.writer.call(save)
    return document | {"orders": _want_orders(request, resources, key, zone)}


def days_to_mind(judge: Judge, moves: Sequence[PlannedMove]) -> dict[str, dict[str, Any]]:
    """
    Machine/housing -> what to look at first, or why its date is unsure and how much is used.

    Of days that are planned again.
    """
    housings = [move.housing for move in moves if move.is_made]
    found: dict[str, dict[str, Any]] = {}
    for view in judge.views(housings, whole_owner=False):
        study, because = view.assessment.study, unsure_of_visit(view.assessment, ())
        is_first = view.assessment.is_looked_at_first
        if because or is_first:
            causes = [s.cause for s in study.suspicions] if is_first else []
            about = {"causes": causes, "unsure_because": because, "is_looked_at_first": is_first}
            about |= {"state_form": view.state_form, "share_used_percent": study.share_used_percent}
            found[f"{view.housing.machine}/{view.housing.name}"] = about
    return found


@router.get(
    "/v1/visit-plan/accepted", summary="Accepted plans with days to come", response_model=AcceptedPlansAnswer
)
def get_accepted_plans(resources: R, key: ShopReader) -> dict[str, Any]:
    """The plans that can be taken back, newest first, with how many of their days still stand."""
    with resources.reading() as connection:
        known = papers.papers_of_owner(connection, key.owner_id)
        planned = [
            seen.planned for seen in known.values() if seen.planned and sees_site(key, seen.machine.site)
        ]
        if not planned:
            return {"plans": []}
        since_us = min(day.planned_us for day in planned)
        accepted = audit.instants_of(connection, key.owner_id, "plan_day", since_us)
    return {"plans": _plans_of([day for day in planned if day.planned_us in accepted], resources.clock())}


def _plans_of(days: Sequence[PlannedChange], now_us: int) -> list[dict[str, Any]]:
    """Days as plans set them, by plan; a plan whose days have all passed is left out."""
    plans: defaultdict[int, list[PlannedChange]] = defaultdict(list)
    for day in days:
        plans[day.planned_us].append(day)
    return [
        {"accepted_at": text(at_us), "by": of_plan[0].who, "days": len(of_plan)}
        for at_us, of_plan in sorted(plans.items(), reverse=True)
        if max(day.passes_us for day in of_plan) > now_us
    ]


@router.post(
    "/v1/visit-plan/taken-back",
    summary="Take an accepted plan back",
    response_model=TakenBackAnswer,
    responses=problems(404, 409),
)
@example({"accepted_at": "2026-03-02T09:00:00Z", "zone": "UTC"}, plain="accepted_at zone")
def post_plan_taken_back(body: PlanTakenBack, request: Request, resources: R, key: Planner) -> dict[str, Any]:
    """
    Each day that still stands as the plan set it gets back the day that was planned before, or none.

    What people decided since stays, and is named. 409 `nothing_of_plan_stands` where no day of it stands.
    What must be ordered is reckoned again for the days that are left.
    """
    now_us, zone, accepted_us = resources.clock(), ZoneInfo(body.zone), parse_instant(body.accepted_at).us

    def save(connection: sa.Connection) -> dict[str, Any]:
        days = list(_accepted_days(connection, key, accepted_us))
        back = [day for day in days if day.stands]
        if not back:
            raise Refused("nothing_of_plan_stands", status=409, at=text(accepted_us))
        for day in back:
            _give_back(connection, key, day, zone, now_us)
        about = {"accepted_at": text(accepted_us), "changed": len(back)}
        audit.note(connection, key.owner_id, now_us, key.handle, "visit_plan_taken_back", **about)
        names = [{"machine": d.housing.machine, "housing": d.housing.name} for d in days if not d.stands]
        return {"changed": len(back), "stay": names}

    document: dict[str, Any] = resources.writer.call(save)
    return document | {"orders": _want_orders(request, resources, key, zone)}


def _want_orders(request: Request, resources: R, key: Key, zone: ZoneInfo) -> list[dict[str, Any]]:
    """Record what the planned days need ordered until the end of a plan."""
    now_us = resources.clock()
    today = ListDays(zone, now_us / 1e6, before=date.max).today
    days = ListDays(zone, now_us / 1e6, before=today + timedelta(days=PLAN_DAYS))
    with resources.reading() as connection:
        every = on_list(connection, services_of(request).judge(connection, key), key, days)
        lines = part_lines(connection, key, every, days)
    found: list[dict[str, Any]] = resources.writer.call(
        lambda connection: keep_wanted(connection, key, lines, now_us)
    )
    return found


# ---------------------------------------------------------------- accepting


def _ask_of_days(body: NewAcceptedPlan, request: Request, resources: R, key: Planner) -> None:
    """Raise NotValid (422) with every day that cannot hold, and that the plan did not propose itself."""
    now_us = resources.clock()
    with resources.reading() as connection:
        moves = day_moves(connection, key, body, now_us, {})
        judge: Judge = services_of(request).judge(connection, key)
        working = planning_terms.terms_of(connection, key.owner_id).terms.working()
        asked = {}
        for place, (visit, move) in enumerate(zip(body.visits, moves, strict=True)):
            if move.is_made and not visit.confirmed_because:
                view: View = judge.view(move.housing)
                pointer = f"#/visits/{place}/on"
                if complaints := complaints_of_day(view, visit.on, body.zone, working, pointer):
                    asked[visit.machine, visit.housing, visit.on] = complaints
    if not asked:
        return
    proposed = proposed_days(request, resources, key, body.zone)
    left = [one for day, complaints in asked.items() if day not in proposed for one in complaints]
    if left:
        raise NotValid(*left)


@dataclass(frozen=True, kw_only=True)
class PlannedMove:
    """What accepting a visit does to the planned day of its housing."""

    housing: HousingRow
    before: PlannedChange | None  # None: no day is planned
    on: str  # the day of the visit, ISO 8601
    replaces: bool
    now_us: int
    questioned_us: int | None  # the change that questions the day that is planned; None: none does

    @property
    def names_day_again(self) -> bool:
        """It is planned for that day already, wanted or not."""
        return self.before is not None and self.before.planned_on == self.on

    @property
    def is_same(self) -> bool:
        """It is planned for that day already, and no change questions that."""
        return self.names_day_again and self.questioned_us is None

    @property
    def is_asked(self) -> bool:
        """It would move a day that is still to come."""
        return self.before is not None and not self.names_day_again and self.now_us < self.before.passes_us

    @property
    def is_kept(self) -> bool:
        """The day that is planned stays."""
        return self.is_asked and not self.replaces

    @property
    def is_made(self) -> bool:
        """The day of the visit becomes the planned one."""
        return not (self.is_same or self.is_kept)

    @property
    def kept_after_us(self) -> int | None:
        """The change that its day is kept after; None: it is another day, or no change questioned it."""
        return self.questioned_us if self.names_day_again else None

    def noted(self) -> dict[str, Any]:
        """For the audit log: which machine, from which day, planned by whom, to which day."""
        before = (NO_DAY, NO_DAY) if self.before is None else (self.before.planned_on, self.before.who)
        names = {"machine": self.housing.machine, "housing": self.housing.name}
        return names | {"before": before[0], "by": before[1], "on": self.on}


def questioned_days(request: Request, resources: R, key: Key) -> dict[int, int]:
    """Housing id -> the change that questions its planned day. [us]"""
    now_us = resources.clock()
    days = ListDays(ZoneInfo("UTC"), now_us / 1e6, before=date.max)
    with resources.reading() as connection:
        every = on_list(connection, services_of(request).judge(connection, key), key, days)
    views = [seen.view for seen in every.values()]
    asked = {v.housing.id: overtaken_by_us(v.papers.planned, v.assessment.study, now_us) for v in views}
    return {housing_id: changed_us for housing_id, changed_us in asked.items() if changed_us is not None}


def day_moves(
    connection: sa.Connection, key: Key, body: NewAcceptedPlan, now_us: int, questioned: Mapping[int, int]
) -> list[PlannedMove]:
    """
    What accepting a plan does. Raises NotValid for a day that is over, NotFound, Refused (409).

    questioned : housing id -> the change that questions its planned day.
    """
    zone = ZoneInfo(body.zone)
    for place, visit in enumerate(body.visits):
        if end_of_day_us(visit.on, zone) <= now_us:
            pointer = f"#/visits/{place}/on"
            raise NotValid(Complaint(pointer, "planned_day_over", on=visit.on, now=text(now_us)))
    known = papers.papers_of_owner(connection, key.owner_id)
    made = element_changes.entries_of_owner(connection, key.owner_id)
    moves, outdated = [], set()
    for visit in body.visits:
        housing = find_housing(connection, key, visit.machine, visit.housing)
        before = known.get(housing.id, NO_PAPERS).planned
        move = PlannedMove(
            housing=housing,
            before=before,
            on=visit.on,
            replaces=visit.replaces,
            now_us=now_us,
            questioned_us=questioned.get(housing.id),
        )
        moves.append(move)
        version = version_of(before, made.get(housing.id, NO_ENTRIES))
        is_as_seen = before is None if visit.version is None else visit.version == version
        if not (is_as_seen or move.names_day_again):
            outdated.add(visit.machine)
    if outdated:
        named = ", ".join(sorted(outdated)[:MACHINES_NAMED])
        raise Refused("plan_outdated", status=409, many=len(outdated), machines=named)
    return moves


def _kept_document(move: PlannedMove) -> dict[str, Any]:
    assert move.before is not None
    names = {"machine": move.housing.machine, "housing": move.housing.name}
    return names | {"on": move.before.planned_on, "by": move.before.who}


# ---------------------------------------------------------------- taking back


@dataclass(frozen=True, kw_only=True)
class AcceptedDay:
    """A day that an accepted plan set."""

    housing: HousingRow
    before_on: str | None  # the day that it replaced, ISO 8601; None: none was planned
    before_by: str
    on: str  # as the plan set it
    planned: PlannedChange | None  # as it is now
    accepted_us: int

    @property
    def stands(self) -> bool:
        """Nothing was decided since."""
        now = self.planned
        return now is not None and (now.planned_us, now.planned_on) == (self.accepted_us, self.on)


def _accepted_days(connection: sa.Connection, key: Key, accepted_us: int) -> Iterator[AcceptedDay]:
    """The days of a plan, of the machines that the key may see, from the audit log."""
    known = papers.papers_of_owner(connection, key.owner_id)
    for values in audit.values_of(connection, key.owner_id, "plan_day", accepted_us):
        try:
            housing = find_housing(connection, key, values["machine"], values["housing"])
        except Refused:  # another's by now, or of another site
            continue
        yield AcceptedDay(
            housing=housing,
            before_on=None if values["before"] == NO_DAY else values["before"],
            before_by=values["by"],
            on=values["on"],
            planned=known.get(housing.id, NO_PAPERS).planned,
            accepted_us=accepted_us,
        )


def _give_back(connection: sa.Connection, key: Key, day: AcceptedDay, zone: ZoneInfo, now_us: int) -> None:
    assert day.planned is not None  # it stands
    if day.before_on is None:
        papers.take_planned_back(connection, day.housing.id)
    else:
        passes_us = end_of_day_us(day.before_on, zone)
        before = PlannedChange(day.before_on, passes_us, now_us, day.before_by, day.planned.note)
        papers.put_planned(connection, day.housing.id, before)
    names = {"machine": day.housing.machine, "housing": day.housing.name}
    about = names | {"before": day.planned.planned_on, "by": day.planned.who, "on": day.before_on or NO_DAY}
    audit.note(connection, key.owner_id, now_us, key.handle, "plan_day_back", **about)
