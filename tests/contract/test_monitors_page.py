"""The monitors page: enrol with a label, move, take off with the tap plugged, retire."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.support.serving import DEVICE, Api, batch, in_process

MONITOR = f"/monitors/{DEVICE}"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        running.register()
        assert running.post("/v1/machines", {"machine": "loader-02"}).status_code == 200
        yield running


def send(api: Api, path: str, **fields: str) -> Any:
    return api.request("POST", path, key="operator", data=fields)


def seat_of(api: Api) -> str | None:
    known = api.get(f"/v1/devices/{DEVICE}").json()
    open_seats = [seat["machine"] for seat in known["assignments"] if seat["until"] is None]
    return open_seats[-1] if open_seats else None


def test_every_monitor_is_listed_with_its_machine(api: Api) -> None:
    api.send(batch(1, [3.0]))
    page = api.get("/monitors").text
    assert f'href="{MONITOR}"' in page
    assert 'href="/machines/grader-07"' in page
    assert api.get(MONITOR).status_code == 200
    assert api.get("/monitors/none").status_code == 404


def test_a_label_shows_the_code_once_and_a_picture_without_it(api: Api) -> None:
    page = send(api, "/monitors/codes", device="loader-02-intake", machine="loader-02")
    assert page.status_code == 200
    assert page.headers["cache-control"] == "no-store"
    code = re.search(r'class="code">([A-Z0-9-]+)<', page.text)
    assert code is not None
    assert page.text.count(code[1]) == 1
    assert "http://ingest.test/visit/loader-02" in page.text
    assert 'class="qr"' in page.text
    assert api.post("/v1/enrol", {"code": code[1]}, key=None).status_code == 201


@pytest.mark.parametrize("wrong", [{"device": "no spaces"}, {"machine": "none"}, {"device": ""}])
def test_no_code_is_made_for_what_does_not_fit(api: Api, wrong: dict[str, str]) -> None:
    response = send(api, "/monitors/codes", **({"device": "x-intake", "machine": "loader-02"} | wrong))
    assert response.status_code in (404, 422)
    assert api.get("/v1/enrolments").json()["enrolments"] == []


def test_a_monitor_is_moved_and_taken_off_only_with_the_tap_plugged(api: Api) -> None:
    assert send(api, f"{MONITOR}/seat", machine="loader-02").status_code == 422
    assert seat_of(api) == "grader-07"
    assert send(api, f"{MONITOR}/seat", machine="loader-02", plugged="yes").status_code == 303
    assert seat_of(api) == "loader-02"
    api.clock.advance(60)
    assert send(api, f"{MONITOR}/taken-off").status_code == 422
    assert send(api, f"{MONITOR}/taken-off", plugged="yes").status_code == 303
    assert seat_of(api) is None
    assert send(api, f"{MONITOR}/taken-off", plugged="yes").status_code == 422


def test_a_monitor_is_retired_and_taken_into_use_again(api: Api) -> None:
    assert send(api, f"{MONITOR}/retired", retired="yes").status_code == 422
    assert send(api, f"{MONITOR}/retired", retired="yes", plugged="yes").status_code == 303
    assert api.get(f"/v1/devices/{DEVICE}").json()["retired_at"] is not None
    assert send(api, f"{MONITOR}/retired", retired="no").status_code == 303
    assert api.get(f"/v1/devices/{DEVICE}").json()["retired_at"] is None


def test_who_may_not_write_sees_no_forms(api: Api) -> None:
    page = api.get(MONITOR, key="planner").text
    assert "taken-off" not in page
    assert "/monitors/codes" not in api.get("/monitors", key="planner").text
