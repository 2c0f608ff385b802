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


def register_on(api: Api, machine: str, device: str = DEVICE, **more: Any) -> Any:
    return api.post("/v1/devices", {"device": device, "machine": machine, **more})


def test_registering_a_used_device_on_another_machine_is_asked_about(shop: Api) -> None:
    """One slip in a script, and the readings of a machine counted for another from then on."""
    refused = register_on(shop, "loader-02")
    assert refused.status_code == 422
    (asked,) = refused.json()["errors"]
    assert asked["pointer"] == "#/machine"
    assert f"{DEVICE} sits on grader-07 (main) now" in asked["detail"]
    assert seats_of(shop) == [("grader-07", None, None)]


def test_blanks_are_no_answer_to_a_question(shop: Api) -> None:
    assert register_on(shop, "loader-02", confirmed_because="   ").status_code == 422


def test_a_move_that_is_meant_begins_now(shop: Api) -> None:
    answer = register_on(shop, "loader-02", confirmed_because="the grader was sold").json()
    now = "2026-03-02T09:00:00Z"
    assert (answer["assigned"]["machine"], answer["assigned"]["from"]) == ("loader-02", now)
    assert hours_of(shop, "grader-07") == 3


@pytest.mark.parametrize("more", [{"assigned_from": ENDED}, {"with_history": True}])
def test_a_move_with_a_time_is_not_asked_about(shop: Api, more: dict[str, Any]) -> None:
    assert register_on(shop, "loader-02", **more).status_code == 200


def test_the_same_registration_again_is_not_asked_about(shop: Api) -> None:
    assert register_on(shop, "grader-07").status_code == 200
    assert shop.post("/v1/devices", {"device": DEVICE}).status_code == 200
    assert seats_of(shop) == [("grader-07", None, None)]


def test_a_device_that_sits_nowhere_now_is_not_asked_about(shop: Api) -> None:
    assign(shop, "grader-07", assigned_until=ENDED)
    assert register_on(shop, "loader-02").status_code == 200


# ---------------------------------------------------------------- a name that is there but for its letters

HOUSING = "#/housings/0/housing"
NAMES = [
    ("/v1/machines", {"machine": "Loader-02"}, "#/machine", "loader-02"),
    (
        "/v1/machines",
        {"machine": "loader-02", "housings": [{"housing": "Main"}]},
        "#/housings/0/housing",
        "main",
    ),
    ("/v1/devices", {"device": "Grader-07-intake"}, "#/device", DEVICE),
    ("/v1/enrolments", {"device": "Grader-07-Intake", "machine": "loader-02"}, "#/device", DEVICE),
]


@pytest.mark.parametrize(("path", "body", "pointer", "other"), NAMES)
def test_a_name_that_differs_by_capital_letters_alone_is_asked_about(
    shop: Api, path: str, body: dict[str, Any], pointer: str, other: str
) -> None:
    refused = shop.post(path, body)
    assert refused.status_code == 422, refused.text
    (asked,) = refused.json()["errors"]
    assert asked["pointer"] == pointer
    assert f'there is "{other}" here already' in asked["detail"]
    meant = body | {"confirmed_because": "two makers, two names"}
    assert [shop.post(path, meant).status_code for _ in range(2)] in ([200, 200], [201, 201])
    assert path == "/v1/enrolments" or shop.post(path, body).status_code == 200


def test_a_machine_is_renamed_to_other_letters_but_not_beside_another(shop: Api) -> None:
    def rename(old: str, **body: str) -> int:
        return shop.request("PATCH", f"/v1/machines/{old}", json=body).status_code

    assert rename("hauler-11", name="Loader-02") == 422
    assert rename("loader-02", name="Loader-02") == 200
    assert rename("hauler-11", name="loader-02", confirmed_because="two makers") == 200


def test_an_integrator_does_not_learn_names_that_it_may_not_see(shop: Api) -> None:
    """A refusal would say that there is a machine of that name."""
    shop.register("hauler-11-intake", "hauler-11")
    assert shop.post("/v1/machines", {"machine": "Hauler-11"}, key="integrator").status_code == 200
    assert shop.post("/v1/devices", {"device": "Hauler-11-Intake"}, key="integrator").status_code == 200


