"""
What the summaries of one housing show, independent of the present: how loaded, which state, how long left,
why.

Four steps: measure, find the lives, forecast, judge.
Promises: pure; equal summaries and facts give equal results, whatever the order in which readings arrived.
Each figure comes with its evidence.
Leaves to others: what it means at an instant (`assess`), storing, showing, and access.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.elements.entries import AGAIN, DOUBLE, NOT_SEEN_YET, Entry, WeighedEntry
from cleanside.ingest.restriction.elements.lives import Life, LifeSpan, tell_lives
from cleanside.ingest.restriction.elements.openings import WeighedStep
from cleanside.ingest.restriction.elements.safety_element import SafetyElement, safety_element_of
from cleanside.ingest.restriction.forecast.duty import Duty, learn_duty, worked_off_s
from cleanside.ingest.restriction.forecast.fleet_knowledge import FleetKnowledge
from cleanside.ingest.restriction.measure.calibration import MachineLooks
from cleanside.ingest.restriction.measure.reference import HourlyRestriction, Reference
from cleanside.ingest.restriction.measure.summary import HOUR_S, FloatArray, HourSummary
from cleanside.ingest.restriction.verdict.ahead import Ahead, Quantiles, quantiles
from cleanside.ingest.restriction.verdict.element_history import ElementHistory, LevelInDoubt, tell_history
from cleanside.ingest.restriction.verdict.evidence import evidence_of, just_below_limit
from cleanside.ingest.restriction.verdict.housing_facts import HousingFacts
from cleanside.ingest.restriction.verdict.lay_up import DayWorked, days_worked
from cleanside.ingest.restriction.verdict.looked import of_looks, what_looks_say
from cleanside.ingest.restriction.verdict.measured_hours import MeasuredHours, measure_hours
from cleanside.ingest.restriction.verdict.met_by_work import met_by_work
from cleanside.ingest.restriction.verdict.own_mark import indicator_at_mark
from cleanside.ingest.restriction.verdict.share_width import share_width
from cleanside.ingest.restriction.verdict.statement import Statement, say
from cleanside.ingest.restriction.verdict.status import HYSTERESIS, OVER_SHARE, level_state
from cleanside.ingest.restriction.verdict.suspect import (
    AnswerLost,
    Suspicion,
    ambient_misfit,
    gravest_first,
    held_alike,
    no_answer,
    zeros_moved,
)
from cleanside.ingest.restriction.verdict.trend import Trend, trend_of
from cleanside.ingest.restriction.verdict.unread import no_restriction

RUNNING_IN_HOURS = 5.0  # chosen: the flow range and the clean level show within a shift
RUNNING_IN_ROWS = 3  # hours with a level before any state but running-in (chosen: one odd hour is no state)
AT_LIMIT = ("due", "over")  # level states


@dataclass(frozen=True, kw_only=True)
class Study:
    """
    What the summaries of one housing show, independent of the present. None = not known; `evidence` says why.
    """

    suspicions: tuple[Suspicion, ...]
    restriction_pa: float | None  # newest that is believed, at the reference flow
    restriction_s: float | None  # when that was read last, seconds since 1970-01-01 UTC
    hours_in_doubt: float  # operating hours since then, whose readings are in doubt
    newest_in_doubt: LevelInDoubt | None  # None: the newest level is believed
    reference: Reference
    clean_pa: float | None
    terminal_pa: float | None
    share_used_percent: float | None  # from 0; can exceed 100
    level_state: str  # "running-in", "serving", "due" or "over"
    is_plan: bool  # within the planning horizon, with hysteresis
    life_hours: float | None  # operating hours of the running life
    hours_left: Quantiles | None  # operating hours to the limit at full flow. [h]
    latch_hours_left: Quantiles | None  # until the indicator on the housing latches. [h]
    duty: Duty
    element_in_question: bool  # an element missing or torn is likely enough to ask, and not to warn
    lives_learned_from: int
    last_s: float | None  # newest reading, seconds since 1970-01-01 UTC
    measured_s: float | None  # the same, of the last hour with any quantity in its readings
    last_says_off: bool  # the newest reading shows the engine off, by speed or voltage
    lives: tuple[LifeSpan, ...]  # the running one last
    entries: tuple[WeighedEntry, ...]  # what people entered, with what the readings say of it
    cleanings: int  # of the running element, entered or likely
    safety_element: SafetyElement
    changes_found_s: tuple[float, ...]  # falls that look like a new element, without an entry: ask a person
    changes_sure_s: tuple[float, ...]  # those of them that surely are one
    evidence: tuple[Statement, ...]  # behind each figure
    planning_horizon_days: float  # that `is_plan` goes by
    trend: Trend  # of the last ninety days
    days_worked: tuple[DayWorked, ...]  # of the same days, those with more work than a trial run
    otherwise: Study | None = None  # without the entries of `unconfirmed`; None: there are none

    @property
    def trusted_until_s(self) -> float:
        """Levels measured later are in doubt; infinite where the newest is believed. [s since 1970]"""
        if self.newest_in_doubt is None:
            return math.inf
        return -math.inf if self.restriction_s is None else self.restriction_s

    @property
    def unconfirmed(self) -> tuple[WeighedEntry, ...]:
        """Entries that begin a life and count, though no reading could confirm them yet."""
        return tuple(
            entry
            for entry in self.entries
            if entry.verdict == NOT_SEEN_YET and entry.begins_life and not entry.entry.confirmed
        )

    @property
    def age_known(self) -> bool:
        """False: the running element was in use before the first reading. No person entered since when."""
        return not self.lives or bool(self.lives[-1].began_by)

    @property
    def limit_in_doubt(self) -> bool:
        """The change limit contradicts the readings, or its unit: nothing is said that is measured by it."""
        return any(suspicion.cause == "terminal" for suspicion in self.suspicions)

    @property
    def element_in_doubt(self) -> bool:
        """
        A person is asked whether a sound element is in: nothing is said that is measured by it.

        At the limit or beyond it there is one: it has loaded. Where it is suspected that there is none, the
        figures are those of the last trusted level.
        """
        return self.element_in_question and self.level_state not in AT_LIMIT

    @property
    def is_below_clean(self) -> bool:
        """By its hours no sound element stands in the stream, or a tube is off: dust may reach the engine."""
        return any(suspicion.cause == "below_clean" for suspicion in self.suspicions)

    @property
    def questions(self) -> tuple[WeighedEntry, ...]:
        """Entries that the readings contradict; they change no figure until a person has settled them."""
        return tuple(entry for entry in self.entries if entry.is_question)


class Studied(NamedTuple):
    """A study with the arrays it was made from."""

    study: Study
    series: HourlyRestriction
    lives: list[Life]  # the running one last


def study_housing(summaries: Sequence[HourSummary], facts: HousingFacts) -> Studied:
    """Study one housing from its hourly summaries. summaries : any order; one per hour."""
    measured, history = _measured_and_told(summaries, facts)
    loaded = _loaded(measured, history, facts)
    outlook = _forecast(loaded, history, measured, facts)
    study = _judge(measured, history, loaded, outlook, facts)
    if study.unconfirmed:  # it may be of another machine: what stood before is not forgotten meanwhile
        others = replace(facts, entries=_without_open(study, facts.entries))
        study = replace(study, otherwise=study_housing(summaries, others).study)
    return Studied(study, measured.series, history.lives)


def _without_open(study: Study, entries: Sequence[Entry]) -> tuple[Entry, ...]:
    """The entries without the unconfirmed ones, and without those that say the same work again."""
    still_open = {weighed.entry for weighed in study.unconfirmed}
    work = {(entry.what, entry.at_s) for entry in still_open}
    for weighed in study.entries:
        says_again = weighed.verdict in (DOUBLE, AGAIN) and (weighed.entry.what, weighed.other_s) in work
        if says_again and not weighed.entry.confirmed:
            still_open.add(weighed.entry)
    return tuple(entry for entry in entries if entry not in still_open)


def study_failed(hours: int, facts: HousingFacts) -> Study:
    """
    What is said of a housing whose study broke: nothing but that, so that one housing does not hide a fleet.

    hours : with readings.
    """
    nothing = study_housing((), HousingFacts(terminal_pa=facts.terminal_pa, kind=facts.kind)).study
    evidence = say("study_failed", hours=hours)
    return replace(nothing, suspicions=(Suspicion(cause="not_judged", evidence=evidence),))


def _noted(history: ElementHistory, facts: HousingFacts) -> tuple[float, float] | None:
    """What a person noted of a new element, and how likely that holds; None: nothing, or nothing was seen."""
    if facts.clean_noted_pa is None or history.openings.note_holds is None:
        return None
    return facts.clean_noted_pa, history.openings.note_holds


class Taught(NamedTuple):
    """What one housing teaches its fleet."""

    lives: list[Life]
    looks: MachineLooks | None  # what people saw there says of levels; None: nothing


def housing_teaches(summaries: Sequence[HourSummary], facts: HousingFacts) -> Taught:
    """
    The lives of one housing, the running one last, and its looks, for `learn_fleet`.

    Nothing while the terminal value is in doubt: a wrong one gives wrong lengths.
    """
    measured = measure_hours(summaries, facts)
    history = tell_history(measured, facts)
    if history.terminal_doubt(facts):
        return Taught([], None)
    return Taught(history.lives, what_looks_say(measured, history.looked, facts))


def _measured_and_told(
    summaries: Sequence[HourSummary], facts: HousingFacts
) -> tuple[MeasuredHours, ElementHistory]:
    """The hours with their levels as people's looks correct them, and what they tell."""
    measured = measure_hours(summaries, facts)
    history = tell_history(measured, facts)
    return measured.corrected(history.looked.calibration) if history.looked.counts else measured, history


