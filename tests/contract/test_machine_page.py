"""The machine page: what its twins answer, in words; entries as forms, with the verdict of the data."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from babel import Locale

from cleanside.gateway.wire import instant_text
from cleanside.ingest.cautions import CAUTIONS
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.machine_page import share_range
from cleanside.ingest.console.machine_plot import weeks_of
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import table
from tests.contract.test_api_element_changes import register_a_fall
from tests.contract.test_api_fleet import (
    START,
    register_worked,
    set_hours_in,
    without_an_element,
    working_hours,
)
from tests.support.serving import Api, batch, in_process

MACHINE = "/machines/grader-07"
ENTRIES = f"{MACHINE}/entries"
FORMATS = Formats(Locale.parse("en"), ZoneInfo("UTC"), 1_772_442_000.0)


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        running.register()
        yield running


def entries(api: Api) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = api.get(f"/v1{MACHINE}/element-changes").json()["element_changes"]
    return found


def form(**given: str) -> dict[str, str]:
    return {"housing": "main", "what": "new", "day": "2026-03-01", "time": "10:30", "note": ""} | given


def send(
    api: Api, fields: dict[str, str], *, path: str = ENTRIES, key: str = "planner", **headers: str
) -> Any:
    return api.request("POST", path, key=key, data=fields, headers=headers)


def test_a_machine_without_readings_says_what_to_do(api: Api) -> None:
    page = api.get(MACHINE)
    assert page.status_code == 200
    assert 'class="plots"' not in page.text


def test_the_plot_and_the_table_show_the_readings(api: Api) -> None:
    api.send(batch(1, [3.0] * 400))
    api.analyse()
    page = api.get(MACHINE).text
    assert page.count('class="data"') == 4
    assert "6.20" in page
    assert api.get(f"{MACHINE}?by=hours").status_code == 200


@pytest.mark.parametrize("hourly", [False, True])
def test_hours_are_the_same_wherever_they_stand(sqlite_database_url: str, hourly: bool) -> None:
    """By week, along the plot, of the life, of the housing; an hourly series counts each row as one hour."""
    with in_process(sqlite_database_url) as api:
        if hourly:
            api.register()
            set_hours_in(api, 61)
            body = working_hours(60)
            columns = {name: values[::60] for name, values in body["columns"].items()}
            api.send(body | {"columns": columns, "step_ms": [0] + [3_600_000] * 59})
            api.analyse()
        else:
            register_worked(api, 60)
        known = api.get(f"/v1{MACHINE}/restriction").json()
        [life] = api.get(f"/v1{MACHINE}/lives").json()["lives"]
        counted = sum(point["operating_hours"] for point in known["series"])
        weeks = weeks_of(known, FORMATS, "kPa")
        assert life["hours"] == pytest.approx(known["life_hours"]) == pytest.approx(counted)
        assert sum(week.hours for week in weeks) == pytest.approx(counted)
        assert counted == pytest.approx(60, abs=1.5)


def test_a_level_that_is_not_trusted_stands_beside_the_last_that_is_each_with_its_time(api: Api) -> None:
    """30 h with the element in, then 10 h at a tenth of that."""
    without_an_element(api)
    known = api.get(f"/v1{MACHINE}/restriction").json()
    assert (known["restriction_at"], known["hours_in_doubt"]) == ("2026-02-21T11:59:00Z", pytest.approx(10))
    newest = known["newest_in_doubt"]
    assert newest == {"restriction_pa": pytest.approx(200), "at": "2026-02-21T21:59:00Z"}
    for page in (api.get(MACHINE).text, api.get("/fleet").text):
        assert re.search(r"last trusted, .{0,20}11:59", page)
        assert re.search(r"newest .{0,80}0\.20.{0,80}21:59, not trusted", page)
        assert ">now <" not in page


@pytest.mark.parametrize(
    ("levels", "causes"),
    [((0.4, 0.4, 0.4), ["below_clean", "flat"]), ((0.01, 0.05, 0.35), ["below_clean"])],
    ids=["a plugged tap", "no element"],
)
def test_a_level_alike_at_rest_and_at_work_names_the_tap(
    api: Api, levels: tuple[float, ...], causes: list[str]
) -> None:
    """60 h of work with the element in, then 7 h that read too low, of which the last shows rest and idle."""
    noise = np.random.default_rng(7)

    def hours(many: int, first_seq: int, levels: tuple[float, ...], mixed_from: int = 0) -> dict[str, Any]:
        body = working_hours(many, first_seq=first_seq)
        minutes = [minute % 60 if minute >= mixed_from else 59 for minute in range(many * 60)]
        places = [0 if minute < 6 else 1 if minute < 18 else 2 for minute in minutes]
        speeds = (0.0, 720.0, 1950.0)
        return body | {
            "columns": {
                "restriction": [round(levels[place] * noise.normal(1, 0.02), 3) for place in places],
                "engine_speed": [speeds[place] for place in places],
            }
        }

    set_hours_in(api, 69)
    api.send(hours(60, 1, (0.01, 0.3, 2.4)))
    late = hours(8, 1 + 60 * 60, levels, mixed_from=360)
    late["columns"] = {name: values[:-55] for name, values in late["columns"].items()}
    api.send(late | {"step_ms": late["step_ms"][:-55]})  # the newest hour shows the engine at rest alone
    api.analyse()
    known = api.get(f"/v1{MACHINE}/restriction").json()
    assert [found["cause"] for found in known["suspicions"]][: len(causes)] == causes
    assert known["newest_in_doubt"]["restriction_pa"] == pytest.approx(1_000 * levels[-1], rel=0.3)
    gauge = {"at": instant_text(api.clock.now_us), "value": 2.7, "unit": "kPa"}
    [read] = api.post(f"/v1{MACHINE}/gauge-readings", gauge).json()["gauge_readings"]
    assert not read["is_doubtful"], "a level in doubt is no reason to doubt a gauge"
    said = [found["said"]["code"] for found in known["suspicions"] if found["cause"] == "flat"]
    assert said == ["held_alike"] * (len(causes) - 1)
    assert ("a plugged tap first" in api.get(MACHINE).text) == bool(said)


def test_without_the_load_a_person_is_asked_before_a_missing_element_is_said(api: Api) -> None:
    """After some hours it stands on today's work; most of a shift of such readings tells it."""
    noise = np.random.default_rng(8)

    def send_hours(many: int, first: int, level_kpa: float) -> None:
        body = working_hours(many, first_seq=1 + 60 * first)
        restriction = np.round(level_kpa * noise.normal(1, 0.02, 60 * many), 3).tolist()
        api.send(body | {"columns": {"restriction": restriction, "engine_speed": [1950.0] * 60 * many}})
        api.analyse()

    def shown() -> tuple[bool, list[str]]:
        known = api.get(f"/v1{MACHINE}/restriction").json()
        return known["element_in_doubt"], [found["cause"] for found in known["suspicions"]]

    set_hours_in(api, 69)
    send_hours(60, 0, 2.4)
    assert shown() == (False, [])
    send_hours(4, 60, 0.35)
    assert shown() == (True, [])
    [job] = api.get("/v1/work").json()["jobs"]
    assert job["reason"] == "check_first"
    send_hours(4, 64, 0.35)
    assert shown() == (False, ["below_clean"])


