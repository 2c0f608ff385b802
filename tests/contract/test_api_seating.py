"""Where a device sits: a start without a date, an end, and what moves with it."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.serving import DEVICE, Api, batch

ENDED = "2026-03-02T07:00:00Z"
Seat = tuple[str, str | None, str | None]


@pytest.fixture
def shop(api: Api) -> Api:
    """A monitor on grader-07 with three hours of readings from 06:00 on, and two machines beside it."""
    api.register()
    for name in ("loader-02", "hauler-11"):
        assert api.post("/v1/machines", {"machine": name}).status_code == 200
    for hour in range(3):
        api.send(batch(1 + 360 * hour, [3.0] * 350))
    api.analyse()
    return api


def assign(api: Api, machine: str, **more: Any) -> Any:
    return api.post(f"/v1/devices/{DEVICE}/assignments", {"machine": machine, **more})


def seats_of(api: Api) -> list[Seat]:
    found = api.get(f"/v1/devices/{DEVICE}").json()["assignments"]
    return [(seat["machine"], seat["from"], seat["until"]) for seat in found]


def hours_of(api: Api, machine: str) -> int:
    api.analyse()
    return len(api.get(f"/v1/machines/{machine}/restriction").json()["series"])


def test_a_later_assignment_begins_now(shop: Api) -> None:
    answer = assign(shop, "loader-02").json()["assigned"]
    now = "2026-03-02T09:00:00Z"
    assert seats_of(shop) == [("grader-07", None, now), ("loader-02", now, None)]
    assert [t["hours_with_readings"] for t in answer["taken_from"]] == [0]
    assert (hours_of(shop, "grader-07"), hours_of(shop, "loader-02")) == (3, 0)


def test_registering_a_used_device_on_another_machine_begins_now(shop: Api) -> None:
    answer = shop.post("/v1/devices", {"device": DEVICE, "machine": "loader-02"}).json()
    assert (answer["assigned"]["machine"], answer["assigned"]["from"]) == (
        "loader-02",
        "2026-03-02T09:00:00Z",
    )
    assert hours_of(shop, "grader-07") == 3


def test_a_device_that_never_sat_anywhere_takes_its_readings_along(api: Api) -> None:
    assert api.post("/v1/devices", {"device": DEVICE}).json()["assigned"] is None
    api.send(batch(1, [3.0] * 100))
    assert api.post("/v1/machines", {"machine": "loader-02"}).status_code == 200
    assert assign(api, "loader-02").json()["assigned"]["from"] is None
    assert hours_of(api, "loader-02") == 1


def test_an_assignment_ends_and_readings_after_it_count_for_no_machine(shop: Api) -> None:
    answer = assign(shop, "grader-07", assigned_until=ENDED).json()
    assert seats_of(shop) == [("grader-07", None, ENDED)]
    taken = {"machine": "grader-07", "housing": "main", "from": ENDED, "until": None}
    assert answer["assigned"]["taken_from"] == [taken | {"hours_with_readings": 2}]
    assert hours_of(shop, "grader-07") == 1
    assert assign(shop, "grader-07", assigned_until=ENDED).json()["assignments"] == answer["assignments"]


def test_a_span_with_start_and_end_on_the_same_housing_ends_there_too(shop: Api) -> None:
    assert (
        assign(shop, "grader-07", assigned_from="2026-03-02T06:30:00Z", assigned_until=ENDED).status_code
        == 200
    )
    assert seats_of(shop)[-1] == ("grader-07", "2026-03-02T06:30:00Z", ENDED)
    assert hours_of(shop, "grader-07") == 1


def test_an_end_reaches_through_seats_that_follow_without_a_pause(shop: Api) -> None:
    assert assign(shop, "grader-07", assigned_from="2026-03-02T08:00:00Z").status_code == 200
    assert assign(shop, "grader-07", assigned_until=ENDED).status_code == 200
    assert seats_of(shop) == [("grader-07", None, ENDED)]


def test_an_end_leaves_what_was_assigned_after_a_pause(shop: Api) -> None:
    assert assign(shop, "grader-07", assigned_until="2026-03-02T08:00:00Z").status_code == 200
    later = "2026-03-02T08:30:00Z"
    assert assign(shop, "grader-07", assigned_from=later).status_code == 200
    assert assign(shop, "grader-07", assigned_until=ENDED).status_code == 200
    assert sorted(seats_of(shop), key=str) == [("grader-07", later, None), ("grader-07", None, ENDED)]


def test_after_an_end_the_next_assignment_begins_now(shop: Api) -> None:
    assert assign(shop, "grader-07", assigned_until=ENDED).status_code == 200
    assert assign(shop, "loader-02").json()["assigned"]["from"] == "2026-03-02T09:00:00Z"


def test_an_end_on_a_housing_where_the_device_does_not_sit_asks_for_a_start(shop: Api) -> None:
    refused = assign(shop, "loader-02", assigned_until=ENDED)
    assert (refused.status_code, refused.json()["code"]) == (422, "not_valid")
    assert [e["pointer"] for e in refused.json()["errors"]] == ["#/assigned_until"]
    assert seats_of(shop) == [("grader-07", None, None)]


def test_an_end_to_come_begins_now(shop: Api) -> None:
    lent_until = "2026-03-09T06:00:00Z"
    assert assign(shop, "loader-02", assigned_until=lent_until).status_code == 200
    now = "2026-03-02T09:00:00Z"
    assert sorted(seats_of(shop), key=str) == [
        ("grader-07", lent_until, None),
        ("grader-07", None, now),
        ("loader-02", now, lent_until),
    ]
