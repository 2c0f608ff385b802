"""Parts compared by the hours that their elements reach: by the entry that began a life, honest with few."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.restriction.elements import lives, safety_element, survival
from cleanside.ingest.restriction.elements.given_back import GaveBack
from tests.contract.test_api_element_changes import register_a_fall
from tests.support.serving import Api, in_process

CHANGES = "/v1/machines/grader-07/element-changes"
#: columns of the file of cleanings
CAME_OFF = (
    *("rise above clean that came off [%]", "one in ten gave back less [%]"),
    "one in ten gave back more [%]",
)


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
    assert (site["used_percent"], site["hours_percent"], site["new_elements"]) == (100.0, 100.0, 1)
    assert site["hours_seen"] > 1
    page = api.get("/element-lives", key="planner").text
    assert "too little used to say" in page
    assert "Each curve is of one part number" in page
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


# ---------------------------------------------------------------- cleanings


def test_a_cleaning_says_what_came_off_when_and_for_how_long(api: Api) -> None:
    enter(api, what="cleaned")
    told = api.get("/v1/machines/grader-07/lives").json()
    [element] = told["elements"]
    [cleaning] = element["cleanings"]
    assert (element["element"], element["from_new"], element["end_at"]) == (1, False, None)
    assert (cleaning["known_by"], cleaning["ended"]) == ("entered", "running")
    assert cleaning["level_after_pa"] < cleaning["level_before_pa"]
    low, share, high = (cleaning[f"given_back{which}_percent"] for which in ("_low", "", "_high"))
    rise = cleaning["level_before_pa"] - cleaning["clean_restriction_pa"]
    assert share == pytest.approx(100 * (cleaning["level_before_pa"] - cleaning["level_after_pa"]) / rise)
    assert low < share < high
    assert element["hours"] == pytest.approx(cleaning["hours_before"] + cleaning["hours_after"])
    assert [caution["code"] for caution in told["cautions"]][:2] == ["maker_first", "cleaning"]
    [of_fleet] = api.get("/v1/element-lives").json()["cleanings"]
    assert {name: of_fleet[name] for name in cleaning} == cleaning
    assert (of_fleet["machine"], of_fleet["part"], of_fleet["element"], of_fleet["cleaning"]) == (
        *("grader-07", "KG-0715"),
        *(1, 1),
    )
    assert api.get("/v1/element-lives", params={"kind": "loader"}).json()["cleanings"] == []


@pytest.mark.parametrize(
    ("language", "words"),
    [
        ("en", ("cleaning 1", "The element that is in was cleaned once.", "maker&#39;s manual allows it")),
        ("de", ("Reinigung 1", "Der jetzige Einsatz wurde einmal gereinigt.", "Handbuch seines Herstellers")),
    ],
)
def test_pages_show_each_cleaning_with_the_caution(api: Api, language: str, words: tuple[str, ...]) -> None:
    machine = api.get("/machines/grader-07", headers={"Accept-Language": language}).text
    assert words[0] not in machine
    enter(api, what="cleaned")
    shown, first, caution = words
    machine = api.get("/machines/grader-07", headers={"Accept-Language": language}).text
    assert shown in machine
    assert first in machine
    assert caution in machine
    fleet = api.get("/element-lives", headers={"Accept-Language": language}).text
    assert shown in fleet
    assert caution in fleet
    assert "/element-lives.csv" in fleet


def test_more_than_all_of_the_rise_is_said_to_no_person(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    """The measured share scatters beyond all of it: the API has it as it is, page and file say all."""
    enter(api, what="cleaned")
    beyond = GaveBack(share=1.014, low=-0.02, high=1.13, clean_pa=1500.0)
    monkeypatch.setattr(lives, "gave_back", lambda *_, **__: beyond)
    api.services.memory = Memory()
    [cleaning] = api.get("/v1/element-lives").json()["cleanings"]
    assert cleaning["given_back_percent"] == pytest.approx(101.4)
    page = api.get("/element-lives?kind=grader", headers={"Accept-Language": "en"}).text
    shown = re.sub(r"\s+", " ", re.sub(r"<[^>]*>", "", page).replace("\u202f", " ").replace("\xa0", " "))
    assert "100 % (0 % to 100 %)" in shown
    [row] = csv.DictReader(io.StringIO(api.get("/element-lives.csv").content.decode("utf-8-sig")))
    assert [row[name] for name in CAME_OFF] == ["100", "0", "100"]


def test_the_most_cleanings_of_the_papers_stand_beside_their_count(api: Api) -> None:
    enter(api, what="cleaned")
    papers = {"housings": [{"housing": "main", "most_cleanings": 2}]}
    assert api.request("PATCH", "/v1/machines/grader-07/papers", json=papers).status_code == 200
    assert "cleaned 2 times at most" in api.get("/machines/grader-07").text
    assert api.get("/v1/machines/grader-07/lives").json()["most_cleanings"] == 2


def test_the_cleanings_are_taken_away_as_a_spreadsheet(api: Api) -> None:
    enter(api, what="cleaned")
    [cleaning] = api.get("/v1/element-lives").json()["cleanings"]
    answer = api.get("/element-lives.csv?kind=grader")
    assert answer.headers["Content-Type"].startswith("text/csv")
    [row] = csv.DictReader(io.StringIO(answer.content.decode("utf-8-sig")))
    assert row["machine"] == "grader-07"
    assert row["part number of the element"] == "KG-0715"
    assert row["rise above clean that came off [%]"] == f"{min(cleaning['given_back_percent'], 100):.0f}"
    assert row["operating hours to the next change [h]"] == f"{cleaning['hours_after']:.0f}"
    comma = api.get("/element-lives.csv?separator=semicolon").content.decode("utf-8-sig").splitlines()[1]
    assert f"{cleaning['level_before_pa'] / 1e3:.3f}".replace(".", ",") in comma.split(";")


# ---------------------------------------------------------------- the safety element


def safety(api: Api) -> dict[str, Any]:
    found: dict[str, Any] = api.get("/v1/machines/grader-07/lives").json()["safety_element"]
    return found


def test_what_was_worked_since_the_safety_element_is_said_with_the_makers_manual(api: Api) -> None:
    """Every third change of the main element is common practice, without a source."""
    before = safety(api)
    assert (before["part"], before["changed_at"], before["main_changes_since"]) == ("KG-0716", None, 1)
    assert before["hours_since"] > 1
    page = api.get("/machines/grader-07").text
    assert "No change of it is entered. Since the first reading: one change of the main element" in page
    assert "Its maker’s manual says when it is changed." in page
    enter(api, what="safety_element")
    after = safety(api)
    assert (after["changed_at"], after["main_changes_since"]) == ("2026-02-21T06:00:00Z", 0)
    assert 0 < after["hours_since"] < before["hours_since"]
    for path in ("/machines/grader-07", "/visit/grader-07"):
        english = api.get(path).text
        assert "Since it was changed on" in english
        assert "0 changes of the main element" in english
        german = api.get(path, headers={"Accept-Language": "de"}).text
        assert "Wann er gewechselt wird, steht im Handbuch seines Herstellers." in german


def test_a_safety_element_that_is_usual_now_is_said_with_the_manual(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(safety_element, "USUAL_CHANGES", 2)
    assert safety(api)["is_usual_now"] is True
    page = api.get("/machines/grader-07").text
    assert "Common practice (without a source)" in page
    assert "Its maker’s manual decides." in page


def test_of_a_housing_without_a_safety_element_in_papers_or_entries_nothing_is_said(api: Api) -> None:
    papers = {"housings": [{"housing": "main", "safety_part": None}]}
    assert api.request("PATCH", "/v1/machines/grader-07/papers", json=papers).status_code == 200
    page = api.get("/machines/grader-07").text
    assert 'id="safety"' not in page
    assert safety(api)["part"] is None
