"""Transfer: a machine goes to another owner with its history; both sides know, and nothing of it stays."""

from __future__ import annotations

from typing import Any

import pytest

from cleanside.ingest.api.app import all_routes
from cleanside.ingest.owners.transfer import KEPT_ELSEWHERE, TRANSFERRED, marks_after
from cleanside.ingest.store.marks import Marks, Shed
from tests.support.archiving import archive_all, counts, whole_readings
from tests.support.serving import DEVICE, STREAM, Api, batch, bearer, in_process

OTHER_STREAM = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d33"
HOUR_S = 3_600.0
#: what an owner keeps of a machine that it gave away: its own log, its own offers, its own acts
RECORDS = {"/v1/audit", "/v1/transfers", "/v1/quarantine/amendments", "/v1/keys"}


def offer(api: Api, machine: str = "grader-07", **more: Any) -> str:
    response = api.post("/v1/transfers", {"machine": machine} | more)
    assert response.status_code == 201, response.text
    code: str = response.json()["code"]
    return code


def accept(api: Api, code: str, **more: Any) -> Any:
    return api.post("/v1/transfers/accept", {"code": code} | more, key="quarry admin")


def quarry_key(api: Api, device: str = DEVICE) -> dict[str, str]:
    body = {"role": "device", "devices": [device]}
    return bearer(api.post("/v1/keys", body, key="quarry admin").json()["key"])


def accounts(api: Api, key: str) -> dict[str, dict[str, Any]]:
    document = api.get("/v1/account", key=key).json()
    assert document["balances"], document
    return {s["device"]: s for s in document["streams"] if not s["stream"].startswith("unnumbered")}


@pytest.fixture
def full(api: Api) -> Api:
    """A machine with everything that a machine can have."""
    api.register()
    assert api.send(batch(1, [3.0] * 400))["stored"] == 400
    assert api.send(batch(401, [900.0]))["quarantined"]
    assert api.send(batch(1, [3.5], stream=None))["stored"] == 1
    change = {"changed_at": "2026-03-01T00:00:00Z", "note": "torn"}
    assert api.post("/v1/machines/grader-07/element-changes", change).status_code == 200
    api.analyse()
    return api


def test_a_machine_goes_to_another_owner_with_its_history(full: Api) -> None:
    names = ("restriction_pa", "share_used_percent", "state", "terminal_restriction", "evidence", "series")
    before = full.get("/v1/machines/grader-07/restriction").json()
    held = full.get("/v1/quarantine").json()["entries"]
    changes = full.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
    numbers = accounts(full, "admin")[DEVICE]

    taken = accept(full, offer(full))
    assert taken.status_code == 200, taken.text
    assert (taken.json()["direction"], taken.json()["devices"]) == ("taken", [DEVICE])

    there = full.get("/v1/machines/grader-07/restriction", key="quarry admin").json()
    for shown in (before, there):  # what an owner's fleet taught stays with it
        shown["evidence"] = [
            line
            for line in shown["evidence"]
            if not any(
                word in line for word in ("earlier elements", "Forecast learned", "learned from the fleet")
            )
        ]
    assert {name: there[name] for name in names} == {name: before[name] for name in names}
    assert len(there["series"]) == 2
    now_held = full.get("/v1/quarantine", key="quarry admin").json()["entries"]
    assert [(e["seq"], e["content"]) for e in now_held] == [(e["seq"], e["content"]) for e in held]
    after = full.get("/v1/machines/grader-07/element-changes", key="quarry admin").json()["element_changes"]
    assert after == changes
    assert accounts(full, "quarry admin")[DEVICE] == numbers


