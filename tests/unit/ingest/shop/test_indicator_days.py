"""How far the date of the indicator lies from that at full flow, in days of the calendar."""

from __future__ import annotations

import pytest

from cleanside.ingest.restriction import Quantiles
from cleanside.ingest.shop.indicator_days import FEW_DAYS, has_latched, indicator_days
from tests.unit.ingest.shop.test_work_list import DAYS, due_in


@pytest.mark.parametrize(
    ("due", "latch", "expected"),
    [(20, 12, -8), (20, 20 - FEW_DAYS, -FEW_DAYS), (20, 21 - FEW_DAYS, None), (20, 22, None), (20, 31, 11)],
)
def test_only_days_that_move_a_change_are_said(due: float, latch: float, expected: int | None) -> None:
    found = indicator_days(due_in(due - 5, due, due + 9), due_in(latch - 5, latch, latch + 9), DAYS)
    assert found == expected


def test_without_both_dates_nothing_is_said() -> None:
    assert indicator_days(None, due_in(1, 2, 3), DAYS) is None
    assert indicator_days(due_in(1, 2, 3), None, DAYS) is None


def test_an_indicator_without_hours_left_has_latched() -> None:
    assert has_latched(Quantiles(p10=0.0, p50=0.0, p90=4.0))
    assert not has_latched(Quantiles(p10=0.0, p50=2.0, p90=4.0))
    assert not has_latched(None)
