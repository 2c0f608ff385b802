"""What a spreadsheet changed is taken back as a whole; a row that was changed since stays, and is named."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import sheet_imports
from tests.contract.test_api_spreadsheets import FLEET, PARTS, fetched, taken
from tests.support.serving import DEVICE, Api, in_process

ROUTE = "/v1/sheet-imports"
LATER = """machine,housing,display_name,kind,site,crew,limit,limit_unit,primary_part,meter_hours,meter_read_at
grader-07,main,Grader seven,motor-grader,quarry,,5.5,kPa,KG-0800,812,2026-03-01T06:00:00Z
loader-05,left,"Lader 5; rot",loader,oberkies,night-shift,25,inH2O,KG-0928,,
"""


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        taken(running, FLEET)
        yield running


def take_back(api: Api, sheet: int, *, preview: bool = False, expect: int = 200) -> dict[str, Any]:
    response = api.post(f"{ROUTE}/{sheet}/taken-back", {"preview": preview}, key="planner")
    assert response.status_code == expect, response.text
    document: dict[str, Any] = response.json()
    return document


def groups(api: Api) -> tuple[list[str], list[str]]:
    shop = api.get("/v1/shop").json()
    return [one["site"] for one in shop["sites"]], [one["crew"] for one in shop["crews"]]


def test_everything_is_as_it_was_before(api: Api) -> None:
    before, names = fetched(api), groups(api)
    api.clock.advance(3_600)
    sheet = taken(api, LATER)["sheet"]
    assert fetched(api) != before
    preview = take_back(api, sheet, preview=True)
    assert ([row["name"] for row in preview["back"]], preview["stays"]) == (["grader-07", "loader-05"], [])
    assert fetched(api) != before  # a preview changes nothing
    done = take_back(api, sheet)
    assert fetched(api) == before
    assert groups(api) == names  # the sites and crews that the file made are gone
    assert done["taken_back_by"] == api.tokens["planner"].partition(".")[0]
    [line] = api.get("/v1/audit", params={"what": "sheet_taken_back"}).json()["entries"]
    assert line["values"] == {"sheet": sheet, "back": 2, "stays": 0}


def test_a_row_that_was_changed_since_stays_and_is_named(api: Api) -> None:
    sheet = taken(api, LATER)["sheet"]
    edit = api.request("PATCH", "/v1/machines/grader-07", json={"display_name": "Seven"})
    assert edit.status_code == 200, edit.text
    done = take_back(api, sheet)
    assert [(row["row"], row["name"], row["columns"]) for row in done["stays"]] == [
        (2, "grader-07", ["display_name"])
    ]
    grader, loader = api.get("/v1/machines").json()["machines"]
    assert (grader["display_name"], grader["site"], loader["crew"]) == ("Seven", "quarry", None)


def test_a_housing_that_the_file_added_leaves_its_machine_as_it_was(api: Api) -> None:
    before = api.get("/v1/machines/grader-07").json()
    added = "machine,housing,display_name,kind,site,crew,limit,limit_unit\n"
    added += "grader-07,cab,Grader 7,grader,oberkies,early-shift,2,kPa\n"
    [change] = (done := taken(api, added))["changes"]
    assert [value["column"] for value in change["values"]] == ["limit", "limit_unit"]
    take_back(api, done["sheet"])
    after = api.get("/v1/machines/grader-07").json()
    shop_data = ("display_name", "kind", "site", "crew", "retired_at")
    assert {name: after[name] for name in shop_data} == {name: before[name] for name in shop_data}


def test_a_machine_stays_as_a_whole_where_one_of_its_rows_was_changed_since(api: Api) -> None:
    """Site, crew and the rest are the machine's: a row that stays would lose them with one that goes back."""
    edit = {"housings": [{"housing": "left", "primary_part": "KG-0800"}]}
    response = api.request("PATCH", "/v1/machines/loader-05/papers", json=edit)
    assert response.status_code == 200, response.text
    done = take_back(api, 1)
    assert [(row["name"], row["housing"], row["columns"]) for row in done["stays"]] == [
        ("loader-05", "left", ["primary_part"]),
        ("loader-05", "right", ["other_housing"]),
    ]
    loader = api.get("/v1/machines/loader-05").json()
    assert (loader["retired_at"], loader["site"]) == (None, "oberkies")


def test_a_machine_that_a_file_took_into_use_again_is_out_of_use_since_before(api: Api) -> None:
    """The day on which it was taken out of use is part of what stood before."""
    edit = api.request("PATCH", "/v1/machines/grader-07", json={"retired": True})
    retired_at = edit.json()["retired_at"]
    api.clock.advance(86_400)
    [change] = (done := taken(api, "machine,housing,retired\ngrader-07,main,no\n"))["changes"]
    assert change["values"] == [{"column": "retired", "before": True, "after": False}]
    assert api.get("/v1/machines/grader-07").json()["retired_at"] is None
    api.clock.advance(86_400)
    take_back(api, done["sheet"])
    assert api.get("/v1/machines/grader-07").json()["retired_at"] == retired_at


