"""The page Visit as it is sent: what is proven, what is open; entries by form and by the phone's outbox."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import httpx
import pytest

from cleanside.gateway.spot_checks import Check
from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest import cautions
from cleanside.ingest.api.routes.restriction import URGENCY as STATES
from cleanside.ingest.console import visit_page
from cleanside.ingest.console.machine_said import HELD
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.visit_sheet import CAUTIONS_OF, STEPS, asked_of, signal_of, stay_of
from cleanside.ingest.console.wording import table
from cleanside.ingest.restriction.verdict.acceptance_forms import CHECK_FORMS, NEXT_STEPS, SEEN
from cleanside.ingest.restriction.verdict.statement import say
from tests.contract.test_api_fleet import set_hours_in, without_an_element, working_hours
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process

PAGE = "/visit/grader-07"
OUTBOX = {"Accept": "application/json", "Sec-Fetch-Site": "same-origin"}
MADE = {"made_at": "2026-03-02T08:00:00.000Z", "sent_at": "2026-03-02T09:00:00.000Z"}
ENTRY = "5e0b2f7e-7a52-4f6b-9d6b-1d2f3a4b5c6d"


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        running.register()
        yield running


def verdicts(page: str) -> dict[str, str]:
    return dict(re.findall(r'data-check="([^"]+)" data-verdict="([^"]+)"', page))


def form(api: Api, kind: str, *, key: str = "planner", headers: Any = None, **fields: str) -> httpx.Response:
    return api.request("POST", PAGE, key=key, headers=headers or {}, data={"kind": kind, **fields})


def test_before_the_first_reading_nothing_passes_and_the_technician_stays(api: Api) -> None:
    page = api.get(PAGE).text
    seen = verdicts(page)
    assert len(seen) == 9
    assert set(seen.values()) == {"not yet seen"}
    assert "Nothing has arrived from grader-07" in page


def test_readings_that_arrived_and_are_not_believed_are_not_called_nothing(api: Api) -> None:
    """A wrong clock at a first installation must not look like a fault of the wiring."""
    reading = {"seq": 1, "at": "2000-01-01T00:00:00Z", "restriction": 3.0}
    api.send({"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}, "readings": [reading]})
    page = api.get(PAGE).text
    assert "Nothing has arrived" not in page
    assert re.findall(r'data-quarantined="(\w+)"', page) == ["clock_unset"]
    assert verdicts(page)["clock"] == "failed"
    assert "Nothing has arrived" not in api.get("/machines/grader-07").text


def test_readings_without_a_restriction_are_not_called_nothing(api: Api) -> None:
    reading = {"seq": 1, "at": "2026-03-02T08:59:00Z", "supply_voltage": 27.0}
    api.send({"device": DEVICE, "stream": STREAM, "units": {"supply_voltage": "V"}, "readings": [reading]})
    assert "Nothing has arrived" not in api.get(PAGE).text


def test_a_number_with_a_comma_is_taken_and_shown_by_the_data(api: Api) -> None:
    answer = form(api, "second_reading", value="6,2", unit="kPa", housing="main")
    assert (answer.status_code, answer.headers["location"]) == (
        303,
        "/visit/grader-07?housing=main&done=second_reading#entered",
    )
    assert verdicts(api.get(PAGE).text)["terminal restriction"] == "passed"


@pytest.mark.parametrize("text", ["1.23,5", "six", "", "1e3", "--2", "٦"])
def test_a_number_that_could_be_meant_otherwise_is_refused(api: Api, text: str) -> None:
    answer = form(api, "second_reading", value=text, unit="kPa", headers=OUTBOX)
    assert (answer.status_code, answer.json()["code"]) == (422, "not_valid")


def test_the_outbox_is_answered_as_entries_are(api: Api) -> None:
    sent = {"entry_id": ENTRY, "what": "new", **MADE}
    outcomes = [form(api, "element_change", headers=OUTBOX, **sent).json() for _ in range(2)]
    assert [answer["outcome"] for answer in outcomes] == ["taken", "same_as_before"]
    [change] = api.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
    assert (change["entry_id"], change["changed_at"]) == (ENTRY, "2026-03-02T08:00:00Z")


def test_a_refusal_reaches_the_outbox_with_its_code(api: Api) -> None:
    answer = form(api, "second_reading", value="25", unit="inH2O", headers=OUTBOX)
    assert answer.headers["content-type"] == "application/problem+json"
    assert (answer.status_code, answer.json()["code"]) == (409, "terminal_differs")


def test_who_is_session_ended_keeps_the_entry(api: Api) -> None:
    answer = api.request("POST", PAGE, key=None, headers=OUTBOX, data={"kind": "element_change"})
    assert (answer.status_code, answer.json()["code"]) == (401, "session_ended")


def test_an_entry_of_another_person_is_not_taken_under_this_ones_name(api: Api) -> None:
    answer = form(api, "element_change", headers=OUTBOX, person="wolny", **MADE)
    assert (answer.status_code, answer.json()["code"]) == (401, "session_ended")
    assert api.get("/v1/entries").json()["entries"] == []


def test_a_person_of_another_owner_is_another_person_also_of_the_same_name(api: Api) -> None:
    found = re.search(r'data-person="([^"]*)"', api.get(PAGE, key="planner").text)
    assert found is not None
    name, _, owner = found[1].partition("@")
    assert name
    assert owner
    for person in (name, f"{name}@quarry"):
        answer = form(api, "element_change", headers=OUTBOX, person=person, **MADE)
        assert (answer.status_code, answer.json()["code"]) == (401, "session_ended")
    assert api.get("/v1/entries").json()["entries"] == []
    mine = form(api, "element_change", headers=OUTBOX, person=found[1], **MADE)
    assert mine.json()["outcome"] == "taken"


def test_a_form_of_another_site_enters_nothing(api: Api) -> None:
    answer = form(api, "element_change", headers={"Sec-Fetch-Site": "cross-site"})
    assert answer.status_code == 403
    assert api.get("/v1/entries").json()["entries"] == []


def test_a_local_time_is_that_of_the_viewers_zone(api: Api) -> None:
    headers = {"Cookie": "zone=Europe/Berlin"}
    form(api, "element_change", changed_at="2026-03-02T08:30", headers=headers)
    [change] = api.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
    assert change["changed_at"] == "2026-03-02T07:30:00Z"


def test_machines_are_picked_by_a_part_of_name_or_kind(api: Api) -> None:
    api.register("loader-02-intake", "loader-02")
    assert re.findall(r'href="/visit/([^"]+)"', api.get("/visit").text) == ["grader-07", "loader-02"]
    assert re.findall(r'href="/visit/([^"]+)"', api.get("/visit?q=LOAD").text) == ["loader-02"]


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", "مُحَمِّل‎ ١", "🚜" * 20, "W" * 64])
def test_a_hostile_name_is_text(api: Api, name: str) -> None:
    api.request("PATCH", "/v1/machines/grader-07", json={"display_name": name})
    for path in ("/visit", PAGE):
        page = api.get(path).text
        assert "<script>alert" not in page
        assert "<bdi>" in page


def test_the_worker_may_keep_every_page_and_is_asked_for_anew(api: Api) -> None:
    answer = api.get("/worker.js", key=None)
    assert answer.headers["content-type"].startswith("text/javascript")
    assert "no-cache" in answer.headers.get_list("cache-control")


# ---------------------------------------------------------------- words


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_statement_of_the_checks_has_words(language: str) -> None:
    words = table(language)
    steps = {"do_run_idle", "do_run_high_idle"} | NEXT_STEPS.keys() - {"do_run"}
    wanted = [f"visit.seen.{code}" for code in SEEN] + [f"visit.do.{code}" for code in steps]
    wanted += [f"visit.{table_}.{check}" for check in CHECK_FORMS for table_ in ("check", "by")]
    every = {step for steps in STEPS.values() for step in steps}
    wanted += [f"visit.step.{step.name}.{part}" for step in every for part in ("title", *step.acts)]
    assert [key for key in wanted if key not in words] == []


def test_cautions_at_the_steps_are_those_of_the_trade() -> None:
    at_steps = {code for steps in STEPS.values() for step in steps for code in step.cautions}
    at_steps |= {code for codes in CAUTIONS_OF.values() for code in codes}
    assert at_steps <= cautions.CAUTIONS.keys()
    assert CAUTIONS_OF.keys() <= NEXT_STEPS.keys()


def test_every_step_that_runs_the_engine_has_the_cautions_before_it() -> None:
    """Common practice without a source; the maker's manual prevails."""
    running = ("element_out", "before_start", "high_idle")
    runs = [step for steps in STEPS.values() for step in steps if step.name in {"after", "run"}]
    assert len(runs) == 3
    assert all(set(running) <= set(step.cautions) for step in runs)
    assert all(CAUTIONS_OF[code] == running for code in ("do_run", "do_high_idle"))


