"""Acceptance over HTTP: first readings to checks, the limit read twice, the report on paper."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from cleanside.gateway.units import offered, suggest_unit
from cleanside.gateway.wire import instant_text, parse_instant
from tests.support.coded import sentence
from tests.support.serving import DEVICE, STREAM, Api

FITTED = "2026-03-02T08:00:00Z"


def first_readings(**columns: list[float]) -> dict[str, Any]:
    """Key on for a minute, idle for two, high idle for one: a reading every two seconds."""
    second = 2.0 * np.arange(120)
    speed = np.select([second < 60, second < 180, second < 220], [0.0, 750.0, 2250.0], 750.0)
    given = {
        "engine_speed": speed.tolist(),
        "restriction": np.select([speed == 0, speed < 1000], [0.0, 0.35], 1.9).tolist(),
        "supply_voltage": np.where(speed == 0, 25.1, 27.9).tolist(),
        "ambient_pressure": [84.9] * 120,
        "altitude": [1500.0] * 120,
    } | columns
    units = {
        "engine_speed": "r/min",
        "restriction": "kPa",
        "supply_voltage": "V",
        "ambient_pressure": "kPa",
        "altitude": "m",
    }
    boots = [
        {"boot": f"6f2c{n}", "first_seq": 1 + 60 * n, "anchor": "gps", "uncertainty_s": 0.05} for n in (0, 1)
    ]
    return {
        "device": DEVICE,
        "stream": STREAM,
        "units": units,
        "first_seq": 1,
        "start": FITTED,
        "step_ms": [0] + [2000] * 119,
        "at_uncertainty_s": 0.05,
        "columns": given,
        "gateway": {"boots": boots, "appended_through": 120},
    }


def acceptance(api: Api, **query: str) -> dict[str, Any]:
    response = api.get("/v1/machines/grader-07/acceptance", key="planner", params=query)
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    return document


def verdicts(document: dict[str, Any]) -> dict[str, str]:
    return {check["check"]: check["verdict"] for check in document["checks"]}


def test_an_installation_is_accepted_once_the_limit_was_read_twice(api: Api) -> None:
    api.register()
    assert set(verdicts(acceptance(api)).values()) == {"not yet seen"}
    api.send(first_readings())
    waiting = acceptance(api)
    assert (waiting["result"], waiting["result_text"]) == (
        "not yet seen",
        "not complete, 1 of 9 checks open",
    )
    open_ = {name for name, verdict in verdicts(waiting).items() if verdict != "passed"}
    assert open_ == {"terminal restriction"}
    second = {"value": 6.2, "unit": "kPa"}
    confirmed = api.post("/v1/machines/grader-07/acceptance/second-reading", second, key="planner")
    assert confirmed.status_code == 200
    assert acceptance(api)["result"] == "passed"


def test_a_second_reading_that_differs_says_both_and_keeps_nothing(api: Api) -> None:
    api.register()
    api.send(first_readings())
    answer = api.post("/v1/machines/grader-07/acceptance/second-reading", {"value": 25, "unit": "kPa"})
    assert answer.status_code == 409
    problem = answer.json()
    assert problem["code"] == "terminal_differs"
    entered, read = {"value": 6.2, "unit": "kPa", "kpa": 6.2}, {"read_value": 25, "read_unit": "kPa"}
    address = "/v1/machines/grader-07/terminal-restriction"
    assert problem["detail"] == sentence("terminal_differs", **entered, **read, read_kpa=25, address=address)
    assert verdicts(acceptance(api))["terminal restriction"] == "not yet seen"
    unit = api.post("/v1/machines/grader-07/acceptance/second-reading", {"value": 25, "unit": "IN H2O"})
    assert unit.status_code == 422
    about = {"unit": "IN H2O", "quantity": "restriction", "likely": suggest_unit("IN H2O", "restriction")}
    accepted = ", ".join(offered("restriction"))
    assert unit.json()["detail"] == sentence("unit_does_not_measure", **about, accepted=accepted)


def test_a_new_limit_asks_for_a_new_confirmation(api: Api) -> None:
    api.register()
    api.send(first_readings())
    api.post("/v1/machines/grader-07/acceptance/second-reading", {"value": 6.2, "unit": "kPa"})
    api.post("/v1/machines/grader-07/terminal-restriction", {"value": 5.0, "unit": "kPa"})
    assert verdicts(acceptance(api))["terminal restriction"] == "not yet seen"


def test_a_tube_that_is_off_fails_with_what_to_do(api: Api) -> None:
    api.register()
    api.send(first_readings(restriction=[0.0] * 120))
    document = acceptance(api)
    assert document["result"] == "failed"
    failed = {c["check"]: c["next_step"] for c in document["checks"] if c["verdict"] == "failed"}
    assert set(failed) == {"restriction answers the engine", "clean level"}
    assert "tube that is off" in failed["restriction answers the engine"]


def test_a_later_fitting_is_looked_at_from_its_own_time(api: Api) -> None:
    api.register()
    api.send(first_readings(restriction=[0.0] * 120))
    later = instant_text(parse_instant(FITTED).us + 3_600_000_000)
    again = first_readings() | {"start": later, "first_seq": 121, "gateway": {"appended_through": 240}}
    api.clock.advance(3600)
    api.send(again)
    assert acceptance(api, since=later)["readings"] == 120
    assert verdicts(acceptance(api, since=later))["restriction answers the engine"] == "passed"


def test_the_report_on_paper_has_every_check_and_the_cautions(api: Api) -> None:
    api.register()
    api.send(first_readings())
    response = api.get("/v1/machines/grader-07/acceptance", key="planner", params={"format": "text"})
    assert response.headers["content-type"].startswith("text/plain")
    for check in acceptance(api)["checks"]:
        assert f"{check['verdict_text']:<13} {check['check_text']}\n" in response.text
    assert "Result:   not complete, 1 of 9 checks open\n" in response.text
    assert "Never run the engine with the element out." in response.text
    assert "Technician:" in response.text
    assert max(len(line) for line in response.text.splitlines()) <= 80


def test_without_a_limit_there_is_none_to_confirm(api: Api) -> None:
    assert api.post("/v1/machines", {"machine": "loader-02"}).status_code == 200
    answer = api.post("/v1/machines/loader-02/acceptance/second-reading", {"value": 25, "unit": "inH2O"})
    assert answer.status_code == 409
    address = "/v1/machines/loader-02/terminal-restriction"
    assert answer.json()["detail"] == sentence("limit_not_entered", address=address)


@pytest.mark.parametrize(
    "query",
    [{"since": "yesterday"}, {"since": "2099-01-01T00:00:00Z"}, {"format": "pdf"}, {"housing": "no such"}],
)
def test_a_wrong_question_is_refused_with_the_rule(api: Api, query: dict[str, str]) -> None:
    api.register()
    response = api.get("/v1/machines/grader-07/acceptance", key="planner", params=query)
    assert response.status_code == 422
    assert response.headers["content-type"] == "application/problem+json"


def test_a_devices_key_reads_its_own_acceptance_sheet_and_no_other(api: Api) -> None:
    api.register()
    api.send(first_readings())
    for name in ("loader-02", "hauler-11"):
        assert api.post("/v1/machines", {"machine": name}).status_code == 200
    sheet = api.get("/v1/machines/grader-07/acceptance?format=text", key="device")
    assert (sheet.status_code, "Technician:" in sheet.text) == (200, True)
    for other in ("loader-02", "nowhere-99"):  # without a device, and not there at all
        refused = api.get(f"/v1/machines/{other}/acceptance", key="device")
        assert (refused.status_code, refused.json()["code"]) == (404, "unknown_machine")
    assert api.get("/v1/machines/grader-07", key="device").status_code == 403
    assert api.post(f"/v1/devices/{DEVICE}/assignments", {"machine": "hauler-11"}).status_code == 200
    assert api.get("/v1/machines/grader-07/acceptance", key="device").status_code == 404
    assert api.get("/v1/machines/hauler-11/acceptance", key="device").status_code == 200


def test_a_machine_posted_for_over_rest_passes_with_what_was_compared_by_hand(api: Api) -> None:
    """No gateway, no altitude: the clock is shown by readings that come at once, the rest is compared."""
    api.register()
    limit = {"value": 6.2, "unit": "kPa"}
    assert api.post("/v1/machines/grader-07/acceptance/second-reading", limit).status_code == 200
    api.clock.now_us = parse_instant(FITTED).us + 240_000_000
    posted = first_readings()
    del (
        posted["at_uncertainty_s"],
        posted["gateway"],
        posted["columns"]["altitude"],
        posted["units"]["altitude"],
    )
    api.send(posted)
    found = verdicts(acceptance(api))
    assert (found["clock"], found["key-off"]) == ("passed", "not yet seen")
    assert found["ambient pressure"] == "not yet seen"
    path = "/v1/machines/grader-07/acceptance/hand-comparisons"
    assert api.post(path, {"subject": "key_off"}, key="planner").status_code == 200
    barometer = {"subject": "ambient_pressure", "value": 849.0, "unit": "hPa", "compared_with": "barometer"}
    sheet = api.post(path, barometer, key="planner").json()
    assert (sheet["result"], verdicts(sheet)["ambient pressure"]) == ("passed", "passed")


def test_a_noted_new_element_is_evidence_and_the_newest_note_counts(api: Api) -> None:
    api.register()
    api.send(first_readings())
    path = "/v1/machines/grader-07/acceptance/hand-comparisons"
    note = {"subject": "clean_element", "value": 1.9, "unit": "kPa", "compared_with": "hand gauge"}
    assert said_of_note(api) == []
    assert api.post(path, note).status_code == 200
    [(code, shown_pa)] = said_of_note(api)
    assert code == "clean_noted"
    assert shown_pa == pytest.approx(1_900.0)
    api.clock.now_us += 60_000_000
    assert api.post(path, note | {"value": 19.0}).status_code == 200
    assert [code for code, _ in said_of_note(api)] == ["clean_noted_doubted"]


def said_of_note(api: Api) -> list[tuple[str, float]]:
    """Code and value of what the evidence has of a note."""
    api.analyse()
    [housing] = api.get("/v1/fleet").json()["housings"]
    said = [one for one in housing["evidence_said"] if one["code"].startswith("clean_noted")]
    return [(one["code"], one["values"]["shown_pa"]) for one in said]


@pytest.mark.parametrize(
    ("body", "pointer"),
    [
        ({"subject": "key_off", "value": 1.0}, "#/value"),
        ({"subject": "zero"}, "#/value"),
        ({"subject": "zero", "value": 0.0, "unit": "V"}, "#/unit"),
        ({"subject": "clock", "value": 2.0, "unit": "min"}, "#/unit"),
        ({"subject": "clean_element", "value": 0.0, "unit": "kPa"}, "#/value"),
        ({"subject": "clean_element"}, "#/value"),
        ({"subject": "weather", "value": 2.0, "unit": "s"}, "#/subject"),
    ],
)
def test_a_comparison_that_says_nothing_is_refused(api: Api, body: dict[str, Any], pointer: str) -> None:
    api.register()
    refused = api.post("/v1/machines/grader-07/acceptance/hand-comparisons", body)
    assert (refused.status_code, [e["pointer"] for e in refused.json()["errors"]]) == (422, [pointer])
