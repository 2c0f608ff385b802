"""A planned day that cannot hold: a person is asked about it before it is kept, on every way in."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

import sqlalchemy as sa

from cleanside.ingest.analysis.assessment import View
from cleanside.ingest.api.routes.paper_shapes import chance_before_end, end_of_day_us
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.planning.shop_terms import WorkingDays
from cleanside.ingest.shop.day_asked import day_questions
from cleanside.ingest.shop.work_list import ListDays
from cleanside.ingest.store import planning_terms

#: codes of the questions, by what is asked
DAY_QUESTIONS = {name: f"planned_day_{name}" for name in ("reached", "too_late", "far", "no_work")}


def ask_of_day(connection: sa.Connection, owner_id: int, view: View, on: str, zone: str) -> None:
    """Raise NotValid (422) with each question, for a day that cannot hold; as it is, it would look fine."""
    if asked := _asked_of(connection, owner_id, view, on, zone):
        raise NotValid(*asked)


def is_taken_unasked(connection: sa.Connection, owner_id: int, view: View, on: str, zone: str) -> bool:
    """Would a person who plans the day be asked nothing: then it may be offered."""
    return not _asked_of(connection, owner_id, view, on, zone)


def _asked_of(connection: sa.Connection, owner_id: int, view: View, on: str, zone: str) -> list[Complaint]:
    working = planning_terms.terms_of(connection, owner_id).terms.working()
    return complaints_of_day(view, on, zone, working)


def complaints_of_day(
    view: View, on: str, zone: str, working: WorkingDays, pointer: str = "#/on"
) -> list[Complaint]:
    """The questions about a day; empty: it can hold. pointer : to the day in the body."""
    today = ListDays(ZoneInfo(zone), view.assessment.now_s, before=date.max).today
    chance = chance_before_end(view, end_of_day_us(on, ZoneInfo(zone)))
    is_over = view.assessment.state == "over"
    questions = day_questions(
        date.fromisoformat(on), today=today, chance=chance, working=working, is_over=is_over
    )
    return [Complaint(pointer, DAY_QUESTIONS[asked], on=on, chance=chance) for asked in questions]
