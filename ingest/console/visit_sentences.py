"""
Why a visit of the plan stands on its day, in sentences: on the page and in the file to take away.

Promises: pure; one sentence has one source.
Leaves to others: the words (`words/visit_plan.*.toml`), the service of a machine (`WorkSentences`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache
from typing import Any

from markupsafe import Markup, escape

from cleanside.ingest.console.formats import WrittenDays
from cleanside.ingest.console.plan_words import chance_said
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.console.work_sentences import WorkSentences

LEAST_HOURS_GIVEN = 1.0  # less is not worth a word; chosen


@lru_cache(maxsize=4096)  # a trip of ten names each of them ten times
def bdi(name: str) -> Markup:
    """A name whose direction is its own."""
    return Markup(f"<bdi>{escape(name)}</bdi>")


class VisitSentences:
    """The sentences for one reader."""

    def __init__(self, say: Sayer, *, for_page: bool) -> None:
        """for_page : as markup; else as plain text."""
        self._say: Callable[..., str] = say if for_page else say.plain
        self._name: Callable[[str], str] = bdi if for_page else str
        self._on = WrittenDays(say.formats).of
        self._work = WorkSentences(self._say, on=self._on)

    def why(self, visit: Mapping[str, Any], trip: Mapping[str, Any]) -> list[str]:
        """Why it stands on its day, its service, moves of a planned day, and the chance of being too late."""
        found = list(self._reasons(visit, trip))
        if unsure := self.unsure(visit):
            found.append(unsure)
        if service := self._work.service(visit):
            found.append(service)
        if indicator := self._work.indicator(visit):
            found.append(indicator)
        if moved := self._work.moved(visit):
            found.append(moved)
        if chance := chance_said(self._say, visit["chance_at_limit_before"], visit["state"]):
            found.append(chance)
        return found

    def to_mind(self, of: Mapping[str, Any]) -> str:
        """What is to be looked at first on a day, or why its date is unsure. of : of `days_to_mind`."""
        first = self._work.first(of) if of["is_looked_at_first"] else [self.unsure(of)]
        return type(first[0])(" ").join(first)

    def unsure(self, of: Mapping[str, Any]) -> str:
        """Why its early date is unsure, as on the work list; "": it is not."""
        return self._say("visit_plan.unsure", why=self._work.unsure(of)) if of["unsure_because"] else ""

    def trip(self, trip: Mapping[str, Any], *, currency: str | None, site: str | None = None) -> str:
        """Where a trip goes, how far and what it costs. site : what people call it; None: its code."""
        named = trip["site"] if site is None else site
        values = {
            "site": self._name(named) if named else self._say("visit_plan.site_none"),
            "hours": trip["hours"],
        }
        if trip["is_for_service"]:
            return self._say("visit_plan.trip_service", **values)
        money = {"price": trip["price"], "currency": f" {currency}" if currency else ""}
        return self._say("visit_plan.trip_to", km=trip["km"], **values, **money)

    def _reasons(self, visit: Mapping[str, Any], trip: Mapping[str, Any]) -> Iterator[str]:
        for place, reason in enumerate(visit["reasons"]):
            if reason == "together":
                yield from self._together(visit, trip)
            elif reason == "late" and visit["waits_for"] == "part":
                there_on = self._on(visit["part_there_on"])
                yield self._say("visit_plan.reason.late_part", part=visit["part"], day=there_on)
            elif reason == "look_first":
                yield from self._work.first(visit)
            elif reason == "at_once" and visit["state"] == "over":
                yield self._say("visit_plan.reason.at_once_over")
            elif not self._is_said_elsewhere(reason, place, visit):
                yield self._say(f"visit_plan.reason.{reason}")

    @staticmethod
    def _is_said_elsewhere(reason: str, place: int, visit: Mapping[str, Any]) -> bool:
        """By `service`, or by the reasons before it."""
        if reason == "with_service":
            return visit["service_fit"] in ("with_service", "will_not_last")
        return reason == "cheapest_day" and place > 0

    def _together(self, visit: Mapping[str, Any], trip: Mapping[str, Any]) -> Iterator[str]:
        names = [self._name(other["machine"]) for other in visit["together_with"]]
        machines = type(names[0])(", ".join(names))  # markup already, where it is for a page
        key = "visit_plan.together" if trip["km"] else "visit_plan.together_free"
        yield self._say(key, machines=machines, km=trip["km"])
        if visit["hours_given"] >= LEAST_HOURS_GIVEN:
            yield self._say("visit_plan.gives", hours=visit["hours_given"])
