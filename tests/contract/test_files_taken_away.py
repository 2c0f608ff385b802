"""Files to take away from pages, for a spreadsheet: fleet, work list, plan of visits."""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Iterator

import pytest

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.console.take_away import file_addresses
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.visit_plan_file import PLAN_FILE
from cleanside.ingest.console.wording import table
from cleanside.ingest.console.work_file import WORK_FILE
from tests.contract.test_api_shop import MACHINE, ask
from tests.contract.test_api_work import loaded
from tests.support.serving import Api, in_process

#: file -> its columns with times
FILES = {"/fleet.csv": 5, "/work-list.csv": 3, "/visit-plan.csv": 3}
FORMULA = "=HYPERLINK(1)"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        loaded(running)
        yield running


def rows_of(
    api: Api, path: str, *, zone: str = "Europe/Vienna", language: str = "en"
) -> list[dict[str, str]]:
    headers = {"Cookie": f"zone={zone}", "Accept-Language": language}
    answer = api.get(path, key="planner", headers=headers)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == "text/csv; charset=utf-8"
    name = path.partition("?")[0].removeprefix("/")
    assert answer.headers["content-disposition"] == f'attachment; filename="{name}"'
    text = answer.content.decode("utf-8-sig")
    return list(csv.DictReader(io.StringIO(text), delimiter=";" if "separator=semi" in path else ","))


def row_of(api: Api, path: str, *, zone: str = "Europe/Vienna", language: str = "en") -> dict[str, str]:
    """The row of the only machine; a trip of the plan has a row of its own."""
    head = "Maschine" if language == "de" else "machine"
    [row] = (row for row in rows_of(api, path, zone=zone, language=language) if row[head])
    return row


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("path", FILES)
def test_times_are_those_of_the_page_with_zone_and_offset(api: Api, path: str, language: str) -> None:
    """Vienna is at UTC+1 on a day in February (IANA time zone database)."""
    row = row_of(api, path, language=language)
    times = {head: cell for head, cell in row.items() if "(Europe/Vienna)" in head and cell}
    assert len(times) == FILES[path]
    assert not any("UTC" in head for head in row)
    assert all(cell.endswith("+01:00") for cell in times.values())
    elsewhere = row_of(api, path, zone="UTC", language=language)
    of_zone = [parse_instant(cell).us for cell in times.values()]
    assert of_zone == [parse_instant(elsewhere[head.replace("Europe/Vienna", "UTC")]).us for head in times]
    [known] = ask(api, "GET", "/v1/fleet")["housings"]
    assert parse_instant(known["due_at"]["p50"]).us in of_zone


@pytest.mark.parametrize("path", FILES)
def test_semicolons_come_with_decimal_commas_and_the_head_of_the_language(api: Api, path: str) -> None:
    comma = row_of(api, path, language="de")
    semicolon = row_of(api, f"{path}?separator=semicolon", language="de")
    assert list(comma) == list(semicolon)
    assert "Maschine" in comma
    differ = {head for head in comma if comma[head] != semicolon[head]}
    assert all(comma[head].replace(".", ",") == semicolon[head] for head in differ)
    assert differ <= {head for head in comma if re.fullmatch(r"\d+\.\d+", comma[head])}


@pytest.mark.parametrize("path", FILES)
def test_no_cell_that_a_person_wrote_is_a_formula(api: Api, path: str) -> None:
    """OWASP, CSV Injection."""
    assert api.post("/v1/machines", {"machine": "grader-07", "display_name": FORMULA}).status_code == 200
    ask(
        api,
        "POST",
        f"{MACHINE}/planned-change",
        {"on": "2026-02-25", "note": FORMULA, "confirmed_because": "booked"},
    )
    row = row_of(api, path)
    assert row["name"] == f"'{FORMULA}"
    assert FORMULA not in row.values()


def test_the_work_list_has_what_should_be_on_it_and_is_not(api: Api) -> None:
    words = table("en")
    ask(
        api,
        "POST",
        f"{MACHINE}/planned-change",
        {"on": "2026-03-10", "note": "with the oil", "confirmed_because": "booked"},
    )
    [row] = rows_of(api, "/work-list.csv?before=2026-03-01")
    assert [row[str(words[f"work.csv.{name}"])] for name in ("listed", "day", "note")] == [
        *("no", "2026-03-10", "with the oil"),
    ]
    assert row[str(words["work.csv.why"])].startswith("planned for")
    ask(api, "POST", "/v1/sites", {"site": "elsewhere", "display_name": ""})
    assert rows_of(api, "/work-list.csv?site=elsewhere") == []
    assert api.get("/work-list.csv?site=nowhere", key="planner").status_code == 404
    refused = api.get("/work-list.csv?separator=tab", key="planner", headers={"Accept": "text/html"})
    assert refused.status_code == 422
    assert all(word in refused.text for word in ("<code>separator</code>", "tab", "comma", "semicolon"))


