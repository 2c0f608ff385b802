"""The monitors page: enrol with a label, move, take off with the tap plugged, retire."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
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


@pytest.mark.parametrize(("language", "word"), [("en", "open"), ("de", "offen")])
def test_a_seat_without_an_end_is_open(api: Api, language: str, word: str) -> None:
    """It said "until today", as if the monitor came off in the evening."""
    page = api.get(MONITOR, headers={"Accept-Language": language}).text
    until = re.findall(r'data-label="(?:Until|Bis)"><span>([^<]*)</span>', page)
    assert until == [word]


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


def crowded(api: Api) -> None:
    """loader-02 with two monitors, one at each of its housings."""
    assert (
        api.post(
            "/v1/machines", {"machine": "loader-02", "housings": [{"housing": "left"}, {"housing": "right"}]}
        ).status_code
        == 200
    )
    for side in ("left", "right"):
        seat = {"device": f"loader-02-{side}", "machine": "loader-02", "housing": side}
        assert api.post("/v1/devices", seat).status_code == 200


def test_a_machine_that_has_monitors_is_asked_about_before_another_one_comes(api: Api) -> None:
    crowded(api)
    asked = send(api, f"{MONITOR}/seat", machine="loader-02", plugged="yes")
    assert (asked.status_code, seat_of(api)) == (200, "grader-07")
    places = re.findall(r'name="place" value="([^"]+)"', asked.text)
    assert places == [*("left/loader-02-left", "left/"), "main/", *("right/loader-02-right", "right/")]
    fields = {"machine": "loader-02", "plugged": "yes", "sure": "yes"}
    assert send(api, f"{MONITOR}/seat", **fields).status_code == 422, "a place is chosen"
    assert send(api, f"{MONITOR}/seat", **fields, place="left/loader-02-right").status_code == 422
    assert send(api, f"{MONITOR}/seat", **fields, place="left/loader-02-left").status_code == 303
    sitting = [
        (housing["housing"], seat["device"])
        for housing in api.get("/v1/machines/loader-02").json()["housings"]
        for seat in housing["devices"]
        if seat["until"] is None
    ]
    assert sitting == [("left", DEVICE), ("right", "loader-02-right")]


def test_the_machine_left_behind_says_since_when_it_has_no_monitor_and_who_moved_it(api: Api) -> None:
    api.send(batch(1, [3.0]))
    api.analyse()
    assert api.get("/v1/machines/grader-07/restriction").json()["no_monitor"] is None
    assert send(api, f"{MONITOR}/seat", machine="loader-02", plugged="yes").status_code == 303
    left = api.get("/v1/machines/grader-07/restriction").json()["no_monitor"]
    assert (left["device"], left["moved_to"]) == (DEVICE, {"machine": "loader-02", "housing": "main"})
    moved = api.get("/v1/audit").json()["entries"][0]
    assert (left["since"], left["by"]) == ("2026-03-02T09:00:00Z", moved["who"])
    for path in ("/fleet", "/machines/grader-07"):
        for language, words in (("en", "No monitor since"), ("de", "Kein Messgerät seit")):
            page = api.get(path, headers={"Accept-Language": language}).text
            assert words in page
            assert "loader-02" in page.split(words)[1][:80]
    api.clock.advance(60)
    assert send(api, f"{MONITOR}/taken-off", plugged="yes").status_code == 303
    off = api.get("/v1/machines/loader-02/restriction").json()["no_monitor"]
    assert (off["device"], off["moved_to"], off["since"]) == (DEVICE, None, "2026-03-02T09:01:00Z")


@pytest.mark.parametrize("job", ["installation", "service"])
def test_the_visit_to_a_machine_left_behind_says_so_and_waits_for_nothing(api: Api, job: str) -> None:
    api.send(batch(1, [3.0]))
    send(api, f"{MONITOR}/seat", machine="loader-02", plugged="yes")
    page = api.get(f"/visit/grader-07?job={job}").text
    assert re.findall(r'data-stay="(\w+)"', page) == ["no_monitor"]
    assert "data-check=" not in page
    assert "Nothing has arrived" not in page
    assert "loader-02" in page.split("No monitor since")[1][:80]


def code_form(api: Api, **more: str) -> Any:
    return send(api, "/monitors/codes", **({"device": DEVICE, "machine": "loader-02"} | more))


def test_a_code_that_moves_a_monitor_says_so_first_and_as_long_as_it_is_not_used(api: Api) -> None:
    asked = code_form(api, note="for <b> Mara")
    assert asked.status_code == 200
    assert 'name="sure" value="yes"' in asked.text
    assert 'class="code"' not in asked.text
    assert f"{DEVICE} sits on grader-07 now" in asked.text
    assert api.get("/v1/enrolments").json()["enrolments"] == []
    hidden = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', asked.text))
    made = send(api, "/monitors/codes", **{name: html.unescape(value) for name, value in hidden.items()})
    assert 'class="code"' in made.text
    [enrolment] = api.get("/v1/enrolments").json()["enrolments"]
    assert enrolment["note"] == "for <b> Mara"
    codes = api.get("/monitors", key="operator").text.partition('id="codes"')[2]
    assert f"{DEVICE} sits on grader-07 now" in codes


def test_a_second_monitor_on_a_housing_is_asked_about_and_one_where_it_sits_is_not(api: Api) -> None:
    asked = code_form(api, device="new-intake", machine="grader-07")
    assert 'name="sure" value="yes"' in asked.text
    assert f"{DEVICE} sits on grader-07, housing main" in asked.text
    assert f'href="{MONITOR}"' in asked.text
    assert 'class="code"' in code_form(api, device="new-intake", machine="grader-07", sure="yes").text
    assert 'class="code"' in code_form(api, machine="grader-07").text  # its own place again


def test_a_machine_that_never_had_a_monitor_says_so(api: Api) -> None:
    none = api.get("/v1/machines/loader-02/restriction").json()["no_monitor"]
    assert none == {"since": None, "device": None, "moved_to": None, "by": None}
    for path in ("/machines/loader-02", "/fleet"):
        page = api.get(path).text
        assert "No monitor has been fitted yet" in page
        assert "No monitor sits here." in page


def entry_of(api: Api) -> dict[str, Any]:
    [entry] = api.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
    return dict(entry)


def test_an_entry_that_no_reading_can_check_says_so(api: Api) -> None:
    api.send(batch(1, [3.0]))
    api.analyse()
    change = {"changed_at": "2026-03-02T09:00:00Z"}
    assert api.post("/v1/machines/grader-07/element-changes", change).status_code == 200
    assert entry_of(api)["verdict"] == "not_seen_yet"
    assert send(api, f"{MONITOR}/seat", machine="loader-02", plugged="yes").status_code == 303
    assert (entry_of(api)["verdict"], entry_of(api)["is_question"]) == ("not_watched", False)
    assert "no reading can check" in api.get("/machines/grader-07").text


def quarantined_on(api: Api) -> dict[str, int]:
    housings = api.get("/v1/fleet").json()["housings"]
    return {h["machine"]: h["readings_quarantined"] for h in housings if h["readings_quarantined"]}


def test_quarantined_readings_stay_where_they_were_measured(api: Api) -> None:
    """Two on grader-07, before the move at 09:00, one on loader-02 after it, one whose time is in doubt."""
    api.send(batch(1, [3.0, 900.0, 3.0, 901.0]))
    assert quarantined_on(api) == {"grader-07": 2}
    assert send(api, f"{MONITOR}/seat", machine="loader-02", plugged="yes").status_code == 303
    assert quarantined_on(api) == {"grader-07": 2}
    [line] = quarantine_lines(api)
    assert (line["machine"], line["count"]) == ("grader-07", 2)
    api.clock.advance(3600)
    for seq, at, value in ((5, "2026-03-02T09:30:00Z", 902.0), (6, "2027-03-02T09:30:00Z", 3.0)):
        api.send(batch(seq, [value]) | {"readings": [{"seq": seq, "at": at, "restriction": value}]})
    assert quarantined_on(api) == {"grader-07": 2, "loader-02": 1}
    assert {line["code"]: line["machine"] for line in quarantine_lines(api)} == {
        "out_of_range": None,
        "time_in_future": None,
    }


def quarantine_lines(api: Api) -> list[dict[str, Any]]:
    groups = api.get("/v1/attention").json()["groups"]
    return [line for group in groups if group["group"] == "in_quarantine" for line in group["entries"]]


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


def test_a_visit_is_one_link_from_the_machine_the_lists_and_back_to_a_new_monitor(api: Api) -> None:
    on = (datetime.fromtimestamp(api.clock.now_us / 1e6, UTC) + timedelta(days=1)).date().isoformat()
    assert api.post("/v1/machines/loader-02/planned-change", {"on": on}, key="planner").status_code == 200
    for page in ("/machines/loader-02", "/fleet", "/work-list"):
        assert 'href="/visit/loader-02"' in api.get(page, key="planner").text, page
    page = api.get("/visit/loader-02").text
    assert 'href="/monitors?machine=loader-02&amp;housing=main#enrol"' in page
    form = api.get("/monitors?machine=loader-02&housing=second").text
    assert re.search(r'name="machine"[^>]* value="loader-02"', form)
    assert re.search(r'name="housing"[^>]* value="second"', form)