def test_a_machine_that_is_not_there_or_anothers_is_a_page_of_404(api: Api) -> None:
    for path, key in (("/machines/none", "admin"), (MACHINE, "quarry admin")):
        response = api.get(path, key=key)
        assert response.status_code == 404
        assert response.headers["content-type"].startswith("text/html")


def test_an_entry_is_made_in_the_zone_of_who_makes_it_and_shown_with_its_verdict(api: Api) -> None:
    response = send(api, form(entry_id="e-1"), Cookie="zone=Europe/Berlin")
    assert response.status_code == 303
    [entry] = entries(api)
    assert (entry["changed_at"], entry["what"], entry["entry_id"]) == ("2026-03-01T09:30:00Z", "new", "e-1")
    shown = api.get(response.headers["location"]).text
    assert 'role="status"' in shown
    assert html.escape(str(table("en")["caution.element_out"])) in shown


@pytest.mark.parametrize(
    ("language", "said"),
    [("en", r"was made by <bdi>.*?</bdi> on"), ("de", r"hat <bdi>.*?</bdi> am .* gemacht")],
)
def test_the_question_about_the_same_work_again_says_who_entered_the_first_and_when(
    api: Api, language: str, said: str
) -> None:
    """An admin enters the change, and a planner enters it again for the day after."""
    register_worked(api, 60)
    changes = f"/v1{MACHINE}/element-changes"
    first = {"what": "new", "changed_at": instant_text(api.clock.now_us), "entry_id": "first"}
    api.post(changes, first).raise_for_status()
    api.clock.now_us += 26 * 3_600_000_000
    second = {"what": "new", "changed_at": instant_text(api.clock.now_us), "entry_id": "second"}
    api.post(changes, second, key="planner").raise_for_status()
    [one, other] = entries(api)
    assert (one["same_work"], other["verdict"], other["is_question"]) == (None, "again", True)
    made = {"entry_id": "first", "changed_at": one["changed_at"], "entered_at": one["entered_at"]}
    assert other["same_work"] == made | {"who": one["who"], "by_name": None}
    assert one["who"] != other["who"]
    [known] = api.get("/v1/fleet").json()["housings"]
    assert [asked["same_work"] for asked in known["questions"]] == [other["same_work"]]
    for path in (MACHINE, "/fleet", "/visit/grader-07"):
        page = api.get(path, key="planner", headers={"Accept-Language": language}).text
        assert re.search(said, page), path


