"""What the shop knows of its machines, over HTTP: sites, crews, parts, papers, meter, gauge, plans."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.gateway.wire import parse_instant
from tests.contract.test_api_fleet import register_worked, restriction, set_hours_in, working_hours
from tests.support.people import invited
from tests.support.serving import Api, in_process

MACHINE = "/v1/machines/grader-07"
GAUGES = "/v1/machines/grader-07/gauge-readings"
PLANNED = "/v1/machines/grader-07/planned-change"
FALL = "2026-02-21T06:00:00Z"  # 24 hours after the first reading


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """Papers do not depend on the database; tests/migration makes them on both."""
    with in_process(sqlite_database_url) as running:
        yield running


def ask(api: Api, method: str, path: str, body: Any = None, **query: Any) -> dict[str, Any]:
    """As a planner, expected to be taken."""
    more = {} if body is None else {"json": body}
    response = api.request(method, path, key="planner", params=query, **more)
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    return document


def refused(api: Api, method: str, path: str, body: Any) -> tuple[int, str, list[str]]:
    response = api.request(method, path, key="planner", json=body)
    document = response.json()
    return response.status_code, document["code"], [error["pointer"] for error in document["errors"]]


# ---------------------------------------------------------------- sites, crews, parts


@pytest.mark.parametrize(
    ("path", "noun", "there", "slip"),
    [
        ("/v1/sites", "site", "oberkies", "Oberkies"),
        ("/v1/crews", "crew", "early-shift", "Early-Shift"),
        ("/v1/parts", "part", "KG-0715", "kg-0715"),
        ("/v1/parts", "part", "Filter Ö 7", "filter ö 7"),
    ],
)
def test_a_name_of_the_shop_that_differs_by_capital_letters_alone_is_asked_about(
    api: Api, path: str, noun: str, there: str, slip: str
) -> None:
    """Machines of "Oberkies" and stock of "oberkies" never met on the work list."""
    ask(api, "POST", path, {noun: there})
    answer = api.post(path, {noun: slip}, key="planner")
    assert (answer.status_code, [e["pointer"] for e in answer.json()["errors"]]) == (422, [f"#/{noun}"])
    assert f'there is "{there}" here already' in answer.json()["errors"][0]["detail"]
    assert [one[noun] for one in ask(api, "GET", "/v1/shop")[f"{noun}s"]] == [there]
    ask(api, "POST", path, {noun: there})  # the same again is never asked about
    ask(api, "POST", path, {noun: slip, "confirmed_because": "two makers, two names"})
    ask(api, "POST", path, {noun: slip})


def test_sites_crews_and_parts_are_kept_with_their_stock(api: Api) -> None:
    ask(api, "POST", "/v1/sites", {"site": "oberkies", "display_name": "Оберкиес · مقلع"})
    ask(api, "POST", "/v1/sites", {"site": "oberkies"})  # changes nothing
    ask(api, "POST", "/v1/crews", {"crew": "early-shift"})
    stock = [{"site": "oberkies", "pieces": 4}]
    ask(api, "POST", "/v1/parts", {"part": "KG 07/15", "lead_time_days": 3, "stock": stock})
    ask(api, "POST", "/v1/parts", {"part": "KG 07/15", "description": "primary element"})
    assert ask(api, "GET", "/v1/shop") == {
        "sites": [{"site": "oberkies", "display_name": "Оберкиес · مقلع"}],
        "crews": [{"crew": "early-shift", "display_name": None}],
        "parts": [
            {"part": "KG 07/15", "description": "primary element", "lead_time_days": 3, "stock": stock}
        ],
    }
    ask(api, "POST", "/v1/sites", {"site": "oberkies", "display_name": ""})
    assert ask(api, "GET", "/v1/shop")["sites"] == [{"site": "oberkies", "display_name": None}]


def test_stock_at_a_site_that_is_not_there_is_refused_and_nothing_of_the_part_is_kept(api: Api) -> None:
    body = {"part": "KG-0715", "stock": [{"site": "nowhere", "pieces": 1}]}
    assert refused(api, "POST", "/v1/parts", body)[:2] == (404, "unknown_site")
    assert ask(api, "GET", "/v1/shop")["parts"] == []


# ---------------------------------------------------------------- papers


PAPERS = {
    "site": "oberkies",
    "crew": "early-shift",
    "next_service": {"service": "500 h service", "meter_hours": 8500.0, "on": "2026-12-04"},
    "laid_up": {"from": "2026-12-20", "until": "2027-01-08"},
    "housings": [
        {
            "housing": "main",
            "primary_part": "KG-0715",
            "safety_part": "KG-0716",
            "calendar_limit_days": 365,
            "most_cleanings": 5,
        }
    ],
}


def with_papers(api: Api) -> dict[str, Any]:
    """A machine with all its papers."""
    api.register()
    ask(api, "POST", "/v1/sites", {"site": "oberkies"})
    ask(api, "POST", "/v1/crews", {"crew": "early-shift"})
    return ask(api, "PATCH", f"{MACHINE}/papers", PAPERS)


def test_papers_are_set_and_null_takes_away_what_it_names_alone(api: Api) -> None:
    assert with_papers(api) == {"machine": "grader-07"} | PAPERS
    edit = {"crew": None, "laid_up": None, "housings": [{"housing": "main", "safety_part": None}]}
    after = ask(api, "PATCH", f"{MACHINE}/papers", edit)
    assert (after["site"], after["crew"], after["laid_up"]) == ("oberkies", None, None)
    assert after["next_service"] == PAPERS["next_service"]
    assert after["housings"][0] == PAPERS["housings"][0] | {"safety_part": None}  # type: ignore[index]


def test_answers_on_machines_carry_the_papers(api: Api) -> None:
    with_papers(api)
    machine = api.get(MACHINE).json()
    assert (machine["site"], machine["crew"]) == ("oberkies", "early-shift")
    assert (machine["next_service"], machine["laid_up"]) == (PAPERS["next_service"], PAPERS["laid_up"])
    assert machine["housings"][0]["primary_part"] == "KG-0715"
    seen = restriction(api)
    assert (seen["site"], seen["crew"], seen["planned"]) == ("oberkies", "early-shift", None)
    assert (seen["primary_part"], seen["safety_part"]) == ("KG-0715", "KG-0716")
    assert seen["laid_up"] == PAPERS["laid_up"]


@pytest.mark.parametrize(
    ("edit", "pointer"),
    [
        ({"laid_up": {"from": "2026-12-20", "until": "2026-12-19"}}, "#/laid_up/until"),
        ({"laid_up": {"from": "20.12.2026"}}, "#/laid_up/from"),
        ({"next_service": {"on": "2026-02-30"}}, "#/next_service/on"),
        ({"housings": [{"housing": "main", "calendar_limit_days": 0}]}, "#/housings/0/calendar_limit_days"),
        ({"housings": [{"housing": "main", "primary_part": " KG"}]}, "#/housings/0/primary_part"),
    ],
)
def test_papers_that_cannot_be_are_refused(api: Api, edit: dict[str, Any], pointer: str) -> None:
    api.register()
    assert refused(api, "PATCH", f"{MACHINE}/papers", edit) == (422, "not_valid", [pointer])


def test_a_machine_that_changes_hands_leaves_site_crew_and_plan_behind(api: Api) -> None:
    with_papers(api)
    ask(api, "POST", PLANNED, {"on": "2026-03-04"})
    code = api.post("/v1/transfers", {"machine": "grader-07"}).json()["code"]
    assert api.post("/v1/transfers/accept", {"code": code}, key="quarry admin").status_code == 200
    there = api.get(MACHINE, key="quarry admin").json()
    assert (there["site"], there["crew"]) == (None, None)
    assert there["housings"][0]["primary_part"] == "KG-0715"
    fleet = api.get("/v1/fleet", key="quarry admin").json()["housings"]
    assert [h["planned"] for h in fleet] == [None]


def test_the_fleet_is_filtered_by_site_crew_kind_and_state(api: Api) -> None:
    with_papers(api)
    api.register("loader-02-intake", "loader-02")
    api.post("/v1/machines", {"machine": "loader-02", "kind": "loader"})

    def machines(**query: str) -> list[str]:
        return [h["machine"] for h in ask(api, "GET", "/v1/fleet", **query)["housings"]]

    assert machines() == ["grader-07", "loader-02"]
    assert machines(site="oberkies") == machines(crew="early-shift") == ["grader-07"]
    assert machines(kind="loader") == ["loader-02"]
    assert machines(site="oberkies", kind="loader") == machines(site="nowhere") == []
    assert machines(state="silent") == machines()
    assert machines(state="over") == []


# ---------------------------------------------------------------- the hour meter


def test_the_hour_meter_runs_on_by_the_hours_that_the_machine_works(api: Api) -> None:
    register_worked(api, 60)
    answer = ask(api, "POST", f"{MACHINE}/meter-readings", {"at": FALL, "meter_hours": 8120.5})
    assert [(m["meter_hours"], m["offset_hours"]) for m in answer["meter_readings"]] == [(8120.5, 0.0)]
    assert 8120.5 < answer["meter_hours_now"] <= 8120.5 + 37  # 37 hours of the clock later


def test_a_meter_that_runs_backwards_or_faster_than_the_clock_is_refused(api: Api) -> None:
    api.register()
    path = f"{MACHINE}/meter-readings"
    ask(api, "POST", path, {"at": "2026-03-01T06:00:00Z", "meter_hours": 8000.0})
    for hours, at in ((7990.0, "2026-03-02T06:00:00Z"), (8040.0, "2026-03-02T06:00:00Z")):
        assert refused(api, "POST", path, {"at": at, "meter_hours": hours}) == (
            422,
            "not_valid",
            ["#/meter_hours"],
        )
    new_meter = {"at": "2026-03-02T06:00:00Z", "meter_hours": 3.0, "offset_hours": 8005.0}
    answer = ask(api, "POST", path, new_meter)
    assert [m["meter_hours"] for m in answer["meter_readings"]] == [8000.0, 3.0]


def test_a_meter_reading_that_is_sent_again_is_the_same_and_another_under_its_id_is_refused(api: Api) -> None:
    api.register()
    path, body = f"{MACHINE}/meter-readings", {"at": FALL, "meter_hours": 8000.0, "entry_id": "a-1"}
    assert ask(api, "POST", path, body) == ask(api, "POST", path, body)
    other = body | {"meter_hours": 8001.0}
    assert refused(api, "POST", path, other)[:2] == (409, "entry_differs")


# ---------------------------------------------------------------- the gauge


def test_a_gauge_is_kept_beside_what_cleanside_says_for_that_instant(api: Api) -> None:
    register_worked(api, 60, rise_kpa=0.02)
    before = restriction(api)
    body = {"at": "2026-02-21T06:30:00Z", "value": 25.0, "unit": "inH2O"}
    [gauge] = ask(api, "POST", GAUGES, body)["gauge_readings"]
    # NIST SP 811 (2008) B.8: 1 inch of water, conventional = 2.490 889 E+02 Pa
    assert gauge["restriction_pa"] == pytest.approx(25 * 249.0889, rel=1e-6)
    assert gauge["cleanside_hour"] == "2026-02-21T05:00:00Z"
    assert gauge["cleanside_pa"] == pytest.approx(2480, rel=0.05)
    assert gauge["difference_pa"] == pytest.approx(gauge["restriction_pa"] - gauge["cleanside_pa"])
    assert gauge["limit_pa"] == 6200
    # The readings say 40 % of that: the gauge becomes a question and moves the level little.
    after = restriction(api)
    assert after["restriction_pa"] == pytest.approx(before["restriction_pa"], rel=0.01)
    [look] = [said for said in after["evidence_said"] if said["code"] == "look_gauge"]
    assert (look["values"]["shown_pa"], look["values"]["is_question"]) == (gauge["restriction_pa"], True)


def test_a_look_that_came_before_its_readings_counts_as_one_that_came_after(api: Api) -> None:
    """Invariant 6: a phone had a link before the monitor had."""
    api.register()
    api.clock.now_us = parse_instant("2026-02-22T19:00:00Z").us
    body = {"at": "2026-02-22T17:45:00Z", "source": "own_indicator", "latched": True, "entry_id": LOOK}
    ask(api, "POST", GAUGES, body)
    assert restriction(api)["restriction_pa"] is None
    api.send(working_hours(60, rise_kpa=0.067))
    api.analyse()
    early = restriction(api)
    back = {"kind": "take_back", "machine": "grader-07", "made_at": body["at"], "content": {"of": LOOK}}
    ask(api, "POST", "/v1/entries", back | {"entry_id": LOOK[:-1] + "2"})
    assert restriction(api)["share_used_percent"] < early["share_used_percent"]
    ask(api, "POST", GAUGES, body)
    assert restriction(api) == early


LOOK = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0ee1"


def test_a_latched_indicator_moves_the_level_until_it_is_taken_back(api: Api) -> None:
    """The level at the look is 0.97 of the limit, the indicator had met it: monitor or indicator is off."""
    register_worked(api, 60, rise_kpa=0.067)
    before = restriction(api)
    body = {"at": "2026-02-22T17:45:00Z", "source": "own_indicator", "latched": True, "entry_id": LOOK}
    for _ in range(2):  # a resend is the same look
        gauges = ask(api, "POST", GAUGES, body)
    after = restriction(api)
    assert before["restriction_pa"] < after["restriction_pa"] < 1.05 * before["restriction_pa"]
    assert after["share_used_percent"] > before["share_used_percent"]
    codes = [said["code"] for said in after["evidence_said"]]
    assert codes.count("looks_calibrate") == codes.count("look_latched") == 1
    assert gauges == ask(api, "GET", GAUGES)
    back = {"kind": "take_back", "machine": "grader-07", "made_at": body["at"], "content": {"of": LOOK}}
    ask(api, "POST", "/v1/entries", back | {"entry_id": LOOK[:-1] + "2"})
    assert restriction(api) == before


@pytest.mark.parametrize(
    ("value", "unit", "status"),
    [(400, "kPa", 422), (24, "kPa", 200), (95, "inH2O", 200), (120, "inH2O", 422)],
)
def test_a_gauge_beyond_what_such_a_gauge_shows_is_asked_about(
    api: Api, value: float, unit: str, status: int
) -> None:
    api.register()
    body = {"at": "2026-02-21T06:30:00Z", "value": value, "unit": unit}
    answer = api.request("POST", GAUGES, key="planner", json=body)
    assert answer.status_code == status
    assert [e["pointer"] for e in answer.json().get("errors", [])] == ["#/value"] * (status == 422)


def test_a_first_meter_that_cannot_be_is_asked_about_until_a_person_insists(api: Api) -> None:
    api.register()
    path = f"{MACHINE}/meter-readings"
    body = {"at": "2026-02-21T06:30:00Z", "meter_hours": 99_999}
    assert refused(api, "POST", path, body) == (422, "not_valid", ["#/meter_hours"])
    ask(api, "POST", path, body | {"old_meter_hours": 0})


def test_an_indicator_at_its_mark_with_nothing_to_compare_is_checked_first(api: Api) -> None:
    """Common practice without a source: the maker's indicator comes first."""
    register_worked(api, 20)
    api.clock.now_us = parse_instant("2026-02-26T19:00:00Z").us
    before = restriction(api)
    assert before["suspicions"] == []
    body = {"at": "2026-02-26T06:10:00Z", "source": "own_indicator", "latched": True}
    ask(api, "POST", GAUGES, body)
    after = restriction(api)
    assert (after["state"], after["advice_code"]) == ("suspect", "advice_indicator_at_mark")
    assert [found["cause"] for found in after["suspicions"]] == ["indicator_at_mark"]
    for page in ("/fleet", "/work-list", "/visit/grader-07", "/visit-plan"):
        assert "was seen at its mark" in api.get(page, key="planner").text, page
    looked = {"changed_at": "2026-02-26T18:30:00Z", "what": "inspected"}
    ask(api, "POST", f"{MACHINE}/element-changes", looked)
    assert restriction(api)["suspicions"] == []


