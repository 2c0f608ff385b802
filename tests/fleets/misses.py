"""
Faults of a made fleet that were not told in a day's work, or not until their repair, each with its reason.

The reason is what the judge took for likely at the first look that counts: another cause, an opening,
moisture, lighter work, no step at all. Pure.
Leaves to others: what counts as missed (`score`), and how the looks were made (`bench_misses`).
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from tests.fleets.observing import Observation
from tests.fleets.score import ACCEPTED, OF_TWO, Watched
from tests.fleets.truth import HOUR_S, Cause, Fault, Fleet, Machine

#: causes that show in the level, and those that show in readings at rest
OF_LEVEL = (Cause.MISSING, Cause.TORN, Cause.TUBE_OFF)
OF_ZERO = (Cause.ZERO_LARGE, Cause.ZERO_SMALL)
LEAST_HOURS = 3  # believed since the fault began; before, no step is weighed
SHOWN_PA = 30.0  # of a moved zero; less is no step at rest
WITHDRAWN, OTHER, FEW, NO_STEP = "told, then withdrawn", "another cause told", "few hours believed", "no step"
NO_REST, SAME_REST, UNDER_BAR = "no rest read since", "rest reads as before", "below the bar"


@dataclass(frozen=True, kw_only=True)
class Held:
    """What the judge took for likely at a look while something was wrong."""

    #: believed since the fault began
    hours: int
    #: probability of a missing or torn element, or a tube off, by the newest hours
    low: float
    #: a person is asked whether a sound element is in
    is_asked: bool
    #: the likeliest happening at the deepest fall since the fault began, its probability and the fall [ln]
    step: tuple[str, float, float] | None
    #: newest level beside what clean elements of the machine should read [ln]
    above_clean: float
    #: readings at rest since the fault began, and how far the newest is from the usual one [Pa]
    rests: int
    moved_pa: float


#: what the judge took for likely, by machine and look
AllHeld = Mapping[tuple[str, float], Held]


@dataclass(frozen=True, kw_only=True)
class Missed:
    """A fault that was not told in a day's work, or not until its repair."""

    machine: Machine
    fault: Fault
    label: str
    reason: str
    held: Held
    #: a later look told it, and stood until the repair
    is_late: bool


def missed_of(
    fleet: Fleet, said: Sequence[Observation], held: AllHeld, causes: Sequence[Cause]
) -> list[Missed]:
    """The faults of these causes that count and were missed."""
    found = []
    for machine in fleet.machines:
        mine = [one for one in said if one.machine == machine.name]
        watched = Watched(machine, mine, fleet)
        for fault in machine.faults:
            counted = watched.found_cause(fault) if fault.cause in causes else None
            if counted is None or (counted.in_time and counted.is_kept):
                continue
            look = watched.looks_during(fault)[0]
            at = held[machine.name, watched.said[look].at_s]
            found.append(
                Missed(
                    machine=machine,
                    fault=fault,
                    label=counted.label,
                    reason=WITHDRAWN if counted.in_time else _reason(fault, watched.said[look], at),
                    held=at,
                    is_late=counted.is_kept,
                )
            )
    return found


def _reason(fault: Fault, one: Observation, held: Held) -> str:
    if one.causes:
        return f"{OTHER}: {', '.join(sorted(one.causes - ACCEPTED[fault.cause] - {OF_TWO}))}"
    if fault.cause in OF_ZERO:
        return NO_REST if held.rests == 0 else SAME_REST if abs(held.moved_pa) < SHOWN_PA else UNDER_BAR
    if held.hours < LEAST_HOURS:
        return FEW
    if held.step is None:
        return NO_STEP
    return UNDER_BAR if held.step[0] in ("low", "off") else f"held for {held.step[0]}"


def missed_lines(missed: Sequence[Missed], fleet: Fleet) -> Iterator[str]:
    """A line for each."""
    for one in missed:
        held, fault = one.held, one.fault
        step = "no step" if held.step is None else "{} {:.2f}, fall {:.2f}".format(*held.step)
        size = "" if np.isnan(fault.size) else f" {fault.size:.2g}"
        yield (
            f"- {one.label}{size}: {fleet.generator} {fleet.seed} {one.machine.name}, {one.machine.proxy}, "
            f"{(fault.repaired_s - fault.begin_s) / HOUR_S / 24:.1f} days. {one.reason}"
            f"{', told later' if one.is_late else ''}{', asked about' if held.is_asked else ''}: "
            f"{held.hours} h believed, {step}, no sound element {held.low:.2f}, "
            f"{held.above_clean:+.2f} beside clean, {held.rests} at rest, moved {held.moved_pa:.0f} Pa"
        )


def reason_lines(missed: Mapping[str, Sequence[Missed]], counted: Mapping[str, Counter[str]]) -> list[str]:
    """
    As Markdown: how many of each label were missed for which reason, by generator.

    missed, counted : by generator; how many of each label count.
    """
    pens = list(missed)
    head = ["cause", "reason", *pens, "told later", "asked about"]
    rows = [head, ["---"] * len(head)]
    for label in sorted({label for of in counted.values() for label in of}):
        mine = {pen: [one for one in missed[pen] if one.label == label] for pen in pens}
        rows.append([label, "all missed", *(f"{len(mine[p])} of {counted[p][label]}" for p in pens), "", ""])
        for reason in sorted({one.reason for some in mine.values() for one in some}):
            alike = [[one for one in some if one.reason == reason] for some in mine.values()]
            every = [one for some in alike for one in some]
            late, asked = sum(one.is_late for one in every), sum(one.held.is_asked for one in every)
            rows.append(["", reason, *(str(len(some)) for some in alike), str(late), str(asked)])
    return [f"| {' | '.join(row)} |" for row in rows]
