"""What people enter of elements over HTTP: the answer says what the readings say; doubt is a question."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.console.viewer import LANGUAGES
from tests.contract.test_api_fleet import register_worked, restriction, set_hours_in, working_hours
from tests.support.serving import Api, in_process

PATH = "/v1/machines/grader-07/element-changes"
FALL = "2026-02-21T06:00:00Z"  # 24 hours after the first reading


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """What is entered does not depend on the database; `test_api_fleet.py` runs it on both."""
    with in_process(sqlite_database_url) as running:
        yield running


def enter(api: Api, changed_at: str, **more: Any) -> list[dict[str, Any]]:
    response = api.post(PATH, {"changed_at": changed_at, **more}, key="planner")
    assert response.status_code == 200, response.text
    changes: list[dict[str, Any]] = response.json()["element_changes"]
    return changes


def figures(seen: dict[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in seen.items() if not name.startswith(("questions", "evidence"))}


def test_the_answer_to_an_entry_says_what_the_readings_say(api: Api) -> None:
    register_worked(api, 60, new_at_hour=24)
    [change] = enter(api, FALL)
    assert (change["verdict"], change["is_question"], change["used_from"]) == ("fits", False, FALL)
    assert change["level_before_pa"] == pytest.approx(5430, rel=0.05)
    assert change["level_after_pa"] == pytest.approx(2500, rel=0.05)
    assert f"{change['level_before_pa'] / 1000:.2f} kPa" in change["says"]


def test_a_change_that_the_readings_contradict_is_a_question_and_stands_first(api: Api) -> None:
    api.register("loader-02-intake", "loader-02")
    register_worked(api, 60, rise_kpa=0.005)
    before = restriction(api)
    [change] = enter(api, FALL, note="meant loader-02")
    assert (change["verdict"], change["is_question"], change["used_from"]) == ("did_not_fall", True, None)
    asked = restriction(api)
    assert figures(asked) == figures(before)
    assert [(q["verdict"], q["entry_id"]) for q in asked["questions"]] == [
        ("did_not_fall", change["entry_id"])
    ]
    fleet = api.get("/v1/fleet").json()["housings"]
    assert [h["machine"] for h in fleet] == ["grader-07", "loader-02"]
    assert fleet[0]["state"] == "serving"  # it would stand last


def test_a_question_is_settled_by_a_word_of_why_or_by_taking_it_back(api: Api) -> None:
    register_worked(api, 60, rise_kpa=0.05)
    before = restriction(api)
    enter(api, FALL)
    for _ in range(2):  # a resend
        [change] = enter(api, FALL, confirmed_because="it was exchanged for another used one")
        assert (change["is_question"], change["used_from"]) == (False, FALL)
    assert change["confirmed_because"] == "it was exchanged for another used one"
    [resent] = enter(api, FALL)  # an old copy without the word does not undo it
    assert resent["is_question"] is False
    assert restriction(api)["questions"] == []
    assert restriction(api)["life_hours"] == pytest.approx(36, abs=1)
    api.request("DELETE", PATH, params={"changed_at": FALL})
    assert restriction(api) == before
    with api.resources.reading() as connection:
        kinds = connection.execute(sa.text("SELECT what FROM audit ORDER BY id")).scalars().all()
    assert list(kinds)[-3:] == ["element_change", "element_change_confirmed", "element_change_taken_back"]


def test_a_date_before_the_first_reading_is_asked_about(api: Api) -> None:
    register_worked(api, 60)
    before = restriction(api)
    [change] = enter(api, "2020-02-21T06:00:00Z")
    assert (change["verdict"], change["is_question"]) == ("before_first_reading", True)
    assert figures(restriction(api)) == figures(before)


def test_an_entry_without_readings_after_it_says_when_it_will_be_looked_at(api: Api) -> None:
    register_worked(api, 60)
    [change] = enter(api, "2026-02-22T18:30:00Z")
    assert change["verdict"] == "not_seen_yet"
    assert change["look_by"] > "2026-02-22T18:30:00Z"
    assert "2026-02-2" in change["says"]


SEEN_H = 24 + 105


def send_on(api: Api, hours: int, sent: int) -> None:
    """Some hours more after those sent, analysed."""
    set_hours_in(api, sent + hours + 1)
    api.send(working_hours(hours, first_seq=60 * sent + 1, rise_kpa=0.002))
    api.analyse()


def register_a_fall(api: Api) -> str:
    """A machine whose restriction fell for more than 100 hours; when, as it was found."""
    register_worked(api, 60, new_at_hour=24, rise_kpa=0.002)
    send_on(api, SEEN_H - 60, 60)
    [found_at] = restriction(api)["changes_found"]
    return str(found_at)


def test_a_found_change_is_denied_with_a_reason_and_is_not_asked_about_again(api: Api) -> None:
    found_at = register_a_fall(api)
    assert len(api.get("/v1/machines/grader-07/lives").json()["lives"]) == 2
    without = api.post(PATH, {"changed_at": found_at, "what": "nothing"}, key="planner")
    assert (without.status_code, without.json()["errors"][0]["pointer"]) == (422, "#/note")
    [denied] = enter(api, found_at, what="nothing", note="the intake duct was moved")
    assert (denied["verdict"], denied["is_question"]) == ("denied", False)
    seen = restriction(api)
    assert (seen["changes_found"], seen["questions"]) == ([], [])
    when = found_at.replace("T", " ").removesuffix(":00Z")
    assert any(f"the element was not changed at {when}" in said for said in seen["evidence"])
    assert len(api.get("/v1/machines/grader-07/lives").json()["lives"]) == 1
    api.request("DELETE", PATH, params={"changed_at": found_at})
    assert restriction(api)["changes_found"] == [found_at]


def test_a_change_found_without_an_entry_stands_first_and_can_be_chosen_alone(api: Api) -> None:
    register_a_fall(api)
    api.post("/v1/machines", {"machine": "a-loader-02"}).raise_for_status()
    fleet = api.get("/v1/fleet").json()
    assert [one["machine"] for one in fleet["housings"]] == ["grader-07", "a-loader-02"]
    chosen = api.get("/v1/fleet", params={"asks": "true"}).json()
    assert ([one["machine"] for one in chosen["housings"]], chosen["count"]) == (["grader-07"], 1)
    for language in LANGUAGES:
        page = api.get("/fleet?asks=true", headers={"Accept-Language": language}).text
        assert "a-loader-02" not in page
        assert '<option value="true" selected>' in page
    assert 'href="/fleet?asks=true"' in api.get("/fleet").text


def test_a_denial_stands_when_more_readings_come(api: Api) -> None:
    """The fall is found again, perhaps at the hour beside it."""
    found_at = register_a_fall(api)
    enter(api, found_at, what="nothing", note="the intake duct was moved")
    send_on(api, 20, SEEN_H)
    assert restriction(api)["changes_found"] == []
    assert restriction(api)["life_hours"] == pytest.approx(SEEN_H + 20, abs=1)


ID, OTHER_ID = "0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c01", "0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c02"


def test_an_entry_that_is_sent_again_is_the_same_entry(api: Api) -> None:
    """Its id decides, made by whoever enters it."""
    register_worked(api, 60, new_at_hour=24)
    first = enter(api, FALL, entry_id=ID, what="cleaned", note="by the night shift")
    assert enter(api, FALL, entry_id=ID, what="cleaned", note="by the night shift") == first
    assert [(c["entry_id"], c["what"]) for c in first] == [(ID, "cleaned")]
    assert restriction(api)["cleanings"] == 1
    for other in ({"changed_at": "2026-02-21T07:00:00Z"}, {"what": "new"}, {"note": "another"}):
        body = {"changed_at": FALL, "entry_id": ID, "what": "cleaned", "note": "by the night shift"} | other
        refused = api.post(PATH, body, key="planner")
        assert (refused.status_code, refused.json()["code"]) == (409, "change_differs")
    with api.resources.reading() as connection:
        times = connection.scalar(sa.text("SELECT count(*) FROM audit WHERE what = 'element_change'"))
    assert times == 1


def test_of_one_service_the_element_and_the_safety_element_are_both_entered(api: Api) -> None:
    register_worked(api, 60, new_at_hour=24)
    enter(api, FALL, entry_id=ID)
    both = enter(api, FALL, entry_id=OTHER_ID, what="safety_element")
    assert [(c["what"], c["verdict"]) for c in both] == [("new", "fits"), ("safety_element", "noted")]
    either = api.request("DELETE", PATH, params={"changed_at": FALL})
    assert (either.status_code, either.json()["errors"][0]["pointer"]) == (422, "query/entry_id")
    back = api.request("DELETE", PATH, params={"changed_at": FALL, "entry_id": ID}).json()
    assert [c["entry_id"] for c in back["element_changes"]] == [OTHER_ID]


def test_a_change_that_the_previous_release_entered_is_one_of_a_new_element(api: Api) -> None:
    register_worked(api, 60, new_at_hour=24)
    insert = (
        "INSERT INTO element_changes (housing_id, changed_us, entered_us, who, note) "
        "SELECT id, :us, :us, 'k', 'as before' FROM housings"
    )
    us = parse_instant(FALL).us
    api.resources.writer.call(lambda c: c.execute(sa.text(insert), {"us": us}))
    [change] = enter(api, FALL, note="as before")
    assert (change["what"], change["verdict"], change["entry_id"]) == ("new", "fits", f"new-{us}")
    assert api.request("DELETE", PATH, params={"changed_at": FALL}).json()["element_changes"] == []


def test_the_answer_to_an_entry_shows_the_usual_cautions(api: Api) -> None:
    """Common practice, without a published source; the maker's manual goes first."""
    api.register()
    answer = api.post(PATH, {"changed_at": FALL}, key="planner").json()
    assert [caution["code"] for caution in answer["cautions"]] == [
        "maker_first",
        "secure_machine",
        "respirable_dust",
        "wipe_housing",
        "no_compressed_air",
        "safety_element",
        "element_out",
        "reset_indicator",
    ]
    assert all(caution["caution"] for caution in answer["cautions"])


