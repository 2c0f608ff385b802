"""
What a study of one housing means at an instant: its state, the advice, the due date, and silence.

What was studied once (`study_housing`) serves until a summary, a limit, an entry or the fleet snapshot
changes, while dates and silence follow the clock.
Promises: pure; equal summaries, facts and `now_s` give equal results.
Leaves to others: storing, showing, and who may ask.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from cleanside.ingest.restriction.forecast.duty import due_dates_s
from cleanside.ingest.restriction.measure.summary import DAY_S, HOUR_S, HourSummary
from cleanside.ingest.restriction.verdict.ahead import Quantiles, quantiles
from cleanside.ingest.restriction.verdict.evidence import of_age, of_learning
from cleanside.ingest.restriction.verdict.housing_facts import HousingFacts
from cleanside.ingest.restriction.verdict.status import ADVICE, NO_TERMINAL_ADVICE, SILENCE, SUSPECT_ADVICE
from cleanside.ingest.restriction.verdict.study import Study, study_housing

QUIET_S = 2 * HOUR_S  # quieter than that is worth a word
SILENT_S = {"keyed_off": 14 * DAY_S, "out_of_coverage": 4 * DAY_S, "device_fault": 0.0, "unknown": 2 * DAY_S}
LEVEL_STANDS = frozenset(("devices_disagree",))  # causes under which one device is carried on with


@dataclass(frozen=True, kw_only=True)
class Assessment:
    """What a study means at `now_s`. None = not known; `evidence` says why."""

    study: Study
    now_s: float
    state: str  # running-in, serving, plan, due, over, suspect or silent
    advice: str  # one line, with the caution that belongs to it
    due_s: Quantiles | None  # seconds since 1970-01-01 UTC
    last_heard_s: float | None
    quiet_s: float | None
    quiet_because: str | None  # keyed_off, out_of_coverage, device_fault or unknown; None while heard
    evidence: tuple[str, ...]  # the study's, and what is known of the silence


def assess_housing(
    summaries: Sequence[HourSummary],
    facts: HousingFacts,
    *,
    now_s: float,
    last_heard_s: float | None = None,
    quiet_because: str | None = None,
) -> Assessment:
    """Study one housing and say what that means now. Arguments as of `study_housing` and `assess`."""
    study = study_housing(summaries, facts).study
    return assess(study, now_s=now_s, last_heard_s=last_heard_s, quiet_because=quiet_because)


def assess(
    study: Study,
    *,
    now_s: float,
    last_heard_s: float | None = None,
    quiet_because: str | None = None,
    learned_s: float | None = None,
    learning_failed_s: float | None = None,
) -> Assessment:
    """
    What a study means at an instant.

    now_s : the present, seconds since 1970-01-01 UTC.
    last_heard_s : last sign of life if later than the last reading (a status post).
    quiet_because : what the server knows of a quiet machine (keyed_off, out_of_coverage, device_fault);
        None = judge by the last reading.
    learned_s, learning_failed_s : when the fleet snapshot was learned, and when the last learning failed;
        None = not known, or it did not fail.
    """
    if quiet_because is not None and quiet_because not in SILENCE:
        raise ValueError(f"quiet_because is {quiet_because!r}; give one of {', '.join(SILENCE)} or None")
    heard_s = max((t for t in (study.last_s, last_heard_s) if t is not None), default=None)
    because = _quiet_because(study, heard_s, now_s, quiet_because)
    due_s = _due_s(study, now_s, working_on=because == "out_of_coverage")
    near = study.is_plan or (
        due_s is not None
        and because == "out_of_coverage"
        and (due_s.p50 - now_s <= study.planning_horizon_days * DAY_S)
    )
    state = _state(study, near, now_s, heard_s, because)
    quiet = () if because is None else (f"quiet: {SILENCE[because]}",)
    return Assessment(
        study=study,
        now_s=now_s,
        state=state,
        advice=_advice(study, state),
        due_s=due_s,
        last_heard_s=heard_s,
        quiet_s=None if heard_s is None else max(0.0, now_s - heard_s),
        quiet_because=because,
        evidence=(
            *study.evidence,
            *of_age(study.restriction_s, study.hours_in_doubt),
            *of_learning(learned_s, learning_failed_s, now_s),
            *quiet,
        ),
    )


def _due_s(study: Study, now_s: float, *, working_on: bool) -> Quantiles | None:
    """
    The due date. Idle since the last reading: the hours left stay, so the date moves on with the clock.

    working_on : out of coverage, where the machine works all the same: the date stays.
    """
    if study.hours_left is None or study.last_s is None:
        return None
    left = np.array([study.hours_left.p10, study.hours_left.p50, study.hours_left.p90])
    from_s = study.last_s if working_on else max(study.last_s, now_s)
    return quantiles(np.maximum(due_dates_s(left, study.duty, from_s=from_s), now_s))


def _state(study: Study, near: bool, now_s: float, heard_s: float | None, because: str | None) -> str:
    """
    The most urgent truth first: over and due outrank silence, suspicion outranks both.

    But where a suspicion leaves the level believed, over and due are said; the suspicion stands beside.
    """
    level_stands = all(suspicion.cause in LEVEL_STANDS for suspicion in study.suspicions)
    if level_stands and study.level_state in ("over", "due"):
        return study.level_state
    if study.suspicions:
        return "suspect"
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
