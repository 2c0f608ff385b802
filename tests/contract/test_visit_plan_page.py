"""The plan of visits as a page: shows what the route says, moves, accepts what was seen, keeps prices."""

from __future__ import annotations

import html as html_text
import re
from collections.abc import Iterator
from typing import Any

import pytest

from tests.contract.test_api_fleet import register_worked
from tests.contract.test_api_shop import ask
from tests.support.people import signed_in
from tests.support.serving import Api, in_process

PAGE = "/visit-plan"
HOSTILE = "<script>alert(1)</script>🚜" + "W" * 64


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """grader-07 of oberkies after 60 hours; its site has a hostile name."""
    with in_process(sqlite_database_url) as running:
        register_worked(running, 60, rise_kpa=0.02)
        ask(running, "POST", "/v1/sites", {"site": "oberkies", "display_name": HOSTILE})
        papers = {"site": "oberkies", "housings": [{"housing": "main", "primary_part": "KG-0715"}]}
        ask(running, "PATCH", "/v1/machines/grader-07/papers", papers)
        yield running


def page(api: Api, query: str = "", **headers: str) -> str:
    response = api.get(PAGE + query, key="planner", headers=headers)
    assert response.status_code == 200, response.text
    text: str = response.text
    return text


def send(api: Api, path: str, fields: dict[str, Any]) -> Any:
    return api.request("POST", f"{PAGE}/{path}", key="planner", data=fields)


def visits_of(html: str) -> list[str]:
    """What the form of acceptance sends."""
    return re.findall(r'name="visit" value="([^"]+)"', html)


def other_days(html: str) -> list[str]:
    """What the list of other days sends."""
    return [value for value in re.findall(r'<option value="([^"]*)"', html) if value.startswith("grader-07")]


def test_the_page_shows_the_plan_with_a_caution_before_it(api: Api) -> None:
    html = page(api)
    [visit] = visits_of(html)
    plan = ask(api, "GET", "/v1/visit-plan")
    assert visit == f"grader-07/main/{plan['visits'][0]['day']}"
    assert html.index('class="caution"') < html.index("<table")
    assert "<script>alert" not in html
    assert html_text.escape("<script>alert") in html


def test_every_word_is_there_in_german_too(api: Api) -> None:
    html = page(api, **{"Accept-Language": "de-AT"})
    assert "Besuchsplan" in html
    assert "visit_plan." not in html


def test_a_move_is_planned_again_and_stands_in_the_address(api: Api) -> None:
    html = page(api)
    other = other_days(html)[0]
    moved = page(api, f"?fixed={other}")
    assert visits_of(moved) == [other]
    assert "Chosen by hand" in moved
    assert visits_of(page(api, "?fixed=")) == visits_of(html), "an empty choice is none"


def test_what_is_accepted_is_what_was_seen(api: Api) -> None:
    """Its prices change between the look and the act: the days of the look are planned."""
    [visit] = visits_of(page(api))
    ask(api, "POST", "/v1/planning-terms", {"working_days": "7"})
    sent = send(api, "accept", {"visit": [visit]})
    assert (sent.status_code, sent.headers["location"]) == (303, "/visit-plan?accepted=1")
    [job] = ask(api, "GET", "/v1/work", before="2026-03-20")["jobs"]
    assert f"grader-07/main/{job['planned']['on']}" == visit
    assert "One day is planned now." in page(api, "?accepted=1")


def test_a_day_that_cannot_be_says_why_and_the_page_stays(api: Api) -> None:
    refused = api.get(f"{PAGE}?fixed=grader-07/main/2027-03-01", key="planner")
    assert refused.status_code == 422
    assert 'class="faults"' in refused.text
    assert 'id="terms"' in refused.text


def test_prices_and_ways_are_kept_and_a_fault_keeps_what_was_written(api: Api) -> None:
    fields = {"currency": "eur", "stop_price": "80,5", "chance_percent": "5", "people": "2"}
    fields |= {f"works/{day}": "1" for day in "12345"}
    fields |= {"site": "oberkies", "km/oberkies": "90", "hours/oberkies": "1,5"}
    assert send(api, "terms", fields).headers["location"] == "/visit-plan#terms"
    terms = ask(api, "GET", "/v1/planning-terms")
    assert (terms["currency"], terms["stop_price"], terms["chance_allowed"]) == ("EUR", 80.5, 0.05)
    assert terms["trips"] == [{"site": "oberkies", "km": 90.0, "hours": 1.5}]
    wrong = send(api, "terms", fields | {"stop_price": "8,500"})
    assert wrong.status_code == 422
    assert 'value="8,500"' in wrong.text
    assert ask(api, "GET", "/v1/planning-terms")["stop_price"] == 80.5


def test_who_may_only_read_sees_no_form(api: Api) -> None:
    """A technician sees the plan; planning and prices are the planner's."""
    html = signed_in(api, "t.wolny", "technician").get(PAGE).text
    assert 'action="/visit-plan/accept"' not in html
    assert 'id="terms"' not in html
