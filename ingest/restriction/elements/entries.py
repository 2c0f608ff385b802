"""
What people entered of an element, weighed against the readings around it.

An entry decides unless the readings contradict it. Then it is a question, and it changes no figure until a
person confirms it, corrects it or takes it back.
Strategy: the level before and after is the median of a few operating hours. An entry within a shift of a
clear fall counts from the fall. Two entries of the same work within a shift, by operating hours and by the
clock, are one. Where more time passed on the clock, a person says whether it was done twice.
Promises: pure; the order of the entries does not matter. Each entry comes with what the readings show, as a
code and values.
Leaves to others: falls without an entry (`changes`), sentences (`verdict.entry_words`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from cleanside.ingest.restriction.elements.changes import Change, part_of_the_way
from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.measure.summary import DAY_S, HOUR_S, BoolArray, FloatArray, IntArray
from cleanside.ingest.restriction.measure.wrong_input import WrongInput

#: what was done to the element; "nothing" denies a fall that was found
WORK = ("new", "cleaned", "inspected", "safety_element", "nothing")
BEGINS_LIFE = {"new": "change", "cleaned": "cleaned"}  # -> how the report calls the beginning of that life

LEVEL_ROWS = 6  # operating hours whose median is the level before, and after (chosen: most of a shift)
LEAST_ROWS = 3  # of them in which a clear fall has to show (chosen: half of them),
ENOUGH_ROWS = 4  # and before the analysis says that there was no fall (chosen: one more than that)
SHIFT_ROWS = 12  # operating hours: a change is entered at the end of a shift, hardly later (common practice)
#: the same on the clock: two entries further apart are no slip of one shift (common practice)
SHIFT_S = 12 * HOUR_S
# A change so many operating hours after one that was found, with nothing to show for it, is most likely the
# same change with a wrong date: a question (chosen: the work of a week).
BESIDE_ROWS = 60
#: the same beside an earlier entry, by the clock: an element lasts longer, so the second most likely is the
#: first once more (chosen)
BESIDE_S = 14 * DAY_S
DENIED_ROWS = 24  # a fall is found again within as many hours as more readings come (chosen)
CLEAR_FALL = 0.15  # of the level before; hours of one element wander by less over a shift (chosen)
NO_FALL = 0.95  # of the level before: a new element that lies no lower asks for a second look (chosen)
CLEAN_ALREADY = 1.15  # of the clean level: a change at less hardly shows (chosen)
#: times the clean level: a new element that reads more is asked about (chosen: two spreads of clean elements)
HIGH_FOR_NEW = 1.3
#: of the clearest fall near an entry: a row with as much may be where it fell (chosen: medians smear a fall)
NEARLY_CLEAREST = 0.8
SAFELY_CLEAN_SHARE = 0.2  # of terminal; hardly an element is cleaner when new (common practice: 0.2 to 0.5)

#: codes of what the readings say; those in QUESTIONS change no figure until they are settled
FITS, FITS_AT_FALL, TOO_LOW, PART_OF_THE_WAY = "fits", "fits_at_fall", "too_low", "part_of_the_way"
NOT_SEEN_YET, NO_LEVEL_BEFORE, CLEAN_BEFORE = "not_seen_yet", "no_level_before", "clean_before"
#: no monitor sits there, so no reading will check it
NOT_WATCHED = "not_watched"
#: no reading confirms it, and none contradicts it
UNCHECKED = (NOT_SEEN_YET, NOT_WATCHED)
DID_NOT_FALL, BEFORE_FIRST_READING = "did_not_fall", "before_first_reading"
#: the same work was entered a few operating hours before or after, and longer ago on the clock
AGAIN = "again"
#: the same work was entered within the days before, and a second does not show
ENTERED_BEFORE = "entered_before"
DOUBLE, NOTED, DENIED = "double", "noted", "denied"
QUESTIONS = (DID_NOT_FALL, BEFORE_FIRST_READING, AGAIN, ENTERED_BEFORE)


@dataclass(frozen=True, kw_only=True)
class Entry:
    """What a person entered. Instants in seconds since 1970-01-01 UTC. Raises WrongInput: unknown `what`."""

    at_s: float  # of the work
    what: str = "new"  # one of WORK
    confirmed: bool = False  # a person confirmed it, against the readings
    by_code: bool = False  # made at the machine by the code on a label: it waits for a person or a clear fall
    name: str = ""  # the id that the client of the entry made
    known_s: float | None = None  # since when it stands as it does: made, or confirmed; None: not known

    def __post_init__(self) -> None:
        if self.what not in WORK:
            raise WrongInput("work_unknown", what=self.what, known=", ".join(WORK))


@dataclass(frozen=True, kw_only=True)
class WeighedEntry:
    """An entry with what the readings say of it. Levels at the reference flow. None = not seen."""

    entry: Entry
    verdict: str  # one of the codes above
    used_s: float | None = None  # from when it counts; None: it changes no figure
    row: int = 0  # first row of the life that it begins, in the series
    before_pa: float | None = None
    after_pa: float | None = None
    clean_pa: float | None = None  # what a clean element was expected to read
    least_pa: float | None = None  # of one that read too little: the lowest level that an element can have
    fall_s: float | None = None  # the nearest fall that was found; None: none
    hours_missing: float = 0.0  # operating hours to be seen before it can be checked
    look_by_s: float | None = None  # by when these hours have likely passed; None: it is checked
    other_s: float | None = None  # of an entry that says the same work, or work close by; None: none does
    other_name: str | None = None  # the id of that entry
    is_unvouched: bool = False  # made by code, and no clear fall shows it

    @property
    def is_question(self) -> bool:
        """The readings contradict it, or nothing vouches for it, and no person has settled that."""
        return (self.verdict in QUESTIONS or self.is_unvouched) and not self.entry.confirmed

    @property
    def counts_by_itself(self) -> bool:
        """It is no question, and not the same work that another entry says already."""
        return not (self.is_question or self.verdict == DOUBLE)

    @property
    def has_clear_fall(self) -> bool:
        """The level fell where it was made, by more than it wanders."""
        if self.before_pa is None or self.after_pa is None:
            return False
        return self.after_pa <= (1.0 - CLEAR_FALL) * self.before_pa

    @property
    def begins_life(self) -> bool:
        """It cuts the series."""
        return self.used_s is not None and self.entry.what in BEGINS_LIFE


@dataclass(frozen=True, kw_only=True)
class Expected:
    """The clean level to expect before an entry is weighed. [Pa] None = not known."""

    kind_clean_pa: float | None
    terminal_pa: float | None
    low_share: float  # of the clean level: less is no element


def weigh_entries(
    entries: Sequence[Entry],
    series: HourlyRestriction,
    believed: BoolArray,
    falls: Sequence[Change],
    expected: Expected,
    *,
    unwatched_from_s: float | None = None,
) -> list[WeighedEntry]:
    """
    Each entry with what the readings say of it, in order of time.

    believed : rows that are fit to judge by, shape (n,). falls : `find_changes` of these rows.
    unwatched_from_s : from when on no monitor sits there; None = one does. [s since 1970 UTC]
    """
    place = np.flatnonzero(believed)
    denied = [int(np.searchsorted(series.hour_s, e.at_s)) for e in entries if e.what == "nothing"]
    around = _Around(series, place, without_denied(falls, place, denied), expected, unwatched_from_s)
    in_order = sorted(entries, key=lambda e: (e.at_s, not e.confirmed, e.name))
    return _without_doubles([around.weigh(entry) for entry in in_order], series.hour_s)


def denied_rows(weighed: Sequence[WeighedEntry]) -> list[int]:
    """Rows of the series at which a person denies a change."""
    return [w.row for w in weighed if w.entry.what == "nothing"]


def without_denied(falls: Sequence[Change], place: IntArray, denied: Sequence[int]) -> list[Change]:
    """Falls that no person denies. place : row in the series of each row that is believed."""
    if not denied:
        return list(falls)
    rows = np.array(denied, dtype=np.int64)
    return [fall for fall in falls if not np.any(np.abs(rows - place[fall.row]) <= DENIED_ROWS)]


def _without_doubles(weighed: Sequence[WeighedEntry], hour_s: FloatArray) -> list[WeighedEntry]:
    """
    Of entries of the same work within a shift the one that fits best counts, else the first.

    One that is further off on the clock is asked about: it may be a second change. hour_s : of the series.
    """
    kept: list[WeighedEntry] = []
    ranked = sorted(weighed, key=lambda w: (w.is_question, w.verdict != FITS, w.entry.at_s, w.entry.name))
    for one in ranked:
        same = [k for k in kept if k.entry.what == one.entry.what and k.verdict != DOUBLE]
        near = [k for k in same if abs(k.row - one.row) <= SHIFT_ROWS]
        if one.entry.what in BEGINS_LIFE and near:
            other = min((k.entry for k in near), key=lambda other: abs(other.at_s - one.entry.at_s))
            is_of_shift = abs(other.at_s - one.entry.at_s) <= SHIFT_S
            one = replace(one, other_s=other.at_s, other_name=other.name)
            if is_of_shift:
                one = replace(one, verdict=DOUBLE, used_s=None, is_unvouched=False)
            elif not one.is_question:
                one = _again(one, hour_s)
        kept.append(one)
    return sorted(kept, key=lambda w: (w.entry.at_s, w.entry.name))


def _beside(one: WeighedEntry, other: Entry) -> WeighedEntry:
    """Asked about, because the same work was entered before."""
    return replace(one, used_s=None, other_s=other.at_s, other_name=other.name)


def _again(one: WeighedEntry, hour_s: FloatArray) -> WeighedEntry:
    """Asked about; once a person confirms it, it counts from when it was made, not from the other's fall."""
    at_s, is_sure = one.entry.at_s, one.entry.confirmed
    row = int(np.searchsorted(hour_s, at_s)) if is_sure else one.row
    return replace(one, verdict=AGAIN, used_s=at_s if is_sure else None, row=row, is_unvouched=False)