@pytest.mark.parametrize(
    ("job", "name", "needed"),
    [
        ("service", "element", {"secure_machine", "element_out", "cleaning"}),
        ("installation", "feed", {"secure_machine", "battery"}),
        ("installation", "earth", {"secure_machine", "battery"}),
        ("installation", "place", {"climbing"}),
    ],
)
def test_a_step_that_can_hurt_has_its_caution(job: str, name: str, needed: set[str]) -> None:
    """Common practice without a source; the maker's manual prevails."""
    cautions_at = {step.name: set(step.cautions) for step in STEPS[job]}
    assert needed <= cautions_at[name]


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_form_that_asks_for_full_load_has_its_cautions(api: Api, language: str) -> None:
    page = api.get(PAGE, headers={"Accept-Language": language}).text
    asked = unescape(page.partition('id="gauge_reading"')[2].partition("</form>")[0]).replace("’", "'")
    words = table(language)
    for code in ("before_start", "high_idle", "gauge_at_work"):
        assert str(words[f"caution.{code}"]) in asked


# ---------------------------------------------------------------- leave or stay


def checks(*verdicts_: str, name: str = "zero with the engine off") -> list[Check]:
    return [Check(check=name, verdict=v, seen=say("limit"), next_step=None) for v in verdicts_]


def test_a_technician_stays_while_a_check_needs_somebody_at_the_machine() -> None:
    assert stay_of(checks("passed", "not measured")).word == "passed"
    assert stay_of(checks("passed", "not yet seen")).word == "open_here"
    assert stay_of(checks("passed", "not yet seen", "failed")).word == "failed_and_open"
    assert stay_of(checks("passed", "failed")).word == "failed"
    late = checks("not yet seen", name="link")
    assert stay_of(late).word == "open_later"