def test_nothing_of_it_stays_visible_to_the_old_owner(full: Api) -> None:
    """Every GET route that lists, with every role that may ask; and each name answers as a made-up one."""
    entry = full.get("/v1/quarantine").json()["entries"][0]["entry"]
    assert accept(full, offer(full)).status_code == 200
    lists = {route.path for route in all_routes() if "GET" in (route.methods or ())}
    lists = {path for path in lists if "{" not in path and path.startswith("/v1/")} - RECORDS
    assert {"/v1/machines", "/v1/devices", "/v1/account", "/v1/fleet", "/v1/quarantine"} <= lists
    for path in sorted(lists):
        for role in ("integrator", "planner", "operator", "admin"):
            shown = full.get(path, key=role).text
            assert not any(name in shown for name in ("grader-07", DEVICE, STREAM)), (path, role, shown)
    for path in (f"/v1/devices/{DEVICE}", "/v1/machines/grader-07", f"/v1/streams/{STREAM}"):
        assert full.get(path).status_code == 404
    amended = full.post("/v1/quarantine/amendments", {"entries": [entry]})
    assert (amended.status_code, amended.json()["code"]) == (404, "unknown_entry")
    aside = {"stream": STREAM, "first": 1, "last": 1, "reason": "not ours any more"}
    assert full.post("/v1/quarantine/set-aside", aside).status_code == 404


def test_both_sides_are_recorded_each_in_its_own_names(full: Api) -> None:
    code = offer(full, note="sold")
    new = {"machine": "crusher-03", "devices": {DEVICE: "crusher-03-intake"}}
    assert accept(full, code, **new).status_code == 200
    given = full.get("/v1/audit").json()["entries"]
    assert [entry["what"] for entry in given[:2]] == ["transfer_given", "transfer_offered"]
    assert given[0]["values"]["devices"] == [DEVICE]
    taken = full.get("/v1/audit", key="quarry admin").json()["entries"][0]
    assert (taken["what"], taken["values"]["machine"]) == ("transfer_taken", "crusher-03")
    ours = full.get("/v1/transfers").json()["transfers"][0]
    assert (ours["direction"], ours["machine"], ours["devices"]) == ("given", "grader-07", [DEVICE])
    theirs = full.get("/v1/transfers", key="quarry admin").json()["transfers"][0]
    assert (theirs["machine"], theirs["devices"]) == ("crusher-03", ["crusher-03-intake"])
    assert "crusher-03" not in full.get("/v1/transfers").text + full.get("/v1/audit").text


def test_keys_of_the_old_owner_lose_the_device_and_one_that_has_none_left_ends(full: Api) -> None:
    full.register("loader-02-intake", machine="loader-02")
    both = {"role": "device", "devices": [DEVICE, "loader-02-intake"]}
    shared = bearer(full.post("/v1/keys", both).json()["key"])
    assert accept(full, offer(full)).status_code == 200
    assert full.post("/v1/readings", batch(402, [3.0]), key="device").status_code == 401
    refused = full.post("/v1/readings", batch(402, [3.0]), key=None, headers=shared)
    assert (refused.status_code, refused.json()["code"]) == (403, "key_not_for_device")
    other = batch(1, [3.0], stream=OTHER_STREAM) | {"device": "loader-02-intake"}
    assert full.post("/v1/readings", other, key=None, headers=shared).json()["stored"] == 1
    ended = full.get("/v1/transfers").json()["transfers"][0]["keys_ended"]
    assert ended == [full.tokens["device"].partition(".")[0]]
    assert full.get("/v1/transfers", key="quarry admin").json()["transfers"][0]["keys_ended"] == []


def test_the_stream_goes_on_at_the_new_owner(full: Api) -> None:
    assert accept(full, offer(full)).status_code == 200
    headers = quarry_key(full)
    state = full.get(f"/v1/streams/{STREAM}", key=None, headers=headers).json()
    assert (state["acknowledged_through"], state["highest"]) == (401, 401)
    answer = full.post("/v1/readings", batch(400, [3.0, 3.0, 3.0]), key=None, headers=headers).json()
    assert (answer["stored"], answer["duplicates"], answer["acknowledged_through"]) == (1, 1, 402)
    again = full.post("/v1/readings", batch(1, [3.5], stream=None), key=None, headers=headers).json()
    assert (again["stored"], again["duplicates"]) == (0, 1)


