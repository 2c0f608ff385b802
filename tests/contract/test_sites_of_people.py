"""A person who is for some sites sees and changes the machines of these sites, and no others."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.owners.reach import machines_seen
from cleanside.ingest.store import people
from tests.contract.test_api_shop import ask
from tests.support.people import Browser, quick_passwords, signed_in
from tests.support.prepared import Prepared, prepared
from tests.support.serving import STREAM, Api, batch, bearer


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Prepared:
    """grader-07 at oberkies, loader-02 at kargrund, hauler-14 nowhere; a part at both sites."""
    return prepared(tmp_path_factory.mktemp("shop"), fill)


@pytest.fixture
def api(shop: Prepared, tmp_path: Path) -> Iterator[Api]:
    with shop.copied(tmp_path) as running:
        quick_passwords(running)
        yield running


def fill(running: Api) -> None:
    for machine in ("grader-07", "loader-02", "hauler-14"):
        running.register(f"{machine}-intake", machine)
    for machine, site in (("grader-07", "oberkies"), ("loader-02", "kargrund")):
        ask(running, "POST", "/v1/sites", {"site": site})
        ask(running, "PATCH", f"/v1/machines/{machine}/papers", {"site": site})
    stock = [{"site": "kargrund", "pieces": 1}, {"site": "oberkies", "pieces": 2}]
    ask(running, "POST", "/v1/parts", {"part": "KG-0715", "stock": stock})


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


# ---------------------------------------------------------------- monitors of two sites that were swapped

SWAP_HOURS, STEP_S = 12, 300
STREAM_OF = {"grader-07": STREAM, "loader-02": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"}
SENT = {"engine_speed": ("r/min", 1800.0), "supply_voltage": ("V", 27.6)}


def send_as(api: Api, machine: str, *kinds: str) -> None:
    """Readings of a machine's monitor, with another quantity beside restriction every `SWAP_HOURS`."""
    device = f"{machine}-intake"
    key = api.post("/v1/keys", {"role": "device", "devices": [device]}).json()["key"]
    count, start_us = SWAP_HOURS * 3600 // STEP_S, parse_instant("2026-02-26T06:00:00Z").us
    for turn, kind in enumerate(kinds):
        unit, value = SENT[kind]
        body = {
            "device": device,
            "stream": STREAM_OF[machine],
            "units": {"restriction": "kPa", kind: unit},
            "first_seq": turn * count + 1,
            "start": instant_text(start_us + turn * count * STEP_S * 1_000_000),
            "step_ms": [0] + [STEP_S * 1000] * (count - 1),
            "columns": {"restriction": [2.5] * count, kind: [value] * count},
        }
        sent = api.post("/v1/readings", body, key=None, headers=bearer(key))
        assert sent.status_code == 200, sent.text


@pytest.fixture
def swapped(api: Api) -> Api:
    """From one hour on grader-07 sends as loader-02 did before, and the other way round."""
    send_as(api, "grader-07", "engine_speed", "supply_voltage")
    send_as(api, "loader-02", "supply_voltage", "engine_speed")
    api.clock.now_us = parse_instant("2026-02-27T07:00:00Z").us
    api.analyse()
    return api


def swap_said(document: dict[str, Any]) -> dict[str, Any]:
    [said] = [s["said"] for s in document["suspicions"] if s["cause"] == "monitors_swapped"]
    return dict(said)


def test_a_suspicion_names_no_machine_of_another_site(swapped: Api) -> None:
    address = "/v1/machines/grader-07/restriction"
    told = swap_said(swapped.get(address, key="planner").json())
    assert (told["code"], told["values"]["other"]) == ("sends_as_other", "loader-02")
    person = signed_in(swapped, "mara.lindt", "planner", sites=["oberkies"])
    told = swap_said(person.get(address).json())
    assert (told["code"], list(told["values"])) == ("sends_as_another", ["from_s"])
    for way in WAYS_OUT:
        answer = person.get(way)
        assert (answer.status_code, "loader-02" in answer.text) == (200, False), way


#: every answer and page that a suspicion of grader-07 can be on
WAYS_OUT = (
    *("/v1/fleet", "/v1/fleet?with_trend=true", "/v1/machines/grader-07/restriction", "/v1/work"),
    *("/v1/machines/grader-07/lives", "/v1/machines/grader-07/element-changes", "/v1/digest"),
    *(
        "/v1/visit-plan",
        "/v1/machines.csv",
        "/v1/element-lives",
        "/element-lives",
        "/element-lives.csv",
        "/fleet.csv",
    ),
    *("/v1/fleet/changes", "/fleet-changes"),
    *("/fleet", "/machines/grader-07", "/work-list", "/visit/grader-07", "/shop", "/visit-plan"),
)


def test_a_key_of_some_monitors_learns_of_no_other_machine_by_a_suspicion(swapped: Api) -> None:
    made = swapped.post("/v1/keys", {"role": "integrator", "devices": ["grader-07-intake"]}).json()
    headers = bearer(made["key"])
    answer = swapped.get("/v1/machines/grader-07/restriction", key=None, headers=headers)
    assert swap_said(answer.json())["code"] == "sends_as_another"
    assert "loader-02" not in answer.text + swapped.get("/v1/fleet", key=None, headers=headers).text


@pytest.mark.usefixtures("person")
def test_the_machines_that_a_person_sees_take_two_queries_however_many_there_are(api: Api) -> None:
    asked: list[str] = []

    def seen() -> list[str]:
        with api.resources.reading() as connection:
            [found] = people.named(connection, "mara.lindt", None)
            sa.event.listen(connection, "before_cursor_execute", lambda *about: asked.append(about[2]))
            machines = machines_seen(connection, found.as_key())
        return [machine.name for machine in machines]

    assert seen() == ["grader-07"]
    few = len(asked)
    for number in range(5):
        api.post("/v1/machines", {"machine": f"roller-{number}"}).raise_for_status()
        ask(api, "PATCH", f"/v1/machines/roller-{number}/papers", {"site": "oberkies"})
    asked.clear()
    assert len(seen()) == 6
    assert len(asked) == few == 2