def test_an_indicator_at_its_mark_far_above_the_readings_is_checked_first_until_settled(api: Api) -> None:
    """Common practice without a source: indicator or monitor is wrong, or it is latched since before."""
    register_worked(api, 20)
    assert restriction(api)["suspicions"] == []
    at, body = "2026-02-20T23:10:00Z", {"source": "own_indicator", "latched": True}
    api.clock.now_us = parse_instant("2026-02-21T08:00:00Z").us
    seen = {"kind": "gauge_reading", "machine": "grader-07", "made_at": at, "entry_id": LOOK}
    ask(api, "POST", "/v1/entries", seen | {"content": body})
    after = restriction(api)
    assert (after["state"], after["advice_code"]) == ("suspect", "advice_indicator_at_odds")
    [found] = after["suspicions"]
    assert found["cause"] == "indicator_at_odds"
    assert "Latched since an earlier load" in after["advice"]
    for page in ("/fleet", "/work-list", "/visit/grader-07", "/machines/grader-07", "/visit-plan"):
        text = api.get(page, key="planner").text.casefold()
        assert "far below the limit" in text or "contradict each other" in text, page
    visit = api.get("/visit/grader-07", key="planner").text
    assert "Latched since an earlier load? Reset it, look again after work, and enter" in visit
    ask(api, "POST", GAUGES, body | {"at": "2026-02-21T07:00:00Z", "latched": False})
    assert restriction(api)["suspicions"] == []
    ask(api, "POST", GAUGES, body | {"at": "2026-02-21T07:10:00Z"})
    assert [one["cause"] for one in restriction(api)["suspicions"]] == ["indicator_at_odds"]
    looked = {"changed_at": "2026-02-21T07:30:00Z", "what": "inspected"}
    ask(api, "POST", f"{MACHINE}/element-changes", looked)
    assert restriction(api)["suspicions"] == []


