"""
One call for everything a housing's page says: how loaded, which state, how long left, and why.

Two steps: `study_housing` looks at what was measured and does not know what time it is; `assess` says what
that means at an instant. So what was studied once serves until a summary, a limit, an entry or the fleet
snapshot changes, while dates and silence follow the clock.
Promises: pure; equal summaries, changes, fleet snapshot and `now_s` give equal results, whatever the order
in which readings arrived. Says with each figure what it rests on.
Leaves to others: storing, showing, and who may ask.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.lives import (
    Life,
    LifeEdge,
    LifeSpan,
    clean_level_pa,
    find_edges,
    operating_hours,
    split_lives,
    tell_lives,
    usual_clean_pa,
)
from cleanside.ingest.restriction.forecast.duty import Duty, days_until, due_dates_s, learn_duty
from cleanside.ingest.restriction.forecast.fleet_knowledge import FleetKnowledge
from cleanside.ingest.restriction.forecast.prior import mixture_of_points
from cleanside.ingest.restriction.measure.reference import (
    HourlyRestriction,
    Reference,
    Zero,
    at_reference_flow,
    learn_reference,
    learn_zero,
)
from cleanside.ingest.restriction.measure.steady import smoothed
from cleanside.ingest.restriction.measure.summary import (
    DAY_S,
    HOUR_S,
    BoolArray,
    FloatArray,
    HourSummary,
    Summaries,
)
from cleanside.ingest.restriction.verdict.evidence import evidence_of
from cleanside.ingest.restriction.verdict.status import (
    ADVICE,
    LEVEL_ROWS,
    NO_TERMINAL_ADVICE,
    OVER_SHARE,
    PLAN_LEAVE,
    SILENCE,
    SUSPECT_ADVICE,
    is_plan,
    level_state,
)
from cleanside.ingest.restriction.verdict.suspect import (
    HourDoubts,
    Suspicion,
    ambient_misfit,
    below_clean,
    gravest_first,
    hour_doubts,
    terminal_doubt,
    zero_moved,
)

RUNNING_IN_HOURS = 5.0  # chosen: the flow range and the clean level show within a shift
RUNNING_IN_ROWS = 3
SAFELY_CLEAN_SHARE = 0.2  # of terminal; hardly an element is cleaner when new (common practice: 0.2 to 0.5)
LIKELY_CLEAN_SHARE = 0.35  # of terminal; few are less clean
OWN_LIVES = 2  # earlier ones from new: with fewer the machine's own clean level is not yet known
QUIET_S = 2 * HOUR_S  # quieter than that is worth a word
SILENT_S = {"keyed_off": 14 * DAY_S, "out_of_coverage": 4 * DAY_S, "device_fault": 0.0, "unknown": 2 * DAY_S}
PLANNING_HORIZON_DAYS = 14.0  # chosen: an element is ordered and a stop is found in two weeks


@dataclass(frozen=True, kw_only=True)
class Quantiles:
    """10, 50 and 90 % points."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, kw_only=True)
class Study:
    """What the summaries of one housing say, whatever the time is. None = not known; `evidence` says why."""

    suspicions: tuple[Suspicion, ...]
    restriction_pa: float | None  # newest, at the reference flow
    reference: Reference
    clean_pa: float | None
    terminal_pa: float | None
    share_used_percent: float | None  # from 0; can exceed 100
    level_state: str  # "running-in", "serving", "due" or "over"
    is_plan: bool  # within the planning horizon, with hysteresis
    life_hours: float | None  # operating hours of the running life
    hours_left: Quantiles | None  # operating hours. [h]
    duty: Duty
    lives_learned_from: int
    last_s: float | None  # newest reading, seconds since 1970-01-01 UTC
    last_says_off: bool  # the newest reading shows the engine off, by speed or voltage
    lives: tuple[LifeSpan, ...]  # the running one last
    changes_found_s: tuple[float, ...]  # falls like a new element that nobody entered: ask a person
    evidence: tuple[str, ...]  # sentences: what each figure rests on