@pytest.mark.parametrize("member", ["in_service_at", "history_from"])
def test_a_start_of_service_years_ahead_is_refused(shop: Api, member: str) -> None:
    """All readings until then would be quarantined. A few weeks ahead is a plan."""
    refused = shop.post("/v1/devices", {"device": DEVICE, member: "2036-03-01T00:00:00Z"})
    assert refused.status_code == 422
    assert [error["pointer"] for error in refused.json()["errors"]] == [f"#/{member}"]
    assert shop.post("/v1/devices", {"device": DEVICE, member: "2026-04-01T00:00:00Z"}).status_code == 200


def test_a_code_for_service_years_ahead_is_refused(shop: Api) -> None:
    order = {"device": "new-intake", "machine": "loader-02", "in_service_at": "2036-03-01T00:00:00Z"}
    refused = shop.post("/v1/enrolments", order)
    assert (refused.status_code, refused.json()["errors"][0]["pointer"]) == (422, "#/in_service_at")


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


# ---------------------------------------------------------------- names, and out of use


def fleet_of(api: Api) -> list[str]:
    return sorted(h["machine"] for h in api.get("/v1/fleet").json()["housings"])


def test_a_display_name_may_be_any_text(shop: Api) -> None:
    body = {"machine": "loader-03", "display_name": "Radlader 3 / süd"}
    made = shop.post("/v1/machines", body).json()
    assert (made["machine"], made["display_name"]) == ("loader-03", "Radlader 3 / süd")
    fleet = shop.get("/v1/fleet").json()["housings"]
    assert {h["machine"]: h["display_name"] for h in fleet}["loader-03"] == "Radlader 3 / süd"
    paper = shop.get("/v1/machines/loader-03/acceptance?format=text").text
    assert "Radlader 3 / süd (loader-03)" in paper
    taken_away = shop.request("PATCH", "/v1/machines/loader-03", json={"display_name": ""}).json()
    assert taken_away["display_name"] is None


@pytest.mark.parametrize(
    ("path", "body", "pointer"),
    [
        ("/v1/machines", {"machine": ".."}, "#/machine"),
        ("/v1/machines", {"machine": "."}, "#/machine"),
        ("/v1/machines", {"machine": "Radlader 3"}, "#/machine"),
        ("/v1/machines", {"machine": "x", "housings": [{"housing": ".."}]}, "#/housings/0/housing"),
        ("/v1/devices", {"device": ".."}, "#/device"),
        ("/v1/enrolments", {"device": "..", "machine": "loader-02"}, "#/device"),
    ],
)
def test_a_name_that_an_address_cannot_carry_is_refused_in_words(
    shop: Api, path: str, body: dict[str, Any], pointer: str
) -> None:
    refused = shop.post(path, body)
    assert (refused.status_code, refused.json()["code"]) == (422, "not_valid")
    [error] = refused.json()["errors"]
    assert (error["pointer"], "letters A-Z a-z, digits" in error["detail"]) == (pointer, True)
    assert "^" not in error["detail"]


@pytest.mark.parametrize("name", ["...", ".a", "..a", "-", "a.", "Z" * 64])
def test_other_names_of_the_contract_are_taken(shop: Api, name: str) -> None:
    assert shop.post("/v1/machines", {"machine": name}).status_code == 200


def test_a_renamed_machine_keeps_its_history(shop: Api) -> None:
    edited = shop.request("PATCH", "/v1/machines/grader-07", json={"name": "grader-17"})
    assert edited.json()["machine"] == "grader-17"
    assert hours_of(shop, "grader-17") == 3
    assert seats_of(shop) == [("grader-17", None, None)]
    assert shop.get("/v1/machines/grader-07").json()["code"] == "unknown_machine"
    taken = shop.request("PATCH", "/v1/machines/grader-17", json={"name": "loader-02"})
    assert (taken.status_code, taken.json()["code"]) == (409, "name_taken")


def test_a_retired_machine_is_listed_but_not_in_the_fleet(shop: Api) -> None:
    edited = shop.request("PATCH", "/v1/machines/loader-02", json={"retired": True}).json()
    assert edited["retired_at"] == "2026-03-02T09:00:00Z"
    assert fleet_of(shop) == ["grader-07", "hauler-11"]
    listed = {m["machine"]: m["retired_at"] for m in shop.get("/v1/machines").json()["machines"]}
    assert listed["loader-02"] == "2026-03-02T09:00:00Z"
    assert (
        shop.request("PATCH", "/v1/machines/loader-02", json={"retired": False}).json()["retired_at"] is None
    )
    assert fleet_of(shop) == ["grader-07", "hauler-11", "loader-02"]