@pytest.mark.parametrize("state", STATES)
def test_no_machine_is_left_over_its_limit_due_or_suspect_whatever_the_checks_say(state: str) -> None:
    is_held = state in HELD
    assert is_held == (state in {"over", "due", "suspect"})
    late = checks("not yet seen", name="link")
    words = {stay_of(found, is_held=is_held).word for found in (checks("passed"), late)}
    assert words == ({"held"} if is_held else {"passed", "open_later"})
    assert stay_of(checks("failed"), is_held=is_held).word == "failed"


@pytest.mark.parametrize("job", ["installation", "service"])
@pytest.mark.parametrize("language", LANGUAGES)
def test_what_the_machines_page_says_of_a_missing_element_stands_on_top_of_the_visit(
    api: Api, job: str, language: str
) -> None:
    without_an_element(api)
    headers = {"Accept-Language": language}
    page = api.get(f"{PAGE}?job={job}", headers=headers).text
    said = opening(api.get("/machines/grader-07", headers=headers).text)
    assert 'data-state="suspect"' in said
    assert opening(page) == said
    assert re.findall(r'data-stay="(\w+)"', page)[0] not in {"passed", "open_later"}


def run_engine(api: Api, first_seq: int, start: str, high_kpa: float) -> None:
    """Half a minute at rest, at idle and at high idle, a reading a second."""
    parts = [(0.0, 0.01), (750.0, 0.2), (1950.0, high_kpa)]
    speeds, levels = zip(*[part for part in parts for _ in range(30)], strict=True)
    units = {"restriction": "kPa", "engine_speed": "r/min"}
    body: dict[str, Any] = {"device": DEVICE, "stream": STREAM, "units": units}
    body |= {"first_seq": first_seq, "start": start, "step_ms": [0] + [1000] * 89}
    columns = {"restriction": list(levels), "engine_speed": list(speeds)}
    api.send(body | {"columns": columns})


def test_a_normal_service_ends_with_leave_and_a_loaded_element_is_no_fault(api: Api) -> None:
    """Three days after the fitting; the installation left key-off, clock and second reading open."""
    api.clock.now_us = parse_instant("2026-03-02T09:00:00Z").us
    run_engine(api, 1, "2026-03-02T08:50:00Z", 2.0)
    api.clock.advance(4 * 86_400)
    run_engine(api, 91, "2026-03-06T08:50:00Z", 4.9)  # 79 % of the limit: "high for a new element"
    api.analyse()
    before = api.get(f"{PAGE}?job=service").text
    assert verdicts(before) == dict.fromkeys(SERVICE_CHECKS, "passed")
    whole = verdicts(api.get(f"{PAGE}?job=installation").text)
    assert "not yet seen" in whole.values()
    [installed] = re.findall(r'data-installed="([^"]*)"', before)
    assert installed == "zero with the engine off"

    form(api, "element_change", what="new")
    after = verdicts(api.get(f"{PAGE}?job=service").text)
    assert after["clean level"] == "not yet seen", "what was measured before the change is not of the new one"
    api.clock.advance(300)
    run_engine(api, 181, "2026-03-06T09:02:00Z", 2.0)
    api.analyse()
    done = api.get(f"{PAGE}?job=service").text
    assert verdicts(done) == dict.fromkeys(SERVICE_CHECKS, "passed")
    assert re.findall(r'data-stay="(\w+)"', done) == ["passed"]


SERVICE_CHECKS = ("link", "restriction answers the engine", "clean level")


def test_a_service_shows_whatever_fails_now() -> None:
    found = [*checks("failed"), *checks("not yet seen", name="key-off"), *checks("passed", name="link")]
    assert [check.check for check in asked_of("service", found)] == ["zero with the engine off", "link"]
    assert asked_of("installation", found) == found


def opening(page: str) -> str:
    """State, advice and caution of a page."""
    [found] = re.findall(r'<p><span class="state".*?</p>\n<p class="statement">.*?</p>', page, re.DOTALL)
    return str(found)


@pytest.mark.parametrize("job", ["installation", "service"])
def test_the_level_of_the_element_fails_far_below_that_of_a_clean_one(api: Api, job: str) -> None:
    without_an_element(api)
    assert verdicts(api.get(f"{PAGE}?job={job}").text)["clean level"] == "failed"
    checks_ = api.get("/v1/machines/grader-07/acceptance").json()["checks"]
    assert [c["verdict"] for c in checks_ if c["check"] == "clean level"] == ["failed"]