def test_an_open_code_of_the_old_owner_for_the_machine_ends(full: Api) -> None:
    body = {"device": "grader-07-second", "machine": "grader-07"}
    code = full.post("/v1/enrolments", body).json()["code"]
    assert accept(full, offer(full)).status_code == 200
    assert full.post("/v1/enrol", {"code": code}, key=None).json()["code"] == "code_not_valid"
    assert full.get("/v1/enrolments").json()["enrolments"] == []


def test_what_the_old_owner_did_about_quarantined_readings_it_cannot_undo_any_more(full: Api) -> None:
    entry = full.get("/v1/quarantine").json()["entries"][0]["entry"]
    change = {"entries": [entry], "change": {"units": {"restriction": "Pa"}}}
    assert full.post("/v1/quarantine/amendments", change).json()["stored"] == 1
    assert accept(full, offer(full)).status_code == 200
    undone = full.post("/v1/quarantine/amendments/1/undo", {})
    assert (undone.status_code, undone.json()["code"]) == (409, "not_undoable")
    assert accounts(full, "quarry admin")[DEVICE]["stored"] == 401


# ---------------------------------------------------------------- a device that also sat elsewhere

MOVED_AT = "2026-03-02T06:30:00Z"  # reading 180 is taken then: 10 s apart from 06:00:00


@pytest.fixture
def shared(api: Api) -> Api:
    """A device that sat on grader-07 until 06:30 and on loader-02 since; 359 readings, one gap, one held."""
    api.register()
    assert api.post("/v1/machines", {"machine": "loader-02"}).status_code == 200
    seat = {"machine": "loader-02", "assigned_from": MOVED_AT}
    assert api.post(f"/v1/devices/{DEVICE}/assignments", seat).status_code == 200
    api.send(batch(1, [3.0] * 99))
    api.send(batch(101, [3.0] * 249, gateway={"appended_through": 360, "installation": "box-1"}))
    api.send(batch(350, [900.0]))
    api.analyse()
    return api


def test_of_a_device_that_moves_the_time_on_other_machines_stays(shared: Api) -> None:
    assert accept(shared, offer(shared, "loader-02")).status_code == 200
    here, there = accounts(shared, "admin")[DEVICE], accounts(shared, "quarry admin")[DEVICE]
    # 1..179 but the gap at 100 were taken on grader-07; 180..350 on loader-02.
    assert (here["stored"], here["quarantined"], here["shed"], here["gap"], here["pending"]) == (
        *(178, 0),
        *(172, 0, 0),
    )
    assert (there["stored"], there["quarantined"], there["shed"]) == (170, 1, 178)
    assert (there["gaps"], there["pending"]) == ([[100, 100]], 10)
    assert shared.post("/v1/readings", batch(351, [3.0]), key="device").status_code == 401
    headers = quarry_key(shared)
    late = shared.post("/v1/readings", batch(100, [3.0]), key=None, headers=headers).json()
    assert (late["stored"], late["acknowledged_through"]) == (1, 350)
    shared.analyse()
    assert accounts(shared, "quarry admin")[DEVICE]["gap"] == 0


def test_of_a_device_that_sits_elsewhere_by_now_the_time_on_the_machine_goes(shared: Api) -> None:
    before = shared.get("/v1/machines/grader-07/restriction").json()["series"]
    moved = accept(shared, offer(shared, "grader-07"))
    assert (moved.status_code, moved.json()["devices"]) == (200, [])
    here, there = accounts(shared, "admin")[DEVICE], accounts(shared, "quarry admin")[DEVICE]
    assert (there["stored"], there["through"], there["gap"], there["pending"]) == (178, 179, 0, 0)
    assert (here["stored"], here["quarantined"], here["shed"], here["gap"]) == (170, 1, 178, 1)
    # The device goes on at its owner, with its own key.
    assert shared.send(batch(351, [3.0]))["stored"] == 1
    shared.analyse()
    assert shared.get("/v1/machines/grader-07/restriction", key="quarry admin").json()["series"] == before
    assert shared.get(f"/v1/devices/{DEVICE}").json()["assignments"] == [
        {"machine": "loader-02", "housing": "main", "from": MOVED_AT, "until": None}
    ]


