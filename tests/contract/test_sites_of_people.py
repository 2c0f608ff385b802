"""A person who is for some sites sees and changes the machines of these sites, and no others."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.contract.test_api_shop import ask
from tests.support.people import Browser, signed_in
from tests.support.serving import STREAM, Api, batch, in_process


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """grader-07 at oberkies, loader-02 at kargrund, hauler-14 nowhere; a part at both sites."""
    with in_process(sqlite_database_url) as running:
        for machine in ("grader-07", "loader-02", "hauler-14"):
            running.register(f"{machine}-intake", machine)
        for machine, site in (("grader-07", "oberkies"), ("loader-02", "kargrund")):
            ask(running, "POST", "/v1/sites", {"site": site})
            ask(running, "PATCH", f"/v1/machines/{machine}/papers", {"site": site})
        stock = [{"site": "kargrund", "pieces": 1}, {"site": "oberkies", "pieces": 2}]
        ask(running, "POST", "/v1/parts", {"part": "KG-0715", "stock": stock})
        yield running


@pytest.fixture
def person(api: Api) -> Browser:
    return signed_in(api, "mara.lindt", "planner", sites=["oberkies"])


def names(document: dict[str, Any], member: str) -> list[str]:
    return sorted({entry["machine"] for entry in document[member]})


def test_lists_name_the_machines_of_these_sites_alone(api: Api, person: Browser) -> None:
    assert names(person.get("/v1/machines").json(), "machines") == ["grader-07"]
    assert names(person.get("/v1/fleet").json(), "housings") == ["grader-07"]
    assert names(api.get("/v1/fleet", key="planner").json(), "housings") == [
        *("grader-07", "hauler-14", "loader-02"),
    ]
    shop = person.get("/v1/shop").json()
    assert [site["site"] for site in shop["sites"]] == ["oberkies"]
    assert shop["parts"][0]["stock"] == [{"site": "oberkies", "pieces": 2}]
    assert "loader-02" not in person.get("/v1/machines.csv").text
    assert "kargrund" not in person.get("/v1/parts.csv").text
    assert "loader-02" not in person.get("/v1/work").text
    assert (
        "loader-02"
        not in person.get("/fleet").text + person.get("/shop").text + person.get("/work-list").text
    )


@pytest.mark.parametrize("machine", ["loader-02", "hauler-14"])
def test_a_machine_of_another_site_is_not_there(person: Browser, machine: str) -> None:
    path = f"/v1/machines/{machine}"
    for address in (path, f"{path}/restriction", f"{path}/meter-readings", f"/machines/{machine}/papers"):
        assert person.get(address).status_code == 404
    assert person.post(f"{path}/planned-change", {"on": "2026-03-09"}).status_code == 404
    change = {"changed_at": "2026-03-02T06:00:00Z"}
    assert person.post(f"{path}/element-changes", change).status_code == 404


def test_nothing_is_written_at_another_site(person: Browser) -> None:
    for path, body in (
        ("/v1/sites", {"site": "lot-4"}),
        ("/v1/parts", {"part": "KG-0715", "stock": [{"site": "kargrund", "pieces": 9}]}),
    ):
        refused = person.post(path, body)
        assert (refused.status_code, refused.json()["code"]) == (403, "site_not_yours")
    for content in ("machine,site\nnew-1,oberkies\n", "machine,crew\nloader-02,late\n"):
        headers = {"Content-Type": "text/csv"}
        refused = person.request("POST", "/v1/machines.csv", content=content.encode(), headers=headers)
        assert (refused.status_code, refused.json()["code"]) == (403, "site_not_yours")


def test_a_machine_is_not_moved_to_a_site_of_others(api: Api, person: Browser) -> None:
    for site in ("kargrund", None):
        refused = person.request("PATCH", "/v1/machines/grader-07/papers", json={"site": site})
        assert (refused.status_code, refused.json()["code"]) == (403, "site_not_yours")
    assert api.get("/v1/machines/grader-07").json()["site"] == "oberkies"


ELSEWHERE = "loader-02-intake"


def test_devices_of_other_sites_and_their_readings_are_not_there(api: Api) -> None:
    """grader-07's monitor is at the person's site; loader-02's is not, and hauler-14's is at none."""
    person = signed_in(api, "vera.berg", "viewer", sites=["oberkies"])
    seen = [device["device"] for device in person.get("/v1/devices").json()["devices"]]
    assert seen == ["grader-07-intake"]
    for path in (f"/v1/devices/{ELSEWHERE}", f"/v1/devices/{ELSEWHERE}/readings"):
        assert person.get(path).status_code == 404
        assert person.get(path.replace(ELSEWHERE, "grader-07-intake")).status_code == 200
    assert person.get(f"/v1/devices/{ELSEWHERE}/entries").status_code in (403, 404)
    assert ELSEWHERE not in person.get("/v1/streams").text + person.get("/monitors").text


def test_a_monitor_that_came_from_another_site_brings_no_readings_of_that_site(api: Api) -> None:
    person = signed_in(api, "vera.berg", "viewer", sites=["oberkies"])
    moved = api.post(f"/v1/devices/{ELSEWHERE}/assignments", {"machine": "grader-07"})
    assert moved.status_code == 200
    assert person.get(f"/v1/devices/{ELSEWHERE}/readings").status_code == 404
    assert person.get("/v1/machines/grader-07/readings").status_code == 200


@pytest.mark.parametrize(
    ("method", "path", "body"),
    [
        ("PATCH", f"/v1/devices/{ELSEWHERE}", {"retired": True}),
        ("POST", "/v1/devices", {"device": "new-intake", "machine": "grader-07"}),
        ("POST", "/v1/machines", {"machine": "new-1"}),
        ("PATCH", "/v1/machines/grader-07", {"name": "loader-02"}),
        ("POST", "/v1/quarantine/discards", {"where": {"device": ELSEWHERE}, "reason": "ours now"}),
        ("GET", "/v1/quarantine/amendments", None),
        ("POST", "/v1/crews", {"crew": "late-shift"}),
        ("POST", "/v1/parts", {"part": "KG-0715", "lead_time_days": 99}),
    ],
)
def test_what_reaches_beyond_single_sites_is_for_people_who_see_all(
    api: Api, method: str, path: str, body: dict[str, Any] | None
) -> None:
    person = signed_in(api, "olga.stein", "admin", sites=["oberkies"])
    refused = person.request(method, path, body)
    assert (refused.status_code, refused.json()["code"]) == (403, "site_not_yours")


def test_quarantine_account_and_matters_are_those_of_monitors_that_never_sat_elsewhere(api: Api) -> None:
    for device, machine in (("grader-07-intake", "7"), (ELSEWHERE, "2")):
        stream = STREAM[:-1] + machine
        body = batch(1, [3.0, 900.0]) | {"device": device, "stream": stream}
        bound = {"role": "device", "devices": [device]}
        token = api.post("/v1/keys", bound).json()["key"]
        sent = api.post("/v1/readings", body, key=None, headers={"Authorization": f"Bearer {token}"})
        assert sent.status_code == 200, sent.text
    person = signed_in(api, "mara.plan", "planner", sites=["oberkies"])
    assert {entry["device"] for entry in person.get("/v1/quarantine").json()["entries"]} == {
        "grader-07-intake"
    }
    assert {stream["device"] for stream in person.get("/v1/account").json()["streams"]} == {
        "grader-07-intake"
    }
    assert ELSEWHERE not in person.get("/v1/attention").text + person.get("/quarantine").text
    assert "grader-07-intake" in person.get("/v1/attention").text
    assert ELSEWHERE not in person.get("/backlog?counted=true").text
    group = "/quarantine/group?code=out_of_range&device="
    assert "900" in person.get(f"{group}grader-07-intake").text
    assert "900" not in person.get(f"{group}{ELSEWHERE}").text
    assert person.post("/v1/quarantine/discards", {"where": {}, "reason": "ours"}).status_code == 403
    moved = api.post("/v1/devices/grader-07-intake/assignments", {"machine": "loader-02"})
    assert moved.status_code == 200
    assert person.get("/v1/quarantine").json()["entries"] == []


def test_a_code_ends_when_its_maker_is_for_some_sites_only(api: Api) -> None:
    maker = signed_in(api, "tilo.kern", "technician")
    code = maker.post("/v1/enrolments", {"device": ELSEWHERE, "machine": "loader-02"}).json()["code"]
    assert api.request("PATCH", "/v1/people/tilo.kern", json={"sites": ["oberkies"]}).status_code == 200
    assert api.post("/v1/enrol", {"code": code}, key=None).status_code == 403


# ---------------------------------------------------------------- entries made without a link

ENTRY = "0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c01"


def entry(machine: str, **content: str) -> dict[str, Any]:
    whole = {"entry_id": ENTRY, "kind": "hand_comparison", "machine": machine}
    return whole | {"made_at": "2026-03-01T00:00:00Z", "content": {"subject": "key_off", **content}}


def test_an_entry_at_another_site_is_not_told(api: Api, person: Browser) -> None:
    assert api.post("/v1/entries", entry("loader-02"), key="planner").status_code == 200
    same, other = (person.post("/v1/entries", entry(name)) for name in ("loader-02", "grader-07"))
    assert (same.status_code, same.json()["code"]) == (404, "unknown_machine")
    assert (other.status_code, other.json()["code"]) == (409, "entry_differs")
    assert "loader-02" not in other.text
    assert person.get("/v1/entries").json()["entries"] == []
    assert names(api.get("/v1/entries").json(), "entries") == ["loader-02"]


def test_who_no_longer_sees_a_machine_learns_that_their_entry_was_taken(api: Api, person: Browser) -> None:
    assert person.post("/v1/entries", entry("grader-07")).json()["outcome"] == "taken"
    ask(api, "PATCH", "/v1/machines/grader-07/papers", {"site": "kargrund"})
    assert person.post("/v1/entries", entry("grader-07")).json()["outcome"] == "same_as_before"
    changed = person.post("/v1/entries", entry("grader-07", housing="main"))
    assert (changed.status_code, changed.json()["code"]) == (404, "unknown_machine")