# ---------------------------------------------------------------- how loaded, how long left


class _Loaded(NamedTuple):
    """How far the running life has come."""

    share: FloatArray  # used, of its newest levels; empty where it cannot be said. [1]
    hours: float | None  # operating hours; None: nothing seen
    state: str  # see Study.level_state


def _loaded(measured: MeasuredHours, history: ElementHistory, facts: HousingFacts) -> _Loaded:
    level, running = history.level_pa, history.running
    share = _share_used(level, history.clean_pa, facts.terminal_pa)
    hours = float(np.sum(measured.series.operating_h[running])) if running.any() else None
    state = level_state(share) if len(level) >= RUNNING_IN_ROWS else "running-in"
    if state != "over" and ((hours or 0.0) < RUNNING_IN_HOURS or measured.reference.of_idle_only):
        state = "running-in"  # but beyond terminal a person is warned at once
    return _Loaded(share, hours, state)


def _share_used(level_pa: FloatArray, clean_pa: float | None, terminal_pa: float | None) -> FloatArray:
    """(R - clean) / (terminal - clean), shape of level_pa; empty where it cannot be said. [1]"""
    if clean_pa is None or terminal_pa is None:
        return np.empty(0)
    if clean_pa >= terminal_pa:  # a life that begins beyond terminal: the whole span is used
        return level_pa / terminal_pa
    return (level_pa - clean_pa) / (terminal_pa - clean_pa)


