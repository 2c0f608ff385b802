"""The monitors page: enrol with a label, move, take off with the tap plugged, retire."""

from __future__ import annotations

import html
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


def test_machines_are_offered_to_choose_from_where_one_is_named(api: Api) -> None:
    retire = api.request("PATCH", "/v1/machines/loader-02", json={"retired": True})
    assert retire.status_code == 200
    for path in ("/monitors", MONITOR, "/transfers"):
        page = api.get(path).text
        assert 'name="machine" list="machines"' in page
        choices = page.partition('<datalist id="machines">')[2].partition("</datalist>")[0]
        assert re.findall(r'value="([^"]+)"', choices) == ["grader-07"]


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("/monitors/codes", {"device": "x-intake", "note": "for <b> Mara"}),
        (f"{MONITOR}/seat", {"plugged": "yes", "housing": "left"}),
        ("/transfers", {"note": "sold"}),
    ],
)
def test_a_mistyped_machine_is_answered_on_the_page_with_the_nearest_and_what_was_entered(
    api: Api, path: str, fields: dict[str, str]
) -> None:
    answer = api.request("POST", path, data=fields | {"machine": "lodaer-02"})
    assert answer.status_code == 404
    assert 'name="machine" list="machines"' in answer.text  # the page of the form
    assert 'value="lodaer-02" aria-invalid="true" aria-describedby="machine-near"' in answer.text
    assert "loader-02" in answer.text.partition('id="machine-near"')[2].partition("</p>")[0]
    for name, value in fields.items():
        if name in ("device", "note", "housing") and path != "/transfers":
            assert f'value="{html.escape(value)}"' in answer.text


def test_a_mistyped_housing_is_answered_on_the_page_too(api: Api) -> None:
    given = {"device": "x-intake", "machine": "loader-02", "housing": "lft"}
    answer = send(api, "/monitors/codes", **given)
    assert answer.status_code == 404
    for value in given.values():
        assert f'value="{value}"' in answer.text


def withdrawals(page: str) -> list[str]:
    return re.findall(r'action="(/monitors/codes/\d+/withdrawn)"', page)


def test_a_code_is_listed_until_it_is_used_withdrawn_or_out_of_date(api: Api) -> None:
    codes = []
    for name in ("a", "b", "c"):
        made = send(
            api, "/monitors/codes", device=f"{name}-intake", machine="loader-02", note="for Mara"
        ).text
        codes += re.findall(r'class="code">([A-Z0-9-]+)<', made)
    page = api.get("/monitors", key="operator").text
    assert len(withdrawals(page)) == 3
    assert not any(code in page for code in codes)

    assert api.post("/v1/enrol", {"code": codes[0]}, key=None).status_code == 201
    newest, older = withdrawals(api.get("/monitors", key="operator").text)
    assert send(api, newest, device="c-intake").status_code == 200  # asks first
    assert len(withdrawals(api.get("/monitors", key="operator").text)) == 2
    assert send(api, newest, sure="yes").status_code == 303
    assert api.post("/v1/enrol", {"code": codes[2]}, key=None).status_code == 403
    assert withdrawals(api.get("/monitors", key="operator").text) == [older]
    api.clock.advance(73 * 3_600)
    assert withdrawals(api.get("/monitors", key="operator").text) == []
    assert withdrawals(api.get("/monitors", key="planner").text) == []


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
