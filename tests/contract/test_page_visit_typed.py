"""What a technician types on the page Visit: numbers as they are printed, units, and a limit read twice."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html import unescape
from typing import Any

import httpx
import pytest

from cleanside.ingest.console.viewer import LANGUAGES
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process

PAGE = "/visit/grader-07"
OUTBOX = {"Accept": "application/json", "Sec-Fetch-Site": "same-origin"}


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        running.register()
        yield running


def form(api: Api, kind: str, *, headers: Any = OUTBOX, **fields: str) -> httpx.Response:
    return api.request("POST", PAGE, key="planner", headers=headers, data={"kind": kind, **fields})


@pytest.mark.parametrize("typed", ["1.234,7", "1,234.7", "1234,7 h", "1.234,7\N{NO-BREAK SPACE}h"])
def test_an_hour_meter_is_taken_as_the_pages_print_it(api: Api, typed: str) -> None:
    assert form(api, "meter_reading", meter_hours=typed).status_code == 200
    [meter] = api.get("/v1/machines/grader-07/meter-readings").json()["meter_readings"]
    assert meter["meter_hours"] == 1234.7


def test_a_gauge_may_have_its_unit_behind_the_number_and_no_other(api: Api) -> None:
    assert form(api, "gauge_reading", value="3,5 kPa", unit="kPa").status_code == 200
    assert form(api, "gauge_reading", value="3,5 inH2O", unit="kPa").status_code == 422


def test_no_field_for_a_number_is_judged_by_the_browser(api: Api) -> None:
    page = api.get(PAGE).text
    numbers = re.findall(r'<input [^>]*inputmode="decimal"[^>]*>', page)
    assert len(numbers) == 11
    assert not [field for field in numbers if "pattern=" in field]


def test_a_unit_that_does_not_measure_it_is_answered_with_those_that_do(api: Api) -> None:
    answer = form(api, "hand_comparison", subject="supply_voltage", value="27", unit="psi")
    assert answer.status_code == 422
    assert re.search(r"\bV, mV\b", answer.json()["said"])


@pytest.mark.parametrize(("value", "unit"), [("6,2", "mbar"), ("25", "kPa")])
def test_a_limit_that_no_maker_states_is_asked_about_and_taken_once_confirmed(
    api: Api, value: str, unit: str
) -> None:
    fields = {"value": value, "unit": unit}
    asked = form(api, "terminal_restriction", **fields)
    assert (asked.status_code, asked.json()["fields"]) == (422, ["sure"])
    page = form(api, "terminal_restriction", headers={}, **fields)
    assert re.search(r'<div class="whole"><label class="tick"><input type="checkbox" name="sure"', page.text)
    assert form(api, "terminal_restriction", sure="yes", **fields).status_code == 200


def test_the_first_reading_of_the_limit_is_not_shown_until_there_is_a_second(api: Api) -> None:
    assert form(api, "terminal_restriction", value="7,35", unit="kPa").status_code == 200
    assert "7.35" not in api.get(PAGE).text
    assert form(api, "second_reading", value="7,35", unit="kPa").status_code == 200
    assert "7.35" in api.get(PAGE).text


def test_what_waits_at_the_gateway_says_when_it_was_reported(api: Api) -> None:
    waiting = r"<dt>Readings waiting on the gateway</dt><dd>([^<]*)</dd>"
    assert re.findall(waiting, api.get(PAGE).text) == ["not known"]
    api.send(batch(1, [3.0, 3.1]))
    api.clock.advance(3 * 86_400)
    [said] = re.findall(waiting, api.get(PAGE).text)
    assert re.fullmatch(r"0, reported 2\sMar\s09:00", said)


def test_a_barometer_at_sea_level_is_named_as_the_likely_reason(api: Api) -> None:
    reading = {"seq": 1, "at": "2026-03-02T08:59:00Z", "ambient_pressure": 98.3}
    api.send(
        {"device": DEVICE, "stream": STREAM, "units": {"ambient_pressure": "kPa"}, "readings": [reading]}
    )
    form(api, "hand_comparison", subject="ambient_pressure", value="1013", unit="hPa")
    sheet = api.get("/v1/machines/grader-07/acceptance").json()
    [check] = [check for check in sheet["checks"] if check["check"] == "ambient pressure"]
    assert "station pressure" in check["next_step"]
    assert "station pressure" in api.get(PAGE).text


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_meter_beyond_any_is_quoted_as_it_was_typed_with_its_unit(api: Api, language: str) -> None:
    fields = {"kind": "meter_reading", "meter_hours": "99999999"}
    answer = api.request("POST", PAGE, key="planner", data=fields, headers={"Accept-Language": language})
    assert answer.status_code == 422
    said = unescape(answer.text.partition('class="faults"')[2].partition("</div>")[0])
    said = re.sub(r"\s", " ", said)
    assert "99999999.0" not in said
    assert "1,000,000.0" not in said
    assert {"en": "is above 1,000,000 h", "de": "liegt über 1.000.000 h"}[language] in said