class _Outlook(NamedTuple):
    """What the forecast says of the running life."""

    duty: Duty
    hours_left: Quantiles | None = None
    latch_hours_left: Quantiles | None = None
    is_plan: bool = False
    strange: float = 0.0  # outlier probability: that this element is like none of those learned from


def _forecast(
    loaded: _Loaded, history: ElementHistory, measured: MeasuredHours, facts: HousingFacts
) -> _Outlook:
    duty = learn_duty(measured.table)
    if facts.terminal_pa is None or loaded.hours is None or len(history.level_pa) == 0:
        return _Outlook(duty)
    if loaded.state == "running-in" and history.cuts[-1][0] is None:
        return _Outlook(duty)  # neither its age nor its level is known: any date would be one of nothing
    met = met_by_work(measured, history)
    ahead = Ahead(history.life, loaded.hours, facts.fleet, history.looked.level_spread, met)
    points = ahead.points()
    left = points.full_flow
    is_plan = ahead.is_plan(duty, facts.planning_horizon_days, points)
    if loaded.state == "over":
        # No hours are left; hysteresis keeps the state a little longer. How sure that is goes by the level.
        left = np.array([0.0, 0.0, left[2]])
    return _Outlook(duty, quantiles(left), quantiles(points.latch), is_plan, points.strange)


# ---------------------------------------------------------------- judge


def _judge(
    measured: MeasuredHours, history: ElementHistory, loaded: _Loaded, outlook: _Outlook, facts: HousingFacts
) -> Study:
    table, level, share = measured.table, history.level_pa, loaded.share
    lost = no_answer(table, measured.zeros[0])
    spans = tell_lives(measured.series, history.cuts, history.clean, history.openings.shift_spread)
    last = table.hours[-1] if len(table) else None
    last_s = None if last is None else float(last["last_s"])
    entries = tuple(_with_look(entry, outlook.duty, last_s) for entry in history.entries)
    suspicions = suspicions_of(measured, history, facts, lost, outlook.duty)
    study = Study(
        suspicions=suspicions,
        restriction_pa=float(level[-1]) if len(level) else None,
        restriction_s=_trusted_s(history.judged_s(table), lost),
        hours_in_doubt=_in_doubt(loaded, history),
        newest_in_doubt=history.newest_in_doubt(table, measured.series) or _unanswered(lost),
        reference=measured.reference,
        clean_pa=history.clean_pa,
        terminal_pa=facts.terminal_pa,
        share_used_percent=max(0.0, 100 * float(share[-1])) if len(share) else None,
        level_state=loaded.state,
        is_plan=outlook.is_plan,
        life_hours=loaded.hours,
        hours_left=outlook.hours_left,
        latch_hours_left=outlook.latch_hours_left,
        duty=outlook.duty,
        element_in_question=history.is_in_question and not measured.reference.of_idle_only,
        lives_learned_from=len(facts.fleet.lives),
        last_s=last_s,
        measured_s=measured.unread.measured_s,
        last_says_off=last is not None and last["evidence"] >= 2 and not last["last_running"],
        lives=tuple(spans),
        entries=entries,
        cleanings=history.cleanings,
        safety_element=safety_element_of(entries, spans, measured.series),
        changes_found_s=history.changes_found_s,
        changes_sure_s=history.changes_sure_s,
        evidence=evidence_of(
            table,
            measured.reference,
            spans[-1] if spans else None,
            len(history.life.hours),
            outlook.duty,
            facts.fleet,
            clean_pa=history.clean_pa,
            terminal_pa=facts.terminal_pa,
            strange=outlook.strange,
            entries=entries,
            weighed=[step for step in history.openings.weighed if _is_of_now(step, spans)],
            warned=bool(history.below),
            noted=_noted(history, facts),
        )
        + of_looks(history.looked)
        + share_width(
            level_pa=float(level[-1]) if len(share) else None,
            clean_pa=history.clean_pa,
            terminal_pa=facts.terminal_pa,
            reference=measured.reference,
            level_spread=history.looked.level_spread,
        ),
        planning_horizon_days=facts.planning_horizon_days,
        trend=trend_of(measured.series),
        days_worked=days_worked(table),
    )
    if study.limit_in_doubt or study.element_in_doubt:
        return _unmeasured(study)
    why_over = _why_over(loaded, outlook)
    return replace(study, evidence=study.evidence + why_over) if why_over else study