def test_the_sheet_says_the_machines_state_too(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    without_an_element(api)
    made: list[str] = []

    def pdf_of(document: str) -> bytes:
        made.append(document)
        return b"%PDF-"

    monkeypatch.setattr(visit_page, "pdf_of", pdf_of)
    monkeypatch.setattr(visit_page, "can_make", lambda: True)
    assert api.get(f"{PAGE}/sheet.pdf").status_code == 200
    assert 'data-state="suspect"' in made[0]


def test_the_signal_is_compared_with_where_the_antenna_was() -> None:
    points = [(float(s), -97.0 if s < 240 else -85.0) for s in range(0, 480, 10)]
    drawn = signal_of(points)
    assert drawn is not None
    assert (drawn.now_dbm, drawn.better_db, drawn.minutes) == (-85.0, 12, 8)
    assert signal_of(points[:1]) is None


def test_a_page_shows_position_and_link_where_they_are_reported(api: Api) -> None:
    readings = [
        {"seq": n, "at": f"2026-03-02T08:{50 + n}:00Z", "restriction": 0.02, "signal_strength": -90 + n}
        for n in range(1, 6)
    ]
    units = {"restriction": "kPa", "signal_strength": "dBm"}
    api.send({"device": DEVICE, "stream": STREAM, "units": units, "readings": readings})
    page = api.get(PAGE, headers={"Accept-Language": "de"}).text
    assert "Jetzt −85" in page
    assert ">0,02<" in page


def test_what_was_entered_is_listed_with_its_value_and_by_whom(api: Api) -> None:
    before = api.get(PAGE, key="planner").text
    assert "Nothing has been entered yet." in before
    form(api, "second_reading", value="6,2", unit="kPa", housing="main")
    form(api, "element_change", what="cleaned", note="<b>seal</b> dry")
    form(api, "hand_comparison", subject="key_off")
    page = api.get(PAGE, key="planner").text
    listed = page.partition('id="d-h"')[2].partition("</ul>")[0]
    assert len(re.findall("<li", listed)) == 3
    for text in ("6.2\u202f", "kPa", "Element cleaned", "&lt;b&gt;seal&lt;/b&gt; dry", "a program (key k"):
        assert text.replace("\u202f", "") in listed


def test_a_program_that_planned_a_day_is_named_without_the_handle_of_its_key(api: Api) -> None:
    body = {"note": "the office", "role": "planner"}
    made = api.post("/v1/keys", body, key="admin").json()
    plan = {"on": "2026-03-20"}
    headers = {"Authorization": f"Bearer {made['key']}"}
    answer = api.request(
        "POST", "/v1/machines/grader-07/planned-change", key=None, json=plan, headers=headers
    )
    assert answer.status_code == 200, answer.text
    page = api.get(PAGE, key="planner").text
    assert "by the office." in page


def test_an_entry_that_was_made_elsewhere_is_listed_too(api: Api) -> None:
    change = {"changed_at": "2026-03-02T07:00:00Z", "what": "new"}
    assert api.post("/v1/machines/grader-07/element-changes", change, key="planner").status_code == 200
    assert "New element" in api.get(PAGE, key="planner").text


def test_a_phone_keeps_both_jobs_at_each_machine_and_knows_which_one_it_was_given(api: Api) -> None:
    api.register("loader-02-intake", "loader-02")
    pages = api.get("/phone/pages", key="planner").json()["stays"]
    assert {"/visit", "/work-list", "/visit/loader-02", "/visit/loader-02?job=service"} <= set(pages)
    assert "/visit/grader-07?job=installation" in pages
    assert api.get(PAGE).headers["content-location"] == "/visit/grader-07?job=installation"


def test_a_visit_at_a_machine_long_in_service_is_a_service(api: Api) -> None:
    """Also where the monitor sits there since its first reading: no beginning was entered."""
    api.send(batch(1, [3.0, 3.1]))
    assert api.get(PAGE).headers["content-location"] == "/visit/grader-07?job=installation"
    api.clock.advance(4 * 86_400)
    assert api.get(PAGE).headers["content-location"] == "/visit/grader-07?job=service"


# ---------------------------------------------------------------- what is entered, and taken back


def entered(page: str) -> str:
    """The list of what was entered."""
    return page.partition('data-part="entered"')[2].partition("</section>")[0]


@pytest.mark.parametrize("language", LANGUAGES)
def test_an_entry_has_the_same_verdict_in_words_here_and_on_the_machines_page(
    api: Api, language: str
) -> None:
    """A fall below a clean element, a double, a date before the first reading, and a look at the element."""
    without_an_element(api)
    for what, at in (
        ("cleaned", "2026-02-21T12:00"),
        ("cleaned", "2026-02-21T12:30"),
        ("new", "2020-02-21T12:00"),
        ("inspected", "2026-02-21T15:00"),
    ):
        form(api, "element_change", what=what, changed_at=at)
    headers = {"Accept-Language": language}
    here = re.findall(r"<em>(.+?)</em>", entered(api.get(PAGE, key="planner", headers=headers).text))
    machine = api.get("/machines/grader-07", key="planner", headers=headers).text
    there = re.findall(r'<span class="verdict">.*?<em>(.+?)</em>', machine.partition('id="entries"')[2])
    assert len(here) == 4
    assert len(set(here)) >= 3
    assert sorted(here) == sorted(there)


def test_the_head_has_a_jump_to_the_forms(api: Api) -> None:
    jump = '<a href="#e-h">Enter what was done</a>'
    page = api.get(PAGE, key="planner").text
    assert jump in page.partition('class="switch')[0]
    assert 'id="e-h"' in page


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_question_about_an_entry_stands_at_the_top_with_a_jump_to_it(api: Api, language: str) -> None:
    without_an_element(api)
    headers = {"Accept-Language": language}
    jumps = re.compile(r'<a href="#(asked-[^"]+)">([^<]+)</a>')
    assert jumps.findall(api.get(PAGE, key="planner", headers=headers).text) == []
    form(api, "element_change", what="new", changed_at="2020-02-21T12:00")
    page = api.get(PAGE, key="planner", headers=headers).text
    [(place, words)] = jumps.findall(page.partition('class="switch')[0])
    assert f'id="{place}"' in entered(page)
    assert words.startswith({"en": "The entry of ", "de": "Zum Eintrag vom "}[language])


def test_an_entry_shows_when_the_work_was_done_and_when_it_was_entered(api: Api) -> None:
    api.clock.now_us = parse_instant("2026-03-02T09:00:00Z").us
    form(api, "element_change", what="new", changed_at="2026-03-01T09:30")
    shown = entered(api.get(PAGE, key="planner").text)
    assert shown.index("09:30") < shown.index("09:00")
    api.clock.advance(60)
    form(api, "element_change", what="inspected")
    [now, _] = re.findall(r"<li .*?</li>", entered(api.get(PAGE, key="planner").text), re.DOTALL)
    assert len(re.findall(r"09:0\d", now)) == 1


def test_nothing_is_chosen_for_a_technician(api: Api) -> None:
    page = api.get(PAGE).text
    for name in ("what", "subject", "unit", "gauge_unit"):
        selects = re.findall(rf'<select [^>]*name="{name}".*?</select>', page, re.DOTALL)
        assert selects
        for select in selects:
            assert "selected" not in select
            assert re.search(r'<option value="">[^<]', select.partition("</option>")[0] + "x")


def test_work_that_was_not_chosen_is_refused_and_nothing_is_kept(api: Api) -> None:
    answer = form(api, "element_change", what="", headers=OUTBOX, **MADE)
    assert (answer.status_code, answer.json()["code"]) == (422, "not_valid")
    assert api.get("/v1/machines/grader-07/element-changes").json()["element_changes"] == []


def test_hour_meter_and_gauge_come_with_the_work_on_the_element(api: Api) -> None:
    fields = {"what": "new", "meter_hours": "8120,5", "gauge": "5,4", "gauge_unit": "kPa"}
    assert form(api, "element_change", headers=OUTBOX, **fields, **MADE).status_code == 200
    [change] = api.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
    assert (change["meter_hours"], change["gauge"]["value"]) == (8120.5, 5.4)


@pytest.mark.parametrize(("latched", "kept"), [("yes", True), ("no", False)])
def test_what_the_machines_own_indicator_shows_is_entered(api: Api, latched: str, kept: bool) -> None:
    fields = {"source": "own_indicator", "latched": latched, "housing": "main"}
    assert form(api, "gauge_reading", **fields).status_code == 303
    [shown] = api.get("/v1/machines/grader-07/gauge-readings").json()["gauge_readings"]
    assert (shown["source"], shown["latched"], shown["value"]) == ("own_indicator", kept, None)
    words = table("en")
    listed = entered(api.get(PAGE, key="planner").text)
    assert str(words["visit.form.indicator"]) in listed
    assert str(words[f"visit.form.latched_{latched}"]) in listed
    assert f">{words['visit.did.gauge_reading']}<" not in listed


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("latched", ["yes", "no"])
def test_the_machines_page_says_what_the_own_indicator_showed(api: Api, latched: str, language: str) -> None:
    """Without a working hour to compare with, an indicator at its mark still asks to check the element."""
    assert (
        form(api, "gauge_reading", source="own_indicator", latched=latched, housing="main").status_code == 303
    )
    headers, words = {"Accept-Language": language}, table(language)
    page = unescape(api.get("/machines/grader-07", headers=headers).text)
    listed = page.partition('<div id="entries">')[2]
    assert f"{words['visit.form.indicator']}: {words[f'visit.form.latched_{latched}']}." in listed
    assert str(words["machine.no_entries"]) not in listed
    for said in (listed, unescape(api.get(PAGE, key="planner", headers=headers).text)):
        first = str(words["visit.gauge.latched_alone"]).replace("'", "’")
        assert (first in said.replace("'", "’")) is (latched == "yes")


def test_an_indicator_of_which_nothing_was_chosen_is_refused(api: Api) -> None:
    fields = {"source": "own_indicator", "latched": "", "housing": "main"}
    assert form(api, "gauge_reading", **fields).status_code == 422


def test_a_gauge_before_the_work_without_a_unit_is_asked_for_its_unit(api: Api) -> None:
    answer = form(api, "element_change", what="new", gauge="22", gauge_unit="")
    assert answer.status_code == 422
    alert = answer.text.partition('role="alert"')[2].partition("</div>")[0]
    assert str(table("en")["field.rule.missing"]).partition("{")[0] in alert
    assert "mm[H2O]" not in alert  # no list of codes, where nothing was chosen


def test_a_gauge_of_another_machine_is_asked_about(api: Api) -> None:
    """22 inH2O where the monitor says 12: the words that were seen fit no unit and no limit better."""
    set_hours_in(api, 31)
    api.send(working_hours(30))
    api.analyse()
    form(api, "gauge_reading", value="5,6", unit="kPa", housing="main")
    [shown] = api.get("/v1/machines/grader-07/gauge-readings").json()["gauge_readings"]
    assert (shown["is_doubtful"], shown["meant_unit"]) == (True, None)


def test_a_gauge_in_another_unit_than_the_limits_is_asked_about_until_a_second_look_shows_the_same(
    api: Api,
) -> None:
    """2.7 inH2O, where the limit is in kPa and the monitor says 3 kPa."""
    set_hours_in(api, 31)
    api.send(working_hours(30))
    api.analyse()
    gauges = "/v1/machines/grader-07/gauge-readings"
    form(api, "gauge_reading", value="2,7", unit="inH2O", housing="main")
    [shown] = api.get(gauges).json()["gauge_readings"]
    assert (shown["is_doubtful"], shown["meant_unit"]) == (True, "kPa")
    asked = "Do you mean 2.7\N{NO-BREAK SPACE}kPa or 2.7\N{NO-BREAK SPACE}inH2O?"
    assert asked in entered(api.get(PAGE, key="planner").text)
    set_hours_in(api, 31.5)
    form(api, "gauge_reading", value="2,7", unit="inH2O", housing="main")
    both = api.get(gauges).json()["gauge_readings"]
    assert [(gauge["value"], gauge["is_doubtful"]) for gauge in both] == [(2.7, False), (2.7, False)]
    assert asked not in entered(api.get(PAGE, key="planner").text)


def test_hour_meter_and_gauge_are_entered_without_work_too(api: Api) -> None:
    assert form(api, "meter_reading", meter_hours="8120,5").status_code == 303
    assert form(api, "gauge_reading", value="5,4", unit="kPa", housing="main").status_code == 303
    shop = "/v1/machines/grader-07"
    assert api.get(f"{shop}/meter-readings").json()["meter_readings"][0]["meter_hours"] == 8120.5
    assert api.get(f"{shop}/gauge-readings").json()["gauge_readings"][0]["value"] == 5.4
    assert "8,120.5" in entered(api.get(PAGE, key="planner").text)


def test_a_gauge_is_taken_compared_and_asked_about_where_another_unit_would_fit(api: Api) -> None:
    set_hours_in(api, 31)
    api.send(working_hours(30))
    api.analyse()
    at = {"made_at": instant_text(api.clock.now_us), "sent_at": instant_text(api.clock.now_us)}
    answer = form(api, "gauge_reading", headers=OUTBOX, value="14", unit="kPa", **at).json()
    assert answer["outcome"] == "taken"
    [gauge] = api.get("/v1/machines/grader-07/gauge-readings").json()["gauge_readings"]
    assert (gauge["is_doubtful"], gauge["meant_unit"]) == (True, "inH2O")
    shown = (entered(api.get(PAGE, key="planner").text), api.get("/machines/grader-07").text)
    for page in shown:
        assert "Do you mean 14\N{NO-BREAK SPACE}inH2O or 14\N{NO-BREAK SPACE}kPa?" in page
        assert "The monitor says" in page
    assert 'name="of"' in shown[0]  # the button that takes it back
    form(api, "gauge_reading", headers=OUTBOX, value="2,7", unit="kPa", **at)
    again = entered(api.get(PAGE, key="planner").text)
    assert again.count("The monitor says") == 2
    assert again.count("Do you mean") == 1


def test_a_used_meter_is_entered_at_the_visit_with_what_it_showed_when_fitted(api: Api) -> None:
    assert form(api, "meter_reading", meter_hours="5000").status_code == 303
    new = {"meter_hours": "3", "old_meter_hours": "5000"}
    refused = form(api, "meter_reading", **new)
    assert refused.status_code == 422
    assert 'name="new_meter_began_hours"' in refused.text
    assert form(api, "meter_reading", **new, new_meter_began_hours="3").status_code == 303


def test_a_meter_that_may_group_thousands_is_asked_about(api: Api) -> None:
    answer = form(api, "meter_reading", meter_hours="8,120", headers=OUTBOX)
    assert (answer.status_code, answer.json()["code"]) == (422, "not_valid")
    assert "8120" in answer.json()["said"]


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("element_change", {"what": "new", "meter_hours": "8120"}),
        ("meter_reading", {"meter_hours": "8120"}),
        ("gauge_reading", {"value": "5.4", "unit": "kPa"}),
    ],
)
def test_an_entry_is_taken_back_on_the_page_and_marked(api: Api, kind: str, fields: dict[str, str]) -> None:
    form(api, kind, headers=OUTBOX, entry_id=ENTRY, **fields, **MADE)
    before = entered(api.get(PAGE, key="planner").text)
    assert 'name="of"' in before
    assert "gone" not in before
    answer = form(api, "take_back", headers=OUTBOX, of=ENTRY, **MADE)
    assert answer.json()["outcome"] == "taken"
    after = entered(api.get(PAGE, key="planner").text)
    assert len(re.findall("<li", after)) == 1  # it stays on the list
    assert 'class="verdict gone"' in after
    assert 'name="of"' not in after
    shop = "/v1/machines/grader-07"
    assert api.get(f"{shop}/element-changes").json()["element_changes"] == []
    assert api.get(f"{shop}/meter-readings").json()["meter_readings"] == []
    assert api.get(f"{shop}/gauge-readings").json()["gauge_readings"] == []
    again = form(api, "take_back", headers=OUTBOX, of=ENTRY, **MADE)
    assert (again.status_code, again.json()["code"]) == (404, "nothing_to_take_back")


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("terminal_restriction", {"value": "25", "unit": "inH2O"}),
        ("second_reading", {"value": "6.2", "unit": "kPa"}),
        ("hand_comparison", {"subject": "key_off"}),
    ],
)
def test_what_a_visit_entered_has_its_button_and_is_marked(
    api: Api, kind: str, fields: dict[str, str]
) -> None:
    form(api, kind, headers=OUTBOX, entry_id=ENTRY, **fields, **MADE)
    assert 'name="of"' in entered(api.get(PAGE, key="planner").text)
    assert form(api, "take_back", headers=OUTBOX, of=ENTRY, **MADE).json()["outcome"] == "taken"
    assert 'class="verdict gone"' in entered(api.get(PAGE, key="planner").text)


