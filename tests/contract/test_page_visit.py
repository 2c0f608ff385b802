"""The page Visit as it is sent: what is proven, what is open; entries by form and by the phone's outbox."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from cleanside.gateway.spot_checks import Check
from cleanside.ingest import cautions
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.visit_sheet import CAUTIONS_OF, STEPS, signal_of, stay_of
from cleanside.ingest.console.wording import table
from cleanside.ingest.restriction.verdict.acceptance_forms import CHECK_FORMS, NEXT_STEPS, SEEN
from cleanside.ingest.restriction.verdict.statement import say
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


def test_hour_meter_and_gauge_are_entered_without_work_too(api: Api) -> None:
    assert form(api, "meter_reading", meter_hours="8120,5").status_code == 303
    assert form(api, "gauge_reading", value="5,4", unit="kPa", housing="main").status_code == 303
    shop = "/v1/machines/grader-07"
    assert api.get(f"{shop}/meter-readings").json()["meter_readings"][0]["meter_hours"] == 8120.5
    assert api.get(f"{shop}/gauge-readings").json()["gauge_readings"][0]["value"] == 5.4
    assert "8,120.5" in entered(api.get(PAGE, key="planner").text)


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


def test_an_entry_that_was_taken_back_on_the_machines_page_is_marked_too(api: Api) -> None:
    form(api, "element_change", headers=OUTBOX, entry_id=ENTRY, what="new", **MADE)
    [change] = api.get("/v1/machines/grader-07/element-changes").json()["element_changes"]
    query = {"changed_at": change["changed_at"]}
    assert api.request("DELETE", "/v1/machines/grader-07/element-changes", params=query).status_code == 200
    assert 'class="verdict gone"' in entered(api.get(PAGE, key="planner").text)


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
