"""The work list as a page: prints what the route says, takes ticks once, moves machines between days."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.analysis.assessment import Judge
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_fleet import working_hours
from tests.contract.test_api_shop import MACHINE, ask
from tests.contract.test_api_work import loaded
from tests.support.serving import Api, bearer, in_process

HOSTILE = "<script>alert(1)</script>‮🚜" + "W" * 64
CSV_OF_HOSTILE = '"=HYPERLINK(""http://x"")"'


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        yield running


def page(api: Api, path: str = "/work-list", **headers: str) -> str:
    response = api.get(path, key="planner", headers=headers)
    assert response.status_code == 200, response.text
    return response.text


def send(api: Api, path: str, **fields: Any) -> Any:
    """A form as a browser sends it; `/` in names by `__`."""
    named = {name.replace("__", "/"): value for name, value in fields.items()}
    return api.request("POST", path, key="planner", data=named)


def ticks(html: str) -> list[str]:
    """What the boxes of a page send."""
    return re.findall(r'name="done" value="([^"]+)"', html)


def entries(api: Api) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = ask(api, "GET", f"{MACHINE}/element-changes")["element_changes"]
    return found


def test_a_tick_is_an_entry_with_meter_and_gauge_and_comes_once(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    fields = {"done": tick, "what/grader-07/main": "new", "meter/grader-07/main": "8120,5"}
    fields |= {"gauge/grader-07/main": "6.4", "unit/grader-07/main": "kPa"}
    for _ in range(2):  # a resend, perhaps much later
        sent = api.request("POST", "/work-list/done", key="planner", data=fields)
        assert (sent.status_code, sent.headers["location"]) == (303, "/work-list?sent=1#done")
        api.clock.advance(30)
    [entry] = entries(api)
    assert (entry["what"], entry["verdict"], entry["meter_hours"]) == ("new", "not_seen_yet", 8120.5)
    assert entry["gauge"]["restriction_pa"] == pytest.approx(6400)
    assert 'role="status"' in page(api, "/work-list?sent=1")
    html = page(api)
    assert "Entered in the last three days" in html
    assert "Too few working hours" in html  # the verdict of the data


@pytest.mark.parametrize("path", ["/work-list", "/v1/work", "/v1/digest"])
def test_the_fleet_is_judged_once(api: Api, monkeypatch: pytest.MonkeyPatch, path: str) -> None:
    """The page judged it a second time for the days of the plan of visits, the digest for its questions."""
    loaded(api, rise_kpa=0.08)
    assert api.get("/v1/visit-plan", key="planner").json()["visits"]
    judged, views = list[int](), Judge.views

    def counted(judge: Judge, housings: Any, **more: Any) -> Any:
        judged.append(len(housings))
        return views(judge, housings, **more)

    monkeypatch.setattr(Judge, "views", counted)
    answer = api.get(path, key="planner")
    assert (answer.status_code, judged) == (200, [1])
    if path == "/work-list":
        assert str(table("en")["work.day"]) in answer.text


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_part_that_is_ordered_after_the_list_is_not_to_be_ordered_yet(api: Api, language: str) -> None:
    """Only a day stood under "To order", without pieces."""
    loaded(api, rise_kpa=0.08)
    api.register("grader-08-intake", "grader-08")
    own = {"device": "grader-08-intake", "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"}
    key = api.post("/v1/keys", {"role": "device", "devices": ["grader-08-intake"]}).json()["key"]
    body = working_hours(60, rise_kpa=0.03) | own
    assert api.post("/v1/readings", body, key=None, headers=bearer(key)).status_code == 200
    api.analyse()
    papers = {"housings": [{"housing": "main", "primary_part": "KG-0715"}]}
    ask(api, "PATCH", "/v1/machines/grader-08/papers", papers)
    ask(api, "POST", "/v1/machines/grader-08/planned-change", {"on": "2026-02-26"})
    ask(api, "POST", "/v1/parts", {"part": "KG-0715", "stock": [{"site": "oberkies", "pieces": 1}]})
    [part] = ask(api, "GET", "/v1/work", before="2026-02-24")["parts"]
    assert (part["to_order"], part["order_by"]) == (0, "2026-02-26")
    html = page(api, "/work-list?before=2026-02-24", **{"Accept-Language": language})
    assert str(table(language)["work.order_next"]).partition("{")[0] in html


def test_a_tick_that_is_refused_keeps_its_fields_and_says_why(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    ask(api, "POST", f"{MACHINE}/meter-readings", {"at": "2026-02-21T06:00:00Z", "meter_hours": 8000.0})
    [tick] = ticks(page(api))
    for written in ("many", "7000", "8,120", "8.120"):
        fields = {"done": tick, "what/grader-07/main": "new", "meter/grader-07/main": written}
        refused = api.request("POST", "/work-list/done", key="planner", data=fields)
        assert refused.status_code == 422
        assert f'name="meter/grader-07/main" value="{written}"' in refused.text
        assert " checked" in refused.text
        assert 'role="alert"' in refused.text
    assert entries(api) == []


def test_the_list_reads_an_hour_meter_as_the_page_visit_does(api: Api) -> None:
    """“8.120,5” was taken on one page and no number on the other."""
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    fields = {"done": tick, "what/grader-07/main": "new", "meter/grader-07/main": "-5"}
    refused = api.request("POST", "/work-list/done", key="planner", data=fields)
    assert refused.status_code == 422
    assert "“-5” is below zero" in refused.text
    assert "is no number" not in refused.text
    taken = fields | {"meter/grader-07/main": "8.120,5 h", "gauge/grader-07/main": "1,2 kPa"}
    assert api.request("POST", "/work-list/done", key="planner", data=taken).status_code == 303
    [meter] = api.get("/v1/machines/grader-07/meter-readings").json()["meter_readings"]
    assert meter["meter_hours"] == 8120.5


def test_what_was_written_in_a_row_without_a_tick_stays_and_is_said(api: Api) -> None:
    """The fields were empty again, nothing was kept, and there was no word of it."""
    loaded(api, rise_kpa=0.08)
    html = page(api)
    chosen = re.findall(r'<option value="(2026-[^"]+)"', html.partition('id="on/grader-07/main"')[2])[-1]
    fields = {"meter/grader-07/main": "8120.5", "gauge/grader-07/main": "6.4", "on/grader-07/main": chosen}
    refused = api.request("POST", "/work-list/done", key="planner", data=fields)
    assert refused.status_code == 422
    assert "Not ticked, so nothing was entered" in refused.text
    assert "Press Move in its row" in refused.text
    assert 'name="meter/grader-07/main" value="8120.5"' in refused.text
    assert f'<option value="{chosen}" selected' in refused.text
    assert entries(api) == []
    fields = {"what/grader-07/main": "new", "meter/grader-07/main": "", "back": "/work-list"}
    empty = api.request("POST", "/work-list/done", key="planner", data=fields)
    assert "No row was ticked" in empty.text


def test_a_row_leads_to_its_machine(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    row = page(api).partition('class="sheet-row"')[2].partition("</th>")[0]
    assert '<a href="/machines/grader-07">' in row


def test_a_refused_tick_names_every_field_that_is_wrong(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    fields = {"done": tick, "what/grader-07/main": "new", "meter/grader-07/main": "abc"}
    fields |= {"gauge/grader-07/main": "xyz"}
    refused = api.request("POST", "/work-list/done", key="planner", data=fields).text
    said = re.sub("<[^>]+>", "", refused.partition("autofocus data-refused")[2].partition("</div>")[0])
    assert "grader-07: It was not taken. Meter: “abc” is no number" in said
    assert "grader-07: It was not taken. Gauge: “xyz” is no number" in said


@pytest.mark.parametrize("language", LANGUAGES)
def test_of_two_ticks_the_one_that_was_taken_is_said_beside_the_other(api: Api, language: str) -> None:
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    housing = tick.rpartition("/")[0]
    other = f"grader-07/none/{tick.rpartition('/')[2]}x"
    fields = {"done": [tick, other], f"what/{housing}": "new", "what/grader-07/none": "new"}
    asked = {"Accept-Language": language}
    sent = api.request("POST", "/work-list/done", key="planner", data=fields, headers=asked)
    assert sent.status_code == 422
    assert table(language)["work.sent"]["one"] in sent.text  # type: ignore[index]
    assert table(language)["work.faults"]["one"] in sent.text  # type: ignore[index]


def test_a_meter_that_cannot_be_is_refused_with_the_figures_it_was_compared_with(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    fields = {"done": tick, "what/grader-07/main": "new", "meter/grader-07/main": "12"}
    refused = api.request("POST", "/work-list/done", key="planner", data=fields)
    assert refused.status_code == 422
    assert re.search(r"12\.0 h are fewer than the \d+ h", refused.text)


def test_where_a_tick_leads_says_how_many_were_taken_once(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    fields = {"done": tick, "what/grader-07/main": "new", "back": "/work-list?sent=3&crew="}
    sent = api.request("POST", "/work-list/done", key="planner", data=fields)
    assert sent.headers["location"] == "/work-list?crew=&sent=1#done"


def test_a_tick_that_became_a_question_says_so_and_leads_there(api: Api) -> None:
    """A year too early: no reading is of that day."""
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    fields = {"done": tick, "what/grader-07/main": "new", "changed_at": "2025-02-22T10:00"}
    sent = api.request("POST", "/work-list/done", key="planner", data=fields)
    assert sent.headers["location"] == "/work-list?sent=1&question=grader-07%2Fmain#done"
    said = page(api, sent.headers["location"].partition("#")[0])
    assert str(table("en")["work.as_question"]) in said
    assert said.count('href="/machines/grader-07#question"') == 2  # what was sent, and the row
    assert str(table("en")["work.as_question"]) not in page(api, "/work-list?question=other/main&question=x")


def test_the_hour_of_the_work_is_that_of_the_viewer(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    fields = {"done": tick, "what/grader-07/main": "new", "changed_at": "2026-02-22T12:30"}
    cookie = {"Cookie": "zone=Europe/Vienna"}
    sent = api.request("POST", "/work-list/done", key="planner", data=fields, headers=cookie)
    assert sent.status_code == 303
    assert entries(api)[0]["changed_at"] == "2026-02-22T11:30:00Z"


def test_a_row_has_a_time_of_its_own_beside_that_of_the_list(api: Api) -> None:
    """A paper list of a week is sent at once, each row as it was done."""
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    fields = {"done": tick, "what/grader-07/main": "new", "changed_at": "2026-02-22T12:30"}
    wrong = fields | {"changed_at/grader-07/main": "noon"}
    refused = api.request("POST", "/work-list/done", key="planner", data=wrong)
    assert (refused.status_code, 'value="noon"' in refused.text) == (422, True)
    own = fields | {"changed_at/grader-07/main": "2026-02-21T06:00"}
    assert api.request("POST", "/work-list/done", key="planner", data=own).status_code == 303
    assert [entry["changed_at"] for entry in entries(api)] == ["2026-02-21T06:00:00Z"]


def test_a_machine_is_moved_to_another_day_and_back(api: Api) -> None:
    loaded(api, rise_kpa=0.03)
    html = page(api)
    assert "given away" in html  # what a day costs stands beside it
    moved = {"move": "grader-07/main", "on/grader-07/main": "2026-02-26"}
    assert (
        api.request("POST", "/work-list/move", key="planner", data=moved).headers["location"]
        == "/work-list#grader-07"
    )
    [job] = ask(api, "GET", "/v1/work")["jobs"]
    assert (job["day"], job["reason"]) == ("2026-02-26", "planned")
    ask(api, "POST", "/v1/machines/grader-07/planned-change", {"on": "2026-02-26", "note": "crane is booked"})
    planned = ask(api, "GET", "/v1/work")["jobs"][0]["planned"]
    assert f'value="grader-07/main/{planned["planned_at"]}"' in page(api)
    later = {"move": f"grader-07/main/{planned['planned_at']}", "on/grader-07/main": "2026-02-25"}
    assert api.request("POST", "/work-list/move", key="planner", data=later).status_code == 303
    assert ask(api, "GET", "/v1/work")["jobs"][0]["planned"]["note"] == "crane is booked"
    back = moved | {"on/grader-07/main": ""}
    assert api.request("POST", "/work-list/move", key="planner", data=back).status_code == 303
    assert ask(api, "GET", "/v1/work")["jobs"][0]["reason"] == "early_date"
    for wrong in ({"move": "nowhere/main", "on/nowhere/main": "2026-02-26"}, {"move": ""}):
        assert api.request("POST", "/work-list/move", key="planner", data=wrong).status_code in (404, 422)


def test_a_plan_that_passed_is_asked_about_on_the_fleet_and_on_the_list(api: Api) -> None:
    loaded(api, rise_kpa=0.005)
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": "2026-02-23"})
    assert "Change planned for Mon 23 Feb" in page(api, "/fleet")
    api.clock.advance(2 * 86_400)
    for path, words in (("/fleet", "Planned for Mon 23 Feb"), ("/work-list", "restriction did not fall")):
        assert words in page(api, path)
    assert len(ticks(page(api))) == 1


def test_no_tick_leads_away_from_our_pages(api: Api) -> None:
    """OWASP: unvalidated redirects."""
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    for back in ("https://example.com/", "//example.com", "/\\example.com"):
        fields = {"back": back, "done": tick, "what/grader-07/main": "new"}
        sent = api.request("POST", "/work-list/done", key="planner", data=fields)
        assert sent.headers["location"] == "/?sent=1#done"


def test_a_hostile_name_is_text_on_every_page_of_the_shop(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    name = HOSTILE.replace("‮", "")  # a direction mark is not printable and refused as a name
    assert api.request("PATCH", MACHINE, json={"display_name": name}).status_code == 200
    ask(api, "POST", "/v1/sites", {"site": "oberkies", "display_name": name})
    ask(api, "POST", "/v1/parts", {"part": name[:64], "description": name[:90]})
    housing = {"housing": "main", "primary_part": name[:64]}
    service = {"service": name, "on": "2026-02-23"}
    ask(api, "PATCH", f"{MACHINE}/papers", {"housings": [housing], "next_service": service})
    plan = {"on": "2026-02-24", "note": name, "confirmed_because": "booked"}
    ask(api, "POST", f"{MACHINE}/planned-change", plan)
    for path in ("/work-list", "/shop", "/machines/grader-07/papers"):
        html = page(api, path)
        assert "<script>alert" not in html
        assert "&lt;script&gt;alert" in html


def test_pages_are_written_in_the_language_of_the_reader(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    for path, words in (("/work-list", "Arbeitsliste"), ("/shop", "Werkstatt")):
        assert f"<h1>{words}</h1>" in page(api, path, **{"Accept-Language": "de"})


def test_an_empty_list_says_so_and_lists_no_table(api: Api) -> None:
    assert "No element is due before" in page(api)


def test_what_stands_on_a_later_day_is_named_on_the_page_with_day_and_chance(api: Api) -> None:
    loaded(api, rise_kpa=0.04)
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": "2026-03-05", "confirmed_because": "booked"})
    for language, words in (("en", "planned for Thu 5 Mar by"), ("de", "geplant für Do. 5. März von")):
        html = page(api, **{"Accept-Language": language})
        assert 'href="/machines/grader-07"' in html
        assert words in html


@pytest.mark.parametrize("language", LANGUAGES)
def test_what_stands_on_a_later_day_counts_in_the_headline_with_a_link(api: Api, language: str) -> None:
    loaded(api, rise_kpa=0.04)
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": "2026-03-05", "confirmed_because": "booked"})
    statement = (
        page(api, **{"Accept-Language": language}).partition('class="statement"')[2].partition("</p>")[0]
    )
    words = table(language)["work.later_count"]
    assert not isinstance(words, str)
    assert '<a href="#later">' + words["one"].partition("{")[0] in statement


@pytest.mark.parametrize("language", LANGUAGES)
def test_the_headline_counts_rows_without_part_or_site(api: Api, language: str) -> None:
    loaded(api, rise_kpa=0.08)
    bare = {"site": None, "housings": [{"housing": "main", "primary_part": None}]}
    ask(api, "PATCH", f"{MACHINE}/papers", bare)
    statement = page(api, **{"Accept-Language": language}).partition('class="statement"')[2]
    for key in ("work.no_part_count", "work.no_site_count"):
        words = table(language)[key]
        assert not isinstance(words, str)
        assert words["one"] in statement.partition("</p>")[0]


def test_list_and_plan_say_one_sentence_of_a_service(api: Api) -> None:
    loaded(api, rise_kpa=0.04)
    likely = ask(api, "GET", "/v1/work")["jobs"][0]["due_at"]["p50"][:10]
    ask(api, "PATCH", f"{MACHINE}/papers", {"next_service": {"service": "500 h service", "on": likely}})
    sentences = [
        re.findall(r"May not last until[^<]*<", page(api, path)) for path in ("/work-list", "/visit-plan")
    ]
    assert sentences[0] == sentences[1] != []


@pytest.mark.parametrize("language", LANGUAGES)
def test_readings_that_came_late_say_when_they_were_measured(api: Api, language: str) -> None:
    """They came an hour after they were taken."""
    loaded(api)
    words, asked = table(language), {"Accept-Language": language}
    assert str(words["fleet.measured_received"]).partition("{")[0] in page(api, "/fleet", **asked)
    assert f"<dt>{words['machine.last_measured']}</dt>" in page(api, "/machines/grader-07", **asked)


def test_a_tick_is_taken_back_on_the_list_and_once(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    [tick] = ticks(page(api))
    fields = {"done": tick, "what/grader-07/main": "new", "back": "/work-list?site=oberkies"}
    assert api.request("POST", "/work-list/done", key="planner", data=fields).status_code == 303
    html = page(api, "/work-list?site=oberkies")
    form = html.split('action="/work-list/taken-back"')[1].split("</form>")[0]
    back = dict(re.findall(r'name="([^"]+)" value="([^"]*)"', form))
    for _ in range(2):  # pressed twice
        sent = api.request("POST", "/work-list/taken-back", key="planner", data=back)
        where = "/work-list?site=oberkies&taken_back=true#done"
        assert (sent.status_code, sent.headers["location"]) == (303, where)
        assert entries(api) == []
    for language, words in (("en", "It was taken back"), ("de", "Es wurde zurückgenommen")):
        assert words in page(api, "/work-list?taken_back=true", **{"Accept-Language": language})


def test_after_a_refused_tick_the_list_is_that_of_the_same_site(api: Api) -> None:
    loaded(api, rise_kpa=0.08)
    html = page(api, "/work-list?site=oberkies&before=2026-02-26")
    fields = dict(re.findall(r'name="((?:back|asked_)[^"]*)" value="([^"]*)"', html))
    tick = {"done": ticks(html)[0], "what/grader-07/main": "new", "meter/grader-07/main": "many"}
    refused = api.request("POST", "/work-list/done", key="planner", data=fields | tick)
    assert refused.status_code == 422
    assert 'name="back" value="/work-list?before=2026-02-26&amp;site=oberkies"' in refused.text
    again = dict(re.findall(r'name="((?:back|asked_)[^"]*)" value="([^"]*)"', refused.text))
    again["back"] = again["back"].replace("&amp;", "&")
    sent = api.request(
        "POST", "/work-list/done", key="planner", data=again | tick | {"meter/grader-07/main": ""}
    )
    assert sent.headers["location"] == "/work-list?before=2026-02-26&site=oberkies&sent=1#done"


def test_a_move_after_somebody_elses_stays_on_the_list_with_what_was_entered(api: Api) -> None:
    loaded(api, rise_kpa=0.03)
    [tick] = ticks(page(api))
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": "2026-02-25"})
    for target in ("2026-02-26", ""):  # to another day, and back to the day of the forecast
        fields = {"move": "grader-07/main/none", "on/grader-07/main": target, "asked_site": "oberkies"}
        fields |= {"done": tick, "meter/grader-07/main": "8120,5"}
        for language, words in (("en", "planned it for Wed 25 Feb"), ("de", "für Mi. 25. Feb. geplant")):
            headers = {"Accept-Language": language}
            refused = api.request("POST", "/work-list/move", key="planner", data=fields, headers=headers)
            assert (refused.status_code, 'role="alert"' in refused.text) == (409, True)
            assert words in refused.text
            assert 'name="meter/grader-07/main" value="8120,5"' in refused.text
            assert 'name="asked_site" value="oberkies"' in refused.text
            assert refused.text.count(" checked") == 1
    assert '<option value="2026-02-25" selected' in refused.text
    [job] = ask(api, "GET", "/v1/work")["jobs"]
    assert job["planned"]["on"] == "2026-02-25"


def test_a_day_taken_back_after_somebody_elses_stays_on_the_page_of_the_machine(api: Api) -> None:
    loaded(api, rise_kpa=0.03)
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": "2026-02-25"})
    fields = {"housing": "main", "seen": "2026-01-01T00:00:00Z"}
    path = "/machines/grader-07/planned-day/taken-back"
    refused = api.request("POST", path, key="planner", data=fields)
    assert (refused.status_code, 'role="alert"' in refused.text) == (409, True)
    assert 'name="on" required min="2026-02-22" value="2026-02-25"' in refused.text


@pytest.mark.parametrize("language", LANGUAGES)
def test_another_day_has_its_cost_once_the_plan_of_visits_knows_it(api: Api, language: str) -> None:
    loaded(api, rise_kpa=0.03)
    ask(api, "POST", "/v1/planning-terms", {"currency": "EUR"})
    [visit] = ask(api, "GET", "/v1/visit-plan")["visits"]
    ask(api, "POST", f"{MACHINE}/planned-change", {"on": visit["day"]})
    before = {"before": "2026-04-20"}
    known = {"Accept-Language": language}
    path = f"/work-list?before={before['before']}"
    assert " EUR " not in page(api, path, **known), "it changed since, and the list makes no plan itself"
    [visit] = ask(api, "GET", "/v1/visit-plan")["visits"]
    [job] = ask(api, "GET", "/v1/work", **before)["jobs"]
    assert job["day"] == visit["day"]
    costs = re.findall(r"(?:: |, )(\d+) EUR (?:more|less|mehr|weniger)</option>", page(api, path, **known))
    expected = [f"{abs(m['more_cost']):.0f}" for m in visit["moves"] if m["day"] and m["day"] < "2026-04-20"]
    assert costs[: len(expected)] == expected


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_machine_over_its_limit_says_why_other_days_have_no_figures(api: Api, language: str) -> None:
    loaded(api, rise_kpa=0.08)
    html = page(api, **{"Accept-Language": language})
    assert str(table(language)["work.option_over"]) in html


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_day_that_cannot_hold_is_asked_about_on_the_list_and_confirmed_by_one_button(
    api: Api, language: str
) -> None:
    """As on the page of the machine; what is written elsewhere on the list stays."""
    loaded(api, rise_kpa=0.05)
    headers = {"Accept-Language": language}
    fields = {
        "move": "grader-07/main/none",
        "on/grader-07/main": "2026-03-14",
        "meter/grader-07/main": "8120",
    }

    def move(**more: str) -> Any:
        sent = fields | {name.replace("__", "/"): value for name, value in more.items()}
        return api.request("POST", "/work-list/move", key="planner", data=sent, headers=headers)

    asked = move()
    assert asked.status_code == 422
    assert str(table(language)["field.rule.planned_day_too_late"]).partition(": ")[2][:20] in asked.text
    assert 'name="plan_meant/grader-07/main" value="2026-03-14"' in asked.text
    assert 'form="jobs" formaction="/work-list/move" name="move" value="grader-07/main/none"' in asked.text
    assert 'value="8120"' in asked.text
    assert ask(api, "GET", "/v1/work")["jobs"][0]["planned"] is None
    assert move(**{"plan_meant/grader-07/main": "2026-03-13"}).status_code == 422, "another day was meant"
    assert move(**{"plan_meant/grader-07/main": "2026-03-14"}).status_code == 303
    [later] = ask(api, "GET", "/v1/work")["later"]
    assert later["day"] == "2026-03-14"


def test_a_program_is_asked_about_a_day_that_cannot_hold_and_says_why(api: Api) -> None:
    loaded(api, rise_kpa=0.05)
    ask(api, "POST", "/v1/planning-terms", {"working_days": "1234567", "days_off": ["2026-02-22"]})
    path = f"{MACHINE}/planned-change"
    for on, code in (
        ("2026-03-14", "too late"),
        ("2027-02-22", "too late"),
        ("2026-02-22", "no working day"),
    ):
        refused = api.post(path, {"on": on}, key="planner")
        [complaint] = refused.json()["errors"]
        assert (refused.status_code, complaint["pointer"]) == (422, "#/on")
        assert code in complaint["detail"]
        assert "confirmed_because" in complaint["detail"]
    past = {"on": "2026-02-20", "confirmed_because": "it was done then"}
    assert api.post(path, past, key="planner").status_code == 422, "no reason plans a day that is over"
    kept = ask(api, "POST", path, {"on": "2026-03-14", "confirmed_because": "the crew is booked"})
    assert kept["planned"]["on"] == "2026-03-14"
    again = ask(api, "POST", path, {"on": "2026-03-14", "note": "at the noon stop"})
    assert again["planned"]["note"] == "at the noon stop", "a day is asked about once"
    [line] = api.get("/v1/audit", params={"what": "planned_change", "limit": 2}).json()["entries"][1:]
    assert "the crew is booked" in line["detail"]
