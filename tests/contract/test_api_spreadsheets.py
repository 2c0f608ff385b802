"""Machines and parts as CSV: all of a file or nothing, each fault named, what went out comes in again."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import Any

import pytest

from tests.contract.test_api_fleet import register_worked
from tests.contract.test_api_shop import PAPERS, ask
from tests.support.serving import Api, in_process

MACHINES, PARTS = "/v1/machines.csv", "/v1/parts.csv"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """Files do not depend on the database."""
    with in_process(sqlite_database_url) as running:
        yield running


def bring(api: Api, content: str | bytes, path: str = MACHINES, **query: Any) -> Any:
    body = content if isinstance(content, bytes) else content.encode()
    headers = {"Content-Type": "text/csv"}
    return api.request("POST", path, key="planner", content=body, headers=headers, params=query)


def taken(api: Api, content: str | bytes, path: str = MACHINES, **query: Any) -> dict[str, Any]:
    response = bring(api, content, path, **query)
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    return document


def fetched(api: Api, path: str = MACHINES, **query: Any) -> bytes:
    response = api.get(path, key="planner", params=query)
    assert response.status_code == 200
    assert response.headers["content-type"] == "text/csv; charset=utf-8"
    return response.content


def rows_of(content: bytes, delimiter: str = ",") -> list[dict[str, str]]:
    """Read by the standard library alone."""
    return list(csv.DictReader(io.StringIO(content.decode("utf-8-sig")), delimiter=delimiter))


def faults(api: Api, content: str | bytes, path: str = MACHINES) -> list[tuple[Any, Any, str]]:
    """(row, column, code) of a preview; the import itself is refused for the same, and takes nothing."""
    before = fetched(api), fetched(api, PARTS), ask(api, "GET", "/v1/shop")
    found = taken(api, content, path, preview=True)["faults"]
    assert all(fault["rule"] and fault["next_step"] for fault in found)
    refused = bring(api, content, path)
    assert (refused.status_code, refused.json()["code"]) == (422, "sheet_faulty")
    assert len(refused.json()["errors"]) == len(found)
    assert (fetched(api), fetched(api, PARTS), ask(api, "GET", "/v1/shop")) == before
    return [(fault["row"], fault["column"], fault["code"]) for fault in found]


# ---------------------------------------------------------------- in


FLEET = """machine;housing;display_name;kind;site;crew;limit;limit_unit;primary_part;calendar_limit_days
grader-07;;Grader 7;grader;oberkies;early-shift;6,2;kPa;KG-0715;365
loader-05;left;"Lader 5; rot";loader;oberkies;;25;inH2O;KG-0928;
loader-05;right;"Lader 5; rot";loader;oberkies;;25;inH2O;KG-0928;
"""


MANY = """machine;kind;limit;limit_unit;meter_hours;meter_read_at
loader-11;loader;25;inH2O;8120;27.11.2025
loader-12;loader;25;inH2O;;
loader-13;Loader;25;inH2O;;
loader-14;loader;2,5;inH2O;;
loader-15;loader;6,2;kPa;;
"""


def test_a_preview_names_what_a_slip_makes(api: Api) -> None:
    """New machines, a kind in other letters, a limit ten times too small; a day alone is its noon in UTC."""
    found = taken(api, MANY, preview=True)
    assert (found["faults"], found["new_machines"]) == ([], [f"loader-1{n}" for n in range(1, 6)])
    assert found["near_kinds"] == [{"name": "Loader", "existing": "loader"}]
    [odd] = found["odd_limits"]
    assert (odd["row"], odd["machine"], odd["limit"], odd["limit_unit"]) == (5, "loader-14", 2.5, "inH2O")
    assert odd["others"] == pytest.approx(25, abs=0.2)
    taken(api, MANY)
    again = taken(api, MANY, preview=True)
    assert (again["changes"], again["new_machines"], again["near_kinds"], again["odd_limits"]) == (
        [],
        [],
        [],
        [],
    )
    [row] = [row for row in rows_of(fetched(api)) if row["machine"] == "loader-11"]
    assert row["meter_read_at"] == "2025-11-27T12:00:00Z"


SLIPS = """machine,housing,site,crew
Grader-07,main,Oberkies,early-shift
loader-05,left,oberkies,Early-Shift
loader-05,Left,oberkies,Early-Shift
loader-06,,,
Loader-06,,,
"""


def test_new_names_that_are_there_but_for_their_capital_letters_are_asked_about_as_forms_ask(
    api: Api,
) -> None:
    """Machines, housings, sites and crews; also two rows of one file. It is the question of a form."""
    taken(api, FLEET)
    near = taken(api, SLIPS, preview=True)["near_names"]
    assert [(n["row"], n["noun"], n["machine"], n["name"], n["existing"]) for n in near] == [
        (2, "machine", None, "Grader-07", "grader-07"),
        (2, "site", None, "Oberkies", "oberkies"),
        (3, "crew", None, "Early-Shift", "early-shift"),
        (4, "housing", "loader-05", "Left", "left"),
        (6, "machine", None, "Loader-06", "loader-06"),
    ]
    before = fetched(api)
    refused = bring(api, SLIPS)
    assert (refused.status_code, refused.json()["code"]) == (422, "not_valid")
    errors = refused.json()["errors"]
    assert [e["pointer"] for e in errors] == [
        *("#/row/2/machine", "#/row/2/site", "#/row/3/crew", "#/row/4/housing", "#/row/6/machine")
    ]
    form = api.post("/v1/sites", {"site": "Oberkies"}, key="planner").json()["errors"]
    assert errors[1]["detail"] == form[0]["detail"]
    assert fetched(api) == before
    assert bring(api, SLIPS, confirmed_because=" ").status_code == 422
    taken(api, SLIPS, confirmed_because="two fleets, one of them bought")
    assert taken(api, SLIPS, preview=True)["near_names"] == []


def test_a_new_part_that_is_there_but_for_its_capital_letters_is_asked_about(api: Api) -> None:
    taken(api, "part,lead_time_days\nKG-0715,3\n", PARTS)
    slip = "part,lead_time_days\nkg-0715,3\n"
    [near] = taken(api, slip, PARTS, preview=True)["near_names"]
    assert (near["noun"], near["name"], near["existing"]) == ("part", "kg-0715", "KG-0715")
    assert bring(api, slip, PARTS).status_code == 422
    taken(api, slip, PARTS, confirmed_because="another maker's")
    assert taken(api, slip, PARTS, preview=True)["near_names"] == []


@pytest.mark.parametrize("start", ["", "\ufeff"], ids=["plain", "with byte order mark"])
def test_a_file_makes_machines_sites_and_crews_at_once(api: Api, start: str) -> None:
    preview = taken(api, start + FLEET, preview=True)
    assert (preview["new_sites"], preview["new_crews"]) == (["oberkies"], ["early-shift"])
    assert [(c["name"], c["housing"], c["is_new"]) for c in preview["changes"]] == [
        ("grader-07", "main", True),
        ("loader-05", "left", True),
        ("loader-05", "right", True),
    ]
    assert api.get("/v1/machines").json()["machines"] == []  # a preview takes nothing
    assert taken(api, start + FLEET) == preview | {"preview": False, "sheet": 1}
    grader, loader = api.get("/v1/machines").json()["machines"]
    assert (grader["site"], grader["crew"], grader["kind"]) == ("oberkies", "early-shift", "grader")
    assert grader["housings"][0]["terminal_restrictions"][0]["value"] == 6.2
    assert grader["housings"][0]["calendar_limit_days"] == 365
    assert (loader["display_name"], loader["crew"]) == ("Lader 5; rot", None)
    assert [h["housing"] for h in loader["housings"]] == ["left", "right"]
    assert taken(api, start + FLEET)["changes"] == []  # the same again changes nothing


def test_a_column_left_out_stays_and_an_empty_cell_takes_away(api: Api) -> None:
    taken(api, FLEET)
    answer = taken(api, "machine,crew,primary_part,limit,limit_unit\ngrader-07,,KG-0800,,\n")
    assert [(c["name"], c["columns"]) for c in answer["changes"]] == [("grader-07", ["crew", "primary_part"])]
    grader = api.get("/v1/machines/grader-07").json()
    assert (grader["site"], grader["crew"]) == ("oberkies", None)
    assert grader["housings"][0]["primary_part"] == "KG-0800"
    assert grader["housings"][0]["terminal_restrictions"][0]["value"] == 6.2  # a history has no end


def test_parts_and_stock_come_in_too(api: Api) -> None:
    content = "part,description,lead_time_days,site,pieces\nKG-0715,primary,3,oberkies,4\nKG-0928,,,,\n"
    answer = taken(api, content, PARTS)
    assert (answer["new_sites"], len(answer["changes"])) == (["oberkies"], 2)
    assert ask(api, "GET", "/v1/shop")["parts"] == [
        {
            "part": "KG-0715",
            "description": "primary",
            "lead_time_days": 3,
            "stock": [{"site": "oberkies", "pieces": 4}],
        },
        {"part": "KG-0928", "description": "", "lead_time_days": None, "stock": []},
    ]
    assert taken(api, fetched(api, PARTS), PARTS)["changes"] == []


def test_importing_is_recorded_under_the_name_of_who_did_it(api: Api) -> None:
    taken(api, FLEET)
    taken(api, "part\nKG-0715\n", PARTS)
    second, first = api.get("/v1/audit?limit=2").json()["entries"]
    assert (first["what"], second["what"]) == ("machines_imported", "parts_imported")
    assert first["who"] == api.tokens["planner"].partition(".")[0]


# ---------------------------------------------------------------- out, and in again


NASTY = [
    "=HYPERLINK(1)",
    "+1",
    "-1",
    "@sum",
    "'=1",
    "''@",
    "'plain",
    'a "b"',
    "a;=1",
    "a,=1",
    "مرحبا",
    "x" * 64,
]


@pytest.mark.parametrize("separator", ["comma", "semicolon"])
def test_what_went_out_comes_in_again_and_changes_nothing(api: Api, separator: str) -> None:
    for number, name in enumerate(NASTY):
        body = {"machine": f"m{number}", "kind": "-odd", "display_name": name}
        assert api.post("/v1/machines", body).status_code == 200
    api.register()
    limit = {"value": 1.2345678901234567, "unit": "kPa"}
    api.post("/v1/machines/grader-07/terminal-restriction", limit)
    ask(api, "POST", "/v1/sites", {"site": "oberkies"})
    ask(api, "POST", "/v1/crews", {"crew": "early-shift"})
    ask(api, "PATCH", "/v1/machines/grader-07/papers", PAPERS)
    reading = {"at": "2026-03-01T06:00:00.25Z", "meter_hours": 8120.123, "offset_hours": 1e-7}
    ask(api, "POST", "/v1/machines/grader-07/meter-readings", reading)
    api.request("PATCH", "/v1/machines/m0", json={"retired": True})
    out = fetched(api, separator=separator)
    answer = taken(api, out)
    assert (answer["changes"], answer["unchanged"]) == ([], len(NASTY) + 1)
    assert fetched(api, separator=separator) == out


def test_no_cell_that_goes_out_begins_a_formula(api: Api) -> None:
    """OWASP, CSV Injection: = + - @, tab and carriage return at the beginning of a cell."""
    for number, name in enumerate(NASTY):
        api.post("/v1/machines", {"machine": f"m{number}", "kind": "-odd", "display_name": name})
    for separator, delimiter in (("comma", ","), ("semicolon", ";")):
        for row in rows_of(fetched(api, separator=separator), delimiter):
            assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell in row.values())


def test_a_file_with_semicolons_has_decimal_commas(api: Api) -> None:
    api.register()
    assert rows_of(fetched(api, separator="semicolon"), ";")[0]["limit"] == "6,2"
    assert rows_of(fetched(api))[0]["limit"] == "6.2"


def test_a_file_that_a_german_office_program_saved_again_is_read(api: Api) -> None:
    """It writes dates as day.month.year, and may group thousands."""
    taken(api, FLEET)
    taken(api, "machine;service_on;service_meter_hours\ngrader-07;9.12.2026;8.120,5\n")
    row = rows_of(fetched(api, separator="semicolon"), ";")[0]
    assert (row["service_on"], row["service_meter_hours"]) == ("2026-12-09", "8120,5")


# ---------------------------------------------------------------- what is wrong is named


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        ("machine;limit;limit_unit\na;1.200;Pa\n", [(2, "limit", "number_ambiguous")]),
        ('machine,limit,limit_unit\na,"6,2",kPa\n', [(2, "limit", "decimal_comma")]),
        ("machine,limit,limit_unit\na,6 kPa,kPa\n", [(2, "limit", "not_a_number")]),
        ("machine,limit,limit_unit\na,6.2,\n", [(2, "limit_unit", "limit_incomplete")]),
        ("machine,limit\na,6.2\n", [(2, "limit_unit", "limit_incomplete")]),
        ("machine,limit,limit_unit\na,6.2,kPascal\n", [(2, "limit_unit", "unit_unknown")]),
        ("machine,limit,limit_unit\na,62,bar\n", [(2, "limit", "limit_too_high")]),
        ("machine;limit;limit_unit\na;8.120.500,5;Pa\n", [(2, "limit", "limit_too_high")]),
        ("machine,service_on\na,4.12.2026\n", [(2, "service_on", "not_a_date")]),
        ("machine;service_on\na;31.2.2026\n", [(2, "service_on", "not_a_date")]),
        ("machine,service_on\na,2026-02-30\n", [(2, "service_on", "not_a_date")]),
        ("machine,calendar_limit_days\na,12.5\n", [(2, "calendar_limit_days", "not_whole")]),
        ("machine,most_cleanings\na,99\n", [(2, "most_cleanings", "out_of_bounds")]),
        ("machine,retired\na,x\n", [(2, "retired", "not_yes_or_no")]),
        (
            "machine,site\nG 7,Ober Kies\n",
            [(2, "machine", "name_not_valid"), (2, "site", "group_name_not_valid")],
        ),
        ("machine,site\n,oberkies\n", [(2, "machine", "name_missing")]),
        ("machine,colour\na,red\n", [(1, "colour", "column_unknown")]),
        ("machine,machine\na,a\n", [(1, "machine", "column_twice")]),
        ("kind\ngrader\n", [(1, "machine", "column_missing")]),
        ("machine,kind\na,grader\n\nb\n", [(4, None, "cells_differ")]),
        ("machine,kind\na,grader,more\n", [(2, None, "cells_differ")]),
        ("machine,kind\na,grader\na,loader\n", [(3, "machine", "row_twice"), (3, "kind", "rows_disagree")]),
        (
            "machine,laid_up_from,laid_up_until\na,2026-12-20,2026-12-01\n",
            [(2, "laid_up_until", "span_not_valid")],
        ),
        ("machine,meter_hours\na,100\n", [(2, "meter_read_at", "meter_incomplete")]),
        ("machine,meter_hours,meter_read_at\na,1,2026-03-01 noon\n", [(2, "meter_read_at", "not_a_time")]),
        (
            "machine,meter_hours,meter_read_at\na,1,2027-03-01T06:00:00Z\n",
            [(2, "meter_read_at", "in_future")],
        ),
        ('machine,kind\na,"grader\n', [(2, None, "quotes_broken")]),
        ("machine,display_name\na,x\x07y\n", [(2, "display_name", "not_printable")]),
        (f"machine,display_name\na,{'x' * 121}\n", [(2, "display_name", "too_long")]),
        ("machine,display_name\na,Gr\u00fcn\n".encode("cp1252"), [(2, None, "not_utf8")]),
        (b"PK\x03\x04\x00\x00", [(None, None, "not_text")]),
        ("", [(None, None, "empty")]),
    ],
)
def test_a_fault_is_named_by_row_and_column_and_nothing_is_taken(
    api: Api, content: str | bytes, expected: list[Any]
) -> None:
    assert faults(api, content) == expected


def test_ten_kinds_of_fault_in_one_file_are_all_named_at_once(api: Api) -> None:
    head = (
        "machine;kind;site;limit;limit_unit;service_on;retired;calendar_limit_days;laid_up_from;laid_up_until"
    )
    rows = [
        "grader-07;grader;oberkies;6,2;kPa;2026-12-04;no;365;;",  # nothing is wrong with it
        "Grader 8;grader;oberkies;6,2;kPa;;;;;",
        "grader-09;grader;oberkies;6.200;Pa;;;;;",
        "grader-10;grader;oberkies;6,2;kPascal;;;;;",
        "grader-11;grader;oberkies;;kPa;;;;;",
        "grader-12;grader;oberkies;6,2;kPa;4.12.26;;;;",
        "grader-13;grader;oberkies;6,2;kPa;;vielleicht;;;",
        "grader-14;grader;oberkies;6,2;kPa;;;12,5;;",
        "grader-15;grader;oberkies;6,2;kPa;;;;2026-12-20;2026-12-01",
        "grader-07;grader;oberkies;6,2;kPa;2026-12-04;no;365;;",
        "grader-16;grader",
        ";grader;oberkies;6,2;kPa;;;;;",
    ]
    found = faults(api, "\n".join([head, *rows]))
    assert [(row, column) for row, column, _ in found] == [
        (3, "machine"),
        (4, "limit"),
        (5, "limit_unit"),
        (6, "limit"),
        (7, "service_on"),
        (8, "retired"),
        (9, "calendar_limit_days"),
        (10, "laid_up_until"),
        (11, "machine"),
        (12, None),
        (13, "machine"),
    ]
    assert len({code for _, _, code in found}) >= 10


def test_faults_of_parts_are_named_too(api: Api) -> None:
    content = "part,lead_time_days,site,pieces\nA,3,oberkies,\nA,4,kargrund,1\n,1,,\nB,-1,,\n"
    assert faults(api, content, PARTS) == [
        (2, "pieces", "stock_incomplete"),
        (3, "lead_time_days", "rows_disagree"),
        (4, "part", "part_missing"),
        (5, "lead_time_days", "not_a_number"),
    ]


def test_a_meter_that_contradicts_what_was_read_before_is_a_fault(api: Api) -> None:
    head = "machine,meter_hours,meter_read_at\n"
    taken(api, f"{head}grader-07,8000,2026-03-01T06:00:00Z\n")
    assert faults(api, f"{head}grader-07,7000,2026-03-02T06:00:00Z\n") == [
        (2, "meter_hours", "meter_contradicts")
    ]


def test_a_meter_below_what_the_monitors_saw_is_a_fault(api: Api) -> None:
    register_worked(api, 60)
    head = "machine,meter_hours,meter_offset_hours,meter_read_at\n"
    low = f"{head}grader-07,1,,2026-02-22T17:00:00Z\n"
    assert faults(api, low) == [(2, "meter_hours", "meter_below_worked")]
    assert taken(api, f"{head}grader-07,1,4000,2026-02-22T17:00:00Z\n")["faults"] == []  # a new meter


def test_more_faults_than_an_answer_lists_are_counted(api: Api) -> None:
    content = "machine,retired\n" + "".join(f"m{n},x\n" for n in range(100))
    answer = taken(api, content, preview=True)
    assert (len(answer["faults"]), answer["faults_more"]) == (64, 36)


def test_a_file_beyond_the_limits_is_refused(api: Api) -> None:
    content = "machine\n" + "".join(f"m{n}\n" for n in range(5_001))
    assert faults(api, content) == [(None, None, "too_many_rows")]
    assert bring(api, "machine\n" + "x" * 2**20).status_code == 413
    assert bring(api, b"").status_code == 422


def test_only_csv_is_taken(api: Api) -> None:
    refused = api.post(MACHINES, {"machine": "a"}, key="planner")
    assert (refused.status_code, refused.json()["code"]) == (415, "type_not_supported")


def test_a_preview_shows_each_old_and_new_value_and_names_parts_that_are_not_entered(api: Api) -> None:
    ask(api, "POST", "/v1/parts", {"part": "KG-0715"})
    assert taken(api, FLEET, preview=True)["unknown_parts"] == ["KG-0928"]
    taken(api, FLEET)
    changed = FLEET.replace("6,2;kPa;KG-0715;365", "6,5;kPa;KG-9999;")
    preview = taken(api, changed, preview=True)
    [change] = preview["changes"]
    assert change["values"] == [
        {"column": "limit", "before": 6.2, "after": 6.5},
        {"column": "primary_part", "before": "KG-0715", "after": "KG-9999"},
        {"column": "calendar_limit_days", "before": 365, "after": None},
    ]
    assert preview["unknown_parts"] == ["KG-9999"]


def test_a_preview_of_stock_shows_how_many_there_were(api: Api) -> None:
    taken(api, "part,site,pieces\nKG-0715,oberkies,4\n", PARTS)
    [change] = taken(api, "part,site,pieces\nKG-0715,oberkies,7\n", PARTS, preview=True)["changes"]
    assert change["values"] == [
        {"column": "site", "before": "oberkies", "after": "oberkies"},
        {"column": "pieces", "before": 4, "after": 7},
    ]