def test_what_came_by_its_own_route_has_its_button_too(api: Api) -> None:
    limit = {"value": 25, "unit": "inH2O"}
    assert api.post("/v1/machines/grader-07/terminal-restriction", limit, key="planner").status_code == 200
    [of] = re.findall(r'name="of" value="([^"]+)"', entered(api.get(PAGE, key="planner").text))
    assert form(api, "take_back", headers=OUTBOX, of=of, **MADE).json()["outcome"] == "taken"
    assert 'class="verdict gone"' in entered(api.get(PAGE, key="planner").text)


def test_an_entry_that_was_taken_back_on_the_machines_page_is_marked_too(api: Api) -> None:
    form(api, "element_change", headers=OUTBOX, entry_id=ENTRY, what="new", **MADE)
    [change] = api.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
    query = {"changed_at": change["changed_at"]}
    assert api.request("DELETE", "/v1/machines/grader-07/element-changes", params=query).status_code == 200
    page = entered(api.get(PAGE, key="planner").text)
    assert 'class="verdict gone"' in page
    assert re.search(r"<strong>Taken back</strong> a program .*, 09:00", page)  # and by whom
    machine = api.get("/machines/grader-07").text
    assert "Nothing is entered yet" not in machine
    assert "<strong>Taken back</strong>" in machine


