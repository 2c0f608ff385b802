"""
Which machine of the work list gets which piece of its part, and what is carried from site to site.

Promises: pure. Pieces are dealt out in order of urgency, and none twice: two pieces serve two machines. A
machine takes a piece of its own site first. What is missing there comes from the site with most pieces that
no machine of its own takes within the list, then from what is ordered.
Leaves to others: which machines there are and how urgent they are (`work_list`), what to order (`stock`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

#: own_site, other_site: a piece in stock; on_order: one that is ordered; not_ordered: none at all
PieceFrom = Literal["own_site", "other_site", "on_order", "not_ordered"]


@dataclass(frozen=True, kw_only=True)
class WantedPiece:
    """An element that a change of the list needs."""

    day: date
    site: str | None
    part: str


@dataclass(frozen=True, kw_only=True)
class DealtPiece:
    """Where the piece of a change comes from."""

    wanted: WantedPiece
    where: PieceFrom
    from_site: str | None = None  # of a piece in stock
    comes_on: date | None = None  # of one that is not there: at the earliest; None: not known
    is_kept: bool = True  # the shop keeps a stock of its part

    @property
    def is_late(self) -> bool:
        """It is not there on the day of the change. False where no stock is kept: then nothing says so."""
        if self.from_site is not None or (self.where == "not_ordered" and not self.is_kept):
            return False
        return self.comes_on is None or self.comes_on > self.wanted.day


@dataclass(frozen=True, kw_only=True)
class Coming:
    """Pieces of a part that are not there. Days None: no lead time is entered."""

    ordered: tuple[date | None, ...] = ()  # when each that is ordered comes
    if_ordered_now: date | None = None


NONE_COMING = Coming()


@dataclass(frozen=True, kw_only=True)
class Carry:
    """Pieces of a part that somebody brings to a site for the work of a day."""

    day: date
    site: str
    part: str
    pieces: int
    from_site: str


def deal(
    wanted: Sequence[WantedPiece], stock: Mapping[str, Mapping[str, int]], coming: Mapping[str, Coming]
) -> list[DealtPiece]:
    """
    A piece for each change, in the order in which they were given.

    wanted : most urgent first. stock : part -> site -> pieces. coming : of parts, where known.
    """
    left = {part: dict(at) for part, at in stock.items()}
    ordered = {part: sorted(found.ordered, key=lambda on: on or date.max) for part, found in coming.items()}
    at_own = {n for n, one in enumerate(wanted) if one.site is not None and _take(left, one.part, one.site)}
    brought: Counter[tuple[date, str | None, str, str]] = Counter()
    dealt = []
    for n, one in enumerate(wanted):
        if n in at_own:
            dealt.append(DealtPiece(wanted=one, where="own_site", from_site=one.site))
        elif (site := _site_to_bring_from(left.get(one.part, {}), one, brought)) is not None:
            _take(left, one.part, site)
            brought[one.day, one.site, one.part, site] += 1
            dealt.append(DealtPiece(wanted=one, where="other_site", from_site=site))
        elif ordered.get(one.part):
            dealt.append(DealtPiece(wanted=one, where="on_order", comes_on=ordered[one.part].pop(0)))
        else:
            comes_on = coming.get(one.part, NONE_COMING).if_ordered_now
            is_kept = one.part in stock
            dealt.append(DealtPiece(wanted=one, where="not_ordered", comes_on=comes_on, is_kept=is_kept))
    return dealt


def carries_of(dealt: Sequence[DealtPiece]) -> list[Carry]:
    """What is brought from one site to another, by day, site, part and where it comes from."""
    found = Counter(
        (one.wanted.day, one.wanted.site, one.wanted.part, one.from_site)
        for one in dealt
        if one.where == "other_site" and one.wanted.site is not None and one.from_site is not None
    )
    return [
        Carry(day=day, site=site or "", part=part, pieces=pieces, from_site=from_site or "")
        for (day, site, part, from_site), pieces in sorted(found.items())
    ]


def _site_to_bring_from(
    at: Mapping[str, int], one: WantedPiece, brought: Mapping[tuple[date, str | None, str, str], int]
) -> str | None:
    """The site that is driven to anyway, else the one with most pieces; None: none is left anywhere."""
    having = [site for site in sorted(at) if at[site]]
    return max(
        having,
        key=lambda site: (brought.get((one.day, one.site, one.part, site), 0), at[site]),
        default=None,
    )


def _take(left: dict[str, dict[str, int]], part: str, site: str) -> bool:
    """Take a piece of a part from a site, if there is one."""
    there = left.get(part, {}).get(site, 0)
    if there:
        left[part][site] = there - 1
    return there > 0
