"""The fleet page: every housing in words, safe whatever a name says; filters in the address, and a file."""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Iterator

import pytest

from cleanside.gateway.wire import instant_text
from cleanside.ingest.console.fleet_page import FLEET_FILE
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from cleanside.ingest.restriction.verdict.plain_forms import (
    ADVICE,
    CAUSE_FORMS,
    ENTRIES,
    EVIDENCE,
    SILENCE_FORMS,
    STATE_FORMS,
    SUSPICIONS,
)
from cleanside.ingest.shop.spreadsheet import safe_cell
from tests.contract.test_api_fleet import register_worked
from tests.contract.test_api_shop import ask
from tests.support.serving import DEVICE, Api, batch, in_process

#: names that a person may give: markup, right to left, as long as may be, pictures
HOSTILE = [
    "<script>alert(1)</script>",
    "\u202egrader\u202c",
    "W" * 120,
    "🚜🚜 Grader",
    '"><img src=x onerror=alert(1)>',
]


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        yield running


def named(api: Api, machine: str, display_name: str = "", kind: str = "grader") -> None:
    body = {"machine": machine, "kind": kind, "display_name": display_name}
    assert api.post("/v1/machines", body).status_code == 200
    assert api.post("/v1/devices", {"device": f"{machine}-intake", "machine": machine}).status_code == 200


def page_of(api: Api, path: str = "/fleet", **headers: str) -> str:
    response = api.get(path, headers=headers)
    assert response.status_code == 200, response.text
    return response.text


def machines_in(page: str) -> list[str]:
    return re.findall(r'href="/machines/([^"?]+)"', page)


@pytest.mark.parametrize("query", ["kind=crane", "site=nowhere", "crew=nobody", "text=zzz"])
def test_where_a_filter_leaves_nothing_the_page_says_so(api: Api, query: str) -> None:
    """Not that there are no machines: there are."""
    named(api, "grader-07")
    page = page_of(api, f"/fleet?{query}", **{"Accept-Language": "en"})
    assert str(table("en")["fleet.no_match"]) in page
    assert str(table("en")["fleet.empty"]) not in page


def test_the_page_shows_what_its_twin_answers(api: Api) -> None:
    for machine in ("grader-07", "loader-02"):
        named(api, machine)
    twin = [h["machine"] for h in api.get("/v1/fleet").json()["housings"]]
    assert machines_in(page_of(api)) == twin


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_name_is_text(api: Api, name: str) -> None:
    if not name.isprintable():
        assert api.post("/v1/machines", {"machine": "m", "display_name": name}).status_code == 422
        return
    named(api, "grader-07", name)
    page = page_of(api)
    assert f"<bdi>{html.escape(name, quote=True).replace('&quot;', '&#34;')}</bdi>" in page
    assert "<script>alert" not in page
    assert "<img" not in page


def test_filters_stand_in_the_address_and_are_those_of_the_twin(api: Api) -> None:
    named(api, "grader-07", kind="grader")
    named(api, "loader-02", kind="loader")
    for query, left in (("kind=loader", ["loader-02"]), ("text=GRADER", ["grader-07"]), ("state=over", [])):
        assert machines_in(page_of(api, f"/fleet?{query}")) == left
        assert [h["machine"] for h in api.get(f"/v1/fleet?{query}").json()["housings"]] == left


def test_an_empty_choice_is_no_choice(api: Api) -> None:
    """A form without scripts sends every field."""
    named(api, "grader-07")
    assert machines_in(page_of(api, "/fleet?kind=&state=&text=")) == ["grader-07"]


def test_a_filter_without_a_hit_leads_to_all(api: Api) -> None:
    named(api, "grader-07")
    assert 'href="/fleet">' in page_of(api, "/fleet?text=nothing-like-it")


def test_a_long_fleet_is_turned_page_by_page(api: Api) -> None:
    for number in range(5):
        named(api, f"grader-{number:02d}")
    found, path = [], "/fleet?limit=2"
    while path:
        page = page_of(api, path)
        found += machines_in(page)
        onward = re.search(r'href="(/fleet\?[^"]*cursor=[^"]+)"', page)
        path = html.unescape(onward[1]) if onward else ""
    assert sorted(found) == [f"grader-{number:02d}" for number in range(5)]
    assert len(found) == 5


def test_quarantined_readings_stand_on_the_row(api: Api) -> None:
    api.register()
    api.send(batch(1, [3.0, 900.0, 901.0]))
    [housing] = api.get("/v1/fleet").json()["housings"]
    assert housing["readings_quarantined"] == 2
    assert 'href="/quarantine"' in page_of(api).split("<tbody")[1]


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_row_is_one_line_with_its_site_by_name_and_cautions_stand_once(api: Api, language: str) -> None:
    for machine in ("grader-07", "loader-02"):
        named(api, machine)
    assert (
        api.post("/v1/sites", {"site": "oberkies", "display_name": "Oberkies, upper pit"}).status_code == 200
    )
    assert api.request("PATCH", "/v1/machines/grader-07/papers", json={"site": "oberkies"}).status_code == 200
    page = page_of(api, **{"Accept-Language": language})
    closed = re.sub(r'<div class="more">.*?</details>', "", page, flags=re.DOTALL)
    assert "<bdi>Oberkies, upper pit</bdi>" in closed
    words = table(language)
    assert closed.count(str(words["caution.short.secure_machine"])) == 1
    assert (
        closed.count(str(words["fleet.next.advice_no_limit"]))
        + closed.count(str(words["fleet.next.advice_silent"]))
        + closed.count(str(words["fleet.next.advice_running-in"]))
        == 2
    )


