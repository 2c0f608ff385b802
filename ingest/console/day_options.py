"""
The days to which a change can be moved, as the options of a select, each with what it means.

Promises: pure; values are escaped. Written at once: a list of a hundred changes offers two thousand days,
and a template takes each of them through a dozen steps.
Leaves to others: what a day means, in words (`work_sentences`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from markupsafe import Markup, escape

from cleanside.ingest.console.work_sentences import DayPrices, WorkSentences


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