def test_a_gauge_of_a_time_without_readings_stands_alone(api: Api) -> None:
    register_worked(api, 20)
    body = {"at": "2026-02-20T06:10:00Z", "source": "own_indicator", "latched": True}
    [gauge] = ask(api, "POST", GAUGES, body)["gauge_readings"]
    assert (gauge["latched"], gauge["value"], gauge["cleanside_pa"]) == (True, None, None)


@pytest.mark.parametrize("body", [{"value": 3.0}, {"unit": "kPa"}, {}])
def test_a_gauge_without_a_number_and_its_unit_is_refused(api: Api, body: dict[str, Any]) -> None:
    api.register()
    assert refused(api, "POST", GAUGES, {"at": FALL} | body) == (
        422,
        "not_valid",
        ["#/value"],
    )


def test_meter_and_gauge_come_with_an_element_change_as_one_entry(api: Api) -> None:
    register_worked(api, 60, new_at_hour=24)
    body = {
        "changed_at": FALL,
        "entry_id": "tick-1",
        "meter_hours": 8120.5,
        "gauge": {"value": 5.4, "unit": "kPa"},
    }
    first = ask(api, "POST", f"{MACHINE}/element-changes", body)
    assert ask(api, "POST", f"{MACHINE}/element-changes", body) == first
    [change] = first["element_changes"]
    assert (change["verdict"], change["meter_hours"], change["gauge"]["value"]) == ("fits", 8120.5, 5.4)
    assert change["gauge"]["cleanside_pa"] == pytest.approx(5450, rel=0.05)  # of the element before
    assert len(ask(api, "GET", f"{MACHINE}/meter-readings")["meter_readings"]) == 1


