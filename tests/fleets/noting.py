"""
What whoever fits a monitor notes of a new element at that machine: right, or wrong in one of three ways.

With a new element in that was looked at, and the machine at full flow, a hand gauge shows its restriction.
The element in use goes back in for the rest of its life, so the truth of a fleet is the same with notes and
without. Drawn by a chance of its own, so that nothing else of a fleet moves.
The shares were fixed before anything was scored. All are chosen, no source, unless one is named.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tests.fleets.truth import CleanNote, Machine, NoteIs
from tests.fleets.upkeep import Element, Physics

SHARES = {NoteIs.RIGHT: 0.78, NoteIs.IN_USE: 0.10, NoteIs.WRONG_MACHINE: 0.06, NoteIs.NOT_FULL_FLOW: 0.06}
#: relative standard error of a hand gauge (common practice: 2 to 3 % of span), and the step of its scale
GAUGE_SPREAD, GAUGE_STEP_PA = 0.03, 50.0
REACHED = (0.92, 1.0)  # of the restriction at full flow: work at full load is hardly steady
LIGHT = (0.35, 0.7)  # of it, at high idle without load: common practice, a turbocharged engine draws less air
USED = (0.15, 0.7)  # of the way from clean to the limit, of an element that was not new


def note_clean(
    machines: Sequence[Machine], physics: Sequence[Physics], share: float, seeds: Sequence[Sequence[int]]
) -> list[Machine]:
    """The machines, with notes at a share of them. seeds : of each machine's own chance."""
    chances = [np.random.default_rng(seed) for seed in seeds]
    clean_pa = [
        _clean_pa(machine, how, chance)
        for machine, how, chance in zip(machines, physics, chances, strict=True)
    ]
    return [
        _noted(machine, number, clean_pa, chance) if chance.random() < share else machine
        for number, (machine, chance) in enumerate(zip(machines, chances, strict=True))
    ]


def _clean_pa(machine: Machine, physics: Physics, chance: np.random.Generator) -> float:
    """At full flow, with the new element that was there for the note."""
    element = Element(made=physics.new_element(machine.evenings.at_s[0], chance))
    return float(physics.dry_pa(element, np.zeros(1))[0])


def _noted(machine: Machine, number: int, clean_pa: Sequence[float], chance: np.random.Generator) -> Machine:
    kinds = list(SHARES)
    kind = kinds[int(chance.choice(len(kinds), p=list(SHARES.values())))]
    used, light, reached = (chance.uniform(*span) for span in (USED, LIGHT, REACHED))
    other = int(chance.integers(len(clean_pa) - 1)) if len(clean_pa) > 1 else number
    own_pa = clean_pa[number]
    level_pa = {
        NoteIs.RIGHT: own_pa,
        NoteIs.IN_USE: own_pa + used * (machine.limit_pa - own_pa),
        NoteIs.WRONG_MACHINE: clean_pa[other + (other >= number)] if len(clean_pa) > 1 else own_pa,
        NoteIs.NOT_FULL_FLOW: light * own_pa,
    }[kind]
    shown_pa = level_pa * reached * (1.0 + chance.normal(0.0, GAUGE_SPREAD))
    steps = max(round(shown_pa / GAUGE_STEP_PA), 1)
    return replace(machine, clean_note=CleanNote(value_pa=steps * GAUGE_STEP_PA, kind=kind))