class Studied(NamedTuple):
    """A study with the arrays it was made from."""

    study: Study
    series: HourlyRestriction
    lives: list[Life]  # the running one last


@dataclass(frozen=True, kw_only=True)
class Assessment:
    """What is known of one housing at `now_s`. None = not known; `evidence` says why."""

    now_s: float
    state: str  # running-in, serving, plan, due, over, suspect or silent
    advice: str  # one line, with the caution that belongs to it
    suspicions: tuple[Suspicion, ...]
    restriction_pa: float | None  # now, at the reference flow
    basis: str  # flow, envelope or none; see Reference
    reference: Reference
    clean_pa: float | None
    terminal_pa: float | None
    share_used_percent: float | None  # from 0; can exceed 100
    life_hours: float | None  # operating hours of the running life
    hours_left: Quantiles | None  # operating hours. [h]
    due_s: Quantiles | None  # seconds since 1970-01-01 UTC
    duty: Duty
    lives_learned_from: int
    last_heard_s: float | None
    quiet_s: float | None
    quiet_because: str | None  # keyed_off, out_of_coverage, device_fault or unknown; None while heard
    lives: tuple[LifeSpan, ...]  # the running one last
    changes_found_s: tuple[float, ...]  # falls like a new element that nobody entered: ask a person
    evidence: tuple[str, ...]  # sentences: what each figure rests on


def assess_housing(
    summaries: Sequence[HourSummary],
    *,
    terminal_pa: float | None,
    terminal_entered: tuple[float, str] | None = None,
    changes: Sequence[float] = (),
    fleet: FleetKnowledge | None = None,
    now_s: float,
    machine: str = "",
    kind: str = "",
    reference_flow: float | None = None,
    reference_kind: str | None = None,
    planning_horizon_days: float = PLANNING_HORIZON_DAYS,
    last_heard_s: float | None = None,
    quiet_because: str | None = None,
) -> Assessment:
    """Study one housing and say what that means now. Arguments as of `study_housing` and `assess`."""
    studied = study_housing(
        summaries,
        terminal_pa=terminal_pa,
        terminal_entered=terminal_entered,
        changes=changes,
        fleet=fleet,
        machine=machine,
        kind=kind,
        reference_flow=reference_flow,
        reference_kind=reference_kind,
        planning_horizon_days=planning_horizon_days,
    )
    return assess(
        studied.study,
        now_s=now_s,
        planning_horizon_days=planning_horizon_days,
        last_heard_s=last_heard_s,
        quiet_because=quiet_because,
    )


