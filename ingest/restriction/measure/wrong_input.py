"""
What the analysis cannot work with, as a code and values with a sentence.

Like the errors of the programs (`gateway.wire.coded`); nothing outside this folder is imported here.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

#: code -> sentence: value, rule and next step
SENTENCES: Mapping[str, str] = {
    "clean_not_above_zero": (
        "clean_noted_pa is {clean_pa}; it must be above 0, leave it out where nothing was noted"
    ),
    "fleet_version": "fleet knowledge version {version!r}: read here: {known}; learn again",
    "hours_fall": "row {row}: hours fall from {before} to {hours}; sort rows by time",
    "lengths_differ": "{hours} in hours but {restriction} in restriction_pa; one each",
    "life_empty_or_uneven": (
        "hours {hours} and restriction_pa {restriction_pa}: give one value for each operating hour of "
        "the life, at least one"
    ),
    "life_not_finite": "hours or restriction have a value that is not finite; leave such rows out",
    "limit_not_above_zero": (
        "terminal_pa is {terminal_pa}; it must be above 0, see the engine maker's manual"
    ),
    "shape_differs": (
        "{column}: shape {shape} differs from at_s {at_s}; send one value per reading, NaN where absent"
    ),
    "share_length_differs": "{hours} in hours but {share} in share; give one restriction per row",
    "silence_unknown": "quiet_because is {quiet_because!r}; give one of {known} or None",
    "summaries_version": (
        "hour summaries are not of version {known}, the one this code reads; compute them again from "
        "the readings: cleanside-ingest recompute"
    ),
    "summary_version": (
        "hour summary version {version!r}: this code reads {known}; compute the summary again from its "
        "readings"
    ),
    "terminal_not_above_zero": "terminal_pa is {terminal_pa}; it must be above 0, see the engine maker",
    "time_not_finite": "at_s has a time that is not finite; place readings in time before summarising",
    "work_unknown": "what is {what!r}; give one of {known}",
}


class WrongInput(ValueError):
    """An argument or a record that the analysis cannot work with. Decide by `code` and `values`."""

    def __init__(self, code: str, /, **values: Any) -> None:
        self.code = code
        self.values: Mapping[str, Any] = values
        super().__init__(code)

    def __str__(self) -> str:
        return SENTENCES[self.code].format_map(self.values)