def test_the_phone_learns_at_once_that_its_entry_became_a_question(api: Api) -> None:
    set_hours_in(api, 61)
    api.send(working_hours(60))
    api.analyse()
    at = {"made_at": instant_text(api.clock.now_us), "sent_at": instant_text(api.clock.now_us)}
    early = {"what": "new", "changed_at": "2020-02-21T06:00"}
    asks = form(api, "element_change", headers=OUTBOX, **early, **at).json()["asks"]
    assert asks["where"] == "/machines/grader-07?housing=main#question"
    assert asks["settle"] == "Confirm or correct it"
    said = html.unescape(re.sub("<[^>]+>", "", api.get("/machines/grader-07").text))
    assert " ".join(asks["said"].split()) in " ".join(said.split())
    fine = form(api, "element_change", headers=OUTBOX, what="new", **at).json()
    assert "asks" not in fine


def test_an_entry_is_corrected_on_the_page_and_what_it_was_stays_on_the_list(api: Api) -> None:
    form(api, "element_change", headers=OUTBOX, entry_id=ENTRY, what="new", **MADE)
    assert 'name="to_machine"' in entered(api.get(PAGE, key="planner").text)
    right = {"of": ENTRY, "changed_at": "2026-02-28T09:15", "because": "it was on <Saturday>"}
    assert (
        form(api, "correction", headers=OUTBOX, entry_id="right", **right, **MADE).json()["outcome"]
        == "taken"
    )
    [change] = api.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
    assert (change["entry_id"], change["changed_at"]) == (ENTRY, "2026-02-28T09:15:00Z")
    for path in (PAGE, "/machines/grader-07"):
        page = api.get(path, key="planner").text
        assert "Corrected by" in page, path
        assert "it was on &lt;Saturday&gt;" in page, path
    answer = form(api, "correction", headers=OUTBOX, entry_id="none", **right, **MADE)
    assert (answer.status_code, answer.json()["code"]) == (422, "not_valid")
    assert "says that already" in answer.json()["said"]