def study_housing(
    summaries: Sequence[HourSummary],
    *,
    terminal_pa: float | None,
    terminal_entered: tuple[float, str] | None = None,
    changes: Sequence[float] = (),
    fleet: FleetKnowledge | None = None,
    machine: str = "",
    kind: str = "",
    reference_flow: float | None = None,
    reference_kind: str | None = None,
    planning_horizon_days: float = PLANNING_HORIZON_DAYS,
) -> Studied:
    """
    Study one housing from its hourly summaries.

    summaries : of one housing, any order; one per hour.
    terminal_pa : terminal restriction that holds now; None = not entered, then no share and no forecast. [Pa]
    terminal_entered : the same as it was read, value and unit; None = not known.
    changes : instants of element changes entered by a person, seconds since 1970-01-01 UTC.
    fleet : snapshot of lives to learn from; None = nothing learned, the forecast is wide.
    machine, kind : labels for weighting the fleet's lives.
    reference_flow, reference_kind : flow at which terminal is stated; None = learned; see `learn_reference`.
    """
    if terminal_pa is not None and not terminal_pa > 0:
        raise ValueError(f"terminal_pa is {terminal_pa}; it must be above 0, see the engine maker's manual")
    knowledge = fleet or FleetKnowledge()
    measured = _measured(summaries, reference_flow, reference_kind)
    table, reference, series, zero, doubts = measured
    told = _tell(measured, changes, knowledge, terminal_pa, machine=machine, kind=kind)
    _, life = told.cuts[-1]
    clean_pa = told.clean_pa
    level = told.level_pa
    share = _share_used(level, clean_pa, terminal_pa)
    hours = float(np.sum(operating_hours(series)[told.running])) if told.running.any() else None
    duty = learn_duty(table)
    hours_left = is_plan_now = None
    strange = 0.0
    if terminal_pa is not None and len(level) and hours is not None:
        ahead = _Ahead(life, hours, knowledge, reference.level_spread)
        hours_left, strange = ahead.points(), ahead.strange()
        is_plan_now = ahead.is_plan(duty, planning_horizon_days, float(hours_left[1]))
    state = level_state(share) if len(level) >= RUNNING_IN_ROWS else "running-in"
    if state != "over" and ((hours or 0.0) < RUNNING_IN_HOURS or reference.of_idle_only):
        state = "running-in"  # but beyond terminal a person hears of it at once
    if state == "over" and hours_left is not None:
        # None are left. That is sure while the level is beyond; hysteresis keeps the state a little longer.
        hours_left = np.array([0.0, 0.0, 0.0 if share[-1] >= OVER_SHARE else hours_left[2]])
    spans = tell_lives(series, told.cuts)
    last = table.hours[-1] if len(table) else None
    terminal = told.terminal_doubt(terminal_pa, terminal_entered)
    below = told.below
    if terminal and below:  # a clean level told from a share of a wrong terminal is wrong too
        below = _tell(measured, changes, FleetKnowledge(), None, machine=machine, kind=kind).below
    study = Study(
        suspicions=gravest_first(
            [
                *below,
                *doubts.suspicions,
                *zero_moved(zero, terminal_pa),
                *ambient_misfit(table, knowledge.nearby.misfit(table, machine)),
                *terminal,
            ]
        ),
        restriction_pa=float(level[-1]) if len(level) else None,
        reference=reference,
        clean_pa=clean_pa,
        terminal_pa=terminal_pa,
        share_used_percent=max(0.0, 100 * float(share[-1])) if len(share) else None,
        level_state=state,
        is_plan=bool(is_plan_now),
        life_hours=hours,
        hours_left=None if hours_left is None else _quantiles(hours_left),
        duty=duty,
        lives_learned_from=len(knowledge.lives),
        last_s=None if last is None else float(last["last_s"]),
        last_says_off=last is not None and last["evidence"] >= 2 and not last["last_running"],
        lives=tuple(spans),
        changes_found_s=tuple(
            e.at_s for e, _ in told.cuts if e is not None and not e.entered and e.sure == "high"
        ),
        evidence=evidence_of(
            table,
            reference,
            spans[-1] if spans else None,
            len(life.hours),
            duty,
            knowledge,
            clean_pa=clean_pa,
            terminal_pa=terminal_pa,
            strange=strange,
        ),
    )
    return Studied(study, series, [life for _, life in told.cuts])


