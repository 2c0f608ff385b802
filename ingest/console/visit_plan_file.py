"""
The plan of visits as a file to take away: one row a visit, then what the plan leaves out and why.

Promises: pure; its sentences are those of the page.
Leaves to others: the file itself (`take_away`), the plan (`ingest.api.routes.visit_plan`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
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
        *("chance", "hours_lost", "cost", "currency", "part", "order_by", "planned_day", "list_day"),
        *("trip_km", "trip_hours"),
    ),
    numbers=frozenset({"chance", "hours_lost", "cost", "trip_km", "trip_hours"}),
)
NOTHING = dict.fromkeys(PLAN_FILE.columns, "")


def plan_file(say: Sayer, plan: Mapping[str, Any], separator: str) -> Response:
    """The file of a plan, as `get_visit_plan` returns one."""
    return PLAN_FILE.answer(say, [*_visits(say, plan), *_left_out(say, plan)], separator)


def _visits(say: Sayer, plan: Mapping[str, Any]) -> Iterator[dict[str, str]]:
    sentences = VisitSentences(say, for_page=False)
    trips = {(trip["day"], trip["site"]): trip for trip in plan["trips"]}
    order_by = {order["part"]: order["order_by"] for order in plan["orders"]}
    for visit in plan["visits"]:
        trip, planned = trips[visit["day"], visit["site"]], visit["planned"]
        yield {
            **_place(say, visit),
            "day": visit["day"],
            "why": " ".join(sentences.why(visit, trip)),
            "chance": percent(visit["chance_at_limit_before"]),
            "hours_lost": plain(visit["hours_lost"], 0),
            "cost": plain(sum(visit["cost"].values()), 2),
            "currency": plan["currency"] or "",
            "part": visit["part"] or "",
            "order_by": order_by.get(visit["part"]) or "",
            "planned_day": planned["on"] if planned is not None and planned["state"] == "open" else "",
            "list_day": visit["work_list_on"] or "",
            "trip_km": plain(trip["km"], 0),
            "trip_hours": plain(trip["hours"], 2),
        }


def _left_out(say: Sayer, plan: Mapping[str, Any]) -> Iterator[dict[str, str]]:
    """Machines that need no visit within the plan, and those that it cannot plan: none without a word."""
    on = WrittenDays(say.formats).of
    for one in plan["later"]:
        until = say.plain("visit_plan.later_until", machine=one["machine"], day=on(one["last_day"]))
        yield {**_place(say, one), "why": f"{say.plain('visit_plan.later')}: {until}"}
    for one in plan["not_planned"]:
        why = say.plain(f"visit_plan.without.{one['reason']}", machine=one["machine"])
        yield {**_place(say, one), "why": why}


def _place(say: Sayer, one: Mapping[str, Any]) -> dict[str, str]:
    return {
        **NOTHING,
        **dates(say, one["due_at"]),
        "site": one["site"] or "",
        "machine": one["machine"],
        "display_name": one["display_name"] or "",
        "housing": one["housing"],
        "state": say.plain(f"state.{one['state']}"),
    }
