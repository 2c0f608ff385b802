"""
The plan of visits as a file to take away: a row for each trip and visit, then what it leaves out and why.

Promises: pure; its sentences are those of the page. The rows together cost what the plan costs: a trip stands
once.
Leaves to others: the file itself (`take_away`), the plan (`ingest.api.routes.visit_plan`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from itertools import groupby
from typing import Any

from fastapi import Response

from cleanside.ingest.console.formats import WrittenDays
from cleanside.ingest.console.take_away import TakenAway, dates, percent, plain
from cleanside.ingest.console.visit_sentences import VisitSentences
from cleanside.ingest.console.wording import Sayer

PLAN_FILE = TakenAway(
    file="visit-plan",
    words="visit_plan.csv",
    columns=(
        *("day", "site", "machine", "display_name", "housing", "state", "early", "likely", "late", "why"),
        *(
            "chance",
            "hours_lost",
            "cost",
            "currency",
            "part",
            "order_by",
            "planned_day",
            "planned_by",
            "note",
        ),
        *("list_day", "trip_km", "trip_hours"),
    ),
    numbers=frozenset({"chance", "hours_lost", "cost", "trip_km", "trip_hours"}),
)
NOTHING = dict.fromkeys(PLAN_FILE.columns, "")


def plan_file(
    say: Sayer, plan: Mapping[str, Any], separator: str, *, name_of: Callable[[str], str]
) -> Response:
    """The file of a plan, as `get_visit_plan` returns one. name_of : what people call who planned a day."""
    rows = [*_visits(say, plan, name_of), *_left_out(say, plan)]
    priced = [row | {"currency": plan["currency"] or "" if row["cost"] else ""} for row in rows]
    return PLAN_FILE.answer(say, priced, separator)


def _visits(say: Sayer, plan: Mapping[str, Any], name_of: Callable[[str], str]) -> Iterator[dict[str, str]]:
    """By day and trip: the trip, then its visits."""
    sentences = VisitSentences(say, for_page=False)
    trips = {(trip["day"], trip["site"]): trip for trip in plan["trips"]}
    order_by = {order["part"]: order["order_by"] for order in plan["orders"]}
    for place, visits in groupby(plan["visits"], key=lambda visit: (visit["day"], visit["site"])):
        trip = trips[place]
        yield _trip(trip, sentences.trip(trip, currency=plan["currency"]))
        for visit in visits:
            yield _visit(say, visit, sentences.why(visit, trip), order_by, name_of)


def _trip(trip: Mapping[str, Any], why: str) -> dict[str, str]:
    return {
        **NOTHING,
        "day": trip["day"],
        "site": trip["site"] or "",
        "why": why,
        "cost": plain(trip["price"], 2),
        "trip_km": plain(trip["km"], 0),
        "trip_hours": plain(trip["hours"], 2),
    }


def _visit(
    say: Sayer,
    visit: Mapping[str, Any],
    why: list[str],
    order_by: Mapping[str, str],
    name_of: Callable[[str], str],
) -> dict[str, str]:
    planned = (
        visit["planned"] if visit["planned"] is not None and visit["planned"]["state"] == "open" else None
    )
    return {
        **_place(say, visit),
        "day": visit["day"],
        "why": " ".join(why),
        "chance": percent(visit["chance_at_limit_before"]),
        "hours_lost": plain(visit["hours_lost"], 0),
        "cost": plain(sum(visit["cost"].values()), 2),
        "part": visit["part"] or "",
        "order_by": order_by.get(visit["part"]) or "",
        "planned_day": "" if planned is None else planned["on"],
        "planned_by": "" if planned is None else name_of(planned["by"]),
        "note": "" if planned is None else planned["note"],
        "list_day": visit["work_list_on"] or "",
    }


def _left_out(say: Sayer, plan: Mapping[str, Any]) -> Iterator[dict[str, str]]:
    """Machines that need no visit within the plan, and those that it cannot plan: none without a word."""
    on = WrittenDays(say.formats).of
    for one in plan["later"]:
        until = say.plain("visit_plan.later_until", machine=one["machine"], day=on(one["last_day"]))
        why = f"{say.plain('visit_plan.later')}: {until}"
        yield {**_place(say, one), "why": why, "cost": plain(one["cost"], 2)}
    for one in plan["not_planned"]:
        why = say.plain(f"visit_plan.without.{one['reason']}", machine=one["machine"])
        yield {**_place(say, one), "why": why}


def _place(say: Sayer, one: Mapping[str, Any]) -> dict[str, str]:
    return {
        **NOTHING,
        **dates(say, one),
        "site": one["site"] or "",
        "machine": one["machine"],
        "display_name": one["display_name"] or "",
        "housing": one["housing"],
        "state": say.plain(f"state.{one['state_form']}"),
    }