def assess(
    study: Study,
    *,
    now_s: float,
    planning_horizon_days: float = PLANNING_HORIZON_DAYS,
    last_heard_s: float | None = None,
    quiet_because: str | None = None,
) -> Assessment:
    """
    What a study means at an instant.

    now_s : the present, seconds since 1970-01-01 UTC.
    planning_horizon_days : the one it was studied with.
    last_heard_s : last sign of life if later than the last reading (a status post).
    quiet_because : what the server knows of a quiet machine (keyed_off, out_of_coverage, device_fault);
        None = judge by the last reading.
    """
    if quiet_because is not None and quiet_because not in SILENCE:
        raise ValueError(f"quiet_because is {quiet_because!r}; give one of {', '.join(SILENCE)} or None")
    heard_s = max((t for t in (study.last_s, last_heard_s) if t is not None), default=None)
    because = _quiet_because(study, heard_s, now_s, quiet_because)
    due_s = _due_s(study, now_s, working_on=because == "out_of_coverage")
    near = study.is_plan or (
        due_s is not None
        and because == "out_of_coverage"
        and (due_s.p50 - now_s <= planning_horizon_days * DAY_S)
    )
    state = _state(study, near, now_s, heard_s, because)
    quiet = () if because is None else (f"quiet: {SILENCE[because]}",)
    return Assessment(
        now_s=now_s,
        state=state,
        advice=_advice(study, state),
        suspicions=study.suspicions,
        restriction_pa=study.restriction_pa,
        basis=study.reference.basis,
        reference=study.reference,
        clean_pa=study.clean_pa,
        terminal_pa=study.terminal_pa,
        share_used_percent=study.share_used_percent,
        life_hours=study.life_hours,
        hours_left=study.hours_left,
        due_s=due_s,
        duty=study.duty,
        lives_learned_from=study.lives_learned_from,
        last_heard_s=heard_s,
        quiet_s=None if heard_s is None else max(0.0, now_s - heard_s),
        quiet_because=because,
        lives=study.lives,
        changes_found_s=study.changes_found_s,
        evidence=(*study.evidence, *quiet),
    )


def housing_lives(
    summaries: Sequence[HourSummary],
    *,
    terminal_pa: float,
    terminal_entered: tuple[float, str] | None = None,
    changes: Sequence[float] = (),
    fleet: FleetKnowledge | None = None,
    machine: str = "",
    kind: str = "",
    reference_flow: float | None = None,
    reference_kind: str | None = None,
) -> list[Life]:
    """
    The lives of one housing, the running one last, for `learn_fleet`. Arguments as in `study_housing`.

    No lives while the terminal value is in doubt: those against a wrong one would teach wrong lengths.
    """
    measured = _measured(summaries, reference_flow, reference_kind)
    told = _tell(measured, changes, fleet or FleetKnowledge(), terminal_pa, machine=machine, kind=kind)
    return [] if told.terminal_doubt(terminal_pa, terminal_entered) else [life for _, life in told.cuts]


# ---------------------------------------------------------------- from the series to lives


@dataclass(frozen=True)
class _Told:
    """The series cut into lives, and what of the running one is too low to be an element."""

    cuts: list[tuple[LifeEdge | None, Life]]
    running: BoolArray  # rows of the running life
    clean_pa: float | None  # of the running life
    below: list[Suspicion]

    @cached_property
    def level_pa(self) -> FloatArray:
        """The newest smoothed levels of the running life, up to LEVEL_ROWS. [Pa]"""
        return smoothed(self.cuts[-1][1].restriction_pa[-LEVEL_ROWS:])

    def terminal_doubt(self, terminal_pa: float | None, entered: tuple[float, str] | None) -> list[Suspicion]:
        """What the levels and the entry say against the terminal value."""
        level_pa = float(self.level_pa[-1]) if len(self.level_pa) else None
        return terminal_doubt(terminal_pa, entered=entered, clean_pa=self.clean_pa, level_pa=level_pa)


class _Measured(NamedTuple):
    """What the hours of a housing show before it is cut into lives."""

    table: Summaries
    reference: Reference
    series: HourlyRestriction
    zero: Zero
    doubts: HourDoubts

    def believed(self) -> BoolArray:
        """Rows of the series whose hour is not in doubt."""
        hour_s = self.series.hour_s.astype(np.int64)
        return ~self.doubts.any[np.searchsorted(self.table.hours["hour_s"], hour_s)]


def _measured(
    summaries: Sequence[HourSummary], reference_flow: float | None, reference_kind: str | None
) -> _Measured:
    table = Summaries.of(summaries)
    reference = learn_reference(table, reference_flow=reference_flow, reference_kind=reference_kind)
    series, zero = at_reference_flow(table, reference), learn_zero(table)
    return _Measured(table, reference, series, zero, hour_doubts(table, reference, zero))


