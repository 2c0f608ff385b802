"""What became of a plan."""

from __future__ import annotations

import pytest

from cleanside.ingest.shop.planned import plan_state
from cleanside.ingest.store.papers import PlannedChange

PLANNED = PlannedChange("2026-12-04", passes_us=1_000, planned_us=500, who="k1", note="")


@pytest.mark.parametrize(
    ("changed_us", "now_us", "expected"),
    [
        (None, 999, "open"),
        (None, 1_000, "missed"),
        (499, 1_000, "missed"),  # the change before the plan was made
        (500, 999, "done"),
        (5_000, 9_000, "done"),  # late is changed too
    ],
)
def test_a_plan_is_open_then_missed_unless_the_element_was_changed_since(
    changed_us: int | None, now_us: int, expected: str
) -> None:
    assert plan_state(PLANNED, changed_us=changed_us, now_us=now_us) == expected
