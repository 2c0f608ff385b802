"""
Why a date is unsure, for a machine that stands on the work list although its element has used little.

Promises: pure; by code, the gravest first.
Leaves to others: the dates (`ingest.restriction`), words.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

UnsureReason = Literal[
    "other_elements",
    "not_read",
    "earlier_level",
    "outlier",
    "hours_assumed",
    "no_lives",
    "little_used",
]

#: evidence of the analysis -> what it means for a date
OF_EVIDENCE: dict[str, UnsureReason] = {
    "work_not_read": "not_read",
    "level_of_earlier": "earlier_level",
    "outlier": "outlier",
    "duty_assumed": "hours_assumed",
    "no_lives": "no_lives",
}


PUZZLING_BELOW_PERCENT = 50.0  # used: a change of such an element needs its reason (chosen)


def is_puzzling(state: str, used_percent: float | None) -> bool:
    """Would a planner ask why a change for its early date stands there: by state or use it is not near."""
    return state != "plan" or (used_percent is not None and used_percent < PUZZLING_BELOW_PERCENT)


def unsure_because(rests_on: str | None, evidence: Iterable[str]) -> list[UnsureReason]:
    """
    Why early and late date are far apart.

    rests_on : what the dates rest on (`DatesRestOn`). evidence : codes of the statements behind the figures.
    Where nothing special is known: the element has used little, so its readings do not say how it goes on.
    """
    said = set(evidence)
    found: list[UnsureReason] = [] if rests_on in (None, "element") else ["other_elements"]
    found += [reason for code, reason in OF_EVIDENCE.items() if code in said]
    return found or ["little_used"]
