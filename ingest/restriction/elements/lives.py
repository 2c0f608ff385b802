"""
Element lives: from one change of the element to the next, counted in operating hours.

Promises: a person's entry decides unless the readings contradict it (`entries`); hours are operating hours,
never calendar time; each life has its own clean level, the machine's earlier ones and the kind's as prior.
Leaves to others: falls of the series (`changes`), hours that must not be believed (`suspect`), and the hours
left (`forecast`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from cleanside.ingest.restriction.elements.changes import (
    AFTER_ROWS,
    BEYOND_WET_FALL,
    SOON_ROWS,
    Change,
    find_changes,
    part_of_the_way,
)
from cleanside.ingest.restriction.elements.entries import (
    BEGINS_LIFE,
    WeighedEntry,
    denied_rows,
    without_denied,
)
from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.measure.summary import DAY_S, HOUR_S, BoolArray, FloatArray
from cleanside.ingest.restriction.measure.wrong_input import WrongInput

USUAL_CLEAN = 0.3  # of terminal, for an element in use when first seen (common practice: 0.2 to 0.5)
CLEAN_HOURS = 20  # the clean level is read from the first 20 operating hours of a life (chosen)
CLEAN_PULL_ROWS = 5.0  # the prior counts as that many of those hours: less than one shift of measurements
KIND_PULL_LIVES = 2.0  # the kind counts as that many lives of the machine's own
ENTRY_NEAR_ROWS = 100  # operating hours between what a person entered and what the data show
NEW_RANGE = (0.6, 1.3)  # of the usual clean level; a new element is between these (field: 0.7 to 1.1)
SLOWER = 2.0  # times the life before took over the same levels: a new element begins flat and takes longer
LIKELY_CLEAN_SHARE = 0.35  # of terminal; few are less clean when new (common practice: 0.2 to 0.5)
PLAIN_ROWS = AFTER_ROWS + SOON_ROWS  # with fewer rows after it, the row of a fall may still move
PLAINLY_LOADED = 0.7  # of terminal: from there an element is changed (chosen)
NO_ELEMENT_SHARE = 0.05  # of terminal: a tube off reads next to nothing; clean elements have 0.1 and more
SURE_ELEMENT_SHARE = 0.25  # of terminal: an element above it is not torn, however high the last one began
ENVELOPE_NEW = 0.35  # in place of the lower NEW_RANGE without a flow proxy: the work moves that level too
SPEED_FALL = 0.28  # of the level before; with engine speed alone a light week makes less (chosen)
ENVELOPE_FALL, ENVELOPE_LOADED = 0.3, 0.3  # of the level before; of terminal (both chosen)
END_ROWS = 5  # the level at the end of a life is their median
PACE_SPAN = 0.5  # of the fall: over that part of the way up the paces are compared


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


@dataclass(frozen=True)
class LifeEdge:
    """Where one life ends and the next begins."""

    row: int  # first row of the new life, in the series
    at_s: float  # [s since 1970-01-01 UTC]
    entered: bool  # by a person; else found in the data
    sure: str  # "high", "medium" or "low"; "high" where entered
    likely: str  # "change" or "cleaned"


@dataclass(frozen=True, kw_only=True)
class LifeSpan:
    """One life, as people read of it. Instants in seconds since 1970-01-01 UTC."""

    start_s: float
    end_s: float | None  # None: still running
    began: str  # "first seen", "change" or "cleaned"
    began_by: str  # "entered", "found", or "" where it was in use when first seen
    ended: str  # "running", "at terminal" or "before terminal"
    sure: str  # of its beginning: "high", "medium" or "low"
    hours: float  # operating hours that were seen, fit to judge by or not
    level_before_pa: float | None  # of the element before, at its end
    level_start_pa: float | None  # over its first operating hours
    level_end_pa: float | None  # its newest


def is_envelope(series: HourlyRestriction) -> bool:
    """No flow proxy: the upper envelope of each hour stands for full flow."""
    return bool(np.all(np.isnan(series.flow_ratio)))


def find_falls(series: HourlyRestriction, believed: BoolArray) -> list[Change]:
    """`find_changes` of the rows that are fit to judge by; their rows count these alone."""
    place = np.flatnonzero(believed)
    unseen = np.diff(place, prepend=-1) - 1
    return find_changes(series.restriction_pa[place], unseen=unseen, by_work=is_envelope(series))


def find_edges(
    series: HourlyRestriction,
    believed: BoolArray,
    falls: Sequence[Change],
    *,
    entered: Sequence[WeighedEntry] = (),
    terminal_pa: float | None,
    usual_clean_pa: float | None,
    by_speed: bool = False,
) -> list[LifeEdge]:
    """
    The changes of the element, entered and found, in time order.

    believed : rows that are fit to judge by, shape (n,). falls : found in these (`find_falls`).
    entered : what people entered, as weighed; an entry that the readings contradict begins no life.
    usual_clean_pa : clean level to expect, from the kind; None = not known, then the level of the machine's
    first life counts. A fall below the lowest level of any element is no change; nor is a fall near an entry.
    by_speed : engine speed alone stands for the flow. Then, and without a flow proxy, only a fall that light
        work does not make counts.
    """
    edges = [
        LifeEdge(w.row, w.used_s, True, "high", BEGINS_LIFE[w.entry.what])
        for w in entered
        if w.used_s is not None and w.begins_life
    ]
    edge_rows = np.array([edge.row for edge in edges], dtype=np.int64)
    place = np.flatnonzero(believed)
    level = series.restriction_pa[place]
    envelope = is_envelope(series)
    changes = without_denied(falls, place, denied_rows(entered))
    own_pa: float | None = None  # clean level of the life that a fall would end
    for number, change in enumerate(changes):
        row = int(place[change.row])
        if np.any(np.abs(edge_rows - row) <= ENTRY_NEAR_ROWS):
            own_pa = change.after
            continue
        if envelope and not beyond_light_work(change, terminal_pa):
            continue
        if by_speed and change.after > (1.0 - SPEED_FALL) * change.before:
            continue
        if not envelope and is_plainly_new(change, terminal_pa, rows_after=len(level) - change.row):
            change = replace(change, sure="high")
        others = [*changes[:number], *changes[number + 1 :]]
        clean = _clean_range(others, own_pa, change, terminal_pa, usual_clean_pa)
        least = ENVELOPE_NEW if envelope else NEW_RANGE[0]
        if not _is_element(change, clean, terminal_pa, least=least):
            continue
        following = changes[number + 1].row if number + 1 < len(changes) else len(level)
        likely = _cleaned_or_changed(level[:following], change, clean)
        edges.append(LifeEdge(row, float(series.hour_s[row]), False, change.sure, likely))
        own_pa = change.after if likely == "change" else None
    return sorted(edges, key=lambda edge: (edge.row, edge.at_s))


def _clean_range(
    others: Sequence[Change],
    own_pa: float | None,
    change: Change,
    terminal_pa: float | None,
    usual_clean_pa: float | None,
) -> tuple[float, float] | None:
    """
    Between which levels a clean element is to be expected after a fall; None: nothing is known. [Pa]

    From the levels after the machine's other falls, earlier and later, and from its kind. A single other
    fall may have been a cleaning, so the lower bound is then never above the usual level. A fall from a
    clean level is compared with that level.
    """
    floor_pa = 0.0 if terminal_pa is None else NO_ELEMENT_SHARE * terminal_pa
    sure = [c for c in others if c.sure == "high" and c.after >= floor_pa]
    levels = sorted(c.after for c in sure if c.likely == "change") or sorted(c.after for c in sure)
    alone = len(levels) < 2
    if usual_clean_pa is not None:
        levels = sorted([*levels, usual_clean_pa])
    if not levels:
        return None
    low, high = levels[(len(levels) - 1) // 2], levels[len(levels) // 2]
    if alone and terminal_pa is not None:
        low = min(low, max(USUAL_CLEAN * terminal_pa, usual_clean_pa or 0.0))
    if own_pa is not None and change.before < NEW_RANGE[1] * own_pa:
        low = max(low, own_pa)
    return low, high


def beyond_light_work(change: Change, terminal_pa: float | None) -> bool:
    """An envelope also falls with a week of light work: it must come from a loaded element, and come far."""
    loaded = terminal_pa is None or change.before >= ENVELOPE_LOADED * terminal_pa
    return loaded and change.after <= (1.0 - ENVELOPE_FALL) * change.before


def is_plainly_new(change: Change, terminal_pa: float | None, *, rows_after: int) -> bool:
    """
    A loaded element gave way to one as clean as new ones are: sure before it has lasted for long.

    rows_after : operating hours since the fall.
    Not where the level crept back since. Without a terminal value no level is known to be loaded.
    """
    if terminal_pa is None or change.sure == "low" or rows_after < PLAIN_ROWS:
        return False
    low_pa, high_pa = SURE_ELEMENT_SHARE * terminal_pa, NEW_RANGE[1] * LIKELY_CLEAN_SHARE * terminal_pa
    deep = change.after <= (1.0 - BEYOND_WET_FALL) * change.before
    return deep and change.before >= PLAINLY_LOADED * terminal_pa and low_pa <= change.after <= high_pa


def _is_element(
    change: Change, clean: tuple[float, float] | None, terminal_pa: float | None, *, least: float
) -> bool:
    """
    The level after the fall is possible for an element, and the fall is sure or ends at the expected level.
    """
    if clean is not None:
        small = terminal_pa is None or change.after < SURE_ELEMENT_SHARE * terminal_pa
        if small and change.after < least * clean[0]:
            return False
        if change.sure == "medium":
            return change.after <= NEW_RANGE[1] * clean[1]
    elif terminal_pa is not None and change.after < NO_ELEMENT_SHARE * terminal_pa:
        return False
    return change.sure == "high"


def _cleaned_or_changed(level: FloatArray, change: Change, clean: tuple[float, float] | None) -> str:
    """
    A fall part of the way is a cleaned element unless the level rises far more slowly after than before.

    As long as too little of the rise is seen, the part of the way alone decides.
    """
    if clean is None or not part_of_the_way(change, clean[1]):
        return "change"
    low = change.after
    high = low + PACE_SPAN * (change.before - change.after)
    lows = np.flatnonzero(level[: change.row] <= low)
    before = None if len(lows) == 0 else _rows_up(level[lows[-1] : change.row], low, high)
    after = _rows_up(level[change.row :], low, high)
    return "cleaned" if before is None or after is None or after < SLOWER * before else "change"


def _rows_up(level: FloatArray, low: float, high: float) -> int | None:
    """Rows from the last at or below `low` to the first at or above `high` after it; None: not seen."""
    highs = np.flatnonzero(level >= high)
    if len(highs) == 0:
        return None
    lows = np.flatnonzero(level[: highs[0]] <= low)
    return int(highs[0] - lows[-1]) if len(lows) else int(highs[0])


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
    hour_h, n = operating_hours(series), len(series.hour_s)
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
            complete=bool(len(level) and middle(level[-3:]) >= terminal_pa),
            machine=machine,
            kind=kind,
            from_new=begun is not None and begun.likely == "change" and begun.at_s >= from_s,
        )
        lives.append((begun, life))
    return lives


def operating_hours(series: HourlyRestriction) -> FloatArray:
    """
    Operating hours of each row, shape (n,). [h]

    Where nearly every row comes from a single reading (an hourly series), the reading does not show how long
    the engine ran; each row then counts as one hour.
    """
    if len(series.operating_s) and np.mean(series.operating_s <= 0) > 0.5:
        return np.ones(len(series.operating_s))
    return np.maximum(series.operating_s, 0.0) / HOUR_S


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


def tell_lives(series: HourlyRestriction, lives: Sequence[tuple[LifeEdge | None, Life]]) -> list[LifeSpan]:
    """Each life of `split_lives` as people read of it, the running one last; none where nothing was seen."""
    if len(series.hour_s) == 0:
        return []
    hour_h = operating_hours(series)
    spans: list[LifeSpan] = []
    for number, (edge, life) in enumerate(lives):
        following = lives[number + 1][0] if number + 1 < len(lives) else None
        seen = len(life.hours) > 0
        first, last = 0 if edge is None else edge.row, None if following is None else following.row
        spans.append(
            LifeSpan(
                start_s=edge.at_s if edge is not None else float(series.hour_s[0]),
                end_s=None if following is None else following.at_s,
                began="first seen" if edge is None else edge.likely,
                began_by="" if edge is None else "entered" if edge.entered else "found",
                ended="running" if following is None else _ending(life),
                sure="low" if edge is None else edge.sure,
                hours=float(np.sum(hour_h[first:last])),
                level_before_pa=spans[-1].level_end_pa if spans else None,
                level_start_pa=life.early_pa,
                level_end_pa=middle(life.restriction_pa[-END_ROWS:]) if seen else None,
            )
        )
    return spans


def _ending(life: Life) -> str:
    return "at terminal" if life.complete else "before terminal"