def _unmeasured(study: Study) -> Study:
    """Without what is measured by a limit or an element in doubt: share, dates, and when a plan is near."""
    return replace(study, share_used_percent=None, hours_left=None, latch_hours_left=None, is_plan=False)


def _trusted_s(judged_s: float | None, lost: AnswerLost | None) -> float | None:
    """When the newest believed level was read last: before restriction stopped following the engine."""
    return judged_s if judged_s is None or lost is None else min(judged_s, lost.from_s)


def _unanswered(lost: AnswerLost | None) -> LevelInDoubt | None:
    return None if lost is None else LevelInDoubt(lost.level_pa, lost.until_s)


def _is_of_now(step: WeighedStep, spans: Sequence[LifeSpan]) -> bool:
    """In the running life, or where it began."""
    return not spans or step.at_s >= spans[-1].start_s - HOUR_S


def _in_doubt(loaded: _Loaded, history: ElementHistory) -> float:
    """Operating hours since the newest level that is believed. [h]"""
    if loaded.hours is None or not len(history.life.hours):
        return 0.0
    return max(0.0, loaded.hours - float(history.life.hours[-1]))


def _why_over(loaded: _Loaded, outlook: _Outlook) -> tuple[Statement, ...]:
    """Why an element is `over` with hours left; empty: it is not."""
    if loaded.state != "over" or outlook.hours_left is None or loaded.share[-1] >= OVER_SHARE:
        return ()
    return (just_below_limit(float(loaded.share[-1]), OVER_SHARE - HYSTERESIS, outlook.hours_left.p90),)


def _with_look(entry: WeighedEntry, duty: Duty, last_s: float | None) -> WeighedEntry:
    """With the instant by which there are likely enough readings to check it."""
    if not entry.hours_missing:
        return entry
    from_s = max(entry.entry.at_s, entry.entry.at_s if last_s is None else last_s)
    return replace(entry, look_by_s=worked_off_s(entry.hours_missing, duty, from_s))


def suspicions_of(
    measured: MeasuredHours,
    history: ElementHistory,
    facts: HousingFacts,
    lost: AnswerLost | None,
    duty: Duty,
) -> tuple[Suspicion, ...]:
    """What does not fit together now, the gravest first. lost : as of `no_answer`."""
    terminal = history.terminal_doubt(facts)
    below = history.below
    if terminal and below:  # a clean level derived from a wrong terminal is wrong too
        unknown = replace(facts, fleet=FleetKnowledge(), looks=(), terminal_pa=None)
        below = tell_history(measured, unknown).below
    doubts = measured.doubts.suspicions
    if below and all(found.cause != "flat" for found in doubts):
        doubts = (*doubts, *held_alike(measured.table, measured.reference, measured.zeros[0]))
    if lost is not None and all(found.cause != lost.suspicion.cause for found in (*below, *doubts)):
        doubts = (*doubts, lost.suspicion)
    misfit = facts.fleet.nearby.misfit(measured.table, facts.machine)
    worked_s = float(measured.series.hour_s[-1]) if len(measured.series.hour_s) else None
    return gravest_first(
        [
            *below,
            *history.denied,
            *doubts,
            *indicator_at_mark(facts.looks, facts.entries, worked_s, history.looked, facts.tuning),
            *no_restriction(measured.unread, duty),
            *zeros_moved(measured.zeros, facts.terminal_pa),
            *ambient_misfit(measured.table, misfit),
            *terminal,
        ]
    )
