"""The benches by what happens in the media: their laws hold, and a judged life ends where its level does."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benches import media

SEED = 4


@pytest.mark.parametrize("bench", media.BENCHES.values(), ids=media.BENCHES)
def test_judged_lives_are_whole_and_the_truth_ends_with_them(bench):
    learned, judged = bench(np.random.default_rng(SEED), 9)
    assert len(learned) == 9
    assert len(judged) == media.JUDGED
    assert {life.group for life in learned} <= {life.group for life in judged}
    for life in judged:
        assert life.complete
        assert life.hours_left[-1] == pytest.approx(0.0)
        assert np.all(np.diff(life.hours) > 0)


def test_a_packed_mat_resists_as_published():
    """Davies 1952: a^1.5 (1 + 56 a^3). Twice the solid share of 5 % is 2.97 times the resistance."""
    assert media._mat(np.array([0.10])) / media._mat(np.array([0.05])) == pytest.approx(2.966, abs=0.01)
    deposit = media._solid_at(5.0, 0.05)
    assert media._mat(np.array([0.05 + deposit])) / media._mat(np.array([0.05])) == pytest.approx(
        5.0, rel=1e-3
    )


def test_a_gap_of_half_its_width_resists_eight_times_as_much():
    """Poiseuille flow between planes: 1/width^3. Half of the gap is closed at 0.5/0.6 of the dust."""
    rise, end = media._closing(np.array([0.5 / 0.6, 1.0]), 1.0)
    assert end == pytest.approx(1.0)
    assert rise == pytest.approx((8.0 - 1.0) / (1.0 / 0.4**3 - 1.0))


def test_washed_elements_begin_higher_and_last_shorter():
    """Both by the first level; beside the spread of lengths the tie shows over many lives."""
    lives, _ = media.washed(np.random.default_rng(SEED), 200)
    whole = [life for life in lives if life.complete]
    washed = np.array([int(life.name.split()[-1]) for life in whole])
    first = np.array([life.restriction[:3].mean() for life in whole])
    length = np.array([life.hours[-1] for life in whole])
    assert first[washed >= 2].mean() > first[washed == 0].mean()
    assert length[washed >= 2].mean() < length[washed == 0].mean()


def test_a_yard_is_judged_of_which_nothing_was_learned():
    learned, judged = media.closing_pleats(np.random.default_rng(SEED), 40)
    assert {life.group for life in judged} - {life.group for life in learned} == {"yard 3"}