def test_the_same_form_sent_twice_is_one_entry(api: Api) -> None:
    for _ in range(2):
        assert send(api, form(entry_id="e-1")).status_code == 303
    assert len(entries(api)) == 1


def test_a_page_makes_an_id_for_each_form(api: Api) -> None:
    ids = {re.search(r'name="entry_id" value="([^"]+)"', api.get(MACHINE).text)[1] for _ in range(2)}  # type: ignore[index]
    assert len(ids) == 2


@pytest.mark.parametrize(
    "wrong",
    [
        {"day": "28.11.2026"},
        {"day": ""},
        {"what": "eaten"},
        {"housing": "attic"},
        {"day": "2031-01-01"},
        {"note": "x" * 401},
        {"what": "nothing"},
        {"changed_at": "yesterday"},
        {"entry_id": "no spaces here"},
    ],
)
def test_a_form_that_does_not_fit_changes_nothing(api: Api, wrong: dict[str, str]) -> None:
    response = send(api, form(**wrong))
    assert response.status_code in (404, 422)
    assert response.headers["content-type"].startswith("text/html")
    assert entries(api) == []


def test_a_form_that_is_refused_keeps_what_was_typed(api: Api) -> None:
    page = send(api, form(day="2031-01-01", note="a long story", entry_id="e-1"))
    assert page.status_code == 422
    assert 'role="alert"' in page.text
    for kept in ('value="2031-01-01"', 'value="a long story"', 'name="entry_id" value="e-1"'):
        assert kept in page.text


def test_a_change_that_was_found_is_confirmed_or_denied_on_the_page(api: Api) -> None:
    found_at = register_a_fall(api)
    page = api.get(MACHINE, key="planner").text
    assert page.count(f'name="changed_at" value="{found_at}"') == 2
    assert send(api, {"changed_at": found_at, "what": "nothing"}).status_code == 422
    sent = send(api, {"changed_at": found_at, "what": "new"})
    assert sent.status_code == 303
    assert 'role="status"' in api.get(sent.headers["location"].partition("#")[0], key="planner").text
    assert [entry["what"] for entry in entries(api)] == ["new"]
    assert 'id="question"' not in api.get(MACHINE).text


def test_an_entry_that_the_data_contradict_is_asked_about_first(api: Api) -> None:
    register_worked(api, 60, rise_kpa=0.005)
    send(api, form(day="2026-02-21", time="06:00", entry_id="e-1"))
    page = api.get(MACHINE, key="planner").text
    assert 'id="question"' in page
    assert 'name="confirmed_because"' in page


def test_an_entry_is_taken_back_and_confirmed_by_forms(api: Api) -> None:
    send(api, form(entry_id="e-1"))
    [entry] = entries(api)
    same = {name: entry[name] for name in ("changed_at", "what", "note", "entry_id")} | {"housing": "main"}
    assert send(api, same | {"confirmed_because": "seen it myself"}).status_code == 303
    assert entries(api)[0]["confirmed_because"] == "seen it myself"
    assert send(api, same, path=f"{ENTRIES}/taken-back").status_code == 303
    assert entries(api) == []


