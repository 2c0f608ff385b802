"""What became of a plan."""

from __future__ import annotations

import pytest

from cleanside.ingest.shop.planned import LastChange, plan_state
from cleanside.ingest.store.papers import PlannedChange

PLANNED = PlannedChange("2026-12-04", passes_us=1_000, planned_us=500, who="k1", note="")


@pytest.mark.parametrize(
    ("changed", "now_us", "expected"),
    [
        (None, 999, "open"),
        (None, 1_000, "missed"),
        (LastChange(499, 499), 1_000, "missed"),  # the change before the plan was made
        (LastChange(499, None), 999, "open"),  # found in readings, and no person says so
        (LastChange(500, 600), 999, "done"),
        (LastChange(5_000, 6_000), 9_000, "done"),  # late is changed too
        (
            LastChange(499, 501, again_us=500),
            999,
            "done",
        ),  # entered twice, once after the plan
        (LastChange(499, 501), 999, "overtaken"),
        (LastChange(499, 501), 1_000, "overtaken"),  # asked about it, and not about the fall
    ],
)
def test_a_plan_is_open_then_missed_unless_the_element_was_changed_since(
    changed: LastChange | None, now_us: int, expected: str
) -> None:
    assert plan_state(PLANNED, changed=changed, now_us=now_us) == expected
