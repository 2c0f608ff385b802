"""
One call for everything a housing's page says: how loaded, which state, how long left, and why.

Promises: pure; equal summaries, changes, fleet snapshot and `now_s` give equal results, whatever the order
in which readings arrived. Says with each figure what it rests on.
Leaves to others: storing, showing, and who may ask.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from .atmosphere import standard_pressure_pa
from .changes import find_changes
from .duty import DAY_S, Duty, due_dates_s, learn_duty
from .fleet import FleetKnowledge
from .lives import Life, clean_level_pa, split_lives
from .reference import HourlyRestriction, Reference, at_reference_flow, learn_reference
from .status import ADVICE, SILENCE, SUSPECT_ADVICE, level_state, smoothed
from .summary import HOUR_S, FloatArray, HourSummary

RUNNING_IN_HOURS = 5.0  # chosen: the flow range and the clean level show within a shift
RUNNING_IN_ROWS = 3
QUIET_S = 2 * HOUR_S  # quieter than that is worth a word
SILENT_S = {"keyed_off": 14 * DAY_S, "out_of_coverage": 4 * DAY_S, "device_fault": 0.0, "unknown": 2 * DAY_S}
PLAUSIBLE_TERMINAL_PA = (
    2_000.0,
    12_000.0,
)  # engine makers state 3.7 to 7.6 kPa (15 to 30 inH2O; service manuals)
BELOW_CLEAN_SHARE = (
    0.6  # of the clean level; fog and light work raise or scatter it, nothing honest halves it
)
ZERO_MOVED_SHARE = 0.05  # of terminal
ENTRY_NEAR_ROWS = 100  # operating hours between what a person entered and what the data show
AMBIENT_MISFIT_PA = 6_000.0  # twice what weather does at one place (common practice)


@dataclass(frozen=True, kw_only=True)
class Quantiles:
    """10, 50 and 90 % points."""

    p10: float
    p50: float
    p90: float


@dataclass(frozen=True, kw_only=True)
class Suspicion:
    """A cause for mistrust with what shows it."""

    cause: str  # a key of status.SUSPECT_ADVICE
    evidence: str


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
    duty_hours_per_day: float
    duty_days: int
    lives_learned_from: int
    last_heard_s: float | None
    quiet_s: float | None
    quiet_because: str | None  # keyed_off, out_of_coverage, device_fault or unknown; None while heard
    changes_found_s: tuple[float, ...]  # falls like a new element that nobody entered: ask a person
    evidence: tuple[str, ...]  # sentences: what each figure rests on

    def as_record(self) -> dict[str, Any]:
        """A plain dict for JSON."""
        record = asdict(self)
        record["evidence"] = list(self.evidence)
        record["changes_found_s"] = list(self.changes_found_s)
        record["suspicions"] = [asdict(suspicion) for suspicion in self.suspicions]
        return record


def assess_housing(
    summaries: Sequence[HourSummary],
    *,
    terminal_pa: float | None,
    changes: Sequence[float] = (),
    fleet: FleetKnowledge | None = None,
    now_s: float,
    machine: str = "",
    kind: str = "",
    reference_flow: float | None = None,
    planning_horizon_days: float = 14.0,
    last_heard_s: float | None = None,
    quiet_because: str | None = None,
    plausible_terminal_pa: tuple[float, float] | None = PLAUSIBLE_TERMINAL_PA,
) -> Assessment:
    """
    Assess one housing from its hourly summaries.

    summaries : of one housing, any order; one per hour.
    terminal_pa : terminal restriction that holds now; None = not entered, then no share and no forecast. [Pa]
    changes : instants of element changes entered by a person, seconds since 1970-01-01 UTC.
    fleet : snapshot of lives to learn from; None = nothing learned, the forecast is wide.
    now_s : the present, seconds since 1970-01-01 UTC.
    machine, kind : labels for weighting the fleet's lives.
    reference_flow : flow at which terminal is stated, in the proxy's unit; None = learned (95 % point).
    last_heard_s : last sign of life if later than the last reading (a status post).
    quiet_because : what the server knows of a quiet machine (keyed_off, out_of_coverage, device_fault);
        None = judge by the last reading.
    plausible_terminal_pa : range outside which the terminal value is suspect; None = do not check.
    """
    if terminal_pa is not None and not terminal_pa > 0:
        raise ValueError(f"terminal_pa is {terminal_pa}; it must be above 0, see the engine maker's manual")
    if quiet_because is not None and quiet_because not in SILENCE:
        raise ValueError(f"quiet_because is {quiet_because!r}; give one of {', '.join(SILENCE)} or None")
    ordered = sorted(summaries, key=lambda summary: summary.hour_s)
    reference = learn_reference(ordered, reference_flow=reference_flow)
    series = at_reference_flow(ordered, reference)
    found_s = _changes_found_s(series, changes)
    lives = split_lives(
        series,
        changes_s=[*changes, *found_s],
        terminal_pa=terminal_pa or np.inf,
        machine=machine,
        kind=kind,
    )
    life = lives[-1]
    level = smoothed(life.restriction_pa)
    clean_pa = clean_level_pa(life)
    share = _share_used(level, clean_pa, terminal_pa)
    seen_enough = len(level) >= RUNNING_IN_ROWS and float(life.hours[-1]) >= RUNNING_IN_HOURS
    duty = learn_duty(ordered, now_s=now_s)
    knowledge = fleet or FleetKnowledge()
    last_s = max((s.last_s for s in ordered), default=None)
    heard_s = max((t for t in (last_s, last_heard_s) if t is not None), default=None)
    because = _quiet_because(ordered, heard_s, now_s, quiet_because)
    hours_left = due_s = None
    if terminal_pa is not None and len(level):
        left = knowledge.forecaster.hours_left(
            life.hours, life.restriction_pa, terminal_pa=terminal_pa, kind=kind, machine=machine
        )[-1]
        hours_left = _quantiles(left)
        working_on = because == "out_of_coverage"
        dates = due_dates_s(
            left, duty, from_s=last_s or now_s, now_s=(last_s or now_s) if working_on else now_s
        )
        due_s = _quantiles(np.maximum(dates, now_s))
    suspicions = _suspicions(ordered, life, reference, clean_pa, terminal_pa, plausible_terminal_pa)
    state = _state(share, seen_enough, suspicions, due_s, now_s, planning_horizon_days, heard_s, because)
    return Assessment(
        now_s=now_s,
        state=state,
        advice=SUSPECT_ADVICE[suspicions[0].cause] if state == "suspect" else ADVICE[state],
        suspicions=suspicions,
        restriction_pa=float(level[-1]) if len(level) else None,
        basis=reference.basis,
        reference=reference,
        clean_pa=clean_pa,
        terminal_pa=terminal_pa,
        share_used_percent=max(0.0, 100 * float(share[-1])) if len(share) else None,
        life_hours=float(life.hours[-1]) if len(life.hours) else None,
        hours_left=hours_left,
        due_s=due_s,
        duty_hours_per_day=duty.hours_per_day,
        duty_days=duty.days,
        lives_learned_from=len(knowledge.lives),
        last_heard_s=heard_s,
        quiet_s=None if heard_s is None else max(0.0, now_s - heard_s),
        quiet_because=because,
        changes_found_s=found_s,
        evidence=_evidence(ordered, reference, life, duty, knowledge, because),
    )


def housing_lives(
    summaries: Sequence[HourSummary],
    *,
    terminal_pa: float,
    changes: Sequence[float] = (),
    machine: str = "",
    kind: str = "",
    reference_flow: float | None = None,
) -> list[Life]:
    """
    The lives of one housing, the running one last, for `learn_fleet`. Arguments as in `assess_housing`.
    """
    ordered = sorted(summaries, key=lambda summary: summary.hour_s)
    reference = learn_reference(ordered, reference_flow=reference_flow)
    series = at_reference_flow(ordered, reference)
    every = [*changes, *_changes_found_s(series, changes)]
    return split_lives(series, changes_s=every, terminal_pa=terminal_pa, machine=machine, kind=kind)


def _changes_found_s(series: HourlyRestriction, entered: Sequence[float]) -> tuple[float, ...]:
    """Sustained falls without an entry near them; those of an envelope are left to a person altogether."""
    if len(series.hour_s) == 0 or np.all(np.isnan(series.flow_ratio)):
        return ()
    rows = [change.row for change in find_changes(series.restriction_pa) if change.sure == "high"]
    known = np.searchsorted(series.hour_s, np.asarray(entered, dtype=np.float64))
    return tuple(
        float(series.hour_s[row]) for row in rows if not np.any(np.abs(known - row) <= ENTRY_NEAR_ROWS)
    )


def _quantiles(points: FloatArray) -> Quantiles:
    return Quantiles(p10=float(points[0]), p50=float(points[1]), p90=float(points[2]))


def _share_used(level_pa: FloatArray, clean_pa: float | None, terminal_pa: float | None) -> FloatArray:
    """(R - clean) / (terminal - clean), shape of level_pa; empty where it cannot be said. [1]"""
    if clean_pa is None or terminal_pa is None:
        return np.empty(0)
    if clean_pa >= terminal_pa:  # a life that begins beyond terminal: nothing of the span is left
        return level_pa / terminal_pa
    return (level_pa - clean_pa) / (terminal_pa - clean_pa)


def _state(
    share: FloatArray,
    seen_enough: bool,
    suspicions: Sequence[Suspicion],
    due_s: Quantiles | None,
    now_s: float,
    planning_horizon_days: float,
    heard_s: float | None,
    because: str | None,
) -> str:
    """The most urgent truth first: over and due outrank silence, suspicion outranks both."""
    if suspicions:
        return "suspect"
    level = level_state(share) if seen_enough else "serving"
    if level in ("over", "due"):
        return level
    if heard_s is None or (because is not None and now_s - heard_s >= SILENT_S[because]):
        return "silent"
    if not seen_enough or due_s is None:
        return "running-in"
    return "plan" if due_s.p50 - now_s <= planning_horizon_days * DAY_S else "serving"


def _quiet_because(
    ordered: Sequence[HourSummary], heard_s: float | None, now_s: float, told: str | None
) -> str | None:
    """Why nothing is heard; None while it is. What the server knows goes before the last reading."""
    if heard_s is None:
        return told or "unknown"
    if now_s - heard_s < QUIET_S:
        return None
    if told is not None:
        return told
    if (
        ordered
        and ordered[-1].evidence in ("engine_speed", "supply_voltage")
        and not ordered[-1].last_running
    ):
        return "keyed_off"
    return "unknown"


def _suspicions(
    ordered: Sequence[HourSummary],
    life: Life,
    reference: Reference,
    clean_pa: float | None,
    terminal_pa: float | None,
    plausible_terminal_pa: tuple[float, float] | None,
) -> tuple[Suspicion, ...]:
    """All causes that the data show, gravest first."""
    found: list[Suspicion] = []
    level = life.restriction_pa
    if clean_pa is not None and clean_pa > 0 and len(level) >= 2 * RUNNING_IN_ROWS:
        recent = float(np.median(level[-RUNNING_IN_ROWS:]))
        if recent < BELOW_CLEAN_SHARE * clean_pa and np.all(level[-RUNNING_IN_ROWS:] < 0.8 * clean_pa):
            found.append(
                Suspicion(
                    cause="below_clean",
                    evidence=f"{recent:.0f} Pa lately, {clean_pa:.0f} Pa with the element clean",
                )
            )
    drift_pa = reference.zero_drift_pa
    if terminal_pa is not None and drift_pa is not None and abs(drift_pa) > ZERO_MOVED_SHARE * terminal_pa:
        found.append(Suspicion(cause="zero_moved", evidence=f"reading at rest moved by {drift_pa:+.0f} Pa"))
    found.extend(_flat(ordered[-24:], reference))
    found.extend(_ambient_misfit(ordered[-24:]))
    if terminal_pa is not None and plausible_terminal_pa is not None:
        low, high = plausible_terminal_pa
        if not low <= terminal_pa <= high:
            found.append(
                Suspicion(
                    cause="terminal",
                    evidence=f"terminal is {terminal_pa / 1000:.2f} kPa "
                    f"({terminal_pa / 249.08891:.1f} inH2O); "
                    f"diesel engines have {low / 1000:.0f} to {high / 1000:.0f} kPa",
                )
            )
    return tuple(found)


def _flat(recent: Sequence[HourSummary], reference: Reference) -> list[Suspicion]:
    """Flow varied by half and more within hours, restriction did not follow."""
    ratios = []
    for summary in recent:
        bins = [b for b in summary.bins if b.readings >= 3]
        if len(bins) >= 2 and bins[-1].flow >= 1.5 * bins[0].flow:
            step_pa = bins[-1].mean_pa - bins[0].mean_pa
            ratios.append(step_pa / max(bins[-1].mean_pa - reference.zero_pa, 1e-9))
    percent = 100 * float(np.median(ratios)) if ratios else 100.0
    if len(ratios) >= RUNNING_IN_ROWS and percent < 10:
        return [
            Suspicion(
                cause="flat",
                evidence=f"flow rose by half or more, restriction by {percent:.0f} % of itself",
            )
        ]
    return []


def _ambient_misfit(recent: Sequence[HourSummary]) -> list[Suspicion]:
    misfit = [
        s.ambient_pressure_pa - float(standard_pressure_pa(s.altitude_m))
        for s in recent
        if s.ambient_pressure_pa is not None and s.altitude_m is not None
    ]
    off_pa = float(np.median(misfit)) if misfit else 0.0
    if len(misfit) >= RUNNING_IN_ROWS and abs(off_pa) > AMBIENT_MISFIT_PA:
        return [
            Suspicion(
                cause="ambient",
                evidence=f"ambient pressure is {off_pa / 1000:+.1f} kPa off the standard atmosphere",
            )
        ]
    return []


def _evidence(
    ordered: Sequence[HourSummary],
    reference: Reference,
    life: Life,
    duty: Duty,
    knowledge: FleetKnowledge,
    because: str | None,
) -> tuple[str, ...]:
    """Sentences that say what the figures rest on."""
    lines = [f"{len(ordered)} hours with readings, {len(life.hours)} operating rows in this life"]
    if reference.basis == "flow":
        how = "fitted on this machine" if reference.exponent_fitted else "assumed, too few flow steps"
        lines.append(f"scaled by {reference.flow_kind} with exponent {reference.exponent:.2f} ({how})")
    elif reference.basis == "envelope":
        lines.append("no flow proxy: the upper envelope of each operating hour stands for full flow")
    lines.append(
        "zero learned with the engine off" if reference.zero_known else "zero not seen, taken as 0 Pa"
    )
    lines.append(f"air density {reference.density}")
    lines.append(
        f"forecast learned from {len(knowledge.lives)} lives" if knowledge.lives else "no lives to learn from"
    )
    lines.append(f"duty from {duty.days} days: {duty.hours_per_day:.1f} h a day")
    if because is not None:
        lines.append(f"quiet: {SILENCE[because]}")
    return tuple(lines)
