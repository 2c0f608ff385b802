"""A day planned on the page of a machine: a person is asked about one that cannot hold, before it is kept."""

from __future__ import annotations

from datetime import date
from zoneinfo import ZoneInfo

from fastapi import Request

from cleanside.ingest.api.routes.machines import find_housing
from cleanside.ingest.api.routes.paper_shapes import chance_before_end, end_of_day_us
from cleanside.ingest.api.routes.papers import NewPlan
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import R
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.shop.day_asked import day_question
from cleanside.ingest.store import planning_terms
from cleanside.ingest.store.keys import Key

#: the box by which a person says that the day is meant
MEANT = "plan_meant"


def ask_of_day(
    request: Request, resources: R, key: Key, machine: str, body: NewPlan, formats: Formats
) -> None:
    """Raise NotValid (422) with the question, for a day that cannot hold; as it is, it would look fine."""
    with resources.reading() as connection:
        housing = find_housing(connection, key, machine, body.housing)
        view = services_of(request).judge(connection, key).view(housing)
        working = planning_terms.terms_of(connection, key.owner_id).terms.working()
    on, today = date.fromisoformat(body.on), formats.moment(formats.now_s).date()
    is_over = view.assessment.state == "over"
    chance = None if is_over else chance_before_end(view, end_of_day_us(body.on, ZoneInfo(body.zone)))
    question = day_question(on, today=today, chance=chance, working=working)
    if question is not None and on >= today:  # a day that is over is refused by the route
        raise NotValid(Complaint(MEANT, f"planned_day_{question}", on=body.on, chance=chance))
