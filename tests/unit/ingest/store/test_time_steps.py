"""Readings in steps of time, beside the same counted one by one."""

from __future__ import annotations

import math
from collections import defaultdict

import numpy as np
import pytest

from cleanside.ingest.store.time_steps import FloatArray, IntArray, bucketed, merged

STEP_US = 60_000_000


def one_by_one(at_us: IntArray, column: FloatArray) -> list[tuple[int, int, int, float, float, float]]:
    """(step, readings, count, total, lowest, highest) in order of time."""
    by_step: dict[int, list[float]] = defaultdict(list)
    for at, value in zip(at_us.tolist(), column.tolist(), strict=True):
        by_step[at // STEP_US].append(value)
    found = []
    for step in sorted(by_step):
        present = [value for value in by_step[step] if not math.isnan(value)]
        ends = (min(present), max(present)) if present else (math.nan, math.nan)
        found.append((step, len(by_step[step]), len(present), math.fsum(present), *ends))
    return found


def made(order: str) -> tuple[IntArray, FloatArray]:
    """300 readings of an hour, some without a value, a minute of none; from before 1970 on."""
    chance = np.random.default_rng(3)
    at_us = np.sort(chance.integers(-STEP_US, 59 * STEP_US, 300))
    column = np.where(chance.random(300) < 0.2, np.nan, chance.normal(3000, 40, 300))
    column[at_us // STEP_US == 7] = np.nan
    if order == "any":
        at_us, column = at_us[(mixed := chance.permutation(300))], column[mixed]
    return at_us, column


@pytest.mark.parametrize("order", ["of time", "any"])
def test_steps_have_what_counting_one_by_one_gives(order: str) -> None:
    at_us, column = made(order)
    nothing = np.full(300, np.nan)
    steps = bucketed(at_us, {"pa": column, "none": nothing}, STEP_US)
    parts = [
        bucketed(at_us[p], {"pa": column[p], "none": nothing[p]}, STEP_US)
        for p in np.split(np.arange(300), 3)
    ]
    for found in (steps, merged(parts, ["pa", "none"])):
        pa, none = found.values["pa"], found.values["none"]
        columns = (found.step, found.readings, pa.count, pa.total, pa.lowest, pa.highest)
        rows = list(zip(*(values.tolist() for values in columns), strict=True))
        for row, wanted in zip(rows, one_by_one(at_us, column), strict=True):
            assert row == pytest.approx(wanted, rel=1e-12, nan_ok=True)
        assert not none.count.any()
        assert np.isnan(none.mean).all()


def test_no_reading_has_no_step() -> None:
    none = np.empty(0)
    steps = bucketed(np.empty(0, np.int64), {"pa": none}, STEP_US)
    assert len(steps) == len(steps.readings) == len(steps.values["pa"].total) == 0


def test_a_step_of_no_length_is_refused() -> None:
    with pytest.raises(ValueError, match="resolution 0 us"):
        bucketed(np.zeros(1, np.int64), {}, 0)
