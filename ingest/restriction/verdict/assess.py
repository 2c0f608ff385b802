"""
What a study of one housing means at an instant: its state, the advice, the due date, and silence.

What was studied once (`study_housing`) serves until a summary, a limit, an entry or the fleet snapshot
changes, while dates and silence follow the clock.
Promises: pure; equal summaries, facts and `now_s` give equal results.
Leaves to others: storing, showing, and who may ask.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.forecast.duty import Duty, due_dates_s, due_points_s, usual_hours
from cleanside.ingest.restriction.measure.summary import DAY_S, HOUR_S, FloatArray, HourSummary
from cleanside.ingest.restriction.measure.wrong_input import WrongInput
from cleanside.ingest.restriction.verdict.ahead import Quantiles, quantiles
from cleanside.ingest.restriction.verdict.evidence import of_age, of_learning, of_silence
from cleanside.ingest.restriction.verdict.housing_facts import HousingFacts
from cleanside.ingest.restriction.verdict.lay_up import LayUp, worked_laid_up
from cleanside.ingest.restriction.verdict.statement import Statement, say
from cleanside.ingest.restriction.verdict.study import AT_LIMIT, Study, study_housing
from cleanside.ingest.restriction.verdict.suspect import without_name

QUIET_S = 2 * HOUR_S  # a longer silence is reported (chosen: a break, or a valley without coverage)
#: a silence of which this is known becomes a state after so long (chosen: a holiday with the key off, a long
#: weekend out of coverage, a weekend where nothing is known, at once where the device says that it fails)
SILENT_S = {
    "keyed_off": 14 * DAY_S,
    "off_or_out_of_coverage": 14 * DAY_S,
    "out_of_coverage": 4 * DAY_S,
    "device_fault": 0.0,
    "unknown": 2 * DAY_S,
    "backlog_arrives": 36_500 * DAY_S,  # what arrives is not silent, however old it is (chosen: a century)
}
#: for so long after old readings came, more of them are waited for (chosen: a program that posts once a day)
ARRIVES_FOR_S = DAY_S
#: readings that were measured so long before they came are a backlog (chosen: over a shift and a night)
OLD_WHEN_IT_CAME_S = DAY_S
MISSED_DAYS = 1.5  # of mean daily work in silence: then it may be working without coverage (chosen)
LOOK = "advice_may_be_missing"  # to look whether a sound element is in
NEVER_S = 4_102_444_800.0  # 2100-01-01 (chosen: beyond the calendar of a shop)
#: the analysis then follows one of several devices, or turns the sign; an element does not get cleaner while
#: it is not read
LEVEL_STANDS = frozenset(
    ("devices_disagree", "indicator_at_mark", "indicator_at_odds", "no_restriction", "ports_swapped")
)


class Risk(NamedTuple):
    """
    What the chance of being at the limit before a day goes by.

    While no readings arrive, the machine may have worked as usual since its last one. So a day without data
    never makes a day look safer: these dates and `known_s` stay until the next reading.
    """

    due_s: Quantiles
    known_s: float  # when the dates were last known: the newest reading of a quiet machine, else `judged_s`
    judged_s: float  # the present

    @property
    def is_quiet(self) -> bool:
        """No readings arrive."""
        return self.known_s < self.judged_s


@dataclass(frozen=True, kw_only=True)
class Assessment:
    """What a study means at `now_s`. None = not known; `evidence` says why."""

    study: Study
    now_s: float
    state: str  # running-in, serving, plan, due, over, suspect or silent
    advice: Statement  # one line, with the caution that belongs to it
    due_s: Quantiles | None  # the limit at full flow, seconds since 1970-01-01 UTC
    latch_s: Quantiles | None  # the indicator on the housing latches, the same
    last_heard_s: float | None
    quiet_s: float | None
    quiet_because: str | None  # a key of SILENT_S; None while heard
    may_have_worked_hours: float  # usual operating hours that passed without a reading, while quiet
    worked_laid_up: Statement | None  # it worked although it is laid up: a person is asked; None: it did not
    evidence: tuple[Statement, ...]  # evidence of the study, and what is known of the silence
    risk: Risk | None = None  # None: no dates
    otherwise: Assessment | None = None  # as of `Study.otherwise`; None: no entry waits for readings

    @property
    def asks_to_look(self) -> bool:
        """A person is asked whether a sound element is in: nothing else is advised meanwhile."""
        return self.advice.code == LOOK

    @property
    def is_looked_at_first(self) -> bool:
        """The figures contradict each other, or a sound element may not be in: no date is planned by."""
        return self.state == "suspect" or self.asks_to_look


def assess_housing(
    summaries: Sequence[HourSummary],
    facts: HousingFacts,
    *,
    now_s: float,
    last_heard_s: float | None = None,
    quiet_because: str | None = None,
) -> Assessment:
    """Study one housing and judge what that means now. Arguments as of `study_housing` and `assess`."""
    study = study_housing(summaries, facts).study
    return assess(study, now_s=now_s, last_heard_s=last_heard_s, quiet_because=quiet_because)


def without_names(seen: Assessment, may_name: Callable[[str], bool]) -> Assessment:
    """An assessment for who reads it, without the names of machines that they may not learn of."""
    suspicions = tuple(without_name(suspicion, may_name) for suspicion in seen.study.suspicions)
    if suspicions == seen.study.suspicions:  # as nearly always
        return seen
    return replace(seen, study=replace(seen.study, suspicions=suspicions))


def backlog_arrives(*, measured_s: float | None, received_s: float | None, now_s: float) -> bool:
    """
    True while old readings arrive: what came last was measured long before, and came lately. Pure.

    measured_s : the newest instant measured. received_s : when something was received last. None = not known.
    Whoever says that a machine or a monitor sends nothing asks this first.
    """
    if measured_s is None or received_s is None:
        return False
    return received_s - measured_s >= OLD_WHEN_IT_CAME_S and now_s - received_s < ARRIVES_FOR_S


def assess(
    study: Study,
    *,
    now_s: float,
    last_heard_s: float | None = None,
    received_s: float | None = None,
    quiet_because: str | None = None,
    waiting: int = 0,
    learned_s: float | None = None,
    learning_failed_s: float | None = None,
    laid_up: LayUp | None = None,
) -> Assessment:
    """
    What a study means at an instant.

    now_s : the present, seconds since 1970-01-01 UTC.
    last_heard_s : last sign of life if later than the last reading (a status post).
    received_s : when something of it was received last, however old it was; None = not known.
    quiet_because : what the server knows of a quiet machine (keyed_off, out_of_coverage, device_fault);
        None = judge by the last reading.
    waiting : readings that the gateway is known to hold.
    learned_s, learning_failed_s : when the fleet snapshot was learned, and when the last learning failed;
        None = not known, or it did not fail.
    laid_up : when the machine stands, as entered; None = it does not. It moves no date once the machine
        worked in that time.
    """
    if quiet_because is not None and quiet_because not in SILENT_S:
        raise WrongInput("silence_unknown", quiet_because=quiet_because, known=", ".join(SILENT_S))
    heard_s = max((t for t in (study.last_s, last_heard_s) if t is not None), default=None)
    asked = worked_laid_up(study.days_worked, laid_up, now_s)
    standing = laid_up if asked is None else None
    missed_h = 0.0 if study.last_s is None else _usual_hours(study.duty, study.last_s, now_s, standing)
    arrives = backlog_arrives(measured_s=study.last_s, received_s=received_s, now_s=now_s)
    because = _quiet_because(study, heard_s, now_s, quiet_because, missed_h, arrives=arrives)
    missed_h = missed_h if because is not None else 0.0
    due_s = _dates_s(study.hours_left, study, now_s, because, standing)
    working_s = due_s if standing is None else _dates_s(study.hours_left, study, now_s, because, None)
    is_same = study.latch_hours_left == study.hours_left
    latch_s = due_s if is_same else _dates_s(study.latch_hours_left, study, now_s, because, standing)
    otherwise = None
    if study.otherwise is not None:
        otherwise = assess(
            study.otherwise,
            now_s=now_s,
            last_heard_s=last_heard_s,
            received_s=received_s,
            quiet_because=quiet_because,
            waiting=waiting,
            laid_up=laid_up,
        )
    near = study.is_plan or (
        due_s is not None
        and because in ("out_of_coverage", "off_or_out_of_coverage")
        and (due_s.p50 - now_s <= study.planning_horizon_days * DAY_S)
    )
    if due_s != working_s:
        near = due_s is not None and due_s.p50 - now_s <= study.planning_horizon_days * DAY_S
    stands = standing is not None and standing.holds(now_s)
    drains = arrives and because == "out_of_coverage"  # its gateway sends what it kept: none has to look
    state = _state(study, near, now_s, heard_s, None if stands or drains else because, missed_h)
    stands_from_s = standing.from_s if standing is not None and stands else None
    quiet = of_silence(because, heard_s, missed_h, waiting, stands_from_s, received_s)
    return Assessment(
        study=study,
        now_s=now_s,
        state=state,
        advice=_advice(study, state),
        due_s=due_s,
        latch_s=latch_s,
        risk=_risk(due_s, study, now_s, because, standing),
        last_heard_s=heard_s,
        quiet_s=None if heard_s is None else max(0.0, now_s - heard_s),
        quiet_because=because,
        may_have_worked_hours=missed_h,
        worked_laid_up=asked,
        evidence=(
            *(() if asked is None else (asked,)),
            *study.evidence,
            *of_age(study.restriction_s, study.hours_in_doubt),
            *of_learning(learned_s, learning_failed_s, now_s),
            *quiet,
        ),
        otherwise=otherwise,
    )


def _usual_hours(duty: Duty, from_s: float, until_s: float, standing: LayUp | None) -> float:
    """Operating hours that it works as a rule between two instants. [h]"""
    if standing is None:
        return usual_hours(duty, from_s, until_s)
    return standing.hours_worked(duty, from_s, until_s)


def _dates_s(
    hours_left: Quantiles | None, study: Study, now_s: float, because: str | None, standing: LayUp | None
) -> Quantiles | None:
    """
    The dates at which so many operating hours are worked off; None: they are not known.

    While no readings arrive, the machine may have worked as usual, or stood still.

    Early assumes that it worked since the last reading, late that it stood still. Likely follows the known
    reason: out of coverage it works, keyed off it stands still. Without a reason it is half way between.
    In a lay-up it does not work: what falls into that time comes as much later. None where that has no end,
    and the early date falls into it.
    """
    if hours_left is None or study.last_s is None:
        return None
    if because is None and standing is None:  # as nearly always
        early_h, likely_h, late_h = hours_left.p10, hours_left.p50, hours_left.p90
        dates_s = due_points_s(early_h, likely_h, late_h, study.duty, from_s=max(study.last_s, now_s))
        early_s, likely_s, late_s = (max(at_s, now_s) for at_s in dates_s)
        return Quantiles(p10=early_s, p50=likely_s, p90=late_s)
    left = np.array([hours_left.p10, hours_left.p50, hours_left.p90])
    from_s = max(study.last_s, now_s) if because is None else study.last_s
    out = _LeftOut(standing, from_s)
    stood = due_dates_s(left, study.duty, from_s=max(study.last_s, out.without(now_s)))
    points = stood
    if because is not None:
        worked = due_dates_s(left, study.duty, from_s=study.last_s)
        likely = {"out_of_coverage": 0.0, "keyed_off": 1.0}.get(because, 0.5)
        points = np.array([worked[0], worked[1] + likely * (stood[1] - worked[1]), stood[2]])
    if out.is_open and points[0] >= out.from_s:
        return None
    return quantiles(np.maximum(out.put_back(points), now_s))


def _risk(
    due_s: Quantiles | None, study: Study, now_s: float, because: str | None, standing: LayUp | None
) -> Risk | None:
    """What the chance of being at the limit goes by; None: no dates."""
    if due_s is None or study.hours_left is None or study.last_s is None:
        return None
    if because is None:
        return Risk(due_s, now_s, now_s)
    left = np.array([study.hours_left.p10, study.hours_left.p50, study.hours_left.p90])
    worked = due_dates_s(left, study.duty, from_s=study.last_s)
    return Risk(quantiles(_LeftOut(standing, study.last_s).put_back(worked)), study.last_s, now_s)


class _LeftOut:
    """A calendar without the days of a lay-up: dates are worked out on it, and put back."""

    def __init__(self, standing: LayUp | None, start_s: float) -> None:
        """start_s : what lies before it is not left out, the machine worked then."""
        stood = standing if standing is not None and standing.until_s > start_s else LayUp(np.inf, np.inf)
        self.from_s = stood.from_within(start_s)
        self.until_s = stood.until_s
        self.is_open = bool(np.isfinite(self.from_s) and np.isinf(self.until_s))

    def without(self, at_s: float) -> float:
        """Where an instant lies on it; all of the lay-up is one instant."""
        return at_s if at_s <= self.from_s else max(self.from_s, at_s - (self.until_s - self.from_s))

    def put_back(self, dates_s: FloatArray) -> FloatArray:
        """Dates of it on the calendar of all days."""
        if np.isinf(self.from_s):
            return dates_s
        later_s = np.minimum(dates_s + (self.until_s - self.from_s), NEVER_S)
        return np.where(dates_s >= self.from_s, np.maximum(later_s, dates_s), dates_s)


def _is_silent(study: Study, because: str | None, quiet_s: float, missed_h: float) -> bool:
    """True once a person should find out why; without a known reason, only once usual work was missed."""
    if because is None or quiet_s < SILENT_S[because]:
        return False
    return because != "unknown" or missed_h >= MISSED_DAYS * study.duty.hours_per_day


def _state(
    study: Study, near: bool, now_s: float, heard_s: float | None, because: str | None, missed_h: float
) -> str:
    """
    The most urgent truth first: over and due outrank silence, suspicion outranks both.

    Where a suspicion does not affect the level, the state is over or due, with the suspicion beside it.
    """
    level_stands = all(suspicion.cause in LEVEL_STANDS for suspicion in study.suspicions)
    if level_stands and study.level_state in AT_LIMIT:
        return study.level_state
    if study.suspicions:
        return "suspect"
    if heard_s is None or _is_silent(study, because, now_s - heard_s, missed_h):
        return "silent"
    if study.level_state == "running-in" or study.hours_left is None:
        return "running-in"
    return "plan" if near else "serving"


def _advice(study: Study, state: str) -> Statement:
    if state == "suspect":
        return say(f"advice_{study.suspicions[0].cause}")
    if study.element_in_doubt:
        return say(LOOK)
    if state == "running-in" and study.terminal_pa is None:
        return say("advice_no_limit")
    return say(f"advice_{state}")


def _quiet_because(
    study: Study, heard_s: float | None, now_s: float, told: str | None, missed_h: float, *, arrives: bool
) -> str | None:
    """
    Why nothing newer is known; None while it is. What the server knows goes before the last reading.

    A key-off explains its own time only. Once usual work was missed since, the machine may be out of
    coverage.
    """
    if heard_s is None:
        return told or "unknown"
    if now_s - heard_s < QUIET_S:
        return None
    if told is None and arrives:
        return "backlog_arrives"
    because = told or ("keyed_off" if study.last_says_off else "unknown")
    if because == "keyed_off" and study.duty.rhythm and missed_h >= MISSED_DAYS * study.duty.hours_per_day:
        return "off_or_out_of_coverage"
    return because
