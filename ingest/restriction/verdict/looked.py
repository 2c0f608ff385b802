"""
What people saw on a housing's indicator or gauge, beside what the readings showed by then.

A look goes with the element that was in the housing before it: people look before they work. It waits while
the readings around it have not arrived.
Promises: pure; the same for looks in any order. Levels here are not corrected by any look.
Leaves to others: the factor that follows (`measure.calibration`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.lives import LifeEdge
from cleanside.ingest.restriction.elements.openings import Openings, WeighedStep
from cleanside.ingest.restriction.measure.calibration import (
    Calibration,
    Gauge,
    GaugeLook,
    Latching,
    Likelihood,
    MachineLooks,
    Pointer,
    Prior,
    calibrate,
    ln_of,
    looks_alone,
)
from cleanside.ingest.restriction.measure.met import peaks_pa
from cleanside.ingest.restriction.measure.steady import smoothed
from cleanside.ingest.restriction.measure.summary import HOUR_S, BoolArray, FloatArray, IntArray
from cleanside.ingest.restriction.measure.tuning import Tuning
from cleanside.ingest.restriction.verdict.gauge_doubt import DoubtedLook, is_doubtful, is_shown_again
from cleanside.ingest.restriction.verdict.housing_facts import HousingFacts
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours
from cleanside.ingest.restriction.verdict.statement import Statement, say
from cleanside.ingest.restriction.verdict.status import LEVEL_ROWS

LOOKS_SAID = 2  # the newest (chosen)
LEAST_MET = 0.01  # of the limit: nothing was met (chosen)
CLEARLY = 0.8  # then it is said which date is nearer (chosen)
LIKELY_WRONG = 0.5  # more likely than not (arithmetic): a person is asked which is wrong, look or readings


@dataclass(frozen=True, kw_only=True)
class SeenLook:
    """A look with what the readings showed of the same element by then. [Pa]"""

    look: GaugeLook
    life: int  # first row of the life
    level_pa: float  # the newest at full flow
    full_pa: float  # the highest at full flow
    met_pa: float  # the highest that the machine met, by its levels
    met_share: float  # see `Reference.met_share`
    highest_pa: float  # the highest reading
    would_s: float | None  # from when on an indicator would have latched, by the readings; None: not by then
    full_flow: bool  # the engine reached full flow about then
    doubted: bool = False  # asked about (`gauge_doubt`), and no second look shows the same: it moves nothing


class Looked(NamedTuple):
    """The looks of a housing and what follows from them."""

    seen: tuple[SeenLook, ...]
    prior: Prior
    calibration: Calibration
    wrong: tuple[float, ...]  # of each look: probability that it is
    limit_pa: float | None
    alone: float  # relative standard error of a level before any look
    by_met: float | None = None  # see `goes_by_met`

    @property
    def level_spread(self) -> float:
        """Relative standard error of a level now: what looks leave of what lasts, and what passes."""
        if not self.counted:
            return self.alone
        passes = self.alone**2 - self.prior.spread**2  # differs from day to day: no look tells of it
        return float(np.sqrt(passes + self.calibration.spread**2))

    @property
    def counted(self) -> int:
        """How many looks of this housing move its levels."""
        return sum(not one.doubted for one in self.seen)

    @property
    def counts(self) -> bool:
        """People saw something on this housing, or on others of its fleet, that moves its levels."""
        return self.counted > 0 or self.prior.machines > 0


def compare(
    looks: Sequence[GaugeLook],
    measured: MeasuredHours,
    level_pa: FloatArray,
    sound: BoolArray,
    edges: Sequence[LifeEdge],
    limit_pa: float | None,
    tuning: Tuning,
) -> list[SeenLook]:
    """
    Each look that goes with readings, in order of time.

    level_pa : of each row of the series. sound : rows with an element that are believed. Shape (n,).
    """
    rows = np.flatnonzero(sound & (level_pa > 0))
    if len(rows) == 0 or measured.reference.of_idle_only:
        return []
    beside = _Beside(measured, level_pa, rows, [edge.row for edge in edges], limit_pa, tuning)
    ordered = sorted(looks, key=lambda look: (look.at_s, look.name))
    found = [seen for look in ordered if (seen := beside.seen(look)) is not None]
    asked = [(one.life, _doubted(one)) for one in found if one.doubted]
    return [
        replace(one, doubted=False)
        if one.doubted and is_shown_again(_doubted(one), [other for life, other in asked if life == one.life])
        else one
        for one in found
    ]


def _doubted(one: SeenLook) -> DoubtedLook:
    return DoubtedLook(one.look.at_s, one.look.shown_pa or 0.0)


def looked_at(
    seen: Sequence[SeenLook], limit_pa: float | None, prior: Prior, alone: float, tuning: Tuning
) -> Looked:
    """
    What looks say of the level.

    limit_pa : None where it is not known, or in doubt. alone : as of `Looked`.
    """
    said, owners = likelihoods(seen, limit_pa)
    found = calibrate(said, prior, tuning)
    wrong = [0.0] * len(seen)
    for places, chance in zip(owners, found.wrong, strict=True):
        for place in places:
            wrong[place] = chance
    by_met = goes_by_met(seen, limit_pa, tuning)
    return Looked(tuple(seen), prior, found, tuple(wrong), limit_pa, alone, by_met)


def likelihoods(
    seen: Sequence[SeenLook], limit_pa: float | None
) -> tuple[list[Likelihood], list[tuple[int, ...]]]:
    """What each look says of the level, and which looks it comes from. seen : in order of time."""
    said: list[Likelihood] = []
    owners: list[tuple[int, ...]] = []
    for place, one in enumerate(seen):
        if one.look.latched is None and one.look.shown_pa and not one.doubted:
            shown_pa = one.look.shown_pa
            if one.look.own_indicator:
                said.append(Pointer(one.met_pa, shown_pa, one.met_share))
            else:
                said.append(Gauge(one.level_pa, shown_pa, one.full_flow))
            owners.append((place,))
    if limit_pa is None:
        return said, owners
    flags = [place for place, one in enumerate(seen) if one.look.latched is not None]
    for _, places in groupby(flags, key=lambda place: seen[place].life):
        mine = _telling(seen, list(places))
        not_yet_pa, latched_pa = (None if at is None else seen[at].met_pa for at in mine)
        said.append(Latching(not_yet_pa, latched_pa, limit_pa, seen[flags[0]].met_share))
        owners.append(tuple(place for place in mine if place is not None))
    return said, owners


def _telling(seen: Sequence[SeenLook], places: Sequence[int]) -> tuple[int | None, int | None]:
    """
    Of the looks of one life: the last before the indicator latched, and the first after.

    Later ones tell nothing: it stays latched, or a person reset it.
    """
    latched = next((place for place in places if seen[place].look.latched), None)
    before = [place for place in places if latched is None or place < latched]
    return (before[-1] if before else None), latched


def goes_by_met(seen: Sequence[SeenLook], limit_pa: float | None, tuning: Tuning) -> float | None:
    """
    How likely the indicator goes by what the machine meets, and not by the level at full flow; None: no look.

    Both are as likely before any look. seen : in order of time.
    """
    flags = [one for one in seen if one.look.latched is not None]
    if limit_pa is None or not flags:
        return None
    by_full = likelihoods([replace(one, met_pa=one.full_pa, met_share=1.0) for one in flags], limit_pa)[0]
    met = [replace(one, met_pa=max(one.highest_pa, LEAST_MET * limit_pa), met_share=1.0) for one in flags]
    by_met = likelihoods(met, limit_pa)[0]
    odds = ln_of(by_full, tuning) - ln_of(by_met, tuning)
    return float(1.0 / (1.0 + np.exp(odds)))


class _Beside:
    """The rows of a series that looks are compared with."""

    def __init__(
        self,
        measured: MeasuredHours,
        level_pa: FloatArray,
        rows: IntArray,
        edges: Sequence[int],
        limit_pa: float | None,
        tuning: Tuning,
    ) -> None:
        self._series, self._rows, self._level_pa = measured.series, rows, level_pa
        self._edges = np.array(sorted(edges), dtype=np.int64)
        self._limit_pa, self._tuning, self._reference = limit_pa, tuning, measured.reference
        self._is_flow = measured.reference.basis == "flow" and not measured.reference.by_speed
        self._peak_pa = peaks_pa(measured.table, measured.series.hour_s)

    def seen(self, look: GaugeLook) -> SeenLook | None:
        """None: no reading of an element shortly before it has arrived."""
        hour_s = self._series.hour_s
        ended = int(np.searchsorted(hour_s[self._rows] + HOUR_S, look.at_s, side="right"))
        if ended == 0 or look.at_s - hour_s[self._rows[ended - 1]] > self._tuning.look_near_h * HOUR_S:
            return None
        first, end = self._life(int(self._rows[ended - 1]))
        mine = self._rows[:ended]
        mine = mine[(mine >= first) & (mine < end)]
        if len(mine) == 0:
            return None
        level_pa = smoothed(self._level_pa[mine[-LEVEL_ROWS:]])
        full_pa = float(level_pa.max())
        shown_pa = look.shown_pa if look.latched is None else None
        hour_pa = float(self._series.restriction_pa[mine[-1]])
        peak_pa = np.nan_to_num(self._peak_pa[mine])
        met = np.flatnonzero(peak_pa >= (self._limit_pa or np.inf))
        return SeenLook(
            look=look,
            life=first,
            level_pa=float(level_pa[-1]),
            full_pa=full_pa,
            met_pa=full_pa / self._reference.raised,
            met_share=self._reference.met_share,
            highest_pa=max(float(peak_pa.max()), 0.0),
            would_s=float(hour_s[mine[met[0]]]) if len(met) else None,
            full_flow=self._is_flow and self._reached_full_flow(look.at_s),
            doubted=shown_pa is not None
            and is_doubtful(
                shown_pa, limit_pa=self._limit_pa, level_pa=hour_pa, as_limit_pa=look.as_limit_pa
            ),
        )

    def _life(self, row: int) -> tuple[int, int]:
        """First row of the element that was in the housing before a look, and the first that is another's."""
        before = self._edges[self._edges <= row - self._tuning.look_after_h]
        first = int(before[-1]) if len(before) else 0
        later = self._edges[self._edges > first]
        return first, int(later[0]) if len(later) else len(self._level_pa)

    def _reached_full_flow(self, at_s: float) -> bool:
        """In the hour of a look, or the one before."""
        near = np.abs(self._series.hour_s + HOUR_S / 2 - at_s) <= HOUR_S
        ratio = self._series.flow_ratio[near]
        return bool(np.any(ratio >= self._tuning.gauge_full_flow))


