"""What of the past stands on the page Visit: the last day, and the hour meter that still stands."""

from __future__ import annotations

from typing import Any

from cleanside.gateway.wire import instant_text
from cleanside.ingest.console.visit_entered import of_interest

DAY_US = 86_400_000_000


def entry(name: str, kind: str, day: float, **content: Any) -> dict[str, Any]:
    return {"entry_id": name, "kind": kind, "made_at": instant_text(round(day * DAY_US)), "content": content}


def test_the_last_hour_meter_that_stands_can_be_taken_back_however_old_it_is() -> None:
    entered = [
        entry("m-1", "meter_reading", 1),
        entry("m-2", "meter_reading", 2),
        entry("m-3", "meter_reading", 3),
        entry("back", "take_back", 4, of="m-3"),
        entry("g-1", "gauge_reading", 5),
        entry("g-2", "gauge_reading", 20),
    ]
    kept = [one["entry_id"] for one in of_interest(entered, 19 * DAY_US)]
    assert kept == ["m-2", "back", "g-2"]
