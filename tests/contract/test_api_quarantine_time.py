"""Held readings are found and amended by when they came, beside code and device."""

from __future__ import annotations

from tests.support.serving import Api, batch

HOUR_S = 3_600.0


def held_at_three_hours(api: Api) -> list[int]:
    """One reading held in each of three hours; their entries."""
    api.register()
    for number in (1, 2, 3):
        api.send(batch(number, [900.0]))
        api.clock.advance(HOUR_S)
    return [entry["entry"] for entry in api.get("/v1/quarantine").json()["entries"]]


def test_quarantined_readings_are_listed_by_when_they_came(api: Api) -> None:
    first, second, third = held_at_three_hours(api)
    for span, expected in (
        ("received_since=2026-03-02T10:00:00Z", [second, third]),
        ("received_until=2026-03-02T10:00:00Z", [first]),
        ("received_since=2026-03-02T10:00:00Z&received_until=2026-03-02T11:00:00Z", [second]),
    ):
        listed = api.get(f"/v1/quarantine?{span}&code=out_of_range").json()["entries"]
        assert [entry["entry"] for entry in listed] == expected


def test_quarantined_readings_are_settled_by_when_they_came(api: Api) -> None:
    first, _, third = held_at_three_hours(api)
    span = {"received_since": "2026-03-02T10:00:00Z", "received_until": "2026-03-02T11:00:00Z"}
    done = api.post("/v1/quarantine/discards", {"where": span, "reason": "the tube was off that hour"})
    assert done.json()["entries"] == 1
    left = api.get("/v1/quarantine").json()["entries"]
    assert [entry["entry"] for entry in left] == [first, third]
    assert api.account()["balances"]