@pytest.mark.parametrize(
    ("planned", "laid_up", "sentence", "without"),
    [(False, False, "plan", "planned"), (True, False, "planned", "plan"), (True, True, "plan", "planned")],
)
@pytest.mark.parametrize("language", LANGUAGES)
def test_a_change_with_a_planned_day_is_counted_apart(
    api: Api, language: str, planned: bool, laid_up: bool, sentence: str, without: str
) -> None:
    """A day that falls into a lay-up is asked about: the change is to be planned still."""
    register_worked(api, 60, rise_kpa=0.05)
    if planned:
        on = "2026-02-26" if laid_up else "2026-02-22"  # in time, unless it is asked about anyway
        ask(api, "POST", "/v1/machines/grader-07/planned-change", {"on": on, "confirmed_because": "booked"})
    if laid_up:
        ask(api, "PATCH", "/v1/machines/grader-07/papers", {"laid_up": {"from": "2026-02-25"}})
    fleet = ask(api, "GET", "/v1/fleet")
    assert (fleet["by_state"], fleet["with_day"]) == ({"plan": 1}, int(sentence == "planned"))
    page, words = page_of(api, **{"Accept-Language": language}), table(language)
    one, other = (words[f"fleet.summary.{name}"]["one"] for name in (sentence, without))  # type: ignore[index]
    assert one in page
    assert other not in page


def test_the_file_has_semicolons_and_decimal_commas_as_those_of_the_shop(api: Api) -> None:
    register_worked(api, 30, rise_kpa=0.05)
    plain = list(csv.reader(io.StringIO(api.get("/fleet.csv").content.decode("utf-8-sig"))))
    text = api.get("/fleet.csv?separator=semicolon").content.decode("utf-8-sig")
    written = list(csv.reader(io.StringIO(text), delimiter=";"))
    place = FLEET_FILE.columns.index("limit_kpa")
    assert (plain[1][place], written[1][place]) == ("6.200", "6,200")
    assert [len(row) for row in written] == [len(FLEET_FILE.columns)] * 2
    assert "separator=semicolon" in page_of(api)


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_planned_day_that_cannot_hold_is_counted_apart_with_its_chance(api: Api, language: str) -> None:
    """A wrong year, and days with a chance of 68 % and 81 %, looked like planned days in time."""
    register_worked(api, 60, rise_kpa=0.05)
    ask(
        api,
        "POST",
        "/v1/machines/grader-07/planned-change",
        {"on": "2027-03-10", "confirmed_because": "booked"},
    )
    fleet, words = ask(api, "GET", "/v1/fleet"), table(language)
    assert (fleet["late_day_by_state"], fleet["with_day"], fleet["chance_allowed"]) == ({"plan": 1}, 1, 0.1)
    [known] = fleet["housings"]
    assert known["planned"]["chance_at_limit_before"] == pytest.approx(0.99)
    page = html.unescape(page_of(api, **{"Accept-Language": language}))
    late, in_time = (words[f"fleet.summary.{name}"]["one"] for name in ("planned_late", "planned"))  # type: ignore[index]
    assert late in page
    assert in_time not in page
    said = str(words["work.chance"]).partition("{")[0]
    row = page.partition("<tbody")[2].partition("</summary>")[0]
    assert said in row
    assert said in html.unescape(api.get("/machines/grader-07", headers={"Accept-Language": language}).text)


def test_every_pressure_of_the_list_has_one_unit_and_the_machines_page_its_own(api: Api) -> None:
    """Two machines whose gauges have different units; kPa until the reader chooses."""
    register_worked(api, 30, rise_kpa=0.05)
    named(api, "loader-02")
    limit = {"value": 25, "unit": "inH2O"}
    assert api.post("/v1/machines/loader-02/terminal-restriction", limit).status_code == 200
    limit["value"] = 24.9  # 6.2 kPa, by 249.08891 Pa each (NIST SP 811)
    assert api.post("/v1/machines/grader-07/terminal-restriction", limit).status_code == 200
    units = r"\d\s*(?:<[^>]*>)?\s*(kPa|inH2O|psi|mbar)\b"
    listed = page_of(api).partition("<tbody")[2].partition("</tbody>")[0]
    assert set(re.findall(units, html.unescape(listed))) == {"kPa"}
    chosen = api.request("POST", "/pressures", data={"unit": "psi", "next": "/fleet?kind=grader"})
    assert (chosen.status_code, chosen.headers["location"]) == (303, "/fleet?kind=grader")
    cookie = {"Cookie": chosen.headers["set-cookie"].partition(";")[0]}
    listed = page_of(api, **cookie).partition("<tbody")[2].partition("</tbody>")[0]
    assert set(re.findall(units, html.unescape(listed))) == {"psi"}
    assert "0.90" in listed, "6.2 kPa, by 6894.757 Pa a psi (NIST SP 811)"
    own = page_of(api, "/machines/grader-07", **cookie)
    assert "inH2O" in own
    odd = api.request("POST", "/pressures", data={"unit": "furlong", "next": "https://example.com"})
    assert (odd.headers["location"], "set-cookie" in odd.headers) == ("/", False)


