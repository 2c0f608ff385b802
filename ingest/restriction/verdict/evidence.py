"""Sentences that say what the figures of a housing rest on; pure words, no judgement of their own."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime

from cleanside.ingest.restriction.elements.entries import FITS, WeighedEntry
from cleanside.ingest.restriction.elements.lives import LifeSpan
from cleanside.ingest.restriction.forecast.duty import Duty
from cleanside.ingest.restriction.forecast.fleet_knowledge import FleetKnowledge
from cleanside.ingest.restriction.measure.reference import Reference
from cleanside.ingest.restriction.measure.summary import DAY_S, Summaries
from cleanside.ingest.restriction.measure.words import counted
from cleanside.ingest.restriction.verdict.entry_words import words_of
from cleanside.ingest.restriction.verdict.status import SILENCE

STRANGE_SAID = 0.5  # more likely strange than not


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
) -> tuple[str, ...]:
    """
    What each figure rests on.

    life : the running one; None = nothing was seen. judged_hours : of it, fit to judge by.
    strange : probability that its element loads like none of those learned from, 0 to 1.
    entries : what people entered, as weighed.
    """
    hours = counted(len(table), "hour")
    return (
        *(
            ["no terminal restriction is entered: no share used and no forecast"]
            if terminal_pa is None
            else ()
        ),
        *(words_of(entry) for entry in entries if entry.is_question),
        f"{hours} with readings, {judged_hours:,} at work and fit to judge this element by",
        *_of_flow(reference),
        "zero learned with the engine off" if reference.zero_known else "zero not seen, taken as 0 Pa",
        _of_air(reference),
        *(() if life is None else _of_life(life, clean_pa, entries)),
        *_of_lives(knowledge, strange),
        _of_duty(duty),
    )


def of_learning(learned_s: float | None, failed_s: float | None, now_s: float) -> tuple[str, ...]:
    """
    How old what the fleet taught is, and whether learning fails.

    learned_s, failed_s : None = nothing was learned; the last learning did not fail. [s since 1970 UTC]
    """
    told = []
    if learned_s is not None:
        days = int(max(0.0, now_s - learned_s) // DAY_S)
        told.append(f"the fleet was last learned from on {_minute(learned_s)}, {counted(days, 'day')} ago")
    if failed_s is not None:
        told.append(
            f"learning from the fleet failed on {_minute(failed_s)}: what was learned before is used; "
            "the server's log says why (ingest.learning_failed)"
        )
    return tuple(told)


def of_silence(because: str | None, may_have_worked_h: float, waiting: int) -> tuple[str, ...]:
    """
    What is known of a quiet machine and what is not.

    because : a key of SILENCE; None = it is heard. may_have_worked_h : since the last reading, as a rule. [h]
    waiting : readings that its gateway is known to hold.
    """
    if because is None:
        return ()
    told = [f"quiet: {SILENCE[because]}"]
    if waiting:
        told.append(f"{counted(waiting, 'reading')} known to wait at its gateway")
    if may_have_worked_h >= 1.0:
        hours = counted(round(may_have_worked_h), "hour")
        told.append(f"nothing was read in {hours} of its usual work: the due date is as wide as that")
    return tuple(told)


def of_age(restriction_s: float | None, hours_in_doubt: float) -> tuple[str, ...]:
    """Which instant the level is of, where newer readings are in doubt. [s since 1970 UTC], [h]"""
    if restriction_s is None or hours_in_doubt < 1.0:
        return ()
    hours = counted(round(hours_in_doubt), "operating hour")
    return (f"the level is that of {_minute(restriction_s)}: the readings of {hours} since are in doubt",)


def _minute(at_s: float) -> str:
    return f"{datetime.fromtimestamp(at_s, UTC):%Y-%m-%d %H:%M} UTC"


def just_below_limit(share: float, leave_share: float, late_h: float) -> str:
    """Why an element is over the limit though its level lies below: it was beyond, and hardly fell."""
    return (
        f"over limit, though now at {100 * share:.0f} %: the level was beyond it and has hardly fallen, "
        f"so the state stays until it is below {100 * leave_share:.0f} %; most likely no hours are left, "
        f"{late_h:.1f} h at the latest"
    )


def _of_duty(duty: Duty) -> str:
    if duty.days == 0:
        return f"no duty seen yet: {duty.hours_per_day:.1f} h a day assumed"
    return f"duty from {counted(duty.days, 'day')}: {duty.hours_per_day:.1f} h a day"


def _of_lives(knowledge: FleetKnowledge, strange: float) -> list[str]:
    complete = sum(life.complete for life in knowledge.lives)
    others = len(knowledge.lives) - complete
    if not knowledge.lives:
        return ["no lives to learn from"]
    reached = counted(complete, "life", "lives")
    learned = f"forecast learned from {reached} seen to terminal and {others:,} running or ended before"
    if strange <= STRANGE_SAID:
        return [learned]
    return [
        learned,
        "this element loads at another pace than those: its own curve counts, within wide bounds",
    ]


#: what a machine is scaled by -> what makes an entered reference flow of another kind count
_TO_BE_USED = {
    "none": "report engine_speed, boost_pressure or air_mass_flow",
    "engine_speed": "enter it as engine_speed",
    "speed_density": "report air_mass_flow and enter it as that, because speed alone is no flow under boost",
    "air_mass_flow": "enter it as air_mass_flow",
}


def _of_flow(reference: Reference) -> list[str]:
    return [*_of_scale(reference), *_of_unused(reference)]


_EVENED_BY = {"corrected": "ambient pressure", "from altitude": "altitude and temperature"}


def _of_air(reference: Reference) -> str:
    if reference.site_kg_m3 is None:
        return "air density not known: the level moves a little with the weather"
    by = _EVENED_BY[reference.density]
    site = f"stated in the air of this site, {reference.site_kg_m3:.2f} kg/m³, weather evened out by {by}"
    return f"{site}; standard air would show {reference.standard_air_share:.2f} of it"


def _of_unused(reference: Reference) -> list[str]:
    if reference.entered_unused is None or reference.basis == "none":
        return []
    by = "by no flow" if reference.flow_kind == "none" else f"by {reference.flow_kind}"
    return [
        f"the reference flow entered is one of {reference.entered_unused} and is not used, "
        f"as this machine is scaled {by}: {_TO_BE_USED[reference.flow_kind]}"
    ]


def _of_scale(reference: Reference) -> list[str]:
    if reference.basis == "envelope":
        return ["no flow proxy: the upper envelope of each operating hour stands for full flow"]
    if reference.basis == "none":
        return []
    how = "fitted on this machine" if reference.exponent_fitted else "assumed, too few flow steps"
    return [
        f"scaled by {reference.flow_kind} with exponent {reference.exponent:.2f} ({how})",
        f"reference flow {_whose(reference)}",
    ]


def _whose(reference: Reference) -> str:
    if reference.reference_entered:
        return "entered"
    learned = "learned from the highest flows seen"
    if reference.flow_kind != "engine_speed" or reference.reference_flow is None:
        return learned
    speed = f"{reference.reference_flow * 30 / math.pi:.0f} r/min"
    if reference.of_idle_only:
        return f"{learned}, {speed}: that is idle, the level at work is not known yet"
    return f"{learned}, {speed}"


def _of_life(life: LifeSpan, clean_pa: float | None, entries: Sequence[WeighedEntry]) -> list[str]:
    day = f"{datetime.fromtimestamp(life.start_s, UTC):%Y-%m-%d}"
    if life.began_by == "":
        if clean_pa is None:
            return []
        return ["element in use when first seen: its clean level is taken from its kind, or its first hours"]
    if life.began_by == "entered":
        return [words_of(e) for e in entries if e.used_s == life.start_s and e.verdict != FITS]
    sure = "" if life.sure == "high" else " (too few hours since to be sure)"
    if life.began == "cleaned":
        what = "the element was likely cleaned; enter a change if it was a new one"
        return [f"the level fell part of the way on {day}{sure}: {what}"]
    return [f"the level fell to a clean one on {day}{sure}: enter the change if the element was changed"]