def test_a_change_whose_meter_contradicts_is_not_taken_at_all(api: Api) -> None:
    register_worked(api, 60, new_at_hour=24)
    ask(api, "POST", f"{MACHINE}/meter-readings", {"at": "2026-02-20T06:00:00Z", "meter_hours": 8000.0})
    body = {"changed_at": FALL, "meter_hours": 7000.0}
    assert refused(api, "POST", f"{MACHINE}/element-changes", body)[2] == ["#/meter_hours"]
    assert ask(api, "GET", f"{MACHINE}/element-changes")["element_changes"] == []


def test_a_meter_of_an_entry_that_is_not_believed_does_not_count_until_it_is_confirmed(api: Api) -> None:
    """The wrong year and a digit too many: neither what it shows now nor the next reading goes by it."""
    register_worked(api, 20)
    changes, meters = f"{MACHINE}/element-changes", f"{MACHINE}/meter-readings"
    wrong = {"changed_at": "2025-02-20T06:00:00Z", "meter_hours": 8_120.5, "entry_id": "of-the-wrong-year"}
    ask(api, "POST", changes, wrong)
    [change] = ask(api, "GET", changes)["element_changes"]
    assert (change["verdict"], change["is_question"]) == ("before_first_reading", True)
    assert ask(api, "GET", meters)["meter_hours_now"] is None
    right = {"at": "2026-02-20T20:00:00Z", "meter_hours": 812.0}
    assert ask(api, "POST", meters, right)["meter_hours_now"] == pytest.approx(812.0, abs=24)
    ask(api, "POST", changes, wrong | {"confirmed_because": "its papers say so"})
    lower = {"at": "2026-02-20T21:00:00Z", "meter_hours": 812.5}
    assert refused(api, "POST", meters, lower) == (422, "not_valid", ["#/meter_hours"])