def test_readings_of_the_machine_that_stays_are_as_they_were(shared: Api) -> None:
    before = shared.get("/v1/machines/grader-07/restriction").json()["series"]
    assert accept(shared, offer(shared, "loader-02")).status_code == 200
    shared.analyse()
    assert shared.get("/v1/machines/grader-07/restriction").json()["series"] == before
    assert shared.get("/v1/machines/loader-02").status_code == 404


def test_a_stream_that_the_new_owner_receives_already_becomes_one(full: Api) -> None:
    """It gave the gateway a key of its own before the transfer; 398, 399 repeat, 400 and 401 differ."""
    assert full.post("/v1/machines", {"machine": "grader-07-new"}, key="quarry admin").status_code == 200
    body = {"device": DEVICE, "machine": "grader-07-new"}
    assert full.post("/v1/devices", body, key="quarry admin").status_code == 200
    headers = quarry_key(full)
    sent = batch(398, [3.0, 3.0, 4.0, 3.0, 3.0, 3.0])
    assert full.post("/v1/readings", sent, key=None, headers=headers).json()["stored"] == 6
    assert accept(full, offer(full), machine="grader-07-old").status_code == 200
    there = accounts(full, "quarry admin")[DEVICE]
    assert (there["through"], there["acknowledged_through"], there["stored"]) == (403, 403, 403)
    held = full.get("/v1/quarantine", key="quarry admin").json()["entries"]
    assert sorted((e["seq"], e["beside_another"]) for e in held) == [(400, True), (401, True)]
    seats = full.get(f"/v1/devices/{DEVICE}", key="quarry admin").json()["assignments"]
    assert [seat["machine"] for seat in seats] == ["grader-07-old"]
    full.analyse()
    fleet = full.get("/v1/fleet", key="quarry admin").json()["housings"]
    assert [h["machine"] for h in fleet if h["last_reading_at"]] == ["grader-07-old"]


@pytest.mark.parametrize("given", ["grader-07", "loader-02"])
def test_archived_readings_move_and_stay_as_those_in_the_tables_do(
    sqlite_database_url: str, given: str
) -> None:
    with in_process(sqlite_database_url) as api:
        api.register()
        api.post("/v1/machines", {"machine": "loader-02"})
        seat = {"machine": "loader-02", "assigned_from": MOVED_AT}
        api.post(f"/v1/devices/{DEVICE}/assignments", seat)
        api.send(batch(1, [3.0] * 350))
        api.analyse()
        api.clock.advance(60 * 24 * HOUR_S)
        archive_all(api)
        assert counts(api) == (0, 350)
        before = {row["seq"]: row for row in whole_readings(api)}
        assert accept(api, offer(api, given)).status_code == 200
        here, there = accounts(api, "admin")[DEVICE], accounts(api, "quarry admin")[DEVICE]
        assert {here["stored"], there["stored"]} == {179, 171}
        assert there["stored"] == (179 if given == "grader-07" else 171)
        assert {row["seq"]: row for row in whole_readings(api)} == before
        archive_all(api)
        assert accounts(api, "admin")[DEVICE]["stored"] == here["stored"]


def test_a_device_that_goes_whole_takes_its_archive_along(sqlite_database_url: str) -> None:
    with in_process(sqlite_database_url) as api:
        api.register()
        api.send(batch(1, [3.0] * 350))
        api.analyse()
        api.clock.advance(60 * 24 * HOUR_S)
        archive_all(api)
        assert accept(api, offer(api)).status_code == 200
        assert counts(api) == (0, 350)
        assert accounts(api, "quarry admin")[DEVICE]["stored"] == 350
        repeated = api.post("/v1/readings", batch(7, [3.0]), key=None, headers=quarry_key(api)).json()
        assert (repeated["stored"], repeated["duplicates"]) == (0, 1)


# ---------------------------------------------------------------- offers


