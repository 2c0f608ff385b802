"""Entries made without a link: taken once each, by the id that the phone gave them; placed in time."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import httpx
import pytest

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.api.routes.entries import CLOCK_RIGHT_US, placed_us
from cleanside.ingest.api.routes.plate_photo import ONE_PIXEL
from tests.support.serving import Api, in_process

ENTRY = "0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c01"
OTHER = "0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c02"
MADE = "2026-03-02T07:00:00Z"
CHANGES = "/v1/machines/grader-07/element-changes"


@pytest.fixture
def api(database_url: str) -> Iterator[Api]:
    with in_process(database_url) as running:
        running.register()
        yield running


def entry(kind: str, content: dict[str, Any], **more: Any) -> dict[str, Any]:
    whole = {"entry_id": ENTRY, "kind": kind, "machine": "grader-07", "made_at": MADE, "content": content}
    return whole | more


def send(api: Api, document: dict[str, Any], **more: Any) -> httpx.Response:
    return api.post("/v1/entries", document, key="planner", **more)


def taken(api: Api) -> list[tuple[str, str]]:
    listed = api.get("/v1/entries").json()["entries"]
    return [(shown["entry_id"], shown["kind"]) for shown in listed]


def audited(api: Api, what: str) -> int:
    return len(api.get("/v1/audit", params={"what": what}).json()["entries"])


@pytest.mark.parametrize(
    ("kind", "content", "noted"),
    [
        ("element_change", {"what": "cleaned"}, "element_change"),
        ("terminal_restriction", {"value": 25, "unit": "inH2O"}, "terminal"),
        ("second_reading", {"value": 6.2, "unit": "kPa"}, "terminal_confirmed"),
        ("hand_comparison", {"subject": "key_off"}, "compared_by_hand"),
        ("plate_photo", {"jpeg": ONE_PIXEL}, "plate_photo"),
        ("meter_reading", {"meter_hours": 8120.5}, "meter_reading"),
        ("gauge_reading", {"value": 4.1, "unit": "kPa"}, "gauge_reading"),
    ],
)
def test_an_entry_of_each_kind_is_carried_out_once(
    api: Api, kind: str, content: dict[str, Any], noted: str
) -> None:
    before = audited(api, noted)
    outcomes = [send(api, entry(kind, content)).json()["outcome"] for _ in range(3)]
    assert outcomes == ["taken", "same_as_before", "same_as_before"]
    assert taken(api) == [(ENTRY, kind)]
    assert audited(api, noted) == before + 1


def test_an_element_change_takes_id_and_time_from_the_entry(api: Api) -> None:
    send(api, entry("element_change", {"note": "very dusty"}))
    [change] = api.get(CHANGES).json()["element_changes"]
    assert (change["entry_id"], change["changed_at"], change["what"]) == (ENTRY, MADE, "new")


def test_an_entry_is_taken_back_by_another_one(api: Api) -> None:
    send(api, entry("element_change", {"what": "cleaned", "meter_hours": 8120.5}))
    back = entry("take_back", {"of": ENTRY}, entry_id=OTHER)
    assert [send(api, back).json()["outcome"] for _ in range(2)] == ["taken", "same_as_before"]
    assert api.get(CHANGES).json()["element_changes"] == []
    assert api.get("/v1/machines/grader-07/meter-readings").json()["meter_readings"] == []
    assert audited(api, "element_change_taken_back") == 1


SHEET = "/v1/machines/grader-07/acceptance"
LIMIT = {"value": 25, "unit": "inH2O"}


def standing(api: Api) -> dict[str, Any]:
    """What stands of limit, second reading, comparison and photo."""
    sheet = api.get(SHEET).json()
    photo = api.get("/v1/machines/grader-07/plate-photo").json()["photo"]
    checks = {check["check"]: check["verdict"] for check in sheet["checks"]}
    return {"limit": sheet["terminal_restriction"], "photo": photo, "checks": checks}


@pytest.mark.parametrize(
    ("kind", "content"),
    [
        ("terminal_restriction", LIMIT),
        ("second_reading", {"value": 6.2, "unit": "kPa"}),
        ("hand_comparison", {"subject": "key_off"}),
        ("plate_photo", {"jpeg": ONE_PIXEL}),
    ],
)
def test_what_a_visit_entered_is_taken_back_and_what_stood_before_stands(
    api: Api, kind: str, content: dict[str, Any]
) -> None:
    before = standing(api)
    send(api, entry(kind, content))
    assert standing(api) != before
    back = entry("take_back", {"of": ENTRY}, entry_id=OTHER)
    assert [send(api, back).json()["outcome"] for _ in range(2)] == ["taken", "same_as_before"]
    assert standing(api) == before
    assert audited(api, "visit_entry_taken_back") == 1
    again = send(api, entry("take_back", {"of": ENTRY}, entry_id=ENTRY[:-2] + "03"))
    assert (again.status_code, again.json()["code"]) == (404, "nothing_to_take_back")


@pytest.mark.parametrize(
    ("kind", "route", "content"),
    [
        ("terminal_restriction", "terminal-restriction", LIMIT),
        ("second_reading", "acceptance/second-reading", {"value": 6.2, "unit": "kPa"}),
        ("hand_comparison", "acceptance/hand-comparisons", {"subject": "key_off"}),
        ("plate_photo", "plate-photo", {"jpeg": ONE_PIXEL}),
    ],
)
def test_what_came_by_its_own_route_is_listed_and_taken_back_like_a_visits(
    api: Api, kind: str, route: str, content: dict[str, Any]
) -> None:
    before = standing(api)
    assert api.post(f"/v1/machines/grader-07/{route}", content, key="integrator").status_code == 200
    assert standing(api) != before
    [(entry_id, listed)] = taken(api)
    assert listed == kind
    back = entry("take_back", {"of": entry_id}, entry_id=OTHER)
    assert [send(api, back).json()["outcome"] for _ in range(2)] == ["taken", "same_as_before"]
    assert standing(api) == before
    assert audited(api, "visit_entry_taken_back") == 1


def test_what_a_route_refused_is_not_listed(api: Api) -> None:
    differs = {"value": 9.9, "unit": "kPa"}
    refused = api.post("/v1/machines/grader-07/acceptance/second-reading", differs, key="planner")
    assert (refused.status_code, taken(api)) == (409, [])


def test_a_limit_that_was_changed_since_is_not_taken_back(api: Api) -> None:
    send(api, entry("terminal_restriction", LIMIT))
    limit = {"value": 24, "unit": "inH2O"}
    assert api.post("/v1/machines/grader-07/terminal-restriction", limit).status_code == 200
    refused = send(api, entry("take_back", {"of": ENTRY}, entry_id=OTHER))
    assert (refused.status_code, refused.json()["code"]) == (409, "limit_changed_since")
    assert standing(api)["limit"]["value"] == 24


def test_a_visit_entry_of_another_machine_is_not_taken_back(api: Api) -> None:
    send(api, entry("plate_photo", {"jpeg": ONE_PIXEL}))
    assert api.post("/v1/machines", {"machine": "loader-02"}).status_code == 200
    elsewhere = entry("take_back", {"of": ENTRY}, entry_id=OTHER) | {"machine": "loader-02"}
    assert send(api, elsewhere).json()["code"] == "nothing_to_take_back"
    assert standing(api)["photo"] is not None


def test_what_is_not_there_is_not_taken_back(api: Api) -> None:
    answer = send(api, entry("take_back", {"of": OTHER}))
    assert (answer.status_code, answer.json()["code"]) == (404, "nothing_to_take_back")
    assert taken(api) == []


def test_a_change_that_its_own_route_took_is_the_same_entry(api: Api) -> None:
    """Made on the phone and, say, on the page: one id, one entry."""
    there = {"changed_at": MADE, "entry_id": ENTRY}
    assert api.post(CHANGES, there, key="planner").status_code == 200
    assert send(api, entry("element_change", {})).status_code == 200
    assert len(api.get(CHANGES).json()["element_changes"]) == 1


def test_another_content_under_the_same_id_is_refused_and_changes_nothing(api: Api) -> None:
    send(api, entry("element_change", {}))
    other = send(api, entry("element_change", {"what": "cleaned"}))
    assert (other.status_code, other.json()["code"]) == (409, "entry_differs")
    [change] = api.get(CHANGES).json()["element_changes"]
    assert change["what"] == "new"


def test_a_refused_entry_leaves_its_id_free_and_the_next_one_goes(api: Api) -> None:
    early = send(api, entry("second_reading", {"value": 25, "unit": "inH2O"}))
    assert (early.status_code, early.json()["code"]) == (409, "terminal_differs")
    limit = entry("terminal_restriction", {"value": 25, "unit": "inH2O"}, entry_id=OTHER)
    assert send(api, limit).json()["outcome"] == "taken"
    again = send(api, entry("second_reading", {"value": 25, "unit": "inH2O"}))
    assert again.json()["outcome"] == "taken"
    assert [name for name, _ in taken(api)] == [OTHER, ENTRY]


@pytest.mark.parametrize(
    ("changed", "status", "code", "pointer"),
    [
        ({"kind": "oil_change"}, 422, "not_valid", "#/kind"),
        ({"machine": "nowhere-99"}, 404, "unknown_machine", None),
        ({"content": {"value": "25", "unit": "kPa"}}, 422, "not_valid", "#/content/value"),
        ({"content": {"value": 25, "unit": "kg"}}, 422, "not_valid", "#/content/unit"),
        ({"content": {"value": 25, "unit": "kPa", "colour": 1}}, 422, "not_valid", "#/content/colour"),
        ({"content": {"value": 25, "unit": "kPa", "housing": "left"}}, 404, "unknown_housing", None),
        ({"made_at": "yesterday"}, 422, "not_valid", "#/made_at"),
        ({"made_at": "0001-01-01T00:00:00Z"}, 422, "not_valid", "#/made_at"),
        ({"sent_at": "9999-12-31T23:59:59Z"}, 422, "not_valid", "#/sent_at"),
    ],
)
def test_a_refusal_names_the_place_in_the_entry(
    api: Api, changed: dict[str, Any], status: int, code: str, pointer: str | None
) -> None:
    answer = send(api, entry("terminal_restriction", {"value": 25, "unit": "inH2O"}) | changed)
    problem = answer.json()
    assert (answer.status_code, problem["code"]) == (status, code)
    assert [e["pointer"] for e in problem["errors"]] == ([] if pointer is None else [pointer])
    assert taken(api) == []


def test_a_kind_asks_for_the_permission_of_its_act(api: Api) -> None:
    for key in ("device", "integrator"):
        answer = api.post("/v1/entries", entry("element_change", {}), key=key)
        assert (answer.status_code, answer.json()["code"]) == (403, "role_not_allowed")


def test_an_id_counts_within_its_owner(api: Api) -> None:
    send(api, entry("element_change", {}))
    other = api.post("/v1/entries", entry("element_change", {}), key="quarry admin")
    assert (other.status_code, other.json()["code"]) == (404, "unknown_machine")
    assert api.get("/v1/entries", key="quarry admin").json()["entries"] == []


def at(text: str) -> int:
    return parse_instant(text).us


def test_an_entry_is_placed_by_its_age_where_the_phones_clock_is_off() -> None:
    now_us = at("2026-03-02T09:00:00Z")
    an_hour_us = 3_600_000_000
    assert placed_us(now_us - an_hour_us, now_us - 20_000_000, now_us) == now_us - an_hour_us
    a_day_off_us = now_us + 24 * an_hour_us
    assert placed_us(a_day_off_us - an_hour_us, a_day_off_us, now_us) == now_us - an_hour_us
    a_year_late_us = now_us - 8760 * an_hour_us
    assert placed_us(a_year_late_us - an_hour_us, a_year_late_us, now_us) == now_us - an_hour_us
    assert placed_us(now_us + CLOCK_RIGHT_US, None, now_us) == now_us


def test_a_change_made_on_a_phone_with_a_wrong_clock_stands_where_it_was_made(api: Api) -> None:
    made = entry("element_change", {}, made_at="2031-01-01T00:00:00Z", sent_at="2031-01-01T02:30:00Z")
    assert send(api, made).json()["made_at"] == "2026-03-02T06:30:00Z"
    [change] = api.get(CHANGES).json()["element_changes"]
    assert change["changed_at"] == "2026-03-02T06:30:00Z"


# ---------------------------------------------------------------- corrections


def correct(api: Api, entry_id: str = OTHER, machine: str = "grader-07", **content: Any) -> httpx.Response:
    whole = {"of": ENTRY, "because": "I took the wrong line"} | content
    return send(api, entry("correction", whole, entry_id=entry_id, machine=machine))


def test_the_date_of_an_entry_is_corrected_and_what_it_was_stays_readable(api: Api) -> None:
    gauge = {"value": 4.1, "unit": "kPa"}
    made = {"what": "cleaned", "note": "very dusty", "meter_hours": 8120.5, "gauge": gauge}
    entered_at = send(api, entry("element_change", made)).json()["taken_at"]
    assert correct(api, changed_at="2026-03-01T06:00:00Z").json()["outcome"] == "taken"
    [change] = api.get(CHANGES).json()["element_changes"]
    assert (change["entry_id"], change["changed_at"]) == (ENTRY, "2026-03-01T06:00:00Z")
    assert (change["note"], change["entered_at"], change["meter_hours"]) == ("very dusty", entered_at, 8120.5)
    [corrected] = change["corrections"]
    assert (corrected["changed_at"], corrected["machine"]) == (MADE, "grader-07")
    assert (corrected["who"], corrected["because"]) == (change["who"], "I took the wrong line")
    for path in ("meter-readings", "gauge-readings"):
        [read] = api.get(f"/v1/machines/grader-07/{path}").json()[path.replace("-", "_")]
        assert read["at"] == "2026-03-01T06:00:00Z", path
    assert taken(api) == [(ENTRY, "element_change"), (OTHER, "correction")]
    assert audited(api, "element_change_corrected") == 1
    again = correct(api, changed_at="2026-03-01T06:00:00Z")
    assert again.json()["outcome"] == "same_as_before"
    same = correct(api, entry_id="third", changed_at="2026-03-01T06:00:00Z")
    assert (same.status_code, same.json()["errors"][0]["pointer"]) == (422, "#/content/changed_at")


def test_an_entry_at_the_wrong_machine_is_corrected_to_the_right_one(api: Api) -> None:
    assert api.post("/v1/machines", {"machine": "hauler-12"}).status_code == 200
    send(api, entry("element_change", {"what": "new", "meter_hours": 8120.5}))
    assert correct(api, to_machine="hauler-12").status_code == 200
    answer = api.get(CHANGES).json()
    assert answer["element_changes"] == []
    [gone] = answer["gone"]
    assert (gone["entry_id"], gone["to_machine"], gone["to_housing"]) == (ENTRY, "hauler-12", "main")
    assert gone["because"] == "I took the wrong line"
    there = api.get("/v1/machines/hauler-12/element-changes").json()
    [change] = there["element_changes"]
    assert (change["changed_at"], change["meter_hours"], there["gone"]) == (MADE, 8120.5, [])
    assert change["corrections"][0]["machine"] == "grader-07"
    assert api.get("/v1/machines/grader-07/meter-readings").json()["meter_readings"] == []
    late = correct(api, entry_id="third", to_machine="hauler-12")
    assert (late.status_code, late.json()["code"]) == (404, "unknown_element_change")
    assert correct(api, "fourth", "hauler-12", to_machine="grader-07").status_code == 200  # and back
    back = api.get(CHANGES).json()
    assert (len(back["element_changes"]), back["gone"]) == (1, [])


def test_a_correction_needs_a_reason_a_past_time_and_a_machine_that_is_seen(api: Api) -> None:
    send(api, entry("element_change", {"what": "new"}))
    assert correct(api, because="", changed_at="2026-03-01T06:00:00Z").status_code == 422
    assert correct(api, changed_at="2026-05-01T06:00:00Z").json()["code"] == "not_valid"
    assert correct(api, to_machine="nowhere").status_code == 404
    [change] = api.get(CHANGES).json()["element_changes"]
    assert (change["changed_at"], change["corrections"]) == (MADE, [])


def test_the_part_goes_with_a_correction(api: Api) -> None:
    """At another site the piece comes from there, and the first site has its own back."""
    assert api.post("/v1/machines", {"machine": "hauler-12"}).status_code == 200
    for site in ("oberkies", "unterkies"):
        assert api.post("/v1/sites", {"site": site}).status_code == 200
    stock = [{"site": "oberkies", "pieces": 1}, {"site": "unterkies", "pieces": 1}]
    assert api.post("/v1/parts", {"part": "KG-0715", "stock": stock}).status_code == 200
    for machine, site in (("grader-07", "oberkies"), ("hauler-12", "unterkies")):
        papers = {"site": site, "housings": [{"housing": "main", "primary_part": "KG-0715"}]}
        assert api.request("PATCH", f"/v1/machines/{machine}/papers", json=papers).status_code == 200
    send(api, entry("element_change", {"what": "new"}))
    assert _pieces(api) == {"oberkies": 0, "unterkies": 1}
    assert correct(api, to_machine="hauler-12").status_code == 200
    assert _pieces(api) == {"oberkies": 1, "unterkies": 0}


def _pieces(api: Api) -> dict[str, int]:
    [part] = api.get("/v1/shop").json()["parts"]
    return {line["site"]: line["pieces"] for line in part["stock"]}