def times(openings: Openings, factor: float) -> Openings:
    """All levels times a factor; steps and chances stay."""
    if factor == 1.0:
        return openings
    return replace(
        openings,
        weighed=[_step_times(step, factor) for step in openings.weighed],
        falls=[
            replace(fall, before=fall.before * factor, after=fall.after * factor) for fall in openings.falls
        ],
        level_pa=openings.level_pa * factor,
        now_pa=None if openings.now_pa is None else openings.now_pa * factor,
        clean_pa=None if openings.clean_pa is None else openings.clean_pa * factor,
    )


def _step_times(step: WeighedStep, factor: float) -> WeighedStep:
    return replace(step, before_pa=step.before_pa * factor, after_pa=step.after_pa * factor)


def what_looks_say(measured: MeasuredHours, looked: Looked, facts: HousingFacts) -> MachineLooks | None:
    """What the looks at a housing teach its fleet; None: nothing."""
    return looks_alone(
        likelihoods(looked.seen, looked.limit_pa)[0],
        looked.prior.spread,
        facts.tuning,
        machine=facts.machine,
        kind=facts.kind,
        flow=measured.reference.flow_kind,
    )


# ---------------------------------------------------------------- what is said


def of_looks(looked: Looked) -> tuple[Statement, ...]:
    """That looks correct the level, and what the newest say beside the readings."""
    newest = list(zip(looked.seen, looked.wrong, strict=True))[-LOOKS_SAID:]
    calibrates = say(
        "looks_calibrate",
        factor=looked.calibration.factor,
        spread_percent=100.0 * looked.level_spread,
        looks=looked.counted,
        machines=looked.prior.machines,
    )
    return (
        *((calibrates,) if looked.counts else ()),
        *(of_look(one, wrong, looked.limit_pa) for one, wrong in newest),
        *_of_nearer(looked.by_met),
    )


