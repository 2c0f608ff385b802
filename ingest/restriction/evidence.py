"""Sentences that say what the figures of a housing rest on; pure words, no judgement of their own."""

from __future__ import annotations

from datetime import UTC, datetime

from .duty import Duty
from .fleet import FleetKnowledge
from .lives import Edge, Life
from .reference import Reference
from .status import counted


def evidence_of(
    hours: int,
    reference: Reference,
    edge: Edge | None,
    life: Life,
    duty: Duty,
    knowledge: FleetKnowledge,
    *,
    clean_pa: float | None,
) -> tuple[str, ...]:
    """
    What each figure rests on.

    hours : with readings. edge : where the running life began; None = it was in use when first seen.
    """
    return (
        f"{counted(hours, 'hour')} with readings, {counted(len(life.hours), 'operating row')} in this life",
        *_of_flow(reference),
        "zero learned with the engine off" if reference.zero_known else "zero not seen, taken as 0 Pa",
        f"air density {reference.density}",
        *_of_life(edge, clean_pa),
        _of_lives(knowledge),
        f"duty from {counted(duty.days, 'day')}: {duty.hours_per_day:.1f} h a day",
    )


def _of_lives(knowledge: FleetKnowledge) -> str:
    complete = sum(life.complete for life in knowledge.lives)
    others = len(knowledge.lives) - complete
    if not knowledge.lives:
        return "no lives to learn from"
    reached = counted(complete, "life", "lives")
    return f"forecast learned from {reached} seen to terminal and {others:,} running or ended before"


#: what a machine is scaled by -> what makes an entered reference flow of another kind count
_TO_BE_USED = {
    "none": "report engine_speed, boost_pressure or air_mass_flow",
    "engine_speed": "enter it as engine_speed",
    "speed_density": "report air_mass_flow and enter it as that, because speed alone is no flow under boost",
    "air_mass_flow": "enter it as air_mass_flow",
}


def _of_flow(reference: Reference) -> list[str]:
    return [*_of_scale(reference), *_of_unused(reference)]


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
    whose = "entered" if reference.reference_entered else "learned from the highest flows seen"
    return [
        f"scaled by {reference.flow_kind} with exponent {reference.exponent:.2f} ({how})",
        f"reference flow {whose}",
    ]


def _of_life(edge: Edge | None, clean_pa: float | None) -> list[str]:
    if edge is None:
        if clean_pa is None:
            return []
        return ["element in use when first seen: its clean level is taken from its kind, or its first hours"]
    if edge.entered:
        return []
    day = f"{datetime.fromtimestamp(edge.at_s, UTC):%Y-%m-%d}"
    if edge.likely == "cleaned":
        return [
            f"the level fell part of the way on {day}: the element was likely cleaned; enter what was done"
        ]
    return [f"the level fell to a clean one on {day}: enter the change if the element was changed"]
