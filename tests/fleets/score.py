"""
Scores what was said of a made fleet against the truth. Pure: the same observations give the same score.

What counts is defined here, once, for whatever program was watched:
- A change is found if it stands at the last look before the next one. The hours until then end at the first
  look of the unbroken row of looks that say so.
- A change told with a span, because no reading was fit to judge by, is found if one was made within it.
  As a false alarm it counts by its first instant, as was set before there were spans, and by its span beside.
- Changes that no reading shows are left out: less than `LEAST_SHARE` used before, a fault in the way, or too
  little record before or after.
- A fault is found if an accepted cause stands at the first look after `DAY_H` of its work were received. It
  is kept if the cause stands at every later look until the repair.
- A day late costs `LATE_COSTS` times a day early.
- A fall is deep if a new element takes the restriction at full flow to `DEEP` of its value or lower.
- An entry is judged at the first look `JUDGED_AFTER_S` after it was made, where no fault lasted meanwhile.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np

from tests.fleets.observing import FoundChange, Observation, Points
from tests.fleets.truth import (
    DAY_S,
    HIDING,
    HOUR_S,
    Cause,
    Change,
    Entry,
    EntryIs,
    Fault,
    Fleet,
    Life,
    Machine,
    Proxy,
    Work,
)

DAY_H = 10.0  # operating hours of a day's work
MATCH_S = 1.5 * DAY_S  # a change is the one that was made if it is dated within this of it
MATCH_H = 12.0  # or within a shift's operating hours of it
LEAST_SHARE = 30.0  # percent used; below it another element changes little that a planner would miss
LEAST_BEFORE_S = 3 * DAY_S
LEAST_AFTER_H = 30.0
HIGH_SHARE = 70.0
LEADS_DAYS = (14.0, 7.0, 3.0)
LEAD_WIDTH = 0.15  # of the lead, at least half a day either way
NEAR_DAYS = 14.0
COSTED_DAYS = 30.0  # farther ahead a date costs nothing
#: of the dry restriction at full flow, after a new element over before; chosen before the sides were scored
DEEP = 0.5
JUDGED_AFTER_S = 2 * DAY_S  # of an entry: by then a day's work with what was entered has mostly been received
LATE_COSTS = 3.0  # chosen: an engine that takes dust, or stops, costs more than an element given up early

WARNED = frozenset({"plan", "due", "over"})
IN_SERVICE = "serving"
CHECK_FIRST = "suspect"

#: what is wrong -> codes that send a person to the right place. A new code of the API belongs here.
ACCEPTED: dict[Cause, frozenset[str]] = {
    Cause.MISSING: frozenset({"below_clean", "missing"}),
    Cause.TORN: frozenset({"below_clean", "torn"}),
    Cause.TUBE_OFF: frozenset({"below_clean", "flat", "tube_off"}),
    Cause.PLUGGED_TAP: frozenset({"below_clean", "flat", "plugged_tap"}),
    Cause.ZERO_LARGE: frozenset({"zero_moved"}),
    Cause.ZERO_SMALL: frozenset({"zero_moved"}),
    Cause.SWAPPED: frozenset({"swapped", "monitors_swapped", "other_machine"}),
    Cause.PORTS_SWAPPED: frozenset({"below_clean", "zero_moved", "ambient", "ports_swapped"}),
    Cause.LIMIT_UNIT: frozenset({"terminal"}),
}
#: a fault of one of two monitors also shows as that
OF_TWO = "devices_disagree"


class EntryWas(StrEnum):
    """What an entry is to who reads it: of the late ones, half are dated by the day of the work."""

    RIGHT = "right"
    LATE = "late, rightly dated"
    DATED_LATE = "late, dated by the day of the entry"
    DOUBLED = "doubled"
    WRONG_MACHINE = "wrong-machine"


@dataclass(frozen=True, kw_only=True)
class NewElement:
    """Another element without an entry: was it found, and after how many operating hours."""

    proxy: Proxy
    is_found: bool
    is_asked: bool
    hours: float
    is_deep: bool


@dataclass(frozen=True, kw_only=True)
class FoundCause:
    """A fault that the readings can show."""

    label: str
    in_time: bool
    is_kept: bool
    ever: bool


@dataclass(frozen=True, kw_only=True)
class Dated:
    """A date on one evening: true days left and the three points of those predicted; inf: no date."""

    full_days: float
    latch_days: float
    points: tuple[float, float, float]
    #: of the date of the indicator; None: none is said of its own
    latch_points: tuple[float, float, float] | None = None


@dataclass(kw_only=True)
class MachineScore:
    """What adds up over machines."""

    proxy: Proxy
    years: float
    new: list[NewElement] = field(default_factory=list)
    #: of cleaned elements without an entry: found at all, found or asked about, found as a new one
    cleaned: list[tuple[bool, bool, bool]] = field(default_factory=list)
    false_changes: int = 0
    #: the same where a change told with a span counts as right if one was made within it
    false_changes_by_span: int = 0
    false_questions: int = 0
    false_suspicions: int = 0
    suspect_days: int = 0
    causes: list[FoundCause] = field(default_factory=list)
    share_errors: list[float] = field(default_factory=list)
    #: those of elements that went in within the record
    share_errors_seen_new: list[float] = field(default_factory=list)
    dated: list[Dated] = field(default_factory=list)
    #: one a day, True: shown as in service
    near: list[bool] = field(default_factory=list)
    near_full: list[bool] = field(default_factory=list)
    faulty: list[bool] = field(default_factory=list)
    faulty_not_swapped: list[bool] = field(default_factory=list)
    latched_day: list[bool] = field(default_factory=list)
    latched_week: list[bool] = field(default_factory=list)
    #: entries that the readings can judge: what each is, and whether it became a question
    entries: list[tuple[EntryWas, bool]] = field(default_factory=list)


@dataclass(frozen=True, kw_only=True)
class FalseAlarm:
    """What was said without a cause: a change that no person made, or a suspicion of a sound machine."""

    machine: Machine
    #: "change", "question" or "suspicion"
    what: str
    #: date of the change, or the first look of the unbroken row of looks at the suspicion
    at_s: float
    #: the looks that say so, in time order
    said: tuple[Observation, ...]


def false_alarms(fleet: Fleet, said: Iterable[Observation]) -> list[FalseAlarm]:
    """All that `score_fleet` counts as false, machine by machine."""
    return [alarm for watched in _all_watched(fleet, said) for alarm in watched.false_alarms()]


def score_fleet(fleet: Fleet, said: Iterable[Observation]) -> list[MachineScore]:
    """The scores of all machines. Raises KeyError where a machine was never looked at."""
    years = fleet.machine_years / len(fleet.machines)
    return [watched.score(years) for watched in _all_watched(fleet, said)]


def _all_watched(fleet: Fleet, said: Iterable[Observation]) -> list[Watched]:
    by_machine: dict[str, list[Observation]] = {machine.name: [] for machine in fleet.machines}
    for one in said:
        by_machine[one.machine].append(one)
    return [Watched(machine, by_machine[machine.name], fleet) for machine in fleet.machines]


class Watched:
    """One machine beside what was said of it."""

    def __init__(self, machine: Machine, said: Sequence[Observation], fleet: Fleet) -> None:
        self.machine = machine
        self.said = sorted(said, key=lambda one: one.at_s)
        self.fleet = fleet
        evenings = machine.evenings
        self.rows = [int(np.searchsorted(evenings.at_s, one.at_s)) for one in self.said]
        self.seen_h = evenings.seen_h[self.rows] if self.rows else np.zeros(0)

    def score(self, years: float) -> MachineScore:
        """All that is counted of it."""
        made = MachineScore(proxy=self.machine.proxy, years=years)
        made.new = [self._new(change) for change in self.countable(Work.NEW)]
        made.cleaned = [self._cleaned(change) for change in self.countable(Work.CLEANED)]
        made.false_changes = len(self._false_changes(asked=False, by_span=False))
        made.false_changes_by_span = len(self._false_changes(asked=False))
        made.false_questions = len(self._false_changes(asked=True))
        suspected = self.false_suspicions()
        made.suspect_days, made.false_suspicions = sum(map(len, suspected)), len(suspected)
        made.causes = [
            found for fault in self.machine.faults if (found := self.found_cause(fault)) is not None
        ]
        self._levels(made)
        for life in self.machine.lives:
            self._latched(life, made)
        self._entries(made)
        return made

    # ------------------------------------------------------------ changes

    def countable(self, work: Work) -> list[Change]:
        """The changes of a kind without an entry that the readings can show."""
        return [c for c in self.machine.changes if c.work is work and not c.is_entered and self._shows(c)]

    def _shows(self, change: Change) -> bool:
        machine, end = self.machine, self.machine.evenings
        hours = machine.hours_at(change.at_s)
        is_hidden = any(
            f.cause in HIDING and f.begin_s <= change.at_s + MATCH_S and f.repaired_s >= change.at_s - HOUR_S
            for f in machine.faults
        )
        return (
            change.share_before >= LEAST_SHARE
            and not is_hidden
            and change.at_s > self.fleet.start_s + LEAST_BEFORE_S
            and end.seen_h[-1] - hours >= LEAST_AFTER_H
        )

    def looks_at(self, change: Change) -> list[tuple[int, list[FoundChange]]]:
        """The looks between a change and the next one, and what of the change each says."""
        later_s = (c.at_s for c in self.machine.changes if c.at_s > change.at_s and c.work in ELEMENTS)
        until_s = min(later_s, default=np.inf)
        return [
            (i, [found for found in one.found if self.is_near(found, change.at_s)])
            for i, one in enumerate(self.said)
            if change.at_s <= one.at_s < until_s
        ]

    def is_near(self, found: FoundChange, true_s: float) -> bool:
        """A change that was found is the one made at an instant."""
        hours = self.machine.hours_at
        at_s = min(max(true_s, found.at_s), found.at_s if found.by_s is None else found.by_s)
        return abs(at_s - true_s) <= MATCH_S or abs(hours(at_s) - hours(true_s)) <= MATCH_H

    def _new(self, change: Change) -> NewElement:
        looks = self.looks_at(change)
        is_told = [any(found.kind != "asked" for found in those) for _, those in looks]
        first = len(is_told)
        while first and is_told[first - 1]:
            first -= 1
        is_found = first < len(is_told)
        hours = self.seen_h[looks[first][0]] - self.machine.hours_at(change.at_s) if is_found else np.nan
        is_asked = any(found.kind == "asked" for _, those in looks[-1:] for found in those)
        return NewElement(
            proxy=self.machine.proxy,
            is_found=is_found,
            is_asked=is_asked,
            hours=max(float(hours), 0.0),
            is_deep=change.after_pa <= DEEP * change.before_pa,
        )

    def _cleaned(self, change: Change) -> tuple[bool, bool, bool]:
        kinds = {found.kind for _, those in self.looks_at(change)[-1:] for found in those}
        return bool(kinds - {"asked"}), bool(kinds), "new" in kinds

    def _false_changes(self, *, asked: bool, by_span: bool = True) -> list[float]:
        """Dates of changes that some look saw and no person made; those within `MATCH_S` count as one."""
        true_s = [c.at_s for c in self.machine.changes if c.work in ELEMENTS]
        told = {f for one in self.said for f in one.found if (f.kind == "asked") == asked}
        if not by_span:
            told = {replace(f, by_s=None) for f in told}
        wrong = sorted({f.at_s for f in told if not any(self.is_near(f, t) for t in true_s)})
        return [at_s for i, at_s in enumerate(wrong) if i == 0 or at_s - wrong[i - 1] > MATCH_S]

    def false_alarms(self) -> Iterator[FalseAlarm]:
        """Changes, questions and suspicions without a cause."""
        for what, asked in (("change", False), ("question", True)):
            for at_s in self._false_changes(asked=asked, by_span=False):
                said = tuple(one for one in self.said if _is_said(one, at_s, asked=asked))
                yield FalseAlarm(machine=self.machine, what=what, at_s=at_s, said=said)
        for looks in self.false_suspicions():
            said = tuple(self.said[i] for i in looks)
            yield FalseAlarm(machine=self.machine, what="suspicion", at_s=said[0].at_s, said=said)

    # ------------------------------------------------------------ faults

    def false_suspicions(self) -> list[list[int]]:
        """Unbroken rows of looks at which something is said to be wrong, and nothing is or lately was."""
        runs: list[list[int]] = []
        was_false = False
        for i, one in enumerate(self.said):
            is_said = one.state == CHECK_FIRST or bool(one.causes)
            is_false = is_said and not any(self.lingers(fault, i) for fault in self.machine.faults)
            if is_false:
                runs += [] if was_false else [[]]
                runs[-1].append(i)
            was_false = is_false
        return runs

    def lingers(self, fault: Fault, look: int) -> bool:
        """True while a fault lasts, and until a day's work after its repair was received."""
        if self.said[look].at_s < fault.begin_s:
            return False
        if fault.repaired_s == np.inf or self.said[look].at_s < fault.repaired_s:
            return True
        return bool(self.seen_h[look] < self.machine.hours_at(fault.repaired_s) + DAY_H)

    def looks_during(self, fault: Fault) -> list[int]:
        """The looks at a fault, from a day's work of it that was received until its repair."""
        begin_h = self.machine.hours_at(fault.begin_s)
        return [
            i
            for i, one in enumerate(self.said)
            if fault.begin_s <= one.at_s < fault.repaired_s and self.seen_h[i] >= begin_h + DAY_H
        ]

    def found_cause(self, fault: Fault) -> FoundCause | None:
        looks = self.looks_during(fault)
        if not looks or not fault.is_tellable:
            return None
        accepted = ACCEPTED[fault.cause] | ({OF_TWO} if len(self.machine.readings) > 1 else set())
        is_said = [bool(self.said[i].causes & accepted) for i in looks]
        early = [
            bool(one.causes & accepted) for one in self.said if fault.begin_s <= one.at_s < fault.repaired_s
        ]
        first = is_said.index(True) if True in is_said else len(is_said)
        return FoundCause(
            label=self._label(fault),
            in_time=is_said[0],
            is_kept=first < len(is_said) and all(is_said[first:]),
            ever=any(early),
        )

    def _label(self, fault: Fault) -> str:
        if fault.cause is not Cause.TUBE_OFF:
            return str(fault.cause)
        return (
            f"{fault.cause}, {'no flow measure' if self.machine.proxy is Proxy.NOTHING else 'flow measure'}"
        )

    # ------------------------------------------------------------ levels and dates

    def _levels(self, made: MachineScore) -> None:
        """Share used, dates and states, evening by evening."""
        evenings = self.machine.evenings
        for fault in (fault for fault in self.machine.faults if fault.is_tellable):
            shown = [self.said[i].state == IN_SERVICE for i in self.looks_during(fault)]
            made.faulty += shown
            made.faulty_not_swapped += shown if fault.cause is not Cause.SWAPPED else []
        for i, (one, row) in enumerate(zip(self.said, self.rows, strict=True)):
            left = float(evenings.latch_days_left[row])
            if np.isnan(left) or any(self.lingers(fault, i) for fault in self.machine.faults):
                continue
            if left <= NEAR_DAYS:
                made.near.append(one.state == IN_SERVICE)
            if evenings.days_left[row] <= NEAR_DAYS:
                made.near_full.append(one.state == IN_SERVICE)
            if evenings.worked_h[row] - evenings.seen_h[row] > DAY_H:
                continue
            share = float(evenings.share_percent[row])
            if share >= HIGH_SHARE and one.share_percent is not None:
                errors = [abs(one.share_percent - share)]
                made.share_errors += errors
                made.share_errors_seen_new += errors if one.at_s >= self.machine.lives[0].end_s else []
            made.dated.append(
                Dated(
                    full_days=float(evenings.days_left[row]),
                    latch_days=left,
                    points=_days_of(one.due_s, one.at_s),
                    latch_points=None if one.latch_s is None else _days_of(one.latch_s, one.at_s),
                )
            )

    def _latched(self, life: Life, made: MachineScore) -> None:
        """Was a person warned before the indicator latched."""
        last_s = self.machine.evenings.at_s[-1]
        if not life.is_sound or life.latch_s > min(life.end_s, last_s):
            return
        for ahead_s, warned in ((0.0, made.latched_day), (7 * DAY_S, made.latched_week)):
            looks = [i for i, one in enumerate(self.said) if one.at_s < life.latch_s - ahead_s]
            if looks and self.said[looks[-1]].at_s >= life.start_s + DAY_S:
                is_faulty = any(self.lingers(fault, looks[-1]) for fault in self.machine.faults)
                if not is_faulty:
                    warned.append(self.said[looks[-1]].state in WARNED)

    def _entries(self, made: MachineScore) -> None:
        """Entries at the machine that the readings can judge; one meant for another must be questioned."""
        for entry in self.machine.entries:
            later = [one for one in self.said if one.at_s >= entry.entered_s + JUDGED_AFTER_S]
            if not later or any(f.begin_s < entry.entered_s < f.repaired_s for f in self.machine.faults):
                continue
            made.entries.append((_was(entry), entry.entry_id in later[0].questioned))


def _was(entry: Entry) -> EntryWas:
    if entry.kind is EntryIs.LATE:
        return EntryWas.DATED_LATE if entry.changed_s == entry.entered_s else EntryWas.LATE
    return {
        EntryIs.RIGHT: EntryWas.RIGHT,
        EntryIs.DOUBLED: EntryWas.DOUBLED,
        EntryIs.WRONG_MACHINE: EntryWas.WRONG_MACHINE,
    }[entry.kind]


#: work after which another element, or none, is in the housing
ELEMENTS = frozenset({Work.NEW, Work.CLEANED, Work.TORN, Work.MISSING})


def _is_said(one: Observation, at_s: float, *, asked: bool) -> bool:
    """A look sees a change of that date, or of one that counts as the same."""
    return any((f.kind == "asked") == asked and 0 <= f.at_s - at_s <= MATCH_S for f in one.found)


def _days_of(points: Points | None, at_s: float) -> tuple[float, float, float]:
    """The points of a date in days from the look; inf without one."""
    if points is None:
        return (np.inf, np.inf, np.inf)
    early, middle, late = ((point_s - at_s) / DAY_S for point_s in points)
    return early, middle, late
