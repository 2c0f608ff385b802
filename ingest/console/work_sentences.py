"""
What the work list says of a change, in one sentence each: on its page, in the plan of visits and in letters.

Promises: pure. One sentence has one source, so that a planner reads the same words in a message and on the
page behind it.
Leaves to others: the words themselves (`words/work.*.toml`), how they are laid out (the templates).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

#: of a state that does not wait for a date
AT_ONCE = frozenset({"over", "due", "suspect"})


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
        is_service = job["reason"] == "service"
        found = [] if is_service else [self._say(f"work.reason.{job['reason']}", **self._plan(job))]
        found += [self._say(f"work.cause.{cause}") for cause in job["causes"]]
        return [*found, service] if (service := self.service(job)) else found

    def service(self, job: Mapping[str, Any]) -> str:
        """What the next service means for a change; "": nothing."""
        if not job["service_fit"]:
            return ""
        values = {"on": self._on(job["service_on"]), "share": job["chance_at_service"]}
        return self._say(f"work.{job['service_fit']}", service=self._service_name(job), **values)

    def later(self, later: Mapping[str, Any]) -> str:
        """Where a change stands that is asked for before the end of the list and does not stand on it."""
        if later["reason"] == "planned":
            return self._say("work.later_by.planned", **self._plan(later) | {"on": self._on(later["day"])})
        if later["reason"] == "service":
            service = self._service_name(later)
            return self._say("work.later_by.service", service=service, on=self._on(later["day"]))
        if (until := later["laid_up"]["until"]) is None:
            return self._say("work.later_by.laid_up_open")
        return self._say("work.later_by.laid_up", until=self._on(until))

    def warning(self, later: Mapping[str, Any]) -> str:
        """What that risks; "": it cannot be said."""
        if later["state"] in AT_ONCE:
            return self._say("work.later_state", state=self._say(f"state.{later['state']}"))
        if later["chance_at_limit_before"] is None:
            return ""
        return self._say("work.chance", share=later["chance_at_limit_before"])

    def carry(self, carry: Mapping[str, Any]) -> str:
        """What is brought from one site to another."""
        site, from_site = (self._sites.get(code, code) for code in (carry["site"], carry["from_site"]))
        return self._say("work.carry", site=site, n=carry["pieces"], part=carry["part"], from_site=from_site)

    def _plan(self, of: Mapping[str, Any]) -> dict[str, str]:
        planned = of["planned"]
        if planned is None:
            return {"on": "", "by": ""}
        return {"on": self._on(planned["on"]), "by": self._name_of(planned["by"])}

    def _service_name(self, of: Mapping[str, Any]) -> str:
        return (of["service"] or {}).get("service") or self._say("work.service")
