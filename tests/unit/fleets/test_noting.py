"""Notes of new elements at made machines: nothing else of a fleet moves, and so many are wrong."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from tests.fleets.making import FOR_TUNING, make_fleet
from tests.fleets.noting import GAUGE_SPREAD, REACHED, SHARES
from tests.fleets.truth import Fleet, Machine, NoteIs

MACHINES = 28


@cache
def noted(generator: str, share: float) -> Fleet:
    return make_fleet(generator, machines=MACHINES, days=14, seed=5, interval_s=600.0, noted=share)


def without_note(machine: Machine) -> str:
    return repr(replace(machine, clean_note=None))


@pytest.mark.parametrize("generator", FOR_TUNING)
def test_a_note_moves_nothing_else_of_a_fleet(generator: str) -> None:
    bare, half, every = (noted(generator, share) for share in (0.0, 0.5, 1.0))
    for one, other, third in zip(bare.machines, half.machines, every.machines, strict=True):
        assert one.clean_note is None
        assert repr(one) == without_note(other) == without_note(third)
        assert other.clean_note in (None, third.clean_note)
    assert all(machine.clean_note is not None for machine in every.machines)
    assert 0.3 * MACHINES < sum(machine.clean_note is not None for machine in half.machines) < 0.7 * MACHINES


def test_notes_come_right_and_wrong_in_the_stated_shares() -> None:
    kinds = Counter(m.clean_note.kind for g in FOR_TUNING for m in noted(g, 1.0).machines if m.clean_note)
    for kind, share in SHARES.items():
        sure = 3 * np.sqrt(share * (1 - share) / kinds.total())
        assert kinds[kind] / kinds.total() == pytest.approx(share, abs=sure)


def test_a_right_note_lies_near_the_clean_level_and_one_of_an_element_in_use_above() -> None:
    off: dict[NoteIs, list[float]] = {kind: [] for kind in NoteIs}
    for machine in (m for g in FOR_TUNING for m in noted(g, 1.0).machines):
        assert machine.clean_note is not None
        off[machine.clean_note.kind].append(machine.clean_note.value_pa / machine.lives[0].clean_pa)
    assert np.median(off[NoteIs.RIGHT]) == pytest.approx(np.mean(REACHED), abs=GAUGE_SPREAD)
    assert min(off[NoteIs.IN_USE]) > 1.0 > max(off[NoteIs.NOT_FULL_FLOW])