def test_a_machine_that_the_file_made_is_retired(api: Api) -> None:
    done = take_back(api, 1)
    assert [row["is_new"] for row in done["back"]] == [True, True, True]
    assert all(machine["retired_at"] for machine in api.get("/v1/machines").json()["machines"])
    assert groups(api) == ([], [])


def test_a_machine_that_the_file_made_and_that_has_a_monitor_by_now_stays(api: Api) -> None:
    assert api.post("/v1/devices", {"device": DEVICE, "machine": "grader-07"}).status_code == 200
    done = take_back(api, 1)
    assert [(row["name"], row["columns"]) for row in done["stays"]] == [("grader-07", ["monitor"])]
    assert groups(api) == (["oberkies"], ["early-shift"])


def test_a_long_file_takes_no_more_statements_to_look_at(api: Api) -> None:
    def asked(machines: int) -> int:
        lines = (f"hauler-{machines}-{n},hauler" for n in range(machines))
        sheet = taken(api, "\n".join(("machine,kind", *lines)))["sheet"]
        sent: list[str] = []

        def note(_connection: Any, _cursor: Any, statement: str, *_rest: Any) -> None:
            sent.append(statement)

        sa.event.listen(sa.Engine, "before_cursor_execute", note)
        try:
            assert len(take_back(api, sheet, preview=True)["back"]) == machines
        finally:
            sa.event.remove(sa.Engine, "before_cursor_execute", note)
        return len(sent)

    assert asked(30) == asked(3)


def test_parts_and_stock_go_back_too(api: Api) -> None:
    taken(api, "part,description,lead_time_days,site,pieces\nKG-0715,primary,3,oberkies,4\n", PARTS)
    before = fetched(api, PARTS)
    later = "part,description,lead_time_days,site,pieces\nKG-0715,primary,9,oberkies,7\nKG-1,,,oberkies,2\n"
    sheet = taken(api, later, PARTS)["sheet"]
    done = take_back(api, sheet)
    assert [(row["name"], row["is_new"]) for row in done["back"]] == [("KG-0715", False), ("KG-1", True)]
    assert fetched(api, PARTS).startswith(before)  # the new part stays in the list, without stock
    assert b'"KG-1","","","oberkies","0"' in fetched(api, PARTS)


def test_it_is_taken_back_once(api: Api) -> None:
    take_back(api, 1)
    assert take_back(api, 1, expect=409)["code"] == "not_undoable"
    assert take_back(api, 99, expect=404)["code"] == "unknown_spreadsheet"


def test_of_two_at_the_same_time_one_takes_it_back(api: Api) -> None:
    """The second one would take away the limit that stood before the spreadsheet."""

    def claimed(connection: sa.Connection) -> list[bool]:
        return [sheet_imports.set_taken_back(connection, 1, at_us, "k0") for at_us in (5, 6)]

    assert api.resources.writer.call(claimed) == [True, False]
    assert api.get(ROUTE, key="planner").json()["sheets"][0]["taken_back_at"] == "1970-01-01T00:00:00.000005Z"


def test_they_are_listed_newest_first_with_who_and_when(api: Api) -> None:
    taken(api, LATER)
    assert taken(api, LATER)["sheet"] is None  # it changed nothing
    listed = api.get(ROUTE, key="planner").json()["sheets"]
    assert [(one["sheet"], one["kind"], one["changed"]) for one in listed] == [
        (2, "machines", 2),
        (1, "machines", 3),
    ]


def test_on_the_page_taking_leads_to_the_page_of_the_spreadsheet(api: Api) -> None:
    """Going back to it, or loading it again, sends nothing a second time."""
    new = ["site/quarry", "crew/night-shift"]
    form = {"what": "machines", "text": LATER, "take": "yes", "new_ones": new}
    answer = api.request("POST", "/shop/import", data=form)
    assert (answer.status_code, answer.headers["location"]) == (303, "/shop/spreadsheets/2")
    page = api.get("/shop/spreadsheets/2").text
    assert "Taking it back would put 2 rows back." in page
    assert 'href="/shop/spreadsheets/2"' in api.get("/shop").text
    asked = api.request("POST", "/shop/spreadsheets/2/taken-back")
    assert (asked.status_code, "Take spreadsheet 2 back?" in asked.text) == (200, True)
    done = api.request("POST", "/shop/spreadsheets/2/taken-back", data={"sure": "yes"})
    assert (done.status_code, done.headers["location"]) == (303, "/shop/spreadsheets/2")
    assert "Taken back" in api.get("/shop/spreadsheets/2").text