def test_a_retired_machine_with_limits_changes_and_devices_leaves_the_fleet_as_it_was(shop: Api) -> None:
    shop.register("spare-02-intake", "gen-03")
    shop.post("/v1/machines/gen-03/element-changes", {"changed_at": "2026-03-01T06:00:00Z"})
    before = [entry["machine"] for entry in shop.get("/v1/fleet").json()["housings"]]
    shop.request("PATCH", "/v1/machines/gen-03", json={"retired": True})
    answer = shop.get("/v1/fleet")
    assert answer.status_code == 200, answer.text
    assert [entry["machine"] for entry in answer.json()["housings"]] == [m for m in before if m != "gen-03"]
    assert shop.get("/v1/machines/gen-03/restriction").status_code == 200


def test_a_retired_device_leaves_its_machine_and_its_late_readings_are_stored(shop: Api) -> None:
    edited = shop.request("PATCH", f"/v1/devices/{DEVICE}", json={"retired": True}).json()
    now = "2026-03-02T09:00:00Z"
    assert (edited["retired_at"], seats_of(shop)) == (now, [("grader-07", None, now)])
    assert edited["valid_keys"] == [shop.tokens["device"].partition(".")[0]]
    late = shop.send(batch(1 + 360 * 3, [3.0] * 10))
    assert late["stored"] == 10
    shop.clock.advance(3_600)
    again = shop.post("/v1/devices", {"device": DEVICE, "machine": "loader-02"}).json()
    assert (again["retired_at"], again["assigned"]["from"]) == (None, "2026-03-02T10:00:00Z")


def test_a_retired_device_that_is_assigned_is_in_use_again(shop: Api) -> None:
    shop.request("PATCH", f"/v1/devices/{DEVICE}", json={"retired": True})
    shop.clock.advance(3_600)
    assert assign(shop, "loader-02").json()["retired_at"] is None
    assert shop.get(f"/v1/devices/{DEVICE}").json()["retired_at"] is None


# ---------------------------------------------------------------- what to mind at the machine


def codes_of(answer: dict[str, Any]) -> list[str]:
    return [caution["code"] for caution in answer["cautions"]]


def test_answers_about_where_a_device_sits_say_what_to_mind_there(shop: Api) -> None:
    fitted = shop.post("/v1/devices", {"device": "loader-02-intake", "machine": "loader-02"}).json()
    assert {"secure_machine", "own_indicator", "electrical"} <= set(codes_of(fitted))
    assert "plug_tap" not in codes_of(fitted)
    assert shop.post("/v1/devices", {"device": "spare-01"}).json()["cautions"] == []
    order = {"device": DEVICE, "machine": "hauler-11"}
    made = shop.post("/v1/enrolments", order).json()
    used = shop.post("/v1/enrol", {"code": made["code"]}, key=None).json()
    moved = assign(shop, "loader-02").json()
    offered = shop.post("/v1/transfers", {"machine": "loader-02"}).json()
    taken = shop.post("/v1/transfers/accept", {"code": offered["code"]}, key="quarry admin").json()
    for answer in (made, used, moved, offered, taken):
        assert {"maker_first", "plug_tap", "without_monitor"} <= set(codes_of(answer))


def test_whoever_retires_a_device_is_told_what_it_leaves_open(shop: Api) -> None:
    retired = shop.request("PATCH", f"/v1/devices/{DEVICE}", json={"retired": True}).json()
    assert {"maker_first", "plug_tap", "without_monitor"} <= set(codes_of(retired))
    assert shop.request("PATCH", f"/v1/devices/{DEVICE}", json={"retired": False}).json()["cautions"] == []


@pytest.mark.parametrize(
    ("member", "at", "said"),
    [
        ("assigned_until", "2020-03-02T07:00:00Z", "before every reading of the device"),
        ("assigned_until", "2027-03-02T07:00:00Z", "more than 92 days ahead"),
        ("assigned_from", "2027-03-02T07:00:00Z", "more than 92 days ahead"),
    ],
)
def test_a_seat_in_another_year_is_refused_and_the_readings_stay(
    shop: Api, member: str, at: str, said: str
) -> None:
    answer = assign(shop, "grader-07", **{member: at})
    assert answer.status_code == 422
    [error] = answer.json()["errors"]
    assert error["pointer"] == f"#/{member}"
    assert said in error["detail"]
    assert "check the year" in error["detail"]
    assert hours_of(shop, "grader-07") == 3
