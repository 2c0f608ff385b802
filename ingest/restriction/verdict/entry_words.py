"""
What is said of an entry, in English, from its code and figures.

Leaves to others: the judgement (`elements.entries`).
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

from cleanside.ingest.restriction.elements.entries import WeighedEntry

#: code -> what it says
_SAYS: dict[str, Callable[[WeighedEntry], str]] = {
    "fits": lambda w: f"Restriction fell {_levels(w)}: this fits the entry.",
    "fits_at_fall": lambda w: (
        f"Restriction fell {_levels(w)} at {_instant(w.used_s)}, within a shift of the entry. "
        "The entry counts from then."
    ),
    "too_low": lambda w: (
        f"Restriction fell {_levels(w)}, {_than_clean(w)}. Look for a missing, torn or badly seated element, "
        "and for a tube that is off."
    ),
    "part_of_the_way": lambda w: (
        f"Restriction fell {_levels(w)}, and a new element reads about {_kpa(w.clean_pa)}. "
        "Was the element cleaned, or is it another part?"
    ),
    "not_seen_yet": lambda w: (
        f"Too few working hours since the entry. It counts, and will be checked by {_instant(w.look_by_s)}."
    ),
    "no_level_before": lambda _: "No readings before the entry to compare with.",
    "clean_before": lambda w: (
        f"Restriction was that of a clean element before ({_kpa(w.before_pa)}): a change does not show."
    ),
    "did_not_fall": lambda w: (
        f"{_work(w)} entered for {_instant(w.entry.at_s)}, but restriction did not fall ({_span(w)})."
        f"{_nearest(w)}"
    ),
    "before_first_reading": lambda w: (
        f"{_work(w)} entered for {_instant(w.entry.at_s)}, before the first reading of this machine."
    ),
    "double": lambda _: "Entered already within the same shift. Both entries count as one.",
    "noted": lambda _: "Noted. The element stays the same.",
    "denied": lambda _: "Noted: the element was not changed then.",
}

#: code -> what is asked until a person has settled it
_ASKS = {"did_not_fall": "Wrong machine or time?", "before_first_reading": "Is the date right?"}

_UNTIL = "The entry is not used until it is confirmed, corrected or taken back."

CODES = tuple(_SAYS)


def words_of(weighed: WeighedEntry) -> str:
    """One or two sentences on what the readings say of an entry, and what a person can do."""
    says = _SAYS[weighed.verdict](weighed)
    if weighed.is_question:
        return f"{says} {_ASKS[weighed.verdict]} {_UNTIL}"
    if weighed.entry.confirmed:
        return f"{says} Confirmed by a person."
    return says


def _work(weighed: WeighedEntry) -> str:
    return "Cleaning" if weighed.entry.what == "cleaned" else "Change"


def _levels(weighed: WeighedEntry) -> str:
    return f"from {_kpa(weighed.before_pa)} to {_kpa(weighed.after_pa)}"


def _span(weighed: WeighedEntry) -> str:
    return f"{_kpa(weighed.before_pa)} before, {_kpa(weighed.after_pa)} after"


def _than_clean(weighed: WeighedEntry) -> str:
    if weighed.clean_pa is None:
        return "lower than an element reads"
    return f"and a clean element reads about {_kpa(weighed.clean_pa)}"


def _nearest(weighed: WeighedEntry) -> str:
    return "" if weighed.fall_s is None else f" The nearest fall was at {_instant(weighed.fall_s)}."


def _kpa(level_pa: float | None) -> str:
    return "unknown" if level_pa is None else f"{level_pa / 1000:.2f} kPa"


def _instant(at_s: float | None) -> str:
    return "" if at_s is None else f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d %H:%M} UTC"
