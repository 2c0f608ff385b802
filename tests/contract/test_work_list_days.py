"""Days that a person writes on the work list: one that cannot be is said at its form, with the right year."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from urllib.parse import urlsplit

import pytest

from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_work import loaded
from tests.contract.test_work_page import entries, page, ticks
from tests.support.serving import Api, in_process


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """Today is Sunday, 22 February 2026."""
    with in_process(sqlite_database_url) as running:
        loaded(running, rise_kpa=0.08)
        yield running


def box_of(shown: str) -> str:
    """The box that says why a form was refused, and at which the page opens."""
    found = re.search(r'<div class="faults"[^>]*data-refused.*?</div>', shown, re.DOTALL)
    assert found, "no box at the form"
    return html.unescape(found[0])


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize(
    "written", ["2026-02-22", "2020-03-01", "2027-03-01", "soon", "20260301", "2026-02-30"]
)
def test_a_last_day_that_cannot_be_is_said_at_the_form_of_the_list(
    api: Api, written: str, language: str
) -> None:
    """The page ended there, without a form."""
    headers = {"Accept-Language": language}
    refused = api.get(f"/work-list?before={written}&site=oberkies", key="planner", headers=headers)
    assert refused.status_code == 422
    assert "autofocus" in box_of(refused.text)
    assert html.escape(str(table(language)["work.shown_instead"])) in refused.text
    field = re.search('<input[^>]*name="before"[^>]*>', refused.text)
    assert field
    assert f'value="{written}"' in field[0]
    assert 'aria-invalid="true"' in field[0]
    assert '<option value="oberkies" selected' in refused.text, "what else was chosen stays"
    assert 'class="sheet-row"' in refused.text, "the list of the next days stands below"


def test_the_right_year_of_a_last_day_is_one_link(api: Api) -> None:
    for written in ("2020-03-01", "2027-03-01"):
        refused = api.get(f"/work-list?before={written}&site=oberkies", key="planner").text
        link = re.search(r'<a class="button" href="([^"]+)">([^<]*)</a>', box_of(refused))
        assert link
        assert link[1] == "/work-list?before=2026-03-01&site=oberkies"
        assert link[2] == "List before Sunday, 1 March 2026"
        assert api.get(link[1], key="planner").status_code == 200
    assert "List before" not in api.get("/work-list?before=2027-07-01", key="planner").text, "beyond the list"
    assert "List before" not in api.get("/work-list?before=2026-02-22", key="planner").text, (
        "its year is right"
    )


def test_a_program_is_refused_the_same_days(api: Api) -> None:
    for path in ("/v1/work", "/work-list.csv"):
        for before in ("2027-03-01", "soon"):
            assert api.get(f"{path}?before={before}", key="planner").status_code == 422, (path, before)


@pytest.mark.parametrize("field", ["changed_at", "changed_at/grader-07/main"])
@pytest.mark.parametrize("year", [2027, 2006])
def test_the_right_year_of_work_is_one_button(api: Api, field: str, year: int) -> None:
    """The time of the row or of the list, with its hour; all that was written goes with it."""
    [tick] = ticks(page(api))
    fields = {"done": tick, "what/grader-07/main": "new", "meter/grader-07/main": "8120"}
    given = fields | {field: f"{year}-02-20T07:30", "back": "/work-list"}
    refused = api.request("POST", "/work-list/done", key="planner", data=given)
    assert refused.status_code == 422
    button = re.search(
        r'<button form="jobs"[^>]* name="([^"]+)" value="([^"]+)">([^<]*)<', box_of(refused.text)
    )
    assert button
    assert (button[1], button[2]) == (field.replace("changed_at", "right_day"), "2026-02-20")
    assert button[3] == "Enter it for Friday, 20 February 2026"
    assert entries(api) == []
    sent = api.request("POST", "/work-list/done", key="planner", data=given | {button[1]: button[2]})
    assert (sent.status_code, urlsplit(sent.headers["location"]).query) == (303, "sent=1")
    [entry] = entries(api)
    assert entry["changed_at"] == "2026-02-20T07:30:00Z"
