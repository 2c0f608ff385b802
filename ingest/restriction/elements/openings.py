"""
What the series of a housing shows of its element: changes, cleanings, and hours without a sound element.

Promises: pure; a person's denial rules out a change near it, and an entry makes one likely.
Leaves to others: the likelihoods (`explain`), lives (`lives`), sentences (`verdict`).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from cleanside.ingest.restriction.elements.changes import Change
from cleanside.ingest.restriction.elements.entries import BEGINS_LIFE, DENIED_ROWS, SHIFT_ROWS, Entry
from cleanside.ingest.restriction.elements.explain import (
    CLEANED,
    LOW,
    NEW,
    NOTHING_NEW,
    OFF,
    Explained,
    FollowedHistories,
    LevelStep,
    Premises,
    explain,
)
from cleanside.ingest.restriction.elements.noted_clean import NotedClean
from cleanside.ingest.restriction.elements.pieces import (
    FLOW,
    NOTHING,
    SPEED,
    LevelPiece,
    cut_pieces,
    floor_of,
    level_of,
)
from cleanside.ingest.restriction.measure.flow_response import FlowResponse
from cleanside.ingest.restriction.measure.ranks import quantile
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.measure.steady import latched
from cleanside.ingest.restriction.measure.summary import DAY_S, HOUR_S, BoolArray, FloatArray, IntArray
from cleanside.ingest.restriction.measure.tuning import TUNING, Tuning

LIKELY = 0.5  # more likely than not: it cuts the series (arithmetic)
BY = {"flow": FLOW, "speed": SPEED, "none": NOTHING}


@dataclass(frozen=True, kw_only=True)
class Expectation:
    """What is known of a clean element before any was seen. [Pa] None = not known."""

    terminal_pa: float | None
    kind_clean_pa: float | None  # by which the share used goes
    #: what the other machines of the fleet let expect, and its spread [ln]: by which changes are judged
    by_fleet: tuple[float, float] | None = None
    noted: NotedClean | None = None  # by a person, of a new element in this machine; None: nothing was


@dataclass(frozen=True, kw_only=True)
class WeighedStep:
    """A fall of the level with what most likely happened, and what else may have."""

    at_s: float  # start of its hour [s since 1970-01-01 UTC]
    before_pa: float
    after_pa: float
    likely: str  # one of `explain.HAPPENINGS`
    chance: float
    runner: str
    runner_chance: float


@dataclass(frozen=True)
class Openings:
    """What happened to the element, as far as the levels show."""

    steps: list[LevelStep]  # rows count those that are believed
    weighed: list[WeighedStep]  # those that a person is asked about: not sure, or an element at fault
    falls: list[Change]  # those that most likely are a new or a cleaned element
    level_pa: FloatArray  # of each row of the series; where the load is not known, the upper envelope
    low: BoolArray  # rows of the series without a sound element, as is likely
    doubted: BoolArray  # rows up to the newest in which there may be none, so likely that a person is warned
    warned: bool  # a person is warned that there is none now
    in_question: bool  # there may be none now: too unlikely for a warning, too likely to leave it unasked
    now_pa: float | None  # newest level; None: nothing was seen
    clean_pa: float | None  # what a clean element of the machine reads
    #: probability that what a person noted of a clean element holds; None: nothing was noted, or seen
    note_holds: float | None = None
    shift_spread: float = 0.0  # standard error of ln(level) over a shift; 0: nothing was seen


def find_openings(
    series: HourlyRestriction,
    believed: BoolArray,
    entries: Sequence[Entry],
    expected: Expectation,
    *,
    flow: str,
    full_flow_known: bool = True,
    response: FlowResponse | None = None,
    tuning: Tuning,
    followed: FollowedHistories | None = None,
) -> Openings:
    """
    Explain the steps of a series.

    believed : rows fit to judge by, shape (n,). flow : a key of BY.
    full_flow_known : where a flow is measured, full flow was entered or follows from the load.
    response : in rows that are believed; None = not known. followed : as of `explain`.
    """
    place = np.flatnonzero(believed)
    low = np.zeros(len(believed), dtype=bool)
    level, hour_s = series.restriction_pa[place], series.hour_s[place]
    if len(place) == 0 or (expected.terminal_pa is None and not np.any(level > 0)):
        return Openings([], [], [], series.restriction_pa, low, low.copy(), False, False, None, None)
    cut = cut_pieces(
        level,
        hours=series.operating_h[place],
        missed_h=_missed_h(series, place, tuning),
        stopped=_stopped(series, place, tuning),
        stood_h=_stood_h(series, place),
        at_rows=_entry_rows(entries, hour_s),
        by=BY[flow],
        tuning=tuning,
    )
    firsts = np.array([piece.first for piece in cut.pieces])
    entered = _entered(entries, hour_s, firsts, level)
    around = _premises(level, expected, BY[flow], entered, tuning, response)
    is_known = full_flow_known and BY[flow] == FLOW
    around = replace(around, inspected=_inspected(entries, hour_s), full_flow_known=is_known)
    found = explain(cut, around, tuning, followed)
    for piece, chance in zip(found.pieces, found.low, strict=True):
        low[place[piece.first : piece.end]] = chance >= LIKELY
    warned = _warned(found, BY[flow], tuning, full_flow_known=is_known)
    doubted = np.zeros(len(believed), dtype=bool)
    least = tuning.warn_ends if warned else tuning.warn[BY[flow]]
    for piece, chance in zip(reversed(found.pieces), reversed(found.low), strict=True):
        if chance < least:
            break
        doubted[place[piece.first : piece.end]] = True
    level_pa = series.restriction_pa.copy()
    level_pa[place] = level_of(
        level, [s.row for s in found.steps if s.chance(NOTHING_NEW) < LIKELY], BY[flow], tuning
    )
    return Openings(
        level_pa=level_pa,
        steps=found.steps,
        weighed=_asked(found, hour_s, entered, BY[flow], tuning),
        falls=_falls(found, BY[flow], tuning),
        low=low,
        doubted=doubted,
        warned=warned,
        in_question=not warned and found.low[-1] >= tuning.ask_low,
        now_pa=float(np.exp(found.pieces[-1].finish)),
        clean_pa=float(np.exp(found.clean)),
        note_holds=None if expected.noted is None else found.noted_holds,
        shift_spread=cut.spread / math.sqrt(2.0),  # a step between two shifts has the error of both
    )


def find_changes(
    level: FloatArray,
    *,
    unseen: IntArray | None = None,
    by_work: bool = False,
    limit: float | None = None,
    tuning: Tuning = TUNING,
) -> list[Change]:
    """
    Changes of the element in a series of consecutive operating hours.

    level : restriction at the reference flow, shape (n,), > 0, any unit.
    unseen : operating hours left out before each row, shape (n,); None = none.
    by_work : the level moves with the work too (no flow proxy). limit : in the unit of the series; None = not
    known.
    """
    if len(level) == 0:
        return []
    missed_h = np.zeros(len(level)) if unseen is None else unseen.astype(np.float64)
    by = NOTHING if by_work else FLOW
    ones = np.ones(len(level))
    stopped = np.ones(len(level), dtype=bool)
    cut = cut_pieces(level, hours=ones, missed_h=missed_h, stopped=stopped, at_rows=(), by=by, tuning=tuning)
    known = Expectation(terminal_pa=limit, kind_clean_pa=None)
    return _falls(explain(cut, _premises(level, known, by, {}, tuning), tuning), by, tuning)


def _asked(
    found: Explained, hour_s: FloatArray, entered: Mapping[int, str], by: int, tuning: Tuning
) -> list[WeighedStep]:
    """
    Falls that may be an opening and are not surely one, or after which the element may be torn.

    What may be a fault is asked at once, an opening once the new level has settled. Where a person entered an
    opening the entry is weighed, and a second question would ask the same. Where a fault is the likeliest a
    person is sent to the machine anyway.
    """
    asked = []
    for number, step in enumerate(found.steps):
        opened = tuning.ask[by] <= step.chance(NEW, CLEANED) < tuning.tell
        opened = opened and step.row not in entered and step.ranked[0][0] not in (LOW, OFF)
        opened = opened and _has_settled(found, number, tuning)
        if step.after >= step.before or _came_back(found, number, tuning):
            continue
        if opened or step.chance(LOW) >= tuning.ask_low:
            asked.append(_weighed(step, hour_s, opened=opened))
    return asked


def _weighed(step: LevelStep, hour_s: FloatArray, *, opened: bool) -> WeighedStep:
    """opened : the question is whether the housing was opened, so that this is one of the two named."""
    (likely, chance), *others = [*step.ranked, (NOTHING_NEW, 0.0)]
    openings = [other for other in others if other[0] in (NEW, CLEANED)]
    runner, runner_chance = openings[0] if opened and likely not in (NEW, CLEANED) else others[0]
    return WeighedStep(
        at_s=float(hour_s[step.row]),
        before_pa=float(np.exp(step.before)),
        after_pa=float(np.exp(step.after)),
        likely=likely,
        chance=chance,
        runner=runner,
        runner_chance=runner_chance,
    )


def _falls(found: Explained, by: int, tuning: Tuning) -> list[Change]:
    """Falls that most likely are changes: the sure ones at once, others once the new level has settled."""
    falls = []
    for number, step in enumerate(found.steps):
        new, cleaned, shown = step.chance(NEW), step.chance(CLEANED), _sound_after(found, number)
        if _came_back(found, number, tuning):
            continue
        is_sure = new + cleaned >= tuning.tell
        if is_sure or (new + cleaned >= tuning.begins[by] and _has_settled(found, number, tuning)):
            sure, likely = "high" if is_sure else "medium", "change" if new >= cleaned else "cleaned"
            before_pa, after_pa = float(np.exp(step.before)), float(np.exp(shown.start))
            falls.append(Change(step.row, before_pa, after_pa, sure, likely, shown.first - step.row))
    return falls


def _has_settled(found: Explained, number: int, tuning: Tuning) -> bool:
    """The level after a step stayed for a day of work, or an element fitted wet has had time to dry."""
    since_h = sum(piece.hours for piece in found.pieces[number + 1 :])
    return since_h >= tuning.settle_h or _sound_after(found, number).hours >= tuning.unsure_h


def _came_back(found: Explained, number: int, tuning: Tuning) -> bool:
    """
    After a fall the level was back within a day of work, as after an easy shift or readings at fault.

    No element loads as fast. A tube that was left off for a shift is no level to come back from.
    """
    step, shown, lasted_h = found.steps[number], _sound_after(found, number).start, 0.0
    low = shown if shown < step.before else step.after
    for piece in found.pieces[number + 1 :]:
        if lasted_h >= tuning.unsure_h:
            return False
        if low < step.before and piece.start > step.before - tuning.back_near * (step.before - low):
            return True
        lasted_h += piece.hours
    return False


def _warned(found: Explained, by: int, tuning: Tuning, *, full_flow_known: bool) -> bool:
    """
    The newest hours may have been worked without a sound element.

    A level that reads about what a clean element reads must most likely be at fault. Where it reads far less,
    what was likely enough once stays until it is unlikely: light work and a level that wanders mend nothing.
    Where full flow is not known, the first hours of a machine may be moves about the yard, by which full flow
    is learned too low: a person is asked then, and not warned. While no sound element was ever seen the work
    may always have been light: then too it must most likely be at fault.
    """
    low = np.array(found.low_then)
    never_sound = np.zeros(len(low), dtype=bool)
    if not full_flow_known:
        never_sound = ~np.logical_or.accumulate(low < tuning.warn[by])
        shows = np.cumsum([piece.hours for piece in found.pieces]) >= tuning.level_h
        low = np.where(shows, low, 0.0)
    above = np.exp(np.array([piece.finish for piece in found.pieces]) - found.clean)
    least = np.where((above > tuning.warn_near) | never_sound, max(tuning.warn[by], LIKELY), tuning.warn[by])
    return bool(latched(low >= least, low < np.where(above > tuning.warn_held, least, tuning.warn_ends))[-1])


def _sound_after(found: Explained, number: int) -> LevelPiece:
    """The hours after a step, once a tube that was left off then is on again."""
    later = zip(found.pieces[number + 1 :], found.low[number + 1 :], strict=True)
    return next((piece for piece, low in later if low < LIKELY), found.pieces[number + 1])


def _premises(
    level: FloatArray,
    expected: Expectation,
    by: int,
    entered: dict[int, str],
    tuning: Tuning,
    response: FlowResponse | None = None,
) -> Premises:
    limit = expected.terminal_pa
    if expected.by_fleet is not None:
        clean_pa, spread = expected.by_fleet
    elif limit is not None:
        clean_pa, spread = tuning.clean_share * limit, tuning.clean_spread
    else:
        clean_pa, spread = _lowest_usual(level, tuning), tuning.unknown_spread
    return Premises(
        limit=None if limit is None else float(np.log(limit)),
        clean=float(np.log(clean_pa)),
        clean_spread=spread,
        off=float(np.log(tuning.off_pa)) if limit is not None else float(np.log(tuning.off_share * clean_pa)),
        by=by,
        low_odds=1.0 if limit is not None else tuning.low_unknown,
        entered=entered,
        response=response,
        noted=expected.noted,
    )


def _lowest_usual(level: FloatArray, tuning: Tuning) -> float:
    """A low level among those seen, > 0; hours that read nothing count only where all do."""
    floor = floor_of(level)
    low = quantile(level, tuning.unknown_quantile)
    if low > 0:
        return low
    above = level[level > floor]
    return quantile(above, tuning.unknown_quantile) if len(above) else floor


def _missed_h(series: HourlyRestriction, place: IntArray, tuning: Tuning) -> FloatArray:
    """Operating hours before each believed row that are not among them, seen or not."""
    run_h = np.cumsum(series.operating_h)
    left_out = np.diff(run_h[place], prepend=0.0) - series.operating_h[place]
    idle_h = np.diff(series.hour_s[place], prepend=series.hour_s[place[0]]) / HOUR_S - tuning.idle_h
    return np.asarray(np.maximum(left_out, 0.0) + tuning.unseen_share * np.maximum(idle_h, 0.0))


def _stopped(series: HourlyRestriction, place: IntArray, tuning: Tuning) -> BoolArray:
    """The engine stood before each believed row, or in its hour or the one before."""
    apart = np.diff(series.hour_s[place], prepend=-np.inf) > HOUR_S
    short = series.operating_s[place] < tuning.whole_hour * HOUR_S
    return np.asarray(apart | short | np.concatenate(([False], short[:-1])))


def _stood_h(series: HourlyRestriction, place: IntArray) -> FloatArray:
    """Hours of the clock before each believed row in which there was no work."""
    hour_s = series.hour_s[place]
    return np.asarray(np.diff(hour_s, prepend=hour_s[:1] - HOUR_S) / HOUR_S - 1.0)


def _entry_rows(entries: Sequence[Entry], hour_s: FloatArray) -> list[int]:
    works = [entry for entry in entries if entry.what in BEGINS_LIFE]
    return [int(np.searchsorted(hour_s, entry.at_s)) for entry in works]


def _inspected(entries: Sequence[Entry], hour_s: FloatArray) -> frozenset[int]:
    """
    Rows before which a person looked at the element and put it back; as many as rows: after the newest.

    A look in the day before the first row says what stood there when the monitor was fitted.
    """
    from_s = float(hour_s[0]) - DAY_S
    looks = (e for e in entries if e.what == "inspected" and (e.confirmed or not e.by_code))
    return frozenset(int(np.searchsorted(hour_s, look.at_s)) for look in looks if look.at_s >= from_s)


def _entered(
    entries: Sequence[Entry], hour_s: FloatArray, firsts: IntArray, level: FloatArray
) -> dict[int, str]:
    """First row of a piece -> what was entered near it: at its deepest fall within a shift."""
    found: dict[int, str] = {}
    if not entries:
        return found
    seen = np.maximum(level, floor_of(level))  # two hours that read nothing are no fall
    for entry in sorted(entries, key=lambda e: (e.at_s, e.what, e.name)):
        row = int(np.searchsorted(hour_s, entry.at_s))
        if entry.what == "nothing":
            found |= {first: "nothing" for first in firsts.tolist() if abs(first - row) <= DENIED_ROWS}
        elif entry.what in BEGINS_LIFE and not entry.by_code:
            near = [first for first in firsts[1:].tolist() if abs(first - row) <= SHIFT_ROWS]
            if row == 0:
                found[0] = NEW if entry.what == "new" else CLEANED
            elif near:
                deepest = min(
                    near, key=lambda first: float(seen[min(first + 1, len(seen) - 1)] / seen[first - 1])
                )
                found.setdefault(deepest, NEW if entry.what == "new" else CLEANED)
    return found