def _tell(
    measured: _Measured,
    changes: Sequence[float],
    knowledge: FleetKnowledge,
    terminal_pa: float | None,
    *,
    machine: str,
    kind: str,
) -> _Told:
    """
    Cut the series; rows too low to be an element are then left out, and it is cut again without them.
    """
    series, believed = measured.series, measured.believed()
    share = knowledge.clean_share(kind)
    kind_clean_pa = None if share is None or terminal_pa is None else share * terminal_pa
    below: list[Suspicion] = []
    for _ in range(2):
        edges = find_edges(
            series,
            believed,
            entered_s=changes,
            terminal_pa=terminal_pa,
            usual_clean_pa=kind_clean_pa,
            by_speed=measured.reference.by_speed,
        )
        cuts = split_lives(
            series,
            edges=edges,
            terminal_pa=terminal_pa or np.inf,
            machine=machine,
            kind=kind,
            believed=believed,
        )
        low, clean_pa, said = _too_low(
            series, believed, cuts, kind_clean_pa, by_speed=measured.reference.by_speed
        )
        below = said or below
        if not np.any(low & believed):
            break
        believed = believed & ~low
    running = np.arange(len(series.hour_s)) >= (cuts[-1][0].row if cuts[-1][0] is not None else 0)
    return _Told(cuts, running, clean_pa, below)


def _too_low(
    series: HourlyRestriction,
    believed: BoolArray,
    cuts: Sequence[tuple[LifeEdge | None, Life]],
    kind_clean_pa: float | None,
    *,
    by_speed: bool,
) -> tuple[BoolArray, float | None, list[Suspicion]]:
    """Rows below what an element has, in any life; clean level and suspicion of the running one."""
    rows = [edge.row if edge is not None else 0 for edge, _ in cuts]
    low = np.zeros(len(series.hour_s), dtype=bool)
    earlier: list[Life] = []
    clean_pa: float | None = None
    said: list[Suspicion] = []
    for (edge, life), first, last in zip(cuts, rows, [*rows[1:], len(low)], strict=True):
        whole = edge is not None and edge.likely == "change"
        clean_pa = clean_level_pa(life, usual_clean_pa(earlier, kind_clean_pa), whole=whole)
        mine = HourlyRestriction(
            **{name: getattr(series, name)[first:last] for name in HourlyRestriction.__dataclass_fields__}
        )
        bound_pa = clean_pa
        if len(earlier) < OWN_LIVES:
            told = bool(earlier) or whole or kind_clean_pa is not None
            bound_pa = _safely_clean_pa(clean_pa, life.terminal_pa, told=told)
        low[first:last], said = below_clean(mine, believed[first:last], bound_pa, by_speed=by_speed)
        if whole:
            earlier.append(life)
    return low, clean_pa, said


def _safely_clean_pa(clean_pa: float | None, terminal_pa: float, *, told: bool) -> float | None:
    """
    A clean level that is not too high, of a machine that has shown no two elements from new. [Pa]

    What was taken for new may have been cleaned, and one in use when first seen may read twice a clean one.
    told : a life from new, or the kind, says something of it.
    """
    if clean_pa is None or not np.isfinite(terminal_pa):
        return clean_pa if told else None
    return min(clean_pa, (LIKELY_CLEAN_SHARE if told else SAFELY_CLEAN_SHARE) * terminal_pa)


def _share_used(level_pa: FloatArray, clean_pa: float | None, terminal_pa: float | None) -> FloatArray:
    """(R - clean) / (terminal - clean), shape of level_pa; empty where it cannot be said. [1]"""
    if clean_pa is None or terminal_pa is None:
        return np.empty(0)
    if clean_pa >= terminal_pa:  # a life that begins beyond terminal: nothing of the span is left
        return level_pa / terminal_pa
    return (level_pa - clean_pa) / (terminal_pa - clean_pa)


# ---------------------------------------------------------------- what lies ahead


