"""A change limit that is in doubt: nothing that is measured by it is said as a fact, anywhere."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_shop import MACHINE, ask
from tests.contract.test_api_work import loaded
from tests.support.serving import Api, in_process

#: pages that have a row or the facts of the machine
PAGES = ("/fleet", "/machines/grader-07", "/work-list", "/visit-plan")


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """The machine of the work list, its limit of 6.2 kPa entered as 6.2 inH2O."""
    with in_process(sqlite_database_url) as running:
        loaded(running)
        enter_limit(running, "inH2O")
        yield running


def enter_limit(api: Api, unit: str) -> None:
    api.post(f"{MACHINE}/terminal-restriction", {"value": 6.2, "unit": unit}).raise_for_status()


def documents(api: Api) -> dict[str, dict[str, Any]]:
    """What each answer says of the machine."""
    work, plan = ask(api, "GET", "/v1/work"), ask(api, "GET", "/v1/visit-plan")
    [of_fleet] = ask(api, "GET", "/v1/fleet")["housings"]
    [job], [visit] = work["jobs"], plan["visits"]
    return {"fleet": of_fleet, "work": job, "plan": visit}


def test_share_hours_left_and_dates_are_null_and_a_field_says_why(api: Api) -> None:
    found = documents(api)
    assert {name: said["limit_in_doubt"] for name, said in found.items()} == dict.fromkeys(found, True)
    assert {name: said["state"] for name, said in found.items()} == dict.fromkeys(found, "suspect")
    figures = ("share_used_percent", "due_at", "latch_at", "hours_left", "latch_hours_left", "dates_rest_on")
    stated = {(name, figure) for name, said in found.items() for figure in figures if said.get(figure)}
    assert stated == set()
    assert found["fleet"]["restriction_pa"] > 0
    enter_limit(api, "kPa")
    [right] = ask(api, "GET", "/v1/fleet")["housings"]
    assert (right["limit_in_doubt"], right["due_at"] is None) == (False, False)


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("path", PAGES)
def test_pages_say_limit_in_doubt_where_the_share_stands_otherwise(
    api: Api, path: str, language: str
) -> None:
    page = api.get(path, key="planner", headers={"Accept-Language": language}).text
    assert str(table(language)["fleet.limit_in_doubt"]) in page
    assert re.search(r"\b3\d\d\D{0,40}%", page) is None, "used by a limit a quarter of the right one"


def test_the_file_of_the_fleet_says_why_its_cells_are_empty(api: Api) -> None:
    [row] = csv.DictReader(io.StringIO(api.get("/fleet.csv", key="planner").content.decode("utf-8-sig")))
    assert row["used, from clean to limit [%]"] == ""
    assert str(table("en")["fleet.limit_doubted"]) in row.values()
