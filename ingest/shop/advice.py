"""
What to do about an element: the advice of the analysis, and the day that a person planned where it may wait.

Promises: pure. Pages, answers and events to webhooks say the same.
Leaves to others: the advice by the readings (`ingest.restriction`), what became of a plan (`planned`).
"""

from __future__ import annotations

from datetime import date

from cleanside.ingest.restriction import Assessment
from cleanside.ingest.restriction.verdict.plain_forms import text_of
from cleanside.ingest.restriction.verdict.statement import Statement, say
from cleanside.ingest.shop.planned import MICRO, state_of_plan
from cleanside.ingest.shop.work_list import is_laid_up
from cleanside.ingest.store.papers import Papers

#: advice that a planned day stands in for: the element may wait until then
UNTIL_PLANNED = frozenset(("advice_serving", "advice_plan"))


def advice_of(assessment: Assessment, papers: Papers) -> Statement:
    """What to do; of an element that a person planned to change and that may wait until then, that."""
    planned = papers.planned
    if planned is None or assessment.advice.code not in UNTIL_PLANNED:
        return assessment.advice
    is_open = state_of_plan(planned, assessment.study, round(assessment.now_s * MICRO)) == "open"
    if not is_open or is_laid_up(papers, date.fromisoformat(planned.planned_on)):
        return assessment.advice
    return say("advice_planned", on=planned.planned_on)


def advice_text(assessment: Assessment, papers: Papers) -> str:
    """What a person reads for it, in English."""
    return text_of(advice_of(assessment, papers))