def test_the_files_say_why_as_their_pages_do(api: Api) -> None:
    """The same sentences, as plain text."""
    for path, key in (("/work-list", "work.csv.why"), ("/visit-plan", "visit_plan.csv.why")):
        for row in rows_of(api, f"{path}.csv"):
            why = row[str(table("en")[key])]
            headers = {"Cookie": "zone=Europe/Vienna"}
            page = api.get(path, key="planner", headers=headers).text
            shown = " ".join(html.unescape(re.sub(r"<[^>]*>", "", page)).split())
            assert why
            assert " ".join(why.split()) in shown, path


def test_the_costs_of_the_plan_s_file_are_those_of_its_headline(api: Api) -> None:
    """The headline counts trips, whose cost the file did not have."""
    ask(api, "PATCH", f"{MACHINE}/papers", {"site": "oberkies"})
    ask(api, "POST", "/v1/planning-terms", {"currency": "EUR", "km_price": 2.0})
    ask(api, "POST", "/v1/sites", {"site": "kargrund"})
    head = table("en")
    for at in ({}, {"site": "kargrund"}):
        ask(api, "PATCH", f"{MACHINE}/papers", at)
        plan = ask(api, "GET", "/v1/visit-plan", zone="Europe/Vienna")
        rows = rows_of(api, "/visit-plan.csv")
        costs = [row[str(head["visit_plan.csv.cost"])] for row in rows]
        assert sum(float(cost) for cost in costs if cost) == pytest.approx(plan["cost"]["total"], abs=0.02)
        assert plan["cost"]["travel"] > 0
        for name, key in (("km", "trip_km"), ("hours", "trip_hours")):
            cells = [row[str(head[f"visit_plan.csv.{key}"])] for row in rows]
            assert sum(float(cell) for cell in cells if cell) == pytest.approx(
                sum(trip[name] for trip in plan["trips"]), abs=0.5
            )


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_note_beside_a_planned_day_stands_on_every_list(api: Api, language: str) -> None:
    """Given when the day was moved, it stood on the work list alone."""
    plan = {"on": "2026-02-25", "note": "bring the tall ladder", "confirmed_because": "booked"}
    ask(api, "POST", f"{MACHINE}/planned-change", plan)
    for path in ("/work-list", "/visit-plan"):
        headers = {"Accept-Language": language}
        assert "<q><bdi>bring the tall ladder</bdi></q>" in api.get(path, key="planner", headers=headers).text
        row = row_of(api, f"{path}.csv", language=language)
        key = "work.csv.note" if path == "/work-list" else "visit_plan.csv.note"
        assert row[str(table(language)[key])] == "bring the tall ladder"
    assert "<q><bdi>bring the tall ladder</bdi></q>" in api.get("/fleet", key="planner").text
    late = api.get("/work-list?before=2026-02-24", key="planner").text
    assert "<q><bdi>bring the tall ladder</bdi></q>" in late, "also where it stands after the list"


def test_each_page_leads_to_its_files(api: Api) -> None:
    assert 'href="/work-list.csv?site=oberkies"' in api.get("/work-list?site=oberkies", key="planner").text
    plan = html.unescape(api.get("/visit-plan?fixed=grader-07/main/2026-02-24", key="planner").text)
    assert 'href="/visit-plan.csv?fixed=grader-07%2Fmain%2F2026-02-24&separator=semicolon"' in plan
    row = row_of(api, "/visit-plan.csv?fixed=grader-07/main/2026-02-24")
    assert row["day"] == "2026-02-24"
    assert file_addresses("/work-list") == {
        "comma": "/work-list.csv",
        "semicolon": "/work-list.csv?separator=semicolon",
    }


@pytest.mark.parametrize("file", [WORK_FILE, PLAN_FILE], ids=["work", "plan"])
def test_columns_of_numbers_are_columns(file: object) -> None:
    assert file.numbers <= set(file.columns)  # type: ignore[attr-defined]