@dataclass(frozen=True)
class _Ahead:
    """The forecast of the running life."""

    life: Life
    hours: float  # of the life so far; the newest of them may not be believed
    knowledge: FleetKnowledge
    level_spread: float

    def points(self) -> FloatArray:
        """
        10, 50 and 90 % points of the hours left now, shape (3,). [h]

        All levels of a machine may be off alike: the middle is told as they are, its bounds as a mixture over
        how far (Gauss-Hermite, three points).
        """
        apart = np.sqrt(3.0) * self.level_spread * np.array([-1.0, 0.0, 1.0])
        each = np.concatenate([self._at_rows(1, self.life.terminal_pa * float(g)) for g in np.exp(apart)])
        left = mixture_of_points(each[None, :, :], np.array([[1.0, 4.0, 1.0]]))[0]
        middle_h = each[1, 1]
        left = np.array([min(left[0], middle_h), middle_h, max(left[2], middle_h)])
        return np.asarray(np.maximum(left - (self.hours - float(self.life.hours[-1])), 0.0))

    def strange(self) -> float:
        """Probability that this element is like none of those learned from, 0 to 1."""
        return self.knowledge.forecaster.strange(self.life)

    def _at_rows(self, rows: int, terminal_pa: float) -> FloatArray:
        return self.knowledge.forecaster.hours_left(
            self.life.hours,
            self.life.restriction_pa,
            terminal_pa=terminal_pa,
            kind=self.life.kind,
            machine=self.life.machine,
            last=rows,
            from_new=self.life.from_new,
        )

    def is_plan(self, duty: Duty, horizon_days: float, left_h: float) -> bool:
        """Within the planning horizon; between the bounds of entering and leaving, the way there decides."""
        days = days_until(left_h, duty)
        if not horizon_days < days <= PLAN_LEAVE * horizon_days:
            return days <= horizon_days
        way = self._at_rows(LEVEL_ROWS, self.life.terminal_pa)[:, 1] / duty.hours_per_day
        return is_plan(np.append(way, days), horizon_days=horizon_days)


def _due_s(study: Study, now_s: float, *, working_on: bool) -> Quantiles | None:
    """
    The due date. Idle since the last reading: the hours left stay, so the date moves on with the clock.

    working_on : out of coverage, where the machine works all the same: the date stays.
    """
    if study.hours_left is None or study.last_s is None:
        return None
    left = np.array([study.hours_left.p10, study.hours_left.p50, study.hours_left.p90])
    from_s = study.last_s if working_on else max(study.last_s, now_s)
    return _quantiles(np.maximum(due_dates_s(left, study.duty, from_s=from_s), now_s))


def _quantiles(points: FloatArray) -> Quantiles:
    return Quantiles(p10=float(points[0]), p50=float(points[1]), p90=float(points[2]))


def _state(study: Study, near: bool, now_s: float, heard_s: float | None, because: str | None) -> str:
    """The most urgent truth first: over and due outrank silence, suspicion outranks both."""
    if study.suspicions:
        return "suspect"
    if study.level_state in ("over", "due"):
        return study.level_state
    if heard_s is None or (because is not None and now_s - heard_s >= SILENT_S[because]):
        return "silent"
    if study.level_state == "running-in" or study.hours_left is None:
        return "running-in"
    return "plan" if near else "serving"


def _advice(study: Study, state: str) -> str:
    if state == "suspect":
        return SUSPECT_ADVICE[study.suspicions[0].cause]
    if state == "running-in" and study.terminal_pa is None:
        return NO_TERMINAL_ADVICE
    return ADVICE[state]


def _quiet_because(study: Study, heard_s: float | None, now_s: float, told: str | None) -> str | None:
    """Why nothing is heard; None while it is. What the server knows goes before the last reading."""
    if heard_s is None:
        return told or "unknown"
    if now_s - heard_s < QUIET_S:
        return None
    return told or ("keyed_off" if study.last_says_off else "unknown")
