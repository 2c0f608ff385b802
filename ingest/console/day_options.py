"""
The days to which a change can be moved, as the options of a select, each with what it means.

Promises: pure; values are escaped. Written at once: a list of a hundred changes offers two thousand days,
and a template takes each of them through a dozen steps.
Leaves to others: what a day means, in words (`work_sentences`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from markupsafe import Markup, escape

from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.console.work_sentences import LEAST_COST, DayPrices, WorkSentences


class DayOptions:
    """Options for one reader."""

    def __init__(self, sentences: WorkSentences, on: Callable[[str], str]) -> None:
        """sentences : as plain text. on : a day, ISO 8601, as the reader writes it."""
        self._sentences, self._on = sentences, on
        self._days: dict[str, tuple[str, str]] = {}

    def __call__(self, job: Mapping[str, Any], chosen: str, visit: DayPrices | None) -> Markup:
        """
        Those of a change.

        job : of the work list. chosen : the day that stands in the field, ISO 8601. visit : of the plan of
        visits; None: not known.
        """
        return Markup("".join(self._option(job, option, chosen, visit) for option in job["options"]))

    def _option(
        self, job: Mapping[str, Any], option: Mapping[str, Any], chosen: str, visit: DayPrices | None
    ) -> str:
        day = option["day"]
        if day not in self._days:
            self._days[day] = f'<option value="{escape(day)}"', f">{escape(self._on(day))}"
        begin, written = self._days[day]
        means = self._sentences.option(job, option, visit)
        said = f": {escape(means)}" if means else ""
        return f"{begin}{' selected' if day == chosen else ''}{written}{said}</option>"


class MoveOptions:
    """Days to which the plan of visits can move a visit, for one reader."""

    def __init__(self, say: Sayer, on: Callable[[str], str], currency: str) -> None:
        """on : as of `DayOptions`. currency : with a blank before it; "": none."""
        self._say, self._on, self._currency = say, on, currency
        self._days: dict[str, tuple[str, Callable[..., str], Callable[..., str]]] = {}

    def __call__(self, name: str, moves: Sequence[Mapping[str, Any]]) -> Markup:
        """Those of a visit. name : of its machine and housing, as the form sends it."""
        value = escape(name)
        return Markup("".join(self._option(value, move) for move in moves if move["day"]))

    def _option(self, value: str, move: Mapping[str, Any]) -> str:
        day, more = move["day"], move["more_cost"]
        if day not in self._days:
            on = {"day": self._on(day), "currency": self._currency}
            less = self._say.begun("visit_plan.option_less", **on)
            self._days[day] = f'/{escape(day)}">', less, self._say.begun("visit_plan.option_more", **on)
        end, less, costs_more = self._days[day]
        said = (less if more < -LEAST_COST else costs_more)(
            cost=abs(more), share=move["chance_at_limit_before"]
        )
        return f'<option value="{value}{end}{escape(said)}</option>'