def test_an_entry_that_counts_can_be_taken_back_on_the_page(api: Api) -> None:
    """A change that was entered for the wrong machine, and that the data do not contradict."""
    send(api, form(entry_id="e-1"))
    page = api.get(MACHINE, key="planner").text
    assert 'id="question"' not in page
    assert page.count(f'action="{ENTRIES}/taken-back"') == 1


def test_a_planned_change_stands_on_the_machine_page(api: Api) -> None:
    planned = {"on": "2026-03-09", "note": "with the fuel truck"}
    assert api.post("/v1/machines/grader-07/planned-change", planned, key="planner").status_code == 200
    assert "with the fuel truck" in api.get(MACHINE, key="planner").text


def test_who_may_not_enter_sees_no_form(api: Api) -> None:
    assert f'action="{ENTRIES}"' in api.get(MACHINE, key="planner").text
    made = api.post("/v1/keys", {"role": "integrator", "devices": ["grader-07-intake"]}).json()
    page = api.get(MACHINE, key=None, headers={"Authorization": f"Bearer {made['key']}"})
    assert f'action="{ENTRIES}"' not in page.text


def test_a_form_of_another_site_enters_nothing(api: Api) -> None:
    assert send(api, form(), **{"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert entries(api) == []


def test_a_hostile_note_is_text(api: Api) -> None:
    send(api, form(note='<script>alert("1")</script>', entry_id="e-1"))
    page = api.get(f"{MACHINE}?entered=e-1").text
    assert "<script>alert" not in page
    assert "&lt;script&gt;alert" in page


def test_coverage_is_given_to_who_asks(api: Api) -> None:
    api.send(batch(1, [3.0] * 10))
    api.send(batch(21, [3.0] * 10))
    api.analyse()
    path = f"/v1{MACHINE}/restriction"
    assert api.get(path).json()["coverage"] is None
    came = api.get(path, params={"with_coverage": True}).json()["coverage"]
    assert {span["came"] for span in came} == {"late", "missing"}
    assert sum(span["readings"] for span in came if span["came"] == "missing") == 10


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_caution_has_words(language: str) -> None:
    known = table(language)
    assert [code for code in CAUTIONS if f"caution.{code}" not in known] == []


def test_english_cautions_are_those_of_the_answers() -> None:
    assert {code: table("en")[f"caution.{code}"] for code in CAUTIONS} == CAUTIONS


def test_a_change_is_planned_moved_and_taken_back_on_the_page(api: Api) -> None:
    def plan(on: str) -> Any:
        fields = {"housing": "main", "on": on, "plan_note": "with the 500 h service"}
        return send(api, fields, path=f"{MACHINE}/planned-day")

    def planned() -> Any:
        return api.get("/v1/fleet").json()["housings"][0]["planned"]

    for day in ("2026-03-05", "2026-03-09"):
        assert (plan(day).status_code, planned()["on"], planned()["note"]) == (
            303,
            day,
            "with the 500 h service",
        )
        page = api.get(MACHINE).text
        assert f'value="{day}"' in page
        assert "<q><bdi>with the 500 h service</bdi></q>" in page, "what a person wrote is quoted"
    refused = plan("2026-01-01")
    assert (refused.status_code, planned()["on"]) == (422, "2026-03-09")
    assert 'value="2026-01-01"' in refused.text, "nothing is typed twice"
    send(api, {"housing": "main"}, path=f"{MACHINE}/planned-day/taken-back")
    assert planned() is None


def test_a_day_that_cannot_hold_is_asked_about_and_stands_once_it_is_meant(api: Api) -> None:
    """A wrong year was taken without a question; so was a day without work."""
    register_worked(api, 60, rise_kpa=0.05)
    terms = {"working_days": "1234567", "days_off": ["2026-02-22"]}
    assert api.post("/v1/planning-terms", terms, key="planner").status_code == 200

    def plan(on: str, **more: str) -> Any:
        fields = {"housing": "main", "on": on, "plan_note": "", **more}
        return send(api, fields, path=f"{MACHINE}/planned-day")

    for on, why in (
        ("2027-03-10", "chance that the element is at its limit before"),
        ("2026-02-22", "no working day"),
    ):
        asked = plan(on)
        assert asked.status_code == 422, on
        assert re.search(why, html.unescape(asked.text))
        assert f'name="plan_meant" value="{on}"' in asked.text
        assert api.get("/v1/fleet").json()["housings"][0]["planned"] is None
    assert plan("2026-02-22", plan_meant="2027-03-10").status_code == 422, "another day was meant"
    assert plan("2026-02-22", plan_meant="2026-02-22").status_code == 303
    assert plan("2026-02-23").status_code == 303, "a day in time is not asked about"


def test_a_day_that_another_planned_since_is_not_overwritten(api: Api) -> None:
    stale = {"housing": "main", "on": "2026-03-05", "plan_note": "", "seen": "none"}
    other = {"on": "2026-03-09", "note": "crane is booked", "seen": "none"}
    address = "/v1/machines/grader-07/planned-change"
    assert api.post(address, other, key="planner").status_code == 200
    refused = send(api, stale, path=f"{MACHINE}/planned-day")
    assert refused.status_code == 409
    assert "crane is booked" in refused.text
    assert api.post(address, {"on": "2026-03-05", "seen": "none"}, key="planner").json()["code"] == (
        "planned_since"
    )
    moved = {"move": "grader-07/main/none", "on/grader-07/main": "2026-03-05"}
    for on in ("2026-03-05", ""):
        form = moved | {"on/grader-07/main": on}
        assert api.request("POST", "/work-list/move", key="planner", data=form).status_code == 409
    planned = api.get("/v1/fleet").json()["housings"][0]["planned"]
    assert (planned["on"], planned["note"]) == ("2026-03-09", "crane is booked")
    [seen] = re.findall(r'name="seen" value="([^"]+)"><div><label for="on"', re.sub(r"\n", "", refused.text))
    assert seen == planned["planned_at"], "sent again it is meant"
    assert send(api, stale | {"seen": seen}, path=f"{MACHINE}/planned-day").status_code == 303


def test_dates_beside_too_early_to_judge_say_what_they_rest_on(api: Api) -> None:
    """The same words on every page and in the file, and a code for programs."""
    register_worked(api, 3, rise_kpa=0.02)
    unknown = api.get(f"/v1{MACHINE}/restriction").json()
    assert (unknown["state"], unknown["age_known"], unknown["due_at"]) == ("running-in", False, None)
    assert str(table("en")["state.age_unknown"]) in html.unescape(api.get(MACHINE).text)
    api.post(f"/v1{MACHINE}/element-changes", {"changed_at": START, "what": "new"})
    api.analyse()
    known = api.get(f"/v1{MACHINE}/restriction").json()
    assert (known["state"], known["age_known"]) == ("running-in", True)
    assert (known["due_at"] is None) == (known["dates_rest_on"] is None)
    assert known["dates_rest_on"] in ("fleet", "general")
    words = str(table("en")[f"state.rest_on.{known['dates_rest_on']}"])
    for path in (MACHINE, "/fleet", "/fleet.csv"):
        assert words in html.unescape(api.get(path).text), path


def test_a_likely_date_beyond_the_edge_of_the_plot_is_said_to_lie_there(api: Api) -> None:
    register_worked(api, 60, rise_kpa=0.002)
    known = api.get(f"/v1{MACHINE}/restriction").json()
    beyond = str(table("en")["machine.beyond_edge"])
    assert known["due_at"]["p50"] is None or known["due_at"]["p50"] > "2026-03-10"
    for by in ("", "?by=hours"):
        assert beyond in api.get(MACHINE + by, headers={"Accept-Language": "en"}).text


def test_no_work_is_chosen_and_a_new_meter_has_its_field(api: Api) -> None:
    page = api.get("/machines/grader-07").text
    select = page.partition('id="what"')[2].partition("</select>")[0]
    assert select.partition("</option>")[0].endswith('<option value="">Choose')
    assert "selected" not in select
    assert 'name="old_meter"' in page


def test_a_day_that_would_itself_be_asked_about_is_not_offered(api: Api) -> None:
    """The button beside a planned day of the next year led to the next question."""
    register_worked(api, 60, rise_kpa=0.05)
    for on, is_offered in (("2027-02-23", True), ("2027-04-20", False)):
        plan = {"housing": "main", "on": on}
        refused = api.request("POST", f"{MACHINE}/planned-day", data=plan)
        assert refused.status_code == 422
        assert ('name="right_day"' in refused.text) is is_offered
        again = api.request("POST", f"{MACHINE}/planned-day", data=plan | {"on": on.replace("2027", "2026")})
        assert (again.status_code == 303) is is_offered


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_wrong_year_is_corrected_by_one_button(api: Api, language: str) -> None:
    """What else was typed goes with it."""
    register_worked(api, 60, rise_kpa=0.05)
    headers = {"Accept-Language": language}
    plan = {"housing": "main", "on": "2027-02-23", "plan_note": "with the oil"}
    refused = api.request("POST", f"{MACHINE}/planned-day", data=plan, headers=headers)
    assert refused.status_code == 422
    assert 'formnovalidate name="right_day" value="2026-02-23"' in refused.text
    assert re.search(r"2026[^<]*</button>", refused.text), "the year is said"
    assert (
        api.request("POST", f"{MACHINE}/planned-day", data=plan | {"right_day": "2026-02-23"}).status_code
        == 303
    )
    planned = api.get("/v1/fleet").json()["housings"][0]["planned"]
    assert (planned["on"], planned["note"]) == ("2026-02-23", "with the oil")
    entry = {"housing": "main", "what": "new", "day": "2027-02-20", "time": "06:00", "meter": "8120"}
    refused = api.request("POST", f"{MACHINE}/entries", data=entry, headers=headers)
    assert refused.status_code == 422
    assert 'formnovalidate name="right_day" value="2026-02-20"' in refused.text
    assert 'value="8120"' in refused.text
    assert (
        api.request("POST", f"{MACHINE}/entries", data=entry | {"right_day": "2026-02-20"}).status_code == 303
    )
    [known] = api.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
    assert (known["changed_at"], known["meter_hours"]) == ("2026-02-20T06:00:00Z", 8120.0)
    wrong = api.request("POST", f"{MACHINE}/entries", data=entry | {"day": "2026-02-20", "meter": "12abc"})
    assert 'name="right_day"' not in wrong.text, "the year is not what is wrong"


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_line_says_what_became_of_the_planned_day(api: Api, language: str) -> None:
    def post(path: str, fields: dict[str, str]) -> str:
        answer = api.request("POST", f"{MACHINE}/{path}", data=fields)
        assert answer.status_code == 303, answer.text
        headers = {"Accept-Language": language}
        return str(api.get(answer.headers["location"].partition("#")[0], headers=headers).text)

    words = table(language)
    done = '<p class="done" role="status">'
    html_planned = post("planned-day", {"on": "2026-03-06", "seen": "none"})
    assert f"{done}{str(words['machine.plan_did.planned']).partition('{')[0]}" in html_planned
    back = post("planned-day/taken-back", {})
    assert f"{done}{words['machine.plan_did.taken_back']}</p>" in back
    assert done not in api.get(MACHINE).text


def test_a_wide_share_is_said_as_a_range_beside_it() -> None:
    said = [{"code": "share_width", "values": {"points": 41.0}}]
    assert share_range({"share_used_percent": 88.0, "evidence_said": said}) == (47.0, 129.0)
    assert share_range({"share_used_percent": 20.0, "evidence_said": said}) == (0.0, 61.0)
    assert share_range({"share_used_percent": 88.0, "evidence_said": []}) is None
    assert share_range({"share_used_percent": None, "evidence_said": said}) is None


@pytest.mark.parametrize(("language", "words"), [("en", "likely"), ("de", "wahrscheinlich")])
def test_the_page_says_the_range_of_the_share_once(api: Api, language: str, words: str) -> None:
    register_worked(api, 60, rise_kpa=0.05)
    page = api.get("/machines/grader-07", key="planner", headers={"Accept-Language": language}).text
    ranges = re.findall(r"<small data-range>(.*?)</small>", page)
    assert len(ranges) == 1
    assert words in ranges[0]