def test_a_meter_lower_than_what_was_read_or_seen_is_a_question_and_a_new_meter_its_answer(api: Api) -> None:
    register_worked(api, 60)  # its engine ran
    path, at = f"{MACHINE}/meter-readings", "2026-02-22T17:00:00Z"
    detail = api.post(path, {"at": at, "meter_hours": 1.0}, key="planner").json()["detail"]
    assert "the monitors saw the engine run" in detail
    ask(api, "POST", path, {"at": at, "meter_hours": 4012.0})
    later = {"at": "2026-02-22T17:20:00Z", "meter_hours": 12.0}
    assert refused(api, "POST", path, later) == (422, "not_valid", ["#/meter_hours"])
    kept = ask(api, "POST", path, later | {"old_meter_hours": 4001.0})["meter_readings"]
    assert [(m["meter_hours"], m["offset_hours"]) for m in kept] == [(4012.0, 0.0), (12.0, 4001.0)]
    far = {"at": "2026-02-22T17:40:00Z", "meter_hours": 400.0}
    assert refused(api, "POST", path, far) == (422, "not_valid", ["#/meter_hours"])
    on = {"at": "2026-02-22T17:40:00Z", "meter_hours": 12.5}
    assert ask(api, "POST", path, on)["meter_readings"][-1]["offset_hours"] == 4001.0  # it stays


