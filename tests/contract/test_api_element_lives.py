"""Parts compared by the hours that their elements reach: by the entry that began a life, honest with few."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.restriction.elements import survival
from tests.contract.test_api_element_changes import register_a_fall
from tests.support.serving import Api, in_process

CHANGES = "/v1/machines/grader-07/element-changes"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """A fall that a new element made, and papers with a part number."""
    with in_process(sqlite_database_url) as running:
        register_a_fall(running)
        housing = {"housing": "main", "primary_part": "KG-0715", "safety_part": "KG-0716"}
        papers = {"housings": [housing]}
        assert running.request("PATCH", "/v1/machines/grader-07/papers", json=papers).status_code == 200
        yield running


def enter(api: Api, **more: Any) -> dict[str, Any]:
    answer = api.post(CHANGES, {"changed_at": "2026-02-21T06:00:00Z", **more}, key="planner")
    assert answer.status_code == 200, answer.text
    change: dict[str, Any] = answer.json()["element_changes"][-1]
    return change


def compared(api: Api, **query: str) -> list[dict[str, Any]]:
    parts: list[dict[str, Any]] = api.get("/v1/element-lives", params=query).json()["parts"]
    return parts


@pytest.mark.parametrize(
    ("given", "part"),
    [
        ({}, "KG-0715"),
        ({"part": "XL-9"}, "XL-9"),
        ({"what": "safety_element"}, "KG-0716"),
        ({"what": "cleaned"}, None),
    ],
)
def test_an_entry_has_the_part_that_is_given_or_that_of_the_papers(
    api: Api, given: dict[str, str], part: str | None
) -> None:
    assert enter(api, **given)["part"] == part


def test_a_life_without_an_entry_counts_for_the_part_of_the_papers(api: Api) -> None:
    [found] = compared(api)
    assert (found["part"], found["lives"], found["lives_by_papers"]) == ("KG-0715", 1, 1)
    page = api.get("/element-lives").text
    assert "KG-0715" in page
    enter(api, part="XL-9")
    [found] = compared(api)
    assert (found["part"], found["lives_by_papers"]) == ("XL-9", 0)


def test_a_life_counts_for_the_part_of_the_entry_that_began_it(api: Api) -> None:
    housing = {"housing": "main", "primary_part": None}
    api.request("PATCH", "/v1/machines/grader-07/papers", json={"housings": [housing]})
    assert [(one["part"], one["lives"]) for one in compared(api)] == [(None, 1)]  # found, not entered
    enter(api, part="XL-9")
    [found] = compared(api)
    assert (found["part"], found["lives"], found["reached_limit"]) == ("XL-9", 1, 0)
    assert found["curve"] is None  # one life says nothing
    assert found["hours_seen"] > 1
    assert compared(api, kind="loader") == []


def test_a_site_says_what_its_elements_used_and_no_figure_from_little(api: Api) -> None:
    """Two elements of one machine, of which the second has hardly begun."""
    api.post("/v1/sites", {"site": "oberkies", "display_name": "Pit <b>O</b>"}, key="planner")
    api.request("PATCH", "/v1/machines/grader-07/papers", json={"site": "oberkies"})
    [site] = api.get("/v1/element-lives").json()["sites"]
    assert (site["site"], site["machines"], site["hours_an_element"], site["low"]) == (
        "oberkies",
        1,
        None,
        None,
    )
    assert 0 < site["elements_used"] < 2
    assert site["hours_seen"] > 1
    page = api.get("/element-lives", key="planner").text
    assert "too little used to say" in page
    assert "Pit &lt;b&gt;O&lt;/b&gt;" in page


def test_the_page_says_that_few_are_few_and_draws_enough(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    enter(api, part="<b>XL-9</b>")
    page = api.get("/element-lives").text
    assert "Too few to say" in page
    assert "<b>XL-9</b>" not in page
    assert 'class="survival"' not in page
    monkeypatch.setattr(survival, "LEAST_LIVES", 1)
    monkeypatch.setattr(survival, "LEAST_REACHED", 0)
    drawn = api.get("/element-lives?kind=grader").text
    assert 'class="survival"' in drawn
    assert 'class="data"' in drawn