# ---------------------------------------------------------------- the file


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1"])
def test_no_cell_is_a_formula(cell: str) -> None:
    """OWASP, CSV Injection: these characters begin a formula."""
    assert safe_cell(cell) == f"'{cell}"


def test_the_file_has_every_row_and_no_formula(api: Api) -> None:
    named(api, "grader-07", "=HYPERLINK(1)")
    named(api, "loader-02", "Lader, rot")
    response = api.get("/fleet.csv")
    assert response.headers["content-type"].startswith("text/csv")
    assert response.headers["content-disposition"] == 'attachment; filename="fleet.csv"'
    assert response.content.startswith("\ufeff".encode())
    heading, *rows = csv.reader(io.StringIO(response.content.decode("utf-8-sig")))
    assert all(len(row) == len(heading) for row in rows)
    assert {row[1] for row in rows} == {"'=HYPERLINK(1)", "Lader, rot"}


def test_the_file_ends_with_where_who_when_and_what_to_do(api: Api) -> None:
    """New columns stand at the end, so that what reads the file by place goes on."""
    named(api, "grader-07")
    for path, body in (("sites", {"site": "oberkies"}), ("crews", {"crew": "north"})):
        assert api.post(f"/v1/{path}", body).status_code == 200
    papers = {"site": "oberkies", "crew": "north", "housings": [{"housing": "main", "primary_part": "KG"}]}
    assert api.request("PATCH", "/v1/machines/grader-07/papers", json=papers).status_code == 200
    on = api.get("/v1/work").json()["before"]
    assert api.post("/v1/machines/grader-07/planned-change", {"on": on}).status_code == 200
    heading, row = csv.reader(io.StringIO(api.get("/fleet.csv").content.decode("utf-8-sig")))
    assert heading[0] == "machine"
    assert row[17:21] == ["oberkies", "north", on, "KG"]
    assert row[21].startswith("Planned for")


# ---------------------------------------------------------------- words


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_code_of_the_analysis_has_words(language: str) -> None:
    known = table(language)
    several = {"flow_scaled", "quiet", "devices_apart", "entry_not_seen_yet", "look_gauge"}
    codes = {*EVIDENCE, *SUSPICIONS, *ENTRIES, *ADVICE}
    assert [code for code in codes - several if f"said.{code}" not in known] == []
    assert [code for code in several if not any(key.startswith(f"said.{code}_") for key in known)] == []
    assert [cause for cause in CAUSE_FORMS if f"said.cause.{cause}" not in known] == []
    assert [because for because in SILENCE_FORMS if f"said.silence.{because}" not in known] == []
    assert [code for code in ADVICE if f"fleet.next.{code}" not in known] == []
    assert [s for s in STATE_FORMS if f"state.{s}" not in known] == []


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_page_speaks_the_language_of_the_reader(api: Api, language: str) -> None:
    named(api, "grader-07")
    assert str(table(language)["fleet.title"]) in page_of(api, **{"Accept-Language": language})


@pytest.mark.parametrize("sends", [{"restriction": None}, {"restriction": None, "engine_speed": 1800.0}])
def test_a_monitor_that_sends_without_restriction_is_not_shown_as_of_now(
    api: Api, sends: dict[str, float | None]
) -> None:
    """The transducer is dead, the monitor is not: the element is not said to be in service."""
    api.register()
    start_us = api.clock.now_us
    sound = {"restriction": 3.0, "engine_speed": 1800.0}
    minutes = [day * 1440 + minute for day in range(4) for minute in range(0, 480, 10)]
    readings = [
        {"at": instant_text(start_us + m * 60_000_000), **(sound if m < 1440 else sends)} for m in minutes
    ]
    api.clock.now_us = start_us + (minutes[-1] + 1) * 60_000_000
    units = {"restriction": "kPa", "engine_speed": "r/min"}
    api.send({"device": DEVICE, "units": units, "readings": readings})
    api.analyse()
    [known] = api.get("/v1/fleet").json()["housings"]
    assert (known["state"], [s["cause"] for s in known["suspicions"]]) == ("suspect", ["no_restriction"])
    assert known["restriction_at"] < instant_text(start_us + 86_400_000_000)
    is_empty = "engine_speed" not in sends
    assert (known["last_reading_at"] == known["restriction_at"]) is is_empty
    page = page_of(api, **{"Accept-Language": "en"})
    assert "last, on " in page
    assert '<span class="aside">now </span>' not in page
    assert "Restriction was last read on" in page_of(api, "/machines/grader-07", **{"Accept-Language": "en"})