def test_a_new_meter_that_does_not_begin_at_zero_says_where_it_began(api: Api) -> None:
    """A used one, or one that ran at the factory: 5000 h on the old one, then 3 h on the new."""
    api.register()
    path, at = f"{MACHINE}/meter-readings", "2026-02-22T17:00:00Z"
    ask(api, "POST", path, {"at": at, "meter_hours": 5000.0})
    new = {"at": "2026-02-22T17:01:00Z", "meter_hours": 3.0, "old_meter_hours": 5000.0}
    detail = api.post(path, new, key="planner").json()["detail"]
    assert "new_meter_began_hours" in detail
    for wrong in (new | {"new_meter_began_hours": 3.5}, {**new, "old_meter_hours": None}):
        body = {"new_meter_began_hours": 3.0} | wrong
        assert refused(api, "POST", path, body) == (422, "not_valid", ["#/new_meter_began_hours"])
    kept = ask(api, "POST", path, new | {"new_meter_began_hours": 3.0})["meter_readings"]
    assert [(m["meter_hours"], m["offset_hours"]) for m in kept] == [(5000.0, 0.0), (3.0, 4997.0)]


# ---------------------------------------------------------------- the planned change


def test_a_plan_whose_day_passes_without_a_change_stands_first_and_is_done_by_one(api: Api) -> None:
    api.register("loader-02-intake", "a-loader-02")  # it would stand first, by name
    register_worked(api, 20)
    # 20 February 06:00 and 21 hours; the day ends at 23:00 UTC in Vienna
    plan = {"on": "2026-02-21", "zone": "Europe/Vienna", "note": "at the noon stop"}
    plan["confirmed_because"] = "it works on that Saturday"
    set_hours_in(api, 21)
    assert ask(api, "POST", PLANNED, plan)["planned"]["state"] == "open"
    set_hours_in(api, 40.9)  # 22:54 UTC on the 21st
    assert restriction(api)["planned"]["state"] == "open"
    set_hours_in(api, 41)
    planned = restriction(api)["planned"]
    assert (planned["state"], planned["on"], planned["note"]) == ("missed", "2026-02-21", "at the noon stop")
    assert planned["by"] == api.tokens["planner"].partition(".")[0]
    assert [h["machine"] for h in ask(api, "GET", "/v1/fleet")["housings"]] == ["grader-07", "a-loader-02"]
    ask(api, "POST", f"{MACHINE}/element-changes", {"changed_at": "2026-02-21T10:00:00Z"})
    assert restriction(api)["planned"]["state"] == "done"
    again = ask(api, "POST", PLANNED, {"on": "2026-02-23"})
    assert again["planned"]["state"] == "open"  # for the next one
    assert ask(api, "DELETE", PLANNED)["planned"] is None


