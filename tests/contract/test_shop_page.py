"""What the shop knows, as pages: forms, a spreadsheet with preview and faults, the papers of a machine."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import pytest

from tests.contract.test_api_shop import MACHINE, ask, with_papers
from tests.support.serving import Api, in_process


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        yield running


def page(api: Api, path: str) -> str:
    response = api.get(path, key="planner")
    assert response.status_code == 200, response.text
    return response.text


def send(api: Api, path: str, fields: dict[str, Any], **more: Any) -> Any:
    return api.request("POST", path, key="planner", data=fields, **more)


def test_sites_crews_and_parts_are_entered_by_forms(api: Api) -> None:
    for path, fields in (
        ("/shop/site", {"site": "oberkies", "site_name": "Oberkies"}),
        ("/shop/crew", {"crew": "early-shift", "crew_name": ""}),
        ("/shop/part", {"part": "KG-0715", "lead_time_days": "3", "stock_site": "oberkies", "pieces": "4"}),
    ):
        sent = send(api, path, fields)
        assert (sent.status_code, sent.headers["location"]) == (303, "/shop")
    shop = ask(api, "GET", "/v1/shop")
    assert shop["parts"][0]["stock"] == [{"site": "oberkies", "pieces": 4}]
    assert shop["crews"] == [{"crew": "early-shift", "display_name": None}]
    html = page(api, "/shop")
    assert "Oberkies" in html
    assert "KG-0715" in html


def test_one_machine_is_added_by_a_form_that_its_missing_page_leads_to(api: Api) -> None:
    send(api, "/shop/site", {"site": "oberkies"})
    for path in ("/visit/bagger-31", "/machines/bagger-31"):
        missing = api.get(path, key="planner")
        assert missing.status_code == 404
        assert 'href="/shop?machine=bagger-31#new-machine"' in missing.text
    form = page(api, "/shop?machine=bagger-31").partition('id="new-machine"')[2]
    assert 'name="machine" maxlength="64" value="bagger-31"' in form
    fields = {"machine": "bagger-31", "machine_called": "Bagger 31", "machine_kind": "excavator"}
    fields |= {"machine_site": "oberkies", "limit": "6,2", "limit_unit": "kPa"}
    sent = send(api, "/shop/machine", fields)
    assert (sent.status_code, sent.headers["location"]) == (303, "/machines/bagger-31/papers")
    known = ask(api, "GET", "/v1/machines/bagger-31")
    assert (known["display_name"], known["kind"], known["site"]) == ("Bagger 31", "excavator", "oberkies")
    [housing] = known["housings"]
    assert housing["terminal_restrictions"][0]["restriction_pa"] == pytest.approx(6200)
    again = send(api, "/shop/machine", fields | {"machine_kind": "loader"})
    assert again.status_code == 422
    assert 'value="loader"' in again.text
    assert ask(api, "GET", "/v1/machines/bagger-31")["kind"] == "excavator"


@pytest.mark.parametrize("wrong", [{"machine": "Bagger 31"}, {"limit": "6,2"}, {"machine_site": "nowhere"}])
def test_a_machine_that_does_not_fit_is_not_added(api: Api, wrong: dict[str, str]) -> None:
    assert send(api, "/shop/machine", {"machine": "bagger-31"} | wrong).status_code == 422
    assert ask(api, "GET", "/v1/machines")["machines"] == []


def test_who_may_not_add_a_machine_reads_who_does(api: Api) -> None:
    missing = api.get("/visit/bagger-31", key="integrator")
    assert missing.status_code == 404
    assert "on the page Shop" in missing.text
    assert "#new-machine" not in missing.text


@pytest.mark.parametrize(
    ("path", "fields"),
    [
        ("/shop/site", {"site": "Ober Kies"}),
        ("/shop/part", {"part": "KG", "lead_time_days": "soon"}),
        ("/shop/part", {"part": "KG", "stock_site": "nowhere", "pieces": "1"}),
    ],
)
def test_what_cannot_be_kept_stays_in_its_field_and_says_why(
    api: Api, path: str, fields: dict[str, str]
) -> None:
    refused = send(api, path, fields)
    assert refused.status_code == 422
    assert 'role="alert"' in refused.text
    name, value = next(iter(fields.items()))
    assert re.search(rf'name="{name}"[^>]* value="{value}"', refused.text)
    assert ask(api, "GET", "/v1/shop") == {"sites": [], "crews": [], "parts": []}


@pytest.mark.parametrize(
    ("noun", "slip", "language", "said"),
    [
        ("site", "Oberkies", "en", "There is “oberkies” here already"),
        ("crew", "Oberkies", "de", "Es gibt hier schon „oberkies“"),
        ("part", "Oberkies", "de", "Es gibt hier schon „oberkies“"),
    ],
)
def test_a_name_that_is_there_but_for_its_capital_letters_is_asked_about_at_its_field(
    api: Api, noun: str, slip: str, language: str, said: str
) -> None:
    assert send(api, f"/shop/{noun}", {noun: "oberkies"}).status_code == 303
    refused = send(api, f"/shop/{noun}", {noun: slip}, headers={"Accept-Language": language})
    assert refused.status_code == 422
    assert said in unescape(refused.text)
    assert re.search(rf'name="{noun}"[^>]* value="{slip}" aria-invalid="true"', refused.text)


def upload(api: Api, content: bytes, what: str = "machines") -> Any:
    return send(api, "/shop/import", {"what": what}, files={"file": ("fleet.csv", content, "text/csv")})


def test_a_spreadsheet_is_previewed_and_then_taken_as_it_was_previewed(api: Api) -> None:
    content = '\ufeffmachine;site;display_name\ngrader-07;oberkies;"a ""b""; <c>"\n'.encode()
    preview = upload(api, content)
    assert preview.status_code == 200
    assert "oberkies" in preview.text
    assert api.get("/v1/machines").json()["machines"] == []
    kept = re.search(r'name="text" value="([^"]*)"', preview.text)
    assert kept is not None
    sent = {"what": "machines", "text": unescape(kept[1]), "take": "yes", "new_ones": "site/oberkies"}
    done = send(api, "/shop/import", sent)
    assert (done.status_code, done.headers["location"]) == (303, "/shop/spreadsheets/1")
    [machine] = api.get("/v1/machines").json()["machines"]
    assert (machine["site"], machine["display_name"]) == ("oberkies", 'a "b"; <c>')


def test_equal_faults_of_a_file_are_shown_once_with_how_many_there_are(api: Api) -> None:
    rows = "".join(f"a{n},x,kPa\n" for n in range(20))
    refused = upload(api, f"machine,limit,limit_unit\n{rows}b,6,Bar\n".encode())
    assert refused.status_code == 422
    assert refused.text.count('scope="row"') == 2
    assert "The same in 19 more rows." in refused.text


def ticks_asked(html: str) -> list[str]:
    """What each box for something new sends."""
    return re.findall(r'name="new_ones" value="([^"]+)" required', html)


def test_what_people_call_a_site_leads_to_its_code_not_to_the_name_of_the_machine(api: Api) -> None:
    site = {"site": "oberkies", "display_name": "Oberkies, obere Grube"}
    api.post("/v1/sites", site, key="planner").raise_for_status()
    content = b'machine,site\ngrader-07,"Oberkies, obere Grube"\ngrader-08,Neue Halde\n'
    faults = api.request(
        "POST",
        "/v1/machines.csv?preview=true",
        key="planner",
        content=content,
        headers={"Content-Type": "text/csv"},
    ).json()["faults"]
    assert [(f["code"], f["values"].get("likely")) for f in faults] == [
        ("group_name_near", "oberkies"),
        ("group_name_not_valid", None),
    ]
    for language in ("en", "de"):
        html = api.request(
            "POST",
            "/shop/import",
            key="planner",
            data={"what": "machines"},
            files={"file": ("f.csv", content, "text/csv")},
            headers={"Accept-Language": language},
        ).text
        assert "display_name" not in html
        assert "oberkies" in html.split("Oberkies, obere Grube")[1]


def test_a_site_that_is_new_is_made_only_when_somebody_says_so(api: Api) -> None:
    api.post("/v1/sites", {"site": "oberkies"}, key="planner").raise_for_status()
    content = b"machine,site,crew\ngrader-07,oberkis,early\n"
    preview = upload(api, content)
    assert "<bdi>oberkis</bdi>" in preview.text
    assert "nearest that exists: oberkies" in preview.text
    assert ticks_asked(preview.text) == ["site/oberkis", "crew/early"]
    given = {"what": "machines", "text": content.decode(), "take": "yes"}
    asked = send(api, "/shop/import", given)
    assert asked.status_code == 422
    assert 'role="alert"' in asked.text
    assert api.get("/v1/machines").json()["machines"] == []
    one_only = send(api, "/shop/import", given | {"new_ones": "crew/early"})
    assert (one_only.status_code, one_only.text.count(" checked")) == (422, 1)
    assert ask(api, "GET", "/v1/shop")["crews"] == [], "a typo beside a real new one makes neither"
    both = given | {"new_ones": ["site/oberkis", "crew/early"]}
    assert send(api, "/shop/import", both).status_code == 303
    shop = ask(api, "GET", "/v1/shop")
    assert [site["site"] for site in shop["sites"]] == ["oberkies", "oberkis"]


@pytest.mark.parametrize(
    ("language", "said"),
    [
        ("en", "written the same but for capital letters"),
        ("de", "schreibt sich bis auf Groß- und Kleinbuchstaben"),
    ],
)
def test_a_machine_of_a_file_that_is_there_but_for_capital_letters_is_taken_only_when_ticked(
    api: Api, language: str, said: str
) -> None:
    api.register()
    content = b"machine\nGrader-07\n"
    given = {"what": "machines", "text": content.decode(), "take": "yes"}
    heard = {"Accept-Language": language}
    asked = send(api, "/shop/import", given, headers=heard)
    assert asked.status_code == 422
    assert said in unescape(asked.text)
    assert ticks_asked(asked.text) == ["machine/Grader-07"]
    assert len(api.get("/v1/machines").json()["machines"]) == 1
    assert send(api, "/shop/import", given | {"new_ones": "machine/Grader-07"}).status_code == 303
    assert len(api.get("/v1/machines").json()["machines"]) == 2


def test_each_fault_of_a_spreadsheet_stands_in_a_row_and_nothing_can_be_taken(api: Api) -> None:
    content = b"machine,service_on,retired\ngrader-07,4.12.2026,perhaps\n<b>,,\n"
    faulty = upload(api, content)
    assert faulty.status_code == 422
    assert faulty.text.count('<tr role="row">') == 4  # the head and three faults
    assert "&lt;b&gt;" in faulty.text
    assert 'name="take"' not in faulty.text
    taken = send(api, "/shop/import", {"what": "machines", "text": content.decode(), "take": "yes"})
    assert taken.status_code == 422
    assert api.get("/v1/machines").json()["machines"] == []


def test_the_files_of_the_page_are_those_of_the_routes(api: Api) -> None:
    api.register()
    for name in ("machines.csv", "parts.csv", "machines.csv?separator=semicolon"):
        assert api.get(f"/shop/{name}", key="planner").content == api.get(f"/v1/{name}").content


def fields_of(html: str) -> dict[str, str]:
    """What the form of the papers sends when nothing is changed."""
    form = html.partition('action="/machines/')[2].partition("</form>")[0]
    found = {n: unescape(v) for n, v in re.findall(r'<input[^>]* name="([^"]+)"[^>]* value="([^"]*)"', form)}
    for name, options in re.findall(r'<select[^>]* name="([^"]+)">(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', options)
        found[name] = chosen[1] if chosen else ""
    return found


def test_papers_that_are_kept_unchanged_change_nothing_and_an_emptied_field_takes_away(api: Api) -> None:
    with_papers(api)
    service = {"service": "first", "meter_hours": 120.125, "on": "2026-12-04"}
    papers = ask(api, "PATCH", f"{MACHINE}/papers", {"next_service": service})
    fields = fields_of(page(api, "/machines/grader-07/papers"))
    sent = send(api, "/machines/grader-07/papers", fields)
    assert (sent.status_code, sent.headers["location"]) == (303, "/machines/grader-07/papers?kept=yes")
    assert ask(api, "PATCH", f"{MACHINE}/papers", {}) == papers
    emptied = fields | {"crew": "", "service_on": "", "primary_part/main": ""}
    send(api, "/machines/grader-07/papers", emptied)
    after = ask(api, "PATCH", f"{MACHINE}/papers", {})
    assert (after["crew"], after["next_service"]["on"]) == (None, None)
    assert after["housings"][0]["primary_part"] is None
    assert after["site"] == "oberkies"


def test_the_meter_is_entered_with_the_papers_once(api: Api) -> None:
    api.register()
    fields = fields_of(page(api, "/machines/grader-07/papers")) | {"meter_hours": "8120,5"}
    for _ in range(2):
        assert send(api, "/machines/grader-07/papers", fields).status_code == 303
    [reading] = ask(api, "GET", f"{MACHINE}/meter-readings")["meter_readings"]
    assert reading["meter_hours"] == 8120.5


@pytest.mark.parametrize("hours", ["8,120", "8.120", "1.234.567", "-1", "1e5", "nan"])
def test_hours_that_may_be_meant_otherwise_are_refused(api: Api, hours: str) -> None:
    api.register()
    fields = fields_of(page(api, "/machines/grader-07/papers")) | {"meter_hours": hours}
    assert send(api, "/machines/grader-07/papers", fields).status_code == 422
    assert ask(api, "GET", f"{MACHINE}/meter-readings")["meter_readings"] == []


def test_papers_that_cannot_be_say_so_and_keep_what_was_entered(api: Api) -> None:
    with_papers(api)
    fields = fields_of(page(api, "/machines/grader-07/papers"))
    refused = send(api, "/machines/grader-07/papers", fields | {"most_cleanings/main": "many"})
    assert refused.status_code == 422
    assert 'name="most_cleanings/main"' in refused.text
    assert 'value="many"' in refused.text
    both = fields | {"crew": "", "meter_hours": "many"}
    assert send(api, "/machines/grader-07/papers", both).status_code == 422
    assert ask(api, "PATCH", f"{MACHINE}/papers", {})["crew"] == "early-shift"  # nothing was half kept


def test_meter_and_gauge_go_with_an_entry_on_the_machines_page(api: Api) -> None:
    api.register()
    fields = {"what": "new", "day": "2026-03-01", "time": "12:00", "entry_id": "e-1"}
    fields |= {"meter": "8120,5", "gauge": "6.4", "gauge_unit": "kPa"}
    assert send(api, "/machines/grader-07/entries", fields).status_code == 303
    [change] = ask(api, "GET", f"{MACHINE}/element-changes")["element_changes"]
    assert (change["meter_hours"], change["gauge"]["restriction_pa"]) == (8120.5, 6400)
    refused = send(api, "/machines/grader-07/entries", fields | {"entry_id": "e-2", "meter": "8,120"})
    assert refused.status_code == 422
    assert 'value="8,120"' in refused.text
