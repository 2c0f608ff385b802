"""
The account of an element, from when it went in until it came out: its hours, its cleanings, their gains.

Promises: pure. A life that began with a cleaning is one more stretch of the element before it.
Leaves to others: lives (`lives`), what a cleaning gave back (`given_back`), and whether an element may be
cleaned at all, and how often: its maker's manual says that.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

from cleanside.ingest.restriction.elements.given_back import Cleaned
from cleanside.ingest.restriction.elements.lives import LifeSpan

CLEANED, ENTERED, NEW = "cleaned", "entered", "change"


@dataclass(frozen=True, kw_only=True)
class Cleaning:
    """One cleaning of an element. Instants in seconds since 1970-01-01 UTC."""

    at_s: float
    by_s: float | None  # later: it was done by then, while no reading was fit to judge by; None: at at_s
    entered: bool  # by a person; else likely, by the readings
    sure: str  # "high", "medium" or "low"
    hours_before: float  # operating hours since the element went in, or was cleaned before
    hours_after: float  # until it was cleaned again or another went in, or until now
    ended: str  # that stretch: "running", "at terminal" or "before terminal"
    cleaned: Cleaned | None  # its levels; None: not read


@dataclass(frozen=True, kw_only=True)
class ElementAccount:
    """One element. Instants in seconds since 1970-01-01 UTC."""

    number: int  # of the housing's elements, from 1
    first_life: int  # its index among the lives
    start_s: float
    start_by_s: float | None
    end_s: float | None  # None: it is in
    from_new: bool  # False: it was in use when first seen
    hours: float  # of operation that were seen, its cleanings over
    ended: str  # "running", "at terminal" or "before terminal"
    cleanings: tuple[Cleaning, ...]


def accounts_of(lives: Sequence[LifeSpan]) -> list[ElementAccount]:
    """The elements of a housing in time order, the running one last. lives : in time order."""
    firsts = [place for place, life in enumerate(lives) if place == 0 or life.began != CLEANED]
    spans = itertools.pairwise([*firsts, len(lives)])
    return [_account(number, first, lives[first:end]) for number, (first, end) in enumerate(spans, 1)]


def _account(number: int, first: int, lives: Sequence[LifeSpan]) -> ElementAccount:
    begin, end = lives[0], lives[-1]
    return ElementAccount(
        number=number,
        first_life=first,
        start_s=begin.start_s,
        start_by_s=begin.start_by_s,
        end_s=end.end_s,
        from_new=begin.began == NEW,
        hours=sum(life.hours for life in lives),
        ended=end.ended,
        cleanings=tuple(_cleaning(before, life) for before, life in itertools.pairwise(lives)),
    )


def _cleaning(before: LifeSpan, life: LifeSpan) -> Cleaning:
    return Cleaning(
        at_s=life.start_s,
        by_s=life.start_by_s,
        entered=life.began_by == ENTERED,
        sure=life.sure,
        hours_before=before.hours,
        hours_after=life.hours,
        ended=life.ended,
        cleaned=life.cleaned,
    )