def test_a_day_that_is_over_is_not_planned(api: Api) -> None:
    api.register()
    path = PLANNED
    for on in ("2026-03-01", "2062-12-01"):  # the second is a mistyped year
        assert refused(api, "POST", path, {"on": on}) == (422, "not_valid", ["#/on"])
    for zone in ("Mars/Olympus", "../etc/passwd"):
        assert refused(api, "POST", path, {"on": "2026-03-09", "zone": zone})[2] == ["#/zone"]


@pytest.mark.parametrize("kind", ["site", "crew"])
def test_a_site_or_crew_is_deleted_once_nothing_is_for_it(api: Api, kind: str) -> None:
    ask(api, "POST", f"/v1/{kind}s", {kind: "lot-4"})
    api.register()
    ask(api, "PATCH", f"{MACHINE}/papers", {kind: "lot-4"})
    path = f"/v1/{kind}s/lot-4"
    refused = api.request("DELETE", path, key="planner")
    assert (refused.status_code, refused.json()["code"]) == (409, "still_used")
    assert "grader-07" in refused.json()["detail"]
    ask(api, "PATCH", f"{MACHINE}/papers", {kind: None})
    page = f"/shop/{kind}/lot-4/delete"
    assert api.request("POST", page, key="planner").status_code == 200  # asks first
    assert ask(api, "GET", "/v1/shop")[f"{kind}s"] != []
    assert api.request("POST", page, key="planner", data={"sure": "yes"}).status_code == 303
    assert ask(api, "GET", "/v1/shop")[f"{kind}s"] == []
    assert api.request("DELETE", path, key="planner").status_code == 404


def test_a_site_with_stock_or_people_stays(api: Api) -> None:
    ask(api, "POST", "/v1/sites", {"site": "lot-4"})
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "lot-4", "pieces": 1}]})
    assert api.request("DELETE", "/v1/sites/lot-4", key="planner").status_code == 409
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "lot-4", "pieces": 0}]})
    invited(api, "mara", "viewer", sites=["lot-4"])
    refused = api.request("POST", "/shop/site/lot-4/delete", key="planner", data={"sure": "yes"})
    assert (refused.status_code, "mara" in refused.text) == (422, True)
    assert api.request("PATCH", "/v1/people/mara", json={"sites": []}).status_code == 200
    assert api.request("DELETE", "/v1/sites/lot-4", key="planner").status_code == 200