def test_an_entry_corrected_to_another_machine_leaves_a_line_that_says_where(api: Api) -> None:
    assert api.post("/v1/machines", {"machine": "hauler-12"}).status_code == 200
    form(api, "element_change", headers=OUTBOX, entry_id=ENTRY, what="new", **MADE)
    right = {"of": ENTRY, "to_machine": "hauler-12", "because": "the wrong label"}
    form(api, "correction", headers=OUTBOX, entry_id="right", **right, **MADE)
    for path in (PAGE, "/machines/grader-07"):
        page = api.get(path, key="planner").text
        assert "Corrected: it was done at hauler-12." in page, path
        assert "the wrong label" in page, path
    assert "Corrected by" in api.get("/visit/hauler-12", key="planner").text


def test_an_entry_is_corrected_on_the_machines_page(api: Api) -> None:
    form(api, "element_change", headers=OUTBOX, entry_id=ENTRY, what="new", **MADE)
    fields = {
        "of": ENTRY,
        "housing": "main",
        "changed_at": "2026-02-28T09:15",
        "because": "it was on Saturday",
    }
    post = "/machines/grader-07/entries/corrected"
    answer = api.request("POST", post, data=fields)
    assert answer.status_code == 303
    [change] = api.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
    assert [was["because"] for was in change["corrections"]] == ["it was on Saturday"]
    assert api.request("POST", post, data=fields).status_code == 422


def test_a_refusal_is_said_to_the_phone_in_the_persons_language(api: Api) -> None:
    german = OUTBOX | {"Accept-Language": "de"}
    form(api, "meter_reading", meter_hours="4012", headers=OUTBOX)
    answer = form(api, "meter_reading", meter_hours="12", headers=german).json()
    assert answer["code"] == "not_valid"
    assert "Ist es ein neuer Zähler?" in answer["said"]
    assert "old_meter_hours" in answer["detail"]  # to programs, as before