def test_who_answers_a_found_change_otherwise_is_told_of_the_first_answer(api: Api) -> None:
    register_worked(api, 60, rise_kpa=0.03)
    changes = "/v1/machines/grader-07/element-changes"
    found = {"changed_at": "2026-02-20T04:00:00Z", "housing": "main", "note": "by the crew"}
    first = found | {"what": "new", "entry_id": "of-mara"}
    assert api.post(changes, first, key="planner").status_code == 200
    for what in ("cleaned", "nothing"):
        refused = api.post(changes, found | {"what": what, "entry_id": "of-jan"}, key="operator")
        assert (refused.status_code, refused.json()["code"]) == (409, "change_differs")
    assert api.post(changes, first, key="planner").status_code == 200, "a resend"
    other = found | {"what": "safety_element", "entry_id": "of-jan"}
    assert api.post(changes, other, key="operator").status_code == 200
    entered = api.get(changes).json()["element_changes"]
    assert {one["entry_id"]: one["what"] for one in entered} == {"of-mara": "new", "of-jan": "safety_element"}


def test_where_no_monitor_was_ever_fitted_an_entry_says_that_none_checks_it(api: Api) -> None:
    """It was to be checked by an hour at which no reading could come."""
    assert api.post("/v1/machines", {"machine": "hauler-12"}).status_code == 200
    change = {"changed_at": "2026-02-22T06:00:00Z", "what": "new"}
    answer = api.post("/v1/machines/hauler-12/element-changes", change).json()
    [entered] = answer["element_changes"]
    assert (entered["verdict"], entered["look_by"]) == ("not_watched", None)
    assert entered["said"]["code"] == "entry_not_watched"
    page = api.get("/machines/hauler-12").text
    assert "No monitor sits here, so no reading can check the entry." in page
