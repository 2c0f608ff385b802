"""Checks at the machine: what is judged alike on both sides, on plain numbers."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway import spot_checks
from cleanside.gateway.spot_checks import (
    FAILED,
    FEED_STAYS_S,
    NOT_YET_SEEN,
    PASSED,
    RestSpan,
    first_of_latest,
    is_one_speed,
    quantile,
)

NUMBERS = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=60)


@given(NUMBERS, st.floats(0.0, 1.0))
def test_a_quantile_is_the_one_of_the_published_definition(values: list[float], share: float) -> None:
    """Hyndman and Fan 1996, definition 7, as numpy has it by that name."""
    theirs = float(np.quantile(values, share, method="linear"))
    assert quantile(values, share) == pytest.approx(theirs, rel=1e-9, abs=1e-6)


def test_no_values_have_no_quantile() -> None:
    with pytest.raises(ValueError, match="no values"):
        quantile([], 0.5)


def test_the_last_ten_minutes_count_or_the_last_few_rows() -> None:
    assert first_of_latest([]) == 0
    assert first_of_latest([0.0, 1.0]) == 0
    assert first_of_latest([0.0, 100.0, 650.0, 655.0, 660.0]) == 1
    assert first_of_latest([0.0, 1.0, 2.0, 5000.0]) == 1  # only one is recent: three are asked for


def test_an_element_put_right_passes_after_it_failed() -> None:
    """A check says what the latest rows show, not what was once."""
    assert spot_checks.zero([300.0, 310.0, 305.0]).verdict == FAILED
    assert spot_checks.zero([3.0, -4.0, 5.0]).verdict == PASSED
    assert spot_checks.zero([3.0, -4.0]).verdict == NOT_YET_SEEN


def test_a_tube_that_is_off_fails_at_idle_and_at_one_speed() -> None:
    assert spot_checks.answer([10.0] * 3, [20.0] * 3).verdict == FAILED
    assert spot_checks.answer([100.0] * 3, [900.0] * 3).verdict == PASSED
    assert spot_checks.answer([100.0] * 3, []).seen.code == "high_idle_not_seen"
    assert spot_checks.answer_at_one_speed([0.0] * 3, [10.0] * 3).verdict == FAILED
    assert spot_checks.answer_at_one_speed([0.0] * 3, [600.0] * 3).verdict == PASSED


def test_a_genset_has_one_speed_and_an_idling_machine_has_not() -> None:
    assert is_one_speed([157.0, 157.4, 156.8, 157.1], span_s=400.0)  # 1500 r/min
    assert not is_one_speed([157.0, 157.4, 156.8, 157.1], span_s=100.0)
    assert not is_one_speed([80.0, 80.0, 220.0, 220.0], span_s=4000.0)


def test_a_feed_that_stays_on_is_seen_only_without_a_power_cycle() -> None:
    span = RestSpan()
    for at_s in range(0, int(FEED_STAYS_S) + 60, 60):
        span.add(float(at_s), at_rest=True)
    assert span.longest_s >= FEED_STAYS_S
    assert spot_checks.key_off(stayed_s=span.longest_s, power_cycles=0).verdict == FAILED
    assert spot_checks.key_off(stayed_s=span.longest_s, power_cycles=1).verdict == PASSED


def test_a_pause_of_the_readings_ends_a_stretch_at_rest() -> None:
    span = RestSpan()
    for at_s in (0.0, 600.0, 600.0 + FEED_STAYS_S, 1200.0 + FEED_STAYS_S):
        span.add(at_s, at_rest=True)
    assert span.longest_s == 600.0


def test_link_and_clock_do_not_pass_unseen() -> None:
    assert spot_checks.link(acknowledged=0, missing=0).verdict == NOT_YET_SEEN
    assert spot_checks.link(acknowledged=9, missing=1).verdict == FAILED
    assert spot_checks.clock(uncertainty_s=None, anchor=None).verdict == NOT_YET_SEEN
    assert spot_checks.clock(uncertainty_s=90.0, anchor="server").verdict == FAILED


def test_the_machine_needs_no_array_library_for_it() -> None:
    """A small processor on the machine has none."""
    script = "import sys, cleanside.gateway.spot_checks; sys.exit('numpy' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0