class _Around:
    """The readings around entries."""

    def __init__(
        self,
        series: HourlyRestriction,
        place: IntArray,
        falls: list[Change],
        expected: Expected,
        unwatched_from_s: float | None,
    ) -> None:
        self._unwatched_from_s = np.inf if unwatched_from_s is None else unwatched_from_s
        self._hour_s = series.hour_s
        self._place = place
        self._level: FloatArray = series.restriction_pa[place]
        self._falls = falls
        self._expected = expected
        #: plausible entries of a new element: the row, counted in believed rows, and the level there
        self._looked_right: list[tuple[int, float]] = []
        self._weighed: list[WeighedEntry] = []

    def weigh(self, entry: Entry) -> WeighedEntry:
        """What the readings say of an entry. Ask in order of time."""
        found = self._weigh(entry)
        self._weighed.append(found)
        return found

    def _weigh(self, entry: Entry) -> WeighedEntry:
        row = int(np.searchsorted(self._hour_s, entry.at_s))
        mine = WeighedEntry(entry=entry, verdict=NOTED, row=row, fall_s=self._nearest_fall_s(entry.at_s))
        if entry.what == "nothing":
            return replace(mine, verdict=DENIED)
        if entry.what not in BEGINS_LIFE:
            return replace(mine, is_unvouched=entry.by_code)
        split = int(np.searchsorted(self._hour_s[self._place], entry.at_s))
        fall = self._clear_fall(split)
        if fall is not None:
            return self._at_fall(mine, split, fall)
        found = self._without_fall(mine, split)
        if entry.by_code and not entry.confirmed:
            return replace(found, used_s=None, is_unvouched=True)
        return found

    def _at_fall(self, mine: WeighedEntry, split: int, fall: int) -> WeighedEntry:
        before_pa, after_pa = self._levels(fall)
        mine = replace(mine, before_pa=before_pa, after_pa=after_pa, clean_pa=self._clean_pa(fall))
        if abs(fall - split) <= 1:  # the hour of the change holds some of both
            verdict, used_s, row = FITS, mine.entry.at_s, mine.row
        else:
            row = int(self._place[fall])
            verdict, used_s = FITS_AT_FALL, float(self._hour_s[row])
        found = replace(mine, verdict=self._of_new_level(mine) or verdict, used_s=used_s, row=row)
        if found.verdict == TOO_LOW:
            return replace(found, least_pa=self._least_pa(mine.clean_pa))
        if found.verdict == verdict and mine.entry.what == "new":
            self._looked_right.append((fall, after_pa))
        return found

    def _of_new_level(self, mine: WeighedEntry) -> str | None:
        """What about the level after a fall a person has to look at; None: it is plausible."""
        assert mine.before_pa is not None
        assert mine.after_pa is not None
        if mine.after_pa < self._least_pa(mine.clean_pa):
            return TOO_LOW
        if mine.entry.what == "new" and mine.clean_pa is not None:
            fall = Change(0, mine.before_pa, mine.after_pa, "high", "change")
            if part_of_the_way(fall, mine.clean_pa) and mine.after_pa > HIGH_FOR_NEW * mine.clean_pa:
                return PART_OF_THE_WAY
        return None

    def _without_fall(self, mine: WeighedEntry, split: int) -> WeighedEntry:
        """No clear fall is near."""
        used = replace(mine, used_s=mine.entry.at_s)
        if len(self._hour_s) and mine.entry.at_s < float(self._hour_s[0]) - DAY_S:
            return self._asked(mine, BEFORE_FIRST_READING)
        seen = len(self._level) - split
        if seen < ENOUGH_ROWS and mine.entry.at_s + ENOUGH_ROWS * HOUR_S > self._unwatched_from_s:
            return replace(used, verdict=NOT_WATCHED)
        if seen < ENOUGH_ROWS:
            return replace(used, verdict=NOT_SEEN_YET, hours_missing=float(ENOUGH_ROWS - seen))
        if split < LEAST_ROWS:
            after_pa = middle(self._level[split : split + LEVEL_ROWS])
            if mine.entry.what == "new" and not mine.entry.by_code:
                self._looked_right.append((split, after_pa))
            return replace(used, verdict=NO_LEVEL_BEFORE, after_pa=after_pa)
        before_pa, after_pa = self._levels(split)
        clean_pa = self._clean_pa(split)
        used = replace(used, before_pa=before_pa, after_pa=after_pa, clean_pa=clean_pa)
        if after_pa <= NO_FALL * before_pa or self._is_repair(split, used):
            return replace(used, verdict=FITS)
        if clean_pa is not None and before_pa <= CLEAN_ALREADY * clean_pa:
            if self._is_beside_a_change(split):
                return self._asked(replace(used, used_s=None), DID_NOT_FALL)
            if (other := self._entered_before(mine.entry)) is not None:
                return self._asked(_beside(used, other), ENTERED_BEFORE)
            return replace(used, verdict=CLEAN_BEFORE)
        return self._asked(replace(used, used_s=None), DID_NOT_FALL)

    def _is_repair(self, split: int, mine: WeighedEntry) -> bool:
        """The level rose to that of an element: before, it was torn or missing."""
        assert mine.before_pa is not None
        assert mine.after_pa is not None
        if mine.after_pa <= mine.before_pa:
            return False
        was_low = mine.before_pa < self._least_pa(mine.clean_pa)
        return was_low or any(c.after > c.before and abs(split - c.row) <= SHIFT_ROWS for c in self._falls)

    def _is_beside_a_change(self, split: int) -> bool:
        """A change that was found lies less than `BESIDE_ROWS` before."""
        return any(c.likely == "change" and 0 <= split - c.row <= BESIDE_ROWS for c in self._falls)

    def _entered_before(self, entry: Entry) -> Entry | None:
        """The same work that was entered in the days before, one that counts rather than a question."""
        same = [
            weighed
            for weighed in self._weighed
            if weighed.entry.what == entry.what and entry.at_s - weighed.entry.at_s <= BESIDE_S
        ]
        return max(same, key=lambda w: (not w.is_question, w.entry.at_s)).entry if same else None

    def _asked(self, mine: WeighedEntry, verdict: str) -> WeighedEntry:
        return replace(mine, verdict=verdict, used_s=mine.entry.at_s if mine.entry.confirmed else None)

    def _levels(self, split: int) -> tuple[float, float]:
        """Level before and after a row of those that are believed. [Pa]"""
        before = self._level[max(0, split - LEVEL_ROWS) : split]
        return middle(before), middle(self._level[split : split + LEVEL_ROWS])

    def _clear_fall(self, split: int) -> int | None:
        """Row of the clearest fall within a shift of `split`, among those believed; None: no clear one."""
        first = max(LEAST_ROWS, split - SHIFT_ROWS)
        rows = range(first, min(len(self._level) - LEAST_ROWS, split + SHIFT_ROWS) + 1)
        levels = [self._levels(row) for row in rows]
        falls = np.array([1.0 - after / max(before, 1e-300) for before, after in levels])
        if len(falls) == 0 or falls.max() < CLEAR_FALL:
            return None
        near = [row for row, fall in zip(rows, falls, strict=True) if fall >= NEARLY_CLEAREST * falls.max()]
        return min(near, key=lambda row: float(self._level[row] - self._level[row - 1]))

    def _clean_pa(self, split: int) -> float | None:
        """The clean level to expect, from the machine's earlier elements and its kind. [Pa]"""
        changes = [(c.row, c.after) for c in self._falls if c.likely == "change"]
        earlier = [pa for row, pa in (*changes, *self._looked_right) if row < split - SHIFT_ROWS]
        own = middle(np.array(earlier)) if earlier else None
        kind = self._expected.kind_clean_pa
        if own is None or kind is None:
            return own if kind is None else kind
        return (own + kind) / 2

    def _least_pa(self, clean_pa: float | None) -> float:
        """The lowest level that an element can have, as far as is known. [Pa]"""
        if clean_pa is None:
            clean_pa = SAFELY_CLEAN_SHARE * (self._expected.terminal_pa or 0.0)
        return self._expected.low_share * clean_pa

    def _nearest_fall_s(self, at_s: float) -> float | None:
        falls_s = [float(self._hour_s[self._place[change.row]]) for change in self._falls]
        return min(falls_s, key=lambda fall_s: abs(fall_s - at_s), default=None)
