"""
People who are for some sites enrol, move and take off monitors within them, and reach no other.

A matrix of roles, acts and monitors; then what an attacker of one site tries. grader-07 and grader-11 are at
oberkies, loader-02 at kargrund, hauler-14 at no site. Each has a monitor; "came" sat on loader-02 first.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text
from tests.contract.test_api_shop import ask
from tests.support.people import Browser, quick_passwords, signed_in
from tests.support.prepared import Prepared, prepared
from tests.support.serving import STREAM, Api, batch, bearer

OWN, ELSEWHERE, NOWHERE, CAME = "grader-07-intake", "loader-02-intake", "hauler-14-intake", "came-intake"
MACHINES = {"grader-07": "oberkies", "grader-11": "oberkies", "loader-02": "kargrund"}


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    return prepared(tmp_path_factory.mktemp("shop"), fill)


@pytest.fixture
def api(shop: Prepared, tmp_path: Path) -> Iterator[Api]:
    with shop.copied(tmp_path) as running:
        quick_passwords(running)
        running.clock.advance(60)  # as it was when all was filled
        yield running


def fill(running: Api) -> None:
    for machine in (*MACHINES, "hauler-14"):
        running.register(f"{machine}-intake", machine)
    for machine, site in MACHINES.items():
        ask(running, "POST", "/v1/sites", {"site": site})
        ask(running, "PATCH", f"/v1/machines/{machine}/papers", {"site": site})
    running.register(CAME, "loader-02")
    came_with(running, CAME)
    running.clock.advance(60)
    moved = running.post(f"/v1/devices/{CAME}/assignments", {"machine": "grader-07"})
    assert moved.status_code == 200, moved.text


def came_with(api: Api, device: str, *, stream: str = STREAM) -> None:
    """Readings of a device, by a key of its own, which is revoked then."""
    made = api.post("/v1/keys", {"role": "device", "devices": [device]}).json()
    body = batch(1, [3.0] * 20, gateway={"version": "1.0.0"}) | {"device": device, "stream": stream}
    sent = api.post("/v1/readings", body, key=None, headers=bearer(made["key"]))
    assert sent.status_code == 200, sent.text
    assert api.request("DELETE", f"/v1/keys/{made['handle']}").status_code == 200


def person(api: Api, role: str, *sites: str) -> Browser:
    return signed_in(api, f"{role}.of.{'-'.join(sites) or 'all'}", role, sites=list(sites))


def move(who: Browser, device: str, machine: str = "grader-11", **more: Any) -> Any:
    return who.post(f"/v1/devices/{device}/assignments", {"machine": machine, **more})


def take_off(api: Api, who: Browser, device: str, machine: str) -> Any:
    until = instant_text(api.clock.now_us)
    return who.post(f"/v1/devices/{device}/assignments", {"machine": machine, "assigned_until": until})


def enrol(who: Browser, device: str, machine: str = "grader-07", **more: Any) -> Any:
    return who.post("/v1/enrolments", {"device": device, "machine": machine, **more})


def seats(api: Api, device: str) -> list[tuple[str, bool]]:
    """Machine, and whether it sits there now."""
    known = api.get(f"/v1/devices/{device}").json()["assignments"]
    return [(seat["machine"], seat["until"] is None) for seat in known]


# ---------------------------------------------------------------- roles times sites

ENROLLERS, MOVERS = {"technician", "operator", "admin"}, {"operator", "admin"}
ROLES = ("viewer", "technician", "planner", "operator", "admin")


@pytest.mark.parametrize("role", ROLES)
def test_what_each_role_may_do_with_each_monitor(api: Api, role: str) -> None:
    who = person(api, role, "oberkies")
    may_enrol, may_move = role in ENROLLERS, role in MOVERS
    expected = {
        ("enrol", "new-intake"): 201,
        ("enrol", OWN): 201,
        ("enrol", ELSEWHERE): 409,
        ("enrol", NOWHERE): 409,
        ("enrol", CAME): 409,
        ("move", OWN): 200,
        ("move", CAME): 200,
        ("move", ELSEWHERE): 404,
        ("move", NOWHERE): 404,
        ("move", "new-intake"): 404,
    }
    for (act, device), status in expected.items():
        may = may_enrol if act == "enrol" else may_move
        done = enrol(who, device) if act == "enrol" else move(who, device)
        assert done.status_code == (status if may else 403), (act, device, done.text)


@pytest.mark.parametrize("machine", ["loader-02", "hauler-14"])
def test_no_monitor_goes_to_a_machine_of_another_site(api: Api, machine: str) -> None:
    who = person(api, "admin", "oberkies")
    assert enrol(who, "new-intake", machine).status_code == 404
    assert move(who, OWN, machine).status_code == 404
    assert seats(api, OWN) == [("grader-07", True)]


def test_a_monitor_is_moved_and_taken_off_within_the_sites(api: Api) -> None:
    who = person(api, "operator", "oberkies")
    assert move(who, OWN).status_code == 200
    assert seats(api, OWN) == [("grader-07", False), ("grader-11", True)]
    api.clock.advance(60)
    assert take_off(api, who, OWN, "grader-11").status_code == 200
    assert not any(sits for _, sits in seats(api, OWN))
    assert "assignment" in api.get("/v1/audit").text


def test_a_code_of_one_site_gives_a_key_and_a_seat_there(api: Api) -> None:
    code = enrol(person(api, "technician", "oberkies"), "new-intake", "grader-11").json()["code"]
    used = api.post("/v1/enrol", {"code": code}, key=None)
    assert (used.status_code, used.json()["machine"]) == (201, "grader-11")


# ---------------------------------------------------------------- what stays closed


def test_what_a_monitor_measured_elsewhere_stays_closed(api: Api) -> None:
    who = person(api, "operator", "oberkies")
    known = who.get(f"/v1/devices/{CAME}").json()
    assert [seat["machine"] for seat in known["assignments"]] == ["grader-07"]
    assert known["streams"] == []
    assert who.get(f"/v1/devices/{CAME}/readings").status_code == 404
    assert STREAM not in who.get("/v1/devices").text + who.get("/v1/streams").text
    for page in ("/monitors", f"/monitors/{CAME}", "/backlog"):
        assert "loader-02" not in who.get(page).text, page


@pytest.mark.parametrize("more", [{"with_history": True}, {"assigned_from": "2026-01-01T00:00:00Z"}])
def test_a_move_brings_no_history_of_another_site(api: Api, more: dict[str, Any]) -> None:
    who = person(api, "admin", "oberkies")
    refused = move(who, CAME, **more)
    assert (refused.status_code, refused.json()["code"]) == (403, "site_not_yours")
    assert seats(api, CAME) == [("loader-02", False), ("grader-07", True)]
    moved = move(who, CAME)
    assert "loader-02" not in moved.text
    assert api.get("/v1/machines/grader-11/readings").json()["readings"] == []


def test_codes_of_others_and_of_other_sites_are_not_there(api: Api) -> None:
    who = person(api, "technician", "oberkies")
    others = api.post("/v1/enrolments", {"device": "x-1", "machine": "grader-07"}).json()["enrolment"]
    mine = enrol(who, "new-intake").json()["enrolment"]
    assert [one["enrolment"] for one in who.get("/v1/enrolments").json()["enrolments"]] == [mine]
    assert who.request("DELETE", f"/v1/enrolments/{others}").status_code == 404
    ask(api, "PATCH", "/v1/machines/grader-07/papers", {"site": "kargrund"})
    assert who.get("/v1/enrolments").json()["enrolments"] == []
    assert who.request("DELETE", f"/v1/enrolments/{mine}").status_code == 404


def test_a_code_is_worth_nothing_once_its_machine_or_the_name_is_elsewhere(api: Api) -> None:
    who = person(api, "technician", "oberkies")
    gone = enrol(who, "new-intake").json()["code"]
    again = enrol(who, OWN).json()["code"]
    taken = enrol(who, "late-intake", "grader-11").json()["code"]
    api.register("late-intake", "loader-02")
    assert api.post("/v1/enrol", {"code": taken}, key=None).status_code == 403
    ask(api, "PATCH", "/v1/machines/grader-07/papers", {"site": "kargrund"})
    for code in (gone, again):
        assert api.post("/v1/enrol", {"code": code}, key=None).status_code == 403


def test_a_name_that_waits_with_readings_is_not_claimed_by_a_code_of_one_site(api: Api) -> None:
    """Readings of an unknown device wait at the owner: they may be of any site."""
    came_with(api, "unknown-intake", stream=STREAM[:-1] + "7")
    assert enrol(person(api, "admin", "oberkies"), "unknown-intake").status_code == 409
    token = api.post("/v1/keys", {"role": "device", "devices": ["bound-intake"]})
    assert token.status_code == 201
    assert enrol(person(api, "operator", "oberkies"), "bound-intake").status_code == 409


def test_registering_retiring_and_quarantine_are_for_people_who_see_all(api: Api) -> None:
    who = person(api, "admin", "oberkies")
    for method, path, body in (
        ("POST", "/v1/devices", {"device": "new-intake", "machine": "grader-07"}),
        ("PATCH", f"/v1/devices/{OWN}", {"retired": True}),
        ("POST", "/v1/quarantine/discards", {"where": {"device": OWN}, "reason": "ours"}),
    ):
        assert who.request(method, path, body).status_code == 403, path


def test_the_pages_offer_what_one_may_do(api: Api) -> None:
    who = person(api, "operator", "oberkies")
    assert 'action="/monitors/codes"' in who.get("/monitors").text
    page = who.get(f"/monitors/{OWN}").text
    assert f'action="/monitors/{OWN}/seat"' in page
    assert f'action="/monitors/{OWN}/retired"' not in page
    assert who.get(f"/monitors/{ELSEWHERE}").status_code == 404
    assert 'action="/monitors/codes"' not in person(api, "planner", "oberkies").get("/monitors").text