def _of_nearer(by_met: float | None) -> tuple[Statement, ...]:
    """Which of the two dates people's looks at the indicator speak for; empty: neither clearly."""
    if by_met is None or 1.0 - CLEARLY < by_met < CLEARLY:
        return ()
    code = "indicator_by_met" if by_met >= CLEARLY else "indicator_by_full_flow"
    return (say(code, chance=max(by_met, 1.0 - by_met)),)


def of_look(one: SeenLook, wrong: float, limit_pa: float | None) -> Statement:
    """A look beside the readings; a question where they hardly go together."""
    is_question = one.doubted or wrong >= LIKELY_WRONG
    if one.look.latched is None:
        shown = {"shown_pa": one.look.shown_pa, "full_flow": one.full_flow, "is_question": is_question}
        shown |= {"waits": one.doubted}
        if one.look.own_indicator:
            return say("look_pointer", at_s=one.look.at_s, highest_pa=one.met_pa, **shown)
        return say("look_gauge", at_s=one.look.at_s, level_pa=one.level_pa, **shown)
    return say(
        "look_latched" if one.look.latched else "look_not_latched",
        at_s=one.look.at_s,
        would_s=one.would_s,
        highest_pa=one.highest_pa,
        limit_pa=limit_pa,
        is_question=is_question,
    )
