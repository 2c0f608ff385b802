"""
What people enter of element changes: right, late, twice, at the wrong machine, or not at all.

The shares were fixed before anything was scored.
Nearly half of the changes have no entry, so that there are enough of them to count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tests.fleets.truth import DAY_S, HOUR_S, Change, Entry, EntryIs, Machine, Work

#: chosen, no source
SHARES = {
    EntryIs.RIGHT: 0.28,
    EntryIs.LATE: 0.10,
    EntryIs.DOUBLED: 0.07,
    EntryIs.WRONG_MACHINE: 0.09,
    None: 0.46,
}
LATE_DAYS = (1.0, 5.0)
DATED_LATE = 0.5  # of the late ones: the day of the entry stands for that of the work
OFF_BY_S = 1_800.0  # of a time that a person remembers, either way


def enter(
    machines: Sequence[Machine], chance: np.random.Generator, *, careful: frozenset[str] = frozenset()
) -> list[Machine]:
    """
    The machines with what people entered at each of them.

    careful : names of machines whose changes are all entered right, and where no other's are entered.
    """
    entries: dict[str, list[Entry]] = {machine.name: [] for machine in machines}
    noted: list[Machine] = []
    for machine in machines:
        changes = []
        for change in machine.changes:
            kind = _kind(change, chance, is_careful=machine.name in careful)
            is_own = kind in (EntryIs.RIGHT, EntryIs.LATE, EntryIs.DOUBLED)
            changes.append(replace(change, is_entered=is_own))
            if kind is not None:
                others = [m.name for m in machines if m is not machine and m.name not in careful]
                at = machine.name if is_own or not others else str(chance.choice(others))
                entries[at] += _entries(machine, change, kind, chance)
        noted.append(replace(machine, changes=tuple(changes)))
    return [
        replace(machine, entries=tuple(sorted(entries[machine.name], key=lambda e: e.entered_s)))
        for machine in noted
    ]


def _kind(change: Change, chance: np.random.Generator, *, is_careful: bool) -> EntryIs | None:
    """How people enter some work. A torn element was meant as a new one; a missing one has no entry."""
    if change.work not in (Work.NEW, Work.CLEANED, Work.TORN):
        return None
    if is_careful:
        return EntryIs.RIGHT
    kinds = list(SHARES)
    return kinds[int(chance.choice(len(kinds), p=list(SHARES.values())))]


def _entries(machine: Machine, change: Change, kind: EntryIs, chance: np.random.Generator) -> list[Entry]:
    changed_s = change.at_s + chance.uniform(-OFF_BY_S, OFF_BY_S)
    entered_s = change.at_s + chance.uniform(1.0, 8.0) * HOUR_S
    if kind is EntryIs.LATE:
        entered_s += chance.uniform(*LATE_DAYS) * DAY_S
        changed_s = entered_s if chance.random() < DATED_LATE else changed_s
    what = "cleaned" if change.work is Work.CLEANED else "new"
    first = Entry(
        entered_s=entered_s,
        changed_s=changed_s,
        what=what,
        entry_id=f"{machine.name}-{int(change.at_s)}",
        kind=kind,
    )
    if kind is not EntryIs.DOUBLED:
        return [first]
    again_s = chance.uniform(0.2, 20.0) * HOUR_S
    return [
        first,
        replace(
            first,
            entered_s=entered_s + again_s,
            changed_s=changed_s - chance.uniform(0.0, 2.0) * HOUR_S,
            entry_id=f"{first.entry_id}-2",
        ),
    ]
