"""
The evidence behind the figures of a housing, as codes and values; no judgement of its own.

Leaves to others: the sentences (`plain_forms`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, replace

from cleanside.ingest.restriction.elements.entries import DENIED, FITS, WeighedEntry
from cleanside.ingest.restriction.elements.explain import LOW, OFF
from cleanside.ingest.restriction.elements.lives import LifeSpan
from cleanside.ingest.restriction.elements.openings import WeighedStep
from cleanside.ingest.restriction.forecast.duty import Duty
from cleanside.ingest.restriction.forecast.fleet_knowledge import FleetKnowledge
from cleanside.ingest.restriction.measure.reference import Reference
from cleanside.ingest.restriction.measure.summary import DAY_S, HOUR_S, Summaries
from cleanside.ingest.restriction.verdict.entry_words import of_entry
from cleanside.ingest.restriction.verdict.statement import Statement, say

FAULTS = frozenset((LOW, OFF))  # by which dust reaches the engine
STRANGE_SAID = 0.5  # more likely an outlier than not (arithmetic)
NOTE_HOLDS = 0.5  # more likely right than not (arithmetic)
STEPS_SAID = 2  # falls that are not explained for sure, the newest (chosen)
LEAST_RAISED = 0.01  # of the level; less does not show on a gauge (chosen)


def evidence_of(
    table: Summaries,
    reference: Reference,
    life: LifeSpan | None,
    judged_hours: int,
    duty: Duty,
    knowledge: FleetKnowledge,
    *,
    clean_pa: float | None,
    terminal_pa: float | None,
    strange: float,
    entries: Sequence[WeighedEntry] = (),
    weighed: Sequence[WeighedStep] = (),
    warned: bool = False,
    noted: tuple[float, float] | None = None,
) -> tuple[Statement, ...]:
    """
    The evidence behind each figure.

    life : the running one; None = nothing was seen. judged_hours : of it, fit to judge by.
    strange : outlier probability: that its element loads like none of those learned from, 0 to 1.
    entries : what people entered, as weighed. weighed : falls that a person is asked about.
    warned : a person is warned that no sound element is in the stream now.
    noted : what a person noted of a new element [Pa], and how likely that holds; None: nothing was noted.
    """
    # Beside the warning nothing is said of a clean element: the fall with which the life began is the fault.
    warned_of = warned and life is not None and any(_began_with(step, life) for step in weighed)
    return (
        *((say("no_limit"),) if terminal_pa is None else ()),
        *(of_entry(entry) for entry in entries if entry.is_question),
        *_of_note(noted),
        *(say("change_denied", at_s=entry.entry.at_s) for entry in entries if _is_denied(entry, life)),
        say("hours_judged", hours=len(table), judged_hours=judged_hours),
        *_of_flow(reference),
        say("zero_learned" if reference.zero_known else "zero_not_seen"),
        _of_air(reference),
        *(() if life is None or warned_of else _of_life(life, clean_pa, entries)),
        *(_of_step(step, warned=warned) for step in weighed[-STEPS_SAID:]),
        *_of_lives(knowledge, strange),
        _of_duty(duty),
    )


def _began_with(step: WeighedStep, life: LifeSpan) -> bool:
    return life.began_by not in ("", "entered") and abs(step.at_s - life.start_s) <= HOUR_S


def _of_step(step: WeighedStep, *, warned: bool) -> Statement:
    """What most likely happened; where a person is warned of a fault, the fault first, as in the advice."""
    if not warned or step.likely in FAULTS or step.runner not in FAULTS:
        return say("step_weighed", **asdict(step))
    turned = replace(
        step,
        likely=step.runner,
        chance=step.runner_chance,
        runner=step.likely,
        runner_chance=step.chance,
    )
    return say("step_warned", **asdict(turned))


def of_learning(learned_s: float | None, failed_s: float | None, now_s: float) -> tuple[Statement, ...]:
    """
    How old the fleet snapshot is, and whether learning fails.

    learned_s, failed_s : None = nothing was learned; the last learning did not fail. [s since 1970 UTC]
    """
    statements = []
    if learned_s is not None:
        days = int(max(0.0, now_s - learned_s) // DAY_S)
        statements.append(say("learned", learned_s=learned_s, days=days))
    if failed_s is not None:
        statements.append(say("learning_failed", failed_s=failed_s))
    return tuple(statements)


def of_silence(
    because: str | None,
    heard_s: float | None,
    may_have_worked_h: float,
    waiting: int,
    stands_from_s: float | None = None,
    received_s: float | None = None,
) -> tuple[Statement, ...]:
    """
    What is known of a machine without data, and what is not.

    because : a key of assess.SILENT_S; None = readings arrive.
    heard_s : last sign of life, seconds since 1970-01-01 UTC; None = never.
    may_have_worked_h : since the last reading, as a rule. [h]
    waiting : readings that its gateway has not sent yet, as it reported.
    stands_from_s : the day from which it is laid up now; None = it is not. [s since 1970 UTC]
    received_s : when something was received last; None = not known. [s since 1970 UTC]
    """
    if because is None:
        return ()
    statements = [say("quiet", because=because, heard_s=heard_s)]
    if because == "backlog_arrives":
        statements = [say("backlog_arrives", measured_s=heard_s, received_s=received_s)]
    if waiting:
        statements.append(say("readings_waiting", waiting=waiting))
    if may_have_worked_h >= 1.0:
        statements.append(say("work_not_read", hours=round(may_have_worked_h)))
    if stands_from_s is not None:
        statements.append(
            say("stands_laid_up", from_s=stands_from_s + DAY_S / 2)
        )  # noon is of that day anywhere
    return tuple(statements)


def of_age(restriction_s: float | None, hours_in_doubt: float) -> tuple[Statement, ...]:
    """The instant of the level, where newer readings are in doubt. [s since 1970 UTC], [h]"""
    if restriction_s is None or hours_in_doubt < 1.0:
        return ()
    return (say("level_of_earlier", restriction_s=restriction_s, hours=round(hours_in_doubt)),)


def just_below_limit(share: float, leave_share: float, late_h: float) -> Statement:
    """Why an element is over the limit though its level is below: it was beyond, and hardly fell since."""
    return say("just_below_limit", share=share, leave_share=leave_share, late_h=late_h)


def _of_duty(duty: Duty) -> Statement:
    if duty.days == 0:
        return say("duty_assumed", hours_per_day=duty.hours_per_day)
    return say("duty_seen", days=duty.days, hours_per_day=duty.hours_per_day)


def _of_lives(knowledge: FleetKnowledge, strange: float) -> list[Statement]:
    if not knowledge.lives:
        return [say("no_lives")]
    complete = knowledge.complete_lives
    learned = say("lives_learned", complete=complete, others=len(knowledge.lives) - complete)
    return [learned] if strange <= STRANGE_SAID else [learned, say("outlier")]


def _of_flow(reference: Reference) -> list[Statement]:
    return [*_of_scale(reference), *_of_unused(reference)]


def _of_air(reference: Reference) -> Statement:
    if reference.site_kg_m3 is None:
        return say("air_unknown")
    return say(
        "air_known",
        site_kg_m3=reference.site_kg_m3,
        evened_by=reference.density,
        standard_air_share=reference.standard_air_share,
    )


def _of_unused(reference: Reference) -> list[Statement]:
    if reference.entered_unused is None or reference.basis == "none":
        return []
    kind = reference.flow_kind
    return [say("reference_unused", entered_kind=reference.entered_unused, flow_kind=kind)]


def _of_scale(reference: Reference) -> list[Statement]:
    peaks = [say("sensor_misses_peaks")] if reference.gauge_lags else []
    if reference.basis == "envelope":
        return [say("flow_envelope"), *peaks, *_of_shortfall(reference)]
    if reference.basis == "none":
        return []
    if reference.by_means:
        by_means = say("sensor_follows_slowly", exponent=reference.exponent)
        return [by_means, _of_reference_flow(reference), *_of_shortfall(reference)]
    scaled = say(
        "flow_scaled",
        flow_kind=reference.flow_kind,
        exponent=reference.exponent,
        exponent_fitted=reference.exponent_fitted,
    )
    return [scaled, *peaks, _of_reference_flow(reference), *_of_shortfall(reference)]


def _of_note(noted: tuple[float, float] | None) -> list[Statement]:
    """What a person noted of a new element; a question where it hardly holds."""
    if noted is None:
        return []
    shown_pa, holds = noted
    return [say("clean_noted" if holds >= NOTE_HOLDS else "clean_noted_doubted", shown_pa=shown_pa)]


def _of_shortfall(reference: Reference) -> list[Statement]:
    """That levels are raised to full flow by more than a gauge shows; empty: they are not."""
    if abs(reference.raised - 1.0) < LEAST_RAISED:
        return []
    return [say("raised_to_full_flow", factor=reference.raised)]


def _of_reference_flow(reference: Reference) -> Statement:
    if reference.reference_entered:
        return say("reference_entered")
    if reference.response_spread is not None:
        return say("reference_full_load")
    if reference.flow_kind != "engine_speed" or reference.reference_flow is None:
        return say("reference_learned")
    code = "reference_speed_idle" if reference.of_idle_only else "reference_speed_learned"
    return say(code, reference_rad_s=reference.reference_flow)


def _is_denied(entry: WeighedEntry, life: LifeSpan | None) -> bool:
    """True if it denies a change in the running life: the figures then depend on that person's word."""
    return entry.verdict == DENIED and life is not None and entry.entry.at_s >= life.start_s


def _of_life(life: LifeSpan, clean_pa: float | None, entries: Sequence[WeighedEntry]) -> list[Statement]:
    if life.began_by == "":
        return [] if clean_pa is None else [say("in_use_when_first_seen")]
    if life.began_by == "entered":
        return [of_entry(e) for e in entries if e.used_s == life.start_s and e.verdict != FITS]
    code = "fell_part_of_the_way" if life.began == "cleaned" else "fell_to_clean"
    return [say(code, start_s=life.start_s, sure=life.sure)]