def test_a_name_that_is_taken_is_refused_and_the_code_stays_good(full: Api) -> None:
    code = offer(full)
    full.post("/v1/machines", {"machine": "grader-07"}, key="quarry admin")
    full.post("/v1/devices", {"device": DEVICE}, key="quarry admin")
    taken = accept(full, code)
    assert (taken.status_code, taken.json()["code"]) == (409, "name_taken")
    taken = accept(full, code, machine="crusher-03")
    assert (taken.status_code, taken.json()["code"]) == (409, "name_taken")
    assert full.get("/v1/machines/grader-07").status_code == 200
    done = accept(full, code, machine="crusher-03", devices={DEVICE: "crusher-03-intake"})
    assert done.status_code == 200
    assert accounts(full, "quarry admin")["crusher-03-intake"]["stored"] >= 1


@pytest.mark.parametrize("end", ["used", "cancelled", "expired", "offered again"])
def test_a_code_that_is_not_valid_gets_one_answer(full: Api, end: str) -> None:
    code = offer(full, valid_hours=1)
    number = full.get("/v1/transfers").json()["transfers"][0]["transfer"]
    if end == "used":
        assert accept(full, code).status_code == 200
    elif end == "cancelled":
        assert full.request("DELETE", f"/v1/transfers/{number}").json()["state"] == "cancelled"
    elif end == "expired":
        full.clock.advance(HOUR_S)
    else:
        offer(full)
    answer = accept(full, code)
    assert (answer.status_code, answer.json()["code"]) == (403, "code_not_valid")
    unknown = accept(full, "00000-00000-00000")
    assert unknown.json()["detail"] == answer.json()["detail"]


def test_an_owner_cannot_accept_its_own_offer(full: Api) -> None:
    answer = full.post("/v1/transfers/accept", {"code": offer(full)})
    assert (answer.status_code, answer.json()["code"]) == (409, "not_transferable")
    assert full.get("/v1/machines/grader-07").status_code == 200


def test_an_offer_is_its_makers_alone_until_it_is_accepted(full: Api) -> None:
    offer(full)
    number = full.get("/v1/transfers").json()["transfers"][0]["transfer"]
    assert full.get("/v1/transfers", key="quarry admin").json()["transfers"] == []
    refused = full.request("DELETE", f"/v1/transfers/{number}", key="quarry admin")
    assert (refused.status_code, refused.json()["code"]) == (404, "unknown_transfer")


# ---------------------------------------------------------------- marks: pure


def test_marks_of_a_gateway_that_goes_on_elsewhere() -> None:
    """1-4 kept, 5 missing, 6-8 carried, 9 shed by the gateway, 10-12 carried, 13 missing, 14 carried."""
    old = Marks(mark=4, highest=14, islands=((6, 12), (14, 14)), shed=(Shed(9, 9, "disk_budget"),))
    here, there = marks_after(old, Marks(), ((6, 8), (10, 12), (14, 14)), goes=True)
    assert (here.mark, here.islands, here.gaps) == (14, (), ())
    assert here.shed == (
        Shed(5, 8, TRANSFERRED),
        Shed(9, 9, "disk_budget"),
        Shed(10, 14, TRANSFERRED),
    )
    assert (there.mark, there.islands, there.gaps) == (4, ((6, 12), (14, 14)), ((5, 5), (13, 13)))
    assert there.shed == (Shed(1, 4, KEPT_ELSEWHERE), Shed(9, 9, "disk_budget"))


def test_marks_of_a_gateway_that_stays() -> None:
    old = Marks(mark=4, highest=14, islands=((6, 14),), shed=(Shed(9, 9, "disk_budget"),))
    here, there = marks_after(old, Marks(), ((2, 3), (6, 8)), goes=False)
    assert (here.mark, here.islands, here.gaps) == (4, ((6, 14),), ((5, 5),))
    assert here.shed == (Shed(2, 3, TRANSFERRED), Shed(6, 8, TRANSFERRED), Shed(9, 9, "disk_budget"))
    assert (there.mark, there.highest, there.gaps) == (8, 8, ())
    assert there.shed == (Shed(1, 1, KEPT_ELSEWHERE), Shed(4, 5, KEPT_ELSEWHERE))
