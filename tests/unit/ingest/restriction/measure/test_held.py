"""Learned quantities held in steps."""

from __future__ import annotations

import math

from hypothesis import given
from hypothesis import strategies as st

from cleanside.ingest.restriction.measure.held import in_ratios, in_steps


@given(st.floats(-10.0, 10.0), st.floats(0.001, 0.5))
def test_a_value_moves_by_half_a_step_at_most_and_a_held_one_stays(value: float, step: float) -> None:
    held = in_steps(value, step)
    assert abs(held - value) <= 0.5 * step * (1 + 1e-9)
    assert in_steps(held, step) == held


@given(st.floats(1e-6, 1e6), st.floats(0.001, 0.5))
def test_a_value_moves_by_half_a_ratio_at_most_and_a_held_one_stays(value: float, ratio: float) -> None:
    held = in_ratios(value, ratio)
    assert abs(math.log(held / value)) <= 0.5 * math.log1p(ratio) * (1 + 1e-6)
    assert in_ratios(held, ratio) == held


def test_what_has_no_ratio_stays_as_it_is() -> None:
    assert in_ratios(0.0, 0.01) == 0.0


def test_values_near_each_other_are_held_as_one() -> None:
    assert len({in_ratios(1.0 + 1e-4 * i, 0.0025) for i in range(10)}) == 1
    assert len({in_ratios(1.0 + 1e-3 * i, 0.0025) for i in range(10)}) == 5