@pytest.mark.parametrize(
    ("kind", "fields", "wrong"),
    [
        ("meter_reading", {"meter_hours": "8,120"}, "meter_hours"),
        ("second_reading", {"value": "6,3", "unit": "kPa"}, "value"),
        ("gauge_reading", {"value": "5,4", "unit": ""}, "value"),
        (
            "element_change",
            {"what": "new", "note": "seal dry", "gauge": "5,4", "gauge_unit": ""},
            "gauge_unit",
        ),
        ("element_change", {"what": "", "changed_at": "2026-03-01T08:00", "note": "dry"}, "what"),
        ("hand_comparison", {"subject": "zero", "value": "0,1", "unit": "", "compared_with": "U"}, "value"),
    ],
)
def test_a_refused_form_comes_back_filled_in_with_the_field_that_is_wrong(
    api: Api, kind: str, fields: dict[str, str], wrong: str
) -> None:
    answer = form(api, kind, housing="main", entry_id=ENTRY, **fields)
    assert answer.status_code in (409, 422)
    [shown] = re.findall(rf'<form [^>]*id="{kind}">.*?</form>', answer.text, re.DOTALL)
    typed = dict(re.findall(r'<input type="[td][^>]* name="(\w+)" value="([^"]+)"', shown))
    chosen = re.findall(r'<option(?: value="(\w+)")?[^>]* selected>([^<]*)', shown)
    again = [*typed.values(), *(code or text for code, text in chosen)]
    assert sorted(again) == sorted(filter(None, fields.values()))
    assert re.findall(r'name="(\w+)"[^>]* aria-invalid="true"', shown) == [wrong]
    assert form(api, kind, housing="main", headers=OUTBOX, **fields).json()["fields"] == [wrong]


def test_a_refused_entry_is_taken_under_its_own_id_once_it_is_corrected(api: Api) -> None:
    entry = {"entry_id": ENTRY, **MADE}
    assert form(api, "meter_reading", headers=OUTBOX, meter_hours="8,120", **entry).status_code == 422
    answer = form(api, "meter_reading", headers=OUTBOX, meter_hours="8120", **entry).json()
    assert (answer["entry_id"], answer["outcome"]) == (ENTRY, "taken")


def test_what_no_form_can_correct_keeps_the_page_of_errors(api: Api) -> None:
    answer = form(api, "tea_break", housing="main")
    assert answer.status_code == 422
    assert 'data-part="checks"' not in answer.text


def test_a_page_says_that_it_is_not_on_the_phone(api: Api) -> None:
    page = api.get("/phone/absent")
    assert page.status_code == 200
    assert "data-absent" in page.text


def test_a_machine_long_in_service_opens_on_its_service(api: Api) -> None:
    """Its seat has no start, as the first one of a device: its first reading says since when."""
    assert api.get(PAGE).headers["content-location"].endswith("job=installation"), "no reading yet"
    api.send(batch(1, [3.0]))
    assert api.get(PAGE).headers["content-location"].endswith("job=installation")
    api.clock.advance(4 * 86_400)
    assert api.get(PAGE).headers["content-location"].endswith("job=service")
    assert api.post("/v1/devices", {"device": "grader-07-new", "machine": "grader-07"}).status_code == 200
    assert api.get(PAGE).headers["content-location"].endswith("job=installation"), "a new one beside it"


def test_the_planned_day_its_note_and_the_parts_stand_on_the_page(api: Api) -> None:
    housing = {"housing": "main", "primary_part": "KG-0715", "safety_part": "KG-0716"}
    shop = "/v1/machines/grader-07"
    assert api.request("PATCH", f"{shop}/papers", json={"housings": [housing]}).status_code == 200
    plan = {"on": "2026-03-04", "note": "crane <is> booked"}
    assert api.post(f"{shop}/planned-change", plan, key="planner").status_code == 200
    for language, words in (("en", "Planned for Wed 4 Mar by"), ("de", "Geplant für Mi. 4. März von")):
        html = api.get(PAGE, headers={"Accept-Language": language}).text
        assert words in html
        assert "crane &lt;is&gt; booked" in html
        assert "KG-0715" in html
        assert "KG-0716" in html


@pytest.mark.parametrize(
    ("job", "heading"), [("installation", "Acceptance sheet"), ("service", "Service sheet")]
)
def test_the_sheet_is_named_after_its_job(api: Api, job: str, heading: str) -> None:
    page = api.get(f"{PAGE}?job={job}").text
    assert f'<p class="paper-only">{heading}</p>' in page


def test_beside_the_live_value_stand_the_limit_and_the_level_that_is_judged(api: Api) -> None:
    """ "Over limit" stood above a value below the limit, with neither limit nor level."""
    set_hours_in(api, 61)
    api.send(working_hours(60))
    api.analyse()
    known = api.get("/v1/machines/grader-07/restriction").json()
    assert known["restriction_pa"] is not None
    judged = unescape(
        re.sub(r"<[^>]+>", "", re.findall(r"<p[^>]* data-judged>(.*?)</p>", api.get(PAGE).text)[0])
    )
    level = f"{known['restriction_pa'] / 1000:.2f}"
    limit = f"{known['terminal_restriction']['restriction_pa'] / 1000:.2f}"
    assert re.fullmatch(
        rf"Change limit {limit}\skPa; at full flow {level}\skPa, and the state goes by that", judged
    )
