"""A machine whose element may be missing: no date of it is stated anywhere, and somebody looks first."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_fleet import set_hours_in, working_hours
from tests.contract.test_api_shop import MACHINE, ask
from tests.contract.test_calendar import events, made
from tests.support.people import quick_passwords, signed_in
from tests.support.serving import Api, in_process

#: pages that have a row or the facts of the machine
PAGES = ("/fleet", "/machines/grader-07", "/work-list", "/visit-plan")
HOURS_BEFORE, HOURS_LOW = 52, 8


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """An element near its limit of 6.2 kPa, then a shift at 0.8 kPa: a new one, or none at all."""
    with in_process(sqlite_database_url) as running:
        quick_passwords(running)
        running.register()
        set_hours_in(running, HOURS_BEFORE + HOURS_LOW + 1)
        running.send(working_hours(HOURS_BEFORE, rise_kpa=0.07))
        low = working_hours(HOURS_LOW, first_seq=1 + HOURS_BEFORE * 60)
        low["columns"]["restriction"] = [0.8] * (HOURS_LOW * 60)
        running.send(low)
        running.analyse()
        ask(running, "POST", "/v1/planning-terms", {"working_days": "1234567"})
        ask(running, "POST", "/v1/sites", {"site": "oberkies"})
        housing = {"housing": "main", "primary_part": "KG-0715"}
        ask(running, "PATCH", f"{MACHINE}/papers", {"site": "oberkies", "housings": [housing]})
        yield running


def documents(api: Api) -> dict[str, dict[str, Any]]:
    """What each answer says of the machine."""
    work, plan = ask(api, "GET", "/v1/work"), ask(api, "GET", "/v1/visit-plan")
    [of_fleet] = ask(api, "GET", "/v1/fleet")["housings"]
    [job], [visit] = work["jobs"], plan["visits"]
    return {"fleet": of_fleet, "work": job, "plan": visit}


def test_share_and_dates_are_null_a_field_says_why_and_it_is_looked_at_first(api: Api) -> None:
    """It was "in service", with dates of an element that may not be in."""
    found = documents(api)
    assert {name: said["element_in_doubt"] for name, said in found.items()} == dict.fromkeys(found, True)
    assert {name: said["state_form"] for name, said in found.items()} == dict.fromkeys(found, "look")
    figures = ("share_used_percent", "due_at", "latch_at", "hours_left", "latch_hours_left", "dates_rest_on")
    stated = {(name, figure) for name, said in found.items() for figure in figures if said.get(figure)}
    assert stated == set()
    assert found["fleet"]["advice_code"] == "advice_may_be_missing"
    assert (found["work"]["reason"], found["work"]["day"]) == ("check_first", "2026-02-22")
    assert found["plan"]["reasons"][0] == "look_first"
    assert found["fleet"]["restriction_pa"] == pytest.approx(800, rel=0.1)


def test_somebody_who_looked_and_found_it_in_has_dates_again(api: Api) -> None:
    looked = {"changed_at": "2026-02-22T18:30:00Z", "what": "inspected"}
    ask(api, "POST", f"{MACHINE}/element-changes", looked)
    [found] = ask(api, "GET", "/v1/fleet")["housings"]
    assert found["element_in_doubt"] is False
    assert found["due_at"] is not None
    assert found["share_used_percent"] is not None


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("path", PAGES)
def test_pages_say_element_in_doubt_where_the_share_stands_otherwise(
    api: Api, path: str, language: str
) -> None:
    page = api.get(path, key="planner", headers={"Accept-Language": language}).text
    assert str(table(language)["fleet.element_in_doubt"]) in page
    if path != "/machines/grader-07":
        assert str(table(language)["fleet.next.advice_may_be_missing"]) in page


def test_the_file_of_the_fleet_says_why_its_cells_are_empty(api: Api) -> None:
    [row] = csv.DictReader(io.StringIO(api.get("/fleet.csv", key="planner").content.decode("utf-8-sig")))
    columns = [next(name for name in row if part in name) for part in ("used,", "early", "likely", "late")]
    assert [row[name] for name in columns] == ["", "", "", ""]
    assert str(table("en")["fleet.element_doubted"]) in row.values()


def test_a_calendar_has_the_look_today_and_no_change(api: Api) -> None:
    mara = signed_in(api, "mara.lindt", "planner")
    [event] = events(api, made(mara)["link"])
    assert event.dtstart.value.isoformat() == "2026-02-22"
    step = str(table("en")["fleet.next.advice_may_be_missing"])
    assert step.rstrip(".") in event.summary.value
    assert str(table("en")["state.look"]) in event.description.value
