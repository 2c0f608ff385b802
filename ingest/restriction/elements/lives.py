"""
Element lives: from one change of the element to the next, counted in operating hours.

Promises: a person's entry decides unless the readings contradict it (`entries`); hours are operating hours,
never calendar time; each life has its own clean level, the machine's earlier ones and the kind's as prior.
Leaves to others: falls of the series (`changes`), hours that must not be believed (`suspect`), and the hours
left (`forecast`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.changes import Change
from cleanside.ingest.restriction.elements.entries import (
    BEGINS_LIFE,
    SHIFT_ROWS,
    WeighedEntry,
    denied_rows,
    without_denied,
)
from cleanside.ingest.restriction.elements.given_back import (
    LINE_LOSS,
    Cleaned,
    LevelSeen,
    gave_back,
    level_at_end,
    level_at_start,
)
from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.measure.summary import DAY_S, BoolArray, FloatArray, IntArray
from cleanside.ingest.restriction.measure.wrong_input import WrongInput

USUAL_CLEAN = 0.3  # of terminal, for an element in use when first seen (common practice: 0.2 to 0.5)
#: the clean level is read from the first 20 operating hours of a life (chosen: two shifts, and hardly loaded)
CLEAN_HOURS = 20
#: the lower of two middles: what was fitted in the rain dries (chosen: as `Tuning`)
FIRST_HOURS = np.array([6.0, 24.0])
LATE_PART = 4  # the level at the end of what was seen is read from the last quarter: moisture passes (chosen)
CLEAN_PULL_ROWS = 5.0  # the prior counts as that many of those hours (chosen: less than one shift of them)
KIND_PULL_LIVES = 2.0  # the kind counts as that many lives of the machine's own (chosen: one is little)
#: operating hours between what a person entered and what the data show, unless the entry has a fall of its
#: own (chosen: elements of dusty work last hardly longer than that)
ENTRY_NEAR_ROWS = 100
COMPLETE_ROWS = 3  # last hours of a whole life, whose median is at the limit (chosen: one odd hour ends none)
END_ROWS = 5  # the level at the end of a life is their median (chosen: two odd hours move it little)


@dataclass(frozen=True, kw_only=True)
class Life:
    """
    One element, in time order.

    hours : operating hours since the element was new, shape (n,), not falling. [h]
    restriction_pa : at the reference flow, same shape. [Pa]
    terminal_pa : the limit that held. [Pa]
    complete : the last row is at or above terminal; else the life is censored or still open.
    machine, kind : labels, "" = unknown; lives with the same label count more.
    from_new : it was seen from a new element on; else it was in use before (or was cleaned), and its hours
        count from the first that was seen.
    """

    hours: FloatArray
    restriction_pa: FloatArray
    terminal_pa: float
    complete: bool
    machine: str = ""
    kind: str = ""
    from_new: bool = True

    def __post_init__(self) -> None:
        if len(self.hours) != len(self.restriction_pa):
            raise WrongInput("lengths_differ", hours=len(self.hours), restriction=len(self.restriction_pa))
        if not self.terminal_pa > 0:
            raise WrongInput("terminal_not_above_zero", terminal_pa=self.terminal_pa)

    @cached_property
    def early_rows(self) -> int:
        """How many rows the first operating hours have."""
        if len(self.hours) == 0:
            return 0
        return int(np.searchsorted(self.hours, self.hours[0] + CLEAN_HOURS, side="right"))

    @cached_property
    def early_pa(self) -> float | None:
        """Median of the first operating hours; None before there is one. [Pa]"""
        return middle(self.restriction_pa[: self.early_rows]) if self.early_rows else None

    @cached_property
    def first_pa(self) -> float | None:
        """Level of a new element as the judge of changes reads it; None before there is one. [Pa]"""
        if len(self.hours) == 0:
            return None
        ends = np.searchsorted(self.hours, self.hours[0] + FIRST_HOURS)
        return min(middle(self.restriction_pa[:end]) for end in ends)

    @cached_property
    def late_pa(self) -> float | None:
        """Median of the last quarter of the rows; None before there is one. [Pa]"""
        n = len(self.hours)
        return middle(self.restriction_pa[n - max(n // LATE_PART, 1) :]) if n else None


@dataclass(frozen=True)
class LifeEdge:
    """Where one life ends and the next begins."""

    row: int  # first row of the new life, in the series
    at_s: float  # [s since 1970-01-01 UTC]
    entered: bool  # by a person; else found in the data
    sure: str  # "high", "medium" or "low"; "high" where entered
    likely: str  # "change" or "cleaned"
    by_s: float | None = None  # later than at_s: it happened by then, while no reading was fit to judge by


class LifeClean(NamedTuple):
    """The clean level that goes for a life, and how well it is known."""

    pa: float | None  # None: not known
    spread: float | None  # standard error of its logarithm; None: its own first hours alone say it


@dataclass(frozen=True, kw_only=True)
class LifeSpan:
    """One life, as people read of it. Instants in seconds since 1970-01-01 UTC."""

    start_s: float
    start_by_s: (
        float | None
    )  # later: it began by then, while no reading was fit to judge by; None: at start_s
    end_s: float | None  # None: still running
    began: str  # "first seen", "change" or "cleaned"
    began_by: str  # "entered", "found", or "" where it was in use when first seen
    ended: str  # "running", "at terminal" or "before terminal"
    sure: str  # of its beginning: "high", "medium" or "low"
    hours: float  # operating hours that were seen, fit to judge by or not
    level_before_pa: float | None  # of the element before, at its end
    level_start_pa: float | None  # over its first operating hours
    level_end_pa: float | None  # its newest
    cleaned: Cleaned | None = None  # of one that began so


def find_edges(
    series: HourlyRestriction,
    believed: BoolArray,
    falls: Sequence[Change],
    *,
    entered: Sequence[WeighedEntry] = (),
    low: BoolArray | None = None,
) -> list[LifeEdge]:
    """
    The changes of the element, entered and found, in time order.

    believed : rows that are fit to judge by, shape (n,). falls : found in these.
    entered : what people entered, as weighed; an entry that the readings contradict begins no life. A fall
    near an entry that begins one is the same change: near any row at which it may have happened.
    low : rows without a sound element, shape (n,); None = none.
    """
    begins = [(w, w.used_s) for w in entered if w.used_s is not None and w.begins_life]
    edges = [LifeEdge(w.row, used_s, True, "high", BEGINS_LIFE[w.entry.what]) for w, used_s in begins]
    edge_rows = np.array([edge.row for edge in edges], dtype=np.int64)
    place = np.flatnonzero(believed)
    told = without_denied(falls, place, denied_rows(entered))
    spans = [(_first_in_doubt(place, fall.row), int(place[fall.row + fall.hidden])) for fall in told]
    fell = np.array([w.has_clear_fall for w, _ in begins], dtype=bool)
    is_same = _is_same(edge_rows, fell, spans, believed if low is None else believed & ~low)
    for change, (row, shown), same in zip(told, spans, is_same, strict=True):
        if not np.any(same):
            first_s, last_s = float(series.hour_s[row]), float(series.hour_s[shown])
            by_s = last_s if last_s > first_s else None
            edges.append(LifeEdge(row, first_s, False, change.sure, change.likely, by_s))
    return sorted(edges, key=lambda edge: (edge.row, edge.at_s))


def _is_same(
    edge_rows: IntArray, fell: BoolArray, spans: Sequence[tuple[int, int]], sound: BoolArray
) -> BoolArray:
    """
    Which fall is the change of which entry, shape (falls, entries): one near it that is not another one.

    An entry has a fall of its own where a change is beside it, or where the level fell clearly and an element
    was at work from then until the other. fell : by entry. sound : rows with an element, fit to judge by.
    """
    first, last = (np.array([span[end] for span in spans], dtype=np.int64)[:, None] for end in (0, 1))
    is_told = (edge_rows >= first - SHIFT_ROWS) & (edge_rows <= last + SHIFT_ROWS)
    worked = np.concatenate(([0], np.cumsum(sound)))
    between = np.minimum(np.abs(worked[first] - worked[edge_rows]), np.abs(worked[last] - worked[edge_rows]))
    has_own = is_told.any(axis=0) | (fell & (between > SHIFT_ROWS))
    near = np.where(has_own, SHIFT_ROWS, ENTRY_NEAR_ROWS)
    return np.asarray((edge_rows >= first - near) & (edge_rows <= last + near))


def _first_in_doubt(place: IntArray, number: int) -> int:
    """
    The row of the series from which a change counts that shows at a believed row.

    Hours in doubt before it began with work at the machine more often than they ended with it: a tap that was
    plugged, or a tube that was left off, when the element was changed.
    """
    return int(place[number - 1]) + 1 if number else int(place[0])


def split_lives(
    series: HourlyRestriction,
    *,
    edges: Sequence[LifeEdge],
    terminal_pa: float,
    machine: str = "",
    kind: str = "",
    believed: BoolArray | None = None,
) -> list[tuple[LifeEdge | None, Life]]:
    """
    Cut a series at its edges: each life with the edge it began at; None: in use when first seen.

    The last is the running one; other empty lives are left out. An element that was changed, by an entry,
    more than a day before the first reading was in use when first seen: its earlier hours are not known.
    believed : rows to keep, shape (n,); None = all. The operating hours of the others count all the same.
    """
    hour_h, n = series.operating_h, len(series.hour_s)
    keep = np.ones(n, dtype=bool) if believed is None else believed
    begins: dict[int, LifeEdge | None] = {0: None}
    for edge in sorted(edges, key=lambda edge: (edge.entered, edge.at_s)):  # an entry goes before a found one
        begins[edge.row] = edge
    rows = sorted(begins)
    lives: list[tuple[LifeEdge | None, Life]] = []
    from_s = float(series.hour_s[0]) - DAY_S if n else 0.0
    for first, last in zip(rows, [*rows[1:], n], strict=True):
        if first == last and first != rows[-1]:
            continue
        mine, begun = keep[first:last], begins[first]
        level = series.restriction_pa[first:last][mine]
        life = Life(
            hours=np.cumsum(hour_h[first:last])[mine],
            restriction_pa=level,
            terminal_pa=terminal_pa,
            complete=bool(len(level) and middle(level[-COMPLETE_ROWS:]) >= terminal_pa),
            machine=machine,
            kind=kind,
            from_new=begun is not None and begun.likely == "change" and begun.at_s >= from_s,
        )
        lives.append((begun, life))
    return lives


def usual_clean_pa(lives: Sequence[Life], kind_clean_pa: float | None) -> float | None:
    """
    The clean level to expect of the next element: of the machine's own lives seen from new, and its kind's.

    lives : of this machine, earlier ones. kind_clean_pa : of its kind; None = not known.
    Returns None where neither is known. [Pa]
    """
    own = [life.early_pa for life in lives if life.from_new and len(life.hours)]
    values = np.array([value for value in own if value is not None])
    if kind_clean_pa is None:
        return middle(values) if len(values) else None
    own_pa = middle(values) if len(values) else kind_clean_pa
    return (len(values) * own_pa + KIND_PULL_LIVES * kind_clean_pa) / (len(values) + KIND_PULL_LIVES)


def clean_level_pa(life: Life, usual_pa: float | None = None, *, whole: bool = True) -> float | None:
    """
    The clean level of a life; None before there is anything. [Pa]

    usual_pa : what was to be expected, see `usual_clean_pa`; it counts as CLEAN_PULL_ROWS hours.
    whole : the life was seen from a new element on. Else (in use when first seen, or cleaned) its first level
        is no clean one: the usual level counts if it is lower.
    """
    early = life.early_pa
    if early is None or usual_pa is None:
        return early
    if not whole:
        return min(early, usual_pa)
    rows = life.early_rows
    return (rows * early + CLEAN_PULL_ROWS * usual_pa) / (rows + CLEAN_PULL_ROWS)


def tell_lives(
    series: HourlyRestriction,
    lives: Sequence[tuple[LifeEdge | None, Life]],
    clean: Sequence[LifeClean] = (),
    shift_spread: float = 0.0,
) -> list[LifeSpan]:
    """
    Each life of `split_lives` as people read of it, the running one last; none where nothing was seen.

    clean : of each life; empty: nothing is said of what a cleaning gave back.
    shift_spread : standard error of the logarithm of a level over a shift.
    """
    if len(series.hour_s) == 0:
        return []
    hour_h = series.operating_h
    spans: list[LifeSpan] = []
    new: LevelSeen | None = None  # of the running element when it was new
    for number, (edge, life) in enumerate(lives):
        following = lives[number + 1][0] if number + 1 < len(lives) else None
        seen = len(life.hours) > 0
        first, last = 0 if edge is None else edge.row, None if following is None else following.row
        is_cleaned = bool(clean) and edge is not None and edge.likely == "cleaned"
        if clean and not is_cleaned:
            new = _as_new(life, clean[number], shift_spread)
        spans.append(
            LifeSpan(
                start_s=edge.at_s if edge is not None else float(series.hour_s[0]),
                start_by_s=None if edge is None else edge.by_s,
                end_s=None if following is None else following.at_s,
                began="first seen" if edge is None else edge.likely,
                began_by="" if edge is None else "entered" if edge.entered else "found",
                ended="running" if following is None else _ending(life),
                sure="low" if edge is None else edge.sure,
                hours=float(np.sum(hour_h[first:last])),
                level_before_pa=spans[-1].level_end_pa if spans else None,
                level_start_pa=life.early_pa,
                level_end_pa=middle(life.restriction_pa[-END_ROWS:]) if seen else None,
                cleaned=_cleaned(lives[number - 1][1] if number else None, life, new, shift_spread)
                if is_cleaned
                else None,
            )
        )
    return spans


def _as_new(life: Life, clean: LifeClean, shift_spread: float) -> LevelSeen | None:
    """What an element read when it was new; None: not known. life : its first."""
    if life.from_new and (first_pa := level_at_start(life.hours, life.restriction_pa)) is not None:
        return LevelSeen(pa=first_pa, error_pa=LINE_LOSS * shift_spread * first_pa)
    if clean.pa is None or clean.spread is None:
        return None
    return LevelSeen(pa=clean.pa, error_pa=clean.spread * clean.pa)


def _cleaned(before: Life | None, after: Life, new: LevelSeen | None, shift_spread: float) -> Cleaned:
    """What a cleaning gave back. new : of that element when it was new."""
    before_pa = None if before is None else level_at_end(before.hours, before.restriction_pa)
    after_pa = level_at_start(after.hours, after.restriction_pa)
    if before_pa is None or after_pa is None or new is None:
        return Cleaned(before_pa=before_pa, after_pa=after_pa, gave_back=None)
    share = LINE_LOSS * shift_spread
    found = gave_back(
        LevelSeen(pa=before_pa, error_pa=share * before_pa),
        LevelSeen(pa=after_pa, error_pa=share * after_pa),
        new,
    )
    return Cleaned(before_pa=before_pa, after_pa=after_pa, gave_back=found)


def _ending(life: Life) -> str:
    return "at terminal" if life.complete else "before terminal"
