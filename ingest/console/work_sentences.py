"""
What the work list says of a change, in one sentence each: on its page, in the plan of visits and in letters.

Promises: pure. One sentence has one source, so that a planner reads the same words in a message and on the
page behind it.
Leaves to others: the words themselves (`words/work.*.toml`), how they are laid out (the templates).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Protocol

from cleanside.ingest.console.indicator_words import indicator_said

#: a state that does not wait for a date -> the reason whose sentence it has, whatever was planned
AT_ONCE = {"over": "over_limit", "due": "change_due", "suspect": "check_first"}
LOOK_FORM = "look"  # of a state: a person is asked whether the element is in


LEAST_COST = 0.5  # less is no difference, once it is rounded [currency]


def _reason_now(of: Mapping[str, Any]) -> str | None:
    """The reason of what does not wait for a date; None: it does. Old letters have no `state_form`."""
    return "check_first" if of.get("state_form") == LOOK_FORM else AT_ONCE.get(of["state"])


class DayPrices(Protocol):
    """A visit of the plan of visits. Days are ISO 8601."""

    @property
    def day(self) -> str:
        """Its day."""

    @property
    def more_cost(self) -> Mapping[str, float]:
        """Day -> what it costs more than its own. [currency]"""

    @property
    def currency(self) -> str | None:
        """Of these costs; None: none is entered."""


class WorkSentences:
    """The sentences for one reader."""

    def __init__(
        self,
        say: Callable[..., str],
        *,
        on: Callable[[str], str],
        name_of: Callable[[str], str] = str,
        sites: Mapping[str, str] | None = None,
    ) -> None:
        """
        say : words of a key, for a page or as plain text. on : a day, ISO 8601, as the reader writes it.
        name_of : what people call whoever planned. sites : code -> what people call it.
        """
        self._say, self._on, self._name_of, self._sites = say, on, name_of, sites or {}

    def why(self, job: Mapping[str, Any]) -> list[str]:
        """Why a job stands on its day, what to look at first, and what its next service means."""
        at_once = _reason_now(job)
        found = [] if at_once in (None, job["reason"]) else [self._at_once(at_once, job)]
        found += self._reason(job)
        if job["reason"] == "over_limit" and (job["planned"] or {}).get("state") == "open":
            found.append(self._say("work.planned_later", **self._plan(job)))
        found += [self._say(f"work.cause.{cause}") for cause in job["causes"]]
        if indicator := self.indicator(job):
            found.append(indicator)
        if moved := self.moved(job):
            found.append(moved)
        return [*found, service] if (service := self.service(job)) else found

    def _reason(self, job: Mapping[str, Any]) -> list[str]:
        """Why it stands on this day; nothing where `service` says it."""
        if job["reason"] == "service":
            return []
        if not job.get("unsure_because"):  # a letter of an earlier release has none
            return [self._at_once(job["reason"], job, **self._plan(job))]
        why, due = self.unsure(job), job["due_at"]
        later = due["p50"]
        if later is None:
            return [self._say("work.might_be_due", early=due["p10"], why=why)]
        return [self._say("work.might_be_due_before", early=due["p10"], likely=later, why=why)]

    def unsure(self, of: Mapping[str, Any]) -> str:
        """Why its early date is unsure, in half sentences; of : with at least one reason."""
        because = [
            self._say(f"work.unsure.{one}", used=of["share_used_percent"]) for one in of["unsure_because"]
        ]
        return type(because[0])("; ").join(because)

    def first(self, of: Mapping[str, Any]) -> list[str]:
        """What is to be looked at first, as the list says it."""
        causes = [self._say(f"work.cause.{cause}") for cause in of["causes"]]
        return [self._at_once("check_first", of), *causes]

    def _at_once(self, reason: str, of: Mapping[str, Any], **values: str) -> str:
        """The sentence of a reason; where dust reaches the engine, as the page Fleet says it."""
        if reason == "check_first" and "below_clean" in of.get("causes", ()):
            return self._say("fleet.next.advice_below_clean")
        if reason == "check_first" and of.get("state_form") == LOOK_FORM:
            return self._say("fleet.next.advice_may_be_missing")
        return self._say(f"work.reason.{reason}", **values)

    def indicator(self, of: Mapping[str, Any]) -> str:
        """Where its indicator shows something else than the date at full flow; "": it does not."""
        return indicator_said(self._say, of)

    def moved(self, of: Mapping[str, Any]) -> str:
        """How often its planned day was moved; "": never, or none is planned."""
        times = of.get("moved_times", 0)  # a letter of an earlier release has none
        return self._say("work.moved_times", n=times) if times and of["planned"] is not None else ""

    def service(self, job: Mapping[str, Any]) -> str:
        """What the next service means for a change; "": nothing."""
        if not job["service_fit"]:
            return ""
        values = {"on": self._on(job["service_on"]), "share": job["chance_at_service"]}
        values["hours"] = job.get("hours_given_with_service")
        return self._say(f"work.{job['service_fit']}", service=self._service_name(job), **values)

    def not_listed(self, later: Mapping[str, Any]) -> list[tuple[str, bool]]:
        """
        What is said of a change that does not stand on the list, and whether that is weighty.

        What is to be looked at first comes before where it stands.
        """
        stands = self.later(later)
        where = (stands if stands.endswith(".") else stands + ".", False)  # a German date ends with a stop
        at_once = _reason_now(later)
        warning = (self.warning(later), at_once is not None)
        causes = [(self._say(f"work.cause.{cause}"), False) for cause in later.get("causes", ())]
        found = [warning, *causes, where] if at_once == "check_first" else [where, warning]
        found += [(self.indicator(later), True), (self.moved(later), False)]
        return [(text, is_weighty) for text, is_weighty in found if text]

    def later(self, later: Mapping[str, Any]) -> str:
        """Where a change stands that is asked for before the end of the list and does not stand on it."""
        if later["reason"] == "planned":
            return self._say("work.later_by.planned", **self._plan(later) | {"on": self._on(later["day"])})
        if later["reason"] == "service":
            service = self._service_name(later)
            return self._say("work.later_by.service", service=service, on=self._on(later["day"]))
        until = later["laid_up"]["until"]
        stands = "laid_up_open" if until is None else "laid_up"
        found = self._say(f"work.later_by.{stands}", until="" if until is None else self._on(until))
        planned = later["planned"]
        if planned is None or planned["state"] != "open":
            return found
        return found + "; " + self._say("work.later_by.planned", **self._plan(later))

    def warning(self, later: Mapping[str, Any]) -> str:
        """What that risks; "": it cannot be said."""
        if (at_once := _reason_now(later)) is not None:
            return self._at_once(at_once, later)
        if later["chance_at_limit_before"] is None:
            return ""
        return self._say("work.chance", share=later["chance_at_limit_before"])

    def carry(self, carry: Mapping[str, Any]) -> str:
        """What is brought from one site to another."""
        site, from_site = (self._sites.get(code, code) for code in (carry["site"], carry["from_site"]))
        return self._say("work.carry", site=site, n=carry["pieces"], part=carry["part"], from_site=from_site)

    def option(self, job: Mapping[str, Any], option: Mapping[str, Any], visit: DayPrices | None) -> str:
        """What another day means; "": nothing can be said. visit : of the plan of visits; None: not known."""
        found = []
        if option["chance_at_limit_before"] is not None and job["state"] != "over":
            values = {"share": option["chance_at_limit_before"], "hours": option["hours_lost"] or 0}
            found.append(self._say("work.option", **values))
        if visit is not None and visit.day == job["day"] and option["day"] in visit.more_cost:
            more, currency = visit.more_cost[option["day"]], visit.currency or ""
            key = "work.option_less" if more < -LEAST_COST else "work.option_more"
            found.append(self._say(key, cost=abs(more), currency=currency).rstrip())
        return ", ".join(found)

    def lacks_part(self, job: Mapping[str, Any]) -> bool:
        """The piece of its part is not there on its day."""
        return job["piece"] is not None and bool(job["piece"]["is_late"])

    def piece(self, job: Mapping[str, Any]) -> str:
        """Where the piece of its part comes from; "": it lies at its own site, or it needs none."""
        piece = job["piece"]
        if piece is None or piece["where"] == "own_site":
            return ""
        if piece["where"] == "other_site":
            site = self._sites.get(piece["from_site"], piece["from_site"])
            return self._say("work.piece.other_site" if job["site"] else "work.piece.no_site", site=site)
        if piece["comes_on"] is None:
            return self._say(f"work.piece.{piece['where']}_open")
        return self._say(f"work.piece.{piece['where']}", on=self._on(piece["comes_on"]))

    def _plan(self, of: Mapping[str, Any]) -> dict[str, str]:
        planned = of["planned"]
        if planned is None:
            return {"on": "", "by": ""}
        return {"on": self._on(planned["on"]), "by": self._name_of(planned["by"])}

    def _service_name(self, of: Mapping[str, Any]) -> str:
        return (of["service"] or {}).get("service") or self._say("work.service")
