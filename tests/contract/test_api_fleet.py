"""Machines, devices, assignments by time, restriction that is always current, silence explained."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from cleanside.gateway.units import to_si
from cleanside.gateway.wire import BatchRefused, instant_text, load_json, parse_instant
from cleanside.ingest.restriction import PackedHour, Summaries
from cleanside.ingest.restriction.verdict.plain_forms import text_of
from cleanside.ingest.restriction.verdict.statement import say
from cleanside.ingest.store.models import hour_summaries
from tests.support.coded import sentence
from tests.support.serving import DEVICE, Api, batch, bearer

HOUR_S = 3600
START = "2026-02-20T06:00:00Z"
HOURS = sa.select(hour_summaries.c.hour, hour_summaries.c.record, hour_summaries.c.bins)


def working_hours(
    hours: int, *, first_seq: int = 1, rise_kpa: float = 0.02, new_at_hour: int = 0, **more: Any
) -> dict[str, Any]:
    """
    A machine at rated speed, one reading a minute; restriction rises by the hour.

    new_at_hour : another element goes in then; until then restriction is 3 kPa higher.
    """
    start_us = parse_instant(START).us + (first_seq - 1) * 60_000_000
    count = hours * 60
    return {
        "device": DEVICE,
        "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11",
        "units": {"restriction": "kPa", "engine_speed": "r/min"},
        "first_seq": first_seq,
        "start": instant_text(start_us),
        "step_ms": [0] + [60_000] * (count - 1),
        "columns": {
            "restriction": [
                round(2.0 + 3.0 * (i < 60 * new_at_hour) + (first_seq + i) / 60 * rise_kpa, 3)
                for i in range(count)
            ],
            "engine_speed": [1800.0] * count,
        },
    } | more


def set_hours_in(api: Api, hours: float) -> None:
    """Set the server's clock to so many hours after `START`."""
    api.clock.now_us = parse_instant(START).us + round(hours * HOUR_S * 1_000_000)


def without_an_element(api: Api) -> None:
    """30 h with the element in, then 10 h at a tenth of that: torn, out, or a tube off."""
    set_hours_in(api, 41)
    api.send(working_hours(30))
    empty = working_hours(10, first_seq=1 + 30 * 60)
    empty["columns"]["restriction"] = [0.2] * 600
    api.send(empty)
    api.analyse()


def tube_off_at_last(api: Api) -> None:
    """30 h with the element in, and ten minutes into the next hour a tube comes off, for five minutes."""
    set_hours_in(api, 30.25)
    api.send(working_hours(30))
    second = np.arange(90)  # a reading every ten seconds
    off = second >= 60
    at_high = second % 30 >= 15
    last = working_hours(1, first_seq=1 + 30 * 60)
    last["step_ms"] = [0] + [10_000] * 89
    last["columns"] = {
        "restriction": np.where(off, 0.05, np.where(at_high, 2.6, 0.2)).tolist(),
        "engine_speed": np.where(at_high, 1800.0, 750.0).tolist(),
    }
    api.send(last)
    api.analyse()


def register_worked(api: Api, hours: int, **more: Any) -> None:
    """A machine with these `working_hours` sent and analysed, an hour after the last reading."""
    api.register()
    set_hours_in(api, hours + 1)
    api.send(working_hours(hours, **more))
    api.analyse()


def tubes_exchanged_at_last(api: Api) -> None:
    """30 h as they are, then 10 h with the tubes of the sensor exchanged; each begins at rest."""
    set_hours_in(api, 41)
    for first_hour, hours, sign in ((0, 30, 1.0), (30, 10, -1.0)):
        body = working_hours(hours, first_seq=1 + first_hour * 60)
        columns = body["columns"]
        for name, turned in (("restriction", sign), ("engine_speed", 1.0)):
            columns[name] = [
                0.0 if minute % 60 < 6 else turned * value for minute, value in enumerate(columns[name])
            ]
        api.send(body)
    api.analyse()


def restriction(api: Api, machine: str = "grader-07", **query: str) -> dict[str, Any]:
    response = api.get(f"/v1/machines/{machine}/restriction", key="planner", params=query)
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    return document


def test_the_series_has_the_sign_that_all_figures_have(api: Api) -> None:
    """With the tubes exchanged the plot fell to zero beside a machine over its limit."""
    api.register()
    tubes_exchanged_at_last(api)
    known = restriction(api)
    assert "ports_swapped" in [suspicion["cause"] for suspicion in known["suspicions"]]
    levels = [point["restriction_pa"] for point in known["series"]]
    assert min(levels) > 1_500
    assert levels[-1] == pytest.approx(known["restriction_pa"], rel=0.05)


# ---------------------------------------------------------------- machines and devices


def test_a_machine_is_registered_with_its_limit_in_the_unit_it_was_read_in(api: Api) -> None:
    body = {
        "machine": "loader-02",
        "kind": "loader",
        "housings": [
            {"housing": "left", "terminal_restriction": {"value": 25, "unit": "inH2O"}},
            {"housing": "right"},
        ],
    }
    first, second = api.post("/v1/machines", body), api.post("/v1/machines", body)
    assert first.json() | {"outcome": "unchanged"} == second.json()
    left, right = first.json()["housings"]
    limit = left["terminal_restrictions"][0]
    # NIST SP 811 (2008) B.8: 1 inch of water, conventional = 2.490 889 E+02 Pa
    assert (limit["value"], limit["unit"]) == (25, "inH2O")
    assert limit["restriction_pa"] == pytest.approx(25 * 249.0889, rel=1e-6)
    assert right["terminal_restrictions"] == []
    assert [m["machine"] for m in api.get("/v1/machines").json()["machines"]] == ["loader-02"]


def test_a_machine_registered_again_says_what_changed(api: Api) -> None:
    limit = {"value": 5.0, "unit": "kPa"}
    body = {"machine": "hauler-21", "housings": [{"housing": "main", "terminal_restriction": limit}]}

    def outcome(**more: Any) -> tuple[str, list[str]]:
        answer = api.post("/v1/machines", body | more).json()
        return answer["outcome"], answer["changed"]

    assert outcome() == ("made", [])
    assert outcome() == ("unchanged", [])
    assert outcome(kind="hauler") == ("changed", ["kind"])
    other = [{"housing": "main", "terminal_restriction": limit | {"value": 6.0}}, {"housing": "right"}]
    assert outcome(housings=other) == ("changed", ["main/terminal_restrictions", "right"])
    assert outcome(housings=other, display_name="Hauler 21") == ("changed", ["display_name"])
    assert outcome(kind="hauler", housings=other) == ("unchanged", [])


def test_a_later_limit_leaves_the_earlier_one_for_its_time(api: Api) -> None:
    api.register()
    body = {"value": 5.0, "unit": "kPa", "valid_from": "2026-03-01T00:00:00Z"}
    assert api.post("/v1/machines/grader-07/terminal-restriction", body).status_code == 200
    limits = api.get("/v1/machines/grader-07").json()["housings"][0]["terminal_restrictions"]
    assert [(x["value"], x["valid_from"]) for x in limits] == [(6.2, None), (5.0, "2026-03-01T00:00:00Z")]
    assert restriction(api)["terminal_restriction"]["value"] == 5.0
    api.clock.now_us = parse_instant("2026-02-28T23:59:59Z").us
    assert restriction(api)["terminal_restriction"]["value"] == 6.2


def test_the_flow_at_which_terminal_is_stated_is_entered_with_its_unit_and_used(api: Api) -> None:
    register_worked(api, 30)
    learned = restriction(api)
    speed = say("reference_speed_learned", reference_rad_s=to_si(1800, "r/min", "engine_speed"))
    assert text_of(speed) in learned["evidence"]
    entered = {"quantity": "engine_speed", "value": 2000, "unit": "r/min"}
    body = {"machine": "grader-07", "housings": [{"housing": "main", "reference_flow": entered}]}
    shown = api.post("/v1/machines", body).json()["housings"][0]
    assert shown["reference_flow"] == entered
    assert shown["terminal_restrictions"][0]["value"] == 6.2
    after = restriction(api)
    assert text_of(say("reference_entered")) in after["evidence"]
    # Terminal is stated at 2000 r/min, all readings are from 1800: R_ref = R (2000/1800)^n.
    expected = learned["restriction_pa"] * (2000 / 1800) ** after["flow_exponent"]
    assert after["restriction_pa"] == pytest.approx(expected, rel=1e-6)


def test_a_reference_flow_in_a_unit_of_something_else_is_refused(api: Api) -> None:
    wrong = {"quantity": "engine_speed", "value": 2000, "unit": "kPa"}
    body = {"machine": "grader-07", "housings": [{"housing": "main", "reference_flow": wrong}]}
    refused = api.post("/v1/machines", body)
    assert refused.status_code == 422
    assert refused.json()["errors"][0]["pointer"] == "#/housings/0/reference_flow/unit"
    assert api.get("/v1/machines").json()["machines"] == []


def test_lives_say_when_each_began_and_ended_and_who_said_so(api: Api) -> None:
    register_worked(api, 60, new_at_hour=24)
    change = {"changed_at": "2026-02-21T06:00:00Z"}
    assert api.post("/v1/machines/grader-07/element-changes", change, key="planner").status_code == 200
    first, running = api.get("/v1/machines/grader-07/lives", key="planner").json()["lives"]
    assert (first["began"], first["began_by"], first["end_at"]) == ("first seen", None, change["changed_at"])
    assert (running["began"], running["began_by"]) == ("change", "entered")
    assert (running["start_at"], running["end_at"]) == (change["changed_at"], None)
    assert (first["ended"], running["ended"], running["sure"]) == ("before terminal", "running", "high")
    assert (first["hours"], running["hours"]) == (pytest.approx(24, abs=1), pytest.approx(36, abs=1))
    assert running["level_before_pa"] == first["level_end_pa"] > first["level_start_pa"]


def test_the_fleet_comes_by_pages_in_one_order(api: Api) -> None:
    names = [f"loader-{n:02}" for n in range(7)]
    for name in names:
        api.register(f"{name}-intake", name)
    seen: list[str] = []
    more: dict[str, Any] = {}
    while True:
        page = api.get("/v1/fleet", params={"limit": 3} | more).json()
        seen += [housing["machine"] for housing in page["housings"]]
        if page["next"] is None:
            break
        more = {"cursor": page["next"]}
    assert seen == names


def test_slow_paging_sees_every_housing_once(api: Api) -> None:
    """A due date moves on with the clock; the pages are those of one instant all the same."""
    names = [f"loader-{n:02}" for n in range(4)]
    for name in names:
        api.register(f"{name}-intake", name)
    set_hours_in(api, 31)
    for number, name in enumerate(names):
        made = api.post("/v1/keys", {"role": "device", "devices": [f"{name}-intake"]}).json()
        own = {"device": f"{name}-intake", "stream": f"019abc00-7e1a-7c3e-8f00-5d2b8a9c0d{number:02}"}
        body = working_hours(30, rise_kpa=0.02 + 0.01 * number) | own
        assert api.post("/v1/readings", body, key=None, headers=bearer(made["key"])).status_code == 200
    api.analyse()
    first = page = api.get("/v1/fleet", params={"limit": 1}).json()
    assert first["housings"][0]["due_at"] is not None
    seen = [page["housings"][0]["machine"]]
    while page["next"] is not None:
        api.clock.advance(120)
        page = api.get("/v1/fleet", params={"limit": 1, "cursor": page["next"]}).json()
        assert page["now"] == first["now"]
        seen += [housing["machine"] for housing in page["housings"]]
        assert len(seen) <= len(names)
    assert sorted(seen) == names
    api.clock.advance(HOUR_S)
    late = api.get("/v1/fleet", params={"limit": 1, "cursor": first["next"]})
    assert late.status_code == 422
    now = instant_text(api.clock.now_us)
    assert late.json()["detail"] == sentence("cursor_too_old", at=first["now"], now=now)


def test_the_answer_says_up_to_when_the_analysis_stands(api: Api) -> None:
    api.register()
    set_hours_in(api, 31)
    assert restriction(api)["analysed_through"] is None
    api.send(working_hours(5))
    assert restriction(api)["analysed_through"] == START
    api.analyse()
    current = restriction(api)
    assert current["analysed_through"] == current["last_reading_at"]
    api.send(working_hours(5, first_seq=301))
    assert restriction(api)["analysed_through"] == "2026-02-20T11:00:00Z"


@pytest.mark.parametrize(
    "path", ["/v1/machines", "/v1/devices", "/v1/fleet", "/v1/account", "/v1/quarantine"]
)
def test_another_owner_sees_nothing(api: Api, path: str) -> None:
    api.register()
    api.send(batch(1, [3.0, 900.0]))
    document = api.get(path, key="quarry admin").json()
    assert [v for v in document.values() if isinstance(v, list)] == [[]]
    assert [v for v in api.get(path).json().values() if isinstance(v, list)] != [[]]


def test_another_owners_machine_answers_as_one_that_is_not_there(api: Api) -> None:
    api.register()
    for path in ("/v1/machines/{}", "/v1/machines/{}/restriction", "/v1/machines/{}/element-changes"):
        foreign = api.get(path.format("grader-07"), key="quarry admin")
        unknown = api.get(path.format("grader-08"), key="quarry admin")
        assert foreign.status_code == unknown.status_code == 404
        assert foreign.json()["code"] == unknown.json()["code"] == "unknown_machine"


def test_an_integrator_sees_and_changes_only_what_it_registered(api: Api) -> None:
    api.register()
    own = {"machine": "hauler-11", "kind": "hauler"}
    assert api.post("/v1/machines", own, key="integrator").status_code == 200
    made = api.post("/v1/devices", {"device": "hauler-11-intake", "machine": "hauler-11"}, key="integrator")
    assert made.status_code == 200
    document = batch(1, [3.0], stream=None) | {"device": "hauler-11-intake"}
    assert api.post("/v1/readings", document, key="integrator").json()["stored"] == 1
    taken = api.post("/v1/devices", {"device": "loader-02-intake"}, key="admin")
    assert taken.status_code == 200
    refused = api.post("/v1/devices", {"device": "loader-02-intake"}, key="integrator")
    assert (refused.status_code, refused.json()["code"]) == (409, "device_taken")


def test_an_integrator_does_not_see_the_machines_of_others(api: Api) -> None:
    made = api.post("/v1/keys", {"role": "integrator"}).json()
    api.register()
    headers = bearer(made["key"])
    assert api.get("/v1/machines", key=None, headers=headers).json()["machines"] == []
    assert api.get("/v1/machines/grader-07", key=None, headers=headers).status_code == 404
    assert api.get(f"/v1/devices/{DEVICE}", key=None, headers=headers).status_code == 404


# ---------------------------------------------------------------- restriction


def test_restriction_share_used_hours_left_and_due_dates_are_said(api: Api) -> None:
    api.register()
    set_hours_in(api, 61)
    api.send(working_hours(60))
    assert restriction(api)["hours_behind"] == 60
    api.analyse()
    seen = restriction(api)
    assert seen["hours_behind"] == 0
    assert seen["restriction_pa"] == pytest.approx(3180, abs=60)
    assert 0 < seen["share_used_percent"] < 100
    left, due = seen["hours_left"], seen["due_at"]
    assert 0 < left["p10"] <= left["p50"] <= left["p90"]
    assert due["p10"] <= due["p50"]
    latch_left, latch = seen["latch_hours_left"], seen["latch_at"]
    assert 0 < latch_left["p10"] <= latch_left["p50"] <= latch_left["p90"]
    assert latch["p10"] <= latch["p50"]
    assert (seen["state"], seen["state_text"]) in (("serving", "in service"), ("plan", "plan change"))
    [in_list] = api.get("/v1/fleet").json()["housings"]
    assert in_list["state_text"] == seen["state_text"]
    assert len(seen["series"]) == 60
    assert seen["series"][0]["hour"] == START
    assert "service limit" in seen["advice"] or "locked out" in seen["advice"]


def test_order_of_arrival_does_not_matter(api: Api) -> None:
    """Invariant 6: late, repeated and out of order, the result is that of the same readings in order."""
    api.register()
    set_hours_in(api, 31)
    parts = [working_hours(5, first_seq=first) for first in range(1, 1800, 300)]
    for index in (3, 0, 5, 3, 1, 4, 2, 0):
        api.send(parts[index])
        api.analyse()
    with api.resources.reading() as connection:
        kept = [tuple(row) for row in connection.execute(HOURS)]
    assert kept

    api.register("grader-08-intake", "grader-08")
    made = api.post("/v1/keys", {"role": "device", "devices": ["grader-08-intake"]}).json()
    other = {"device": "grader-08-intake", "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d99"}
    for part in parts:
        response = api.post("/v1/readings", part | other, key=None, headers=bearer(made["key"]))
        assert response.status_code == 200
    api.analyse()
    shuffled, ordered = restriction(api), restriction(api, "grader-08")
    assert ordered["snapshot"] >= 1  # both by what was learned of both
    assert ordered | {"machine": "grader-07"} == shuffled
    with api.resources.reading() as connection:
        again = [tuple(row) for row in connection.execute(HOURS)]
    assert sorted(kept * 2) == sorted(again)


def test_a_late_reading_changes_its_own_hour_only(api: Api) -> None:
    api.register()
    set_hours_in(api, 31)
    early, late = working_hours(5), working_hours(5, first_seq=601)
    api.send(late)
    api.send(early)
    api.analyse()

    def records() -> dict[int, PackedHour]:
        with api.resources.reading() as connection:
            return {row.hour: PackedHour(row.record, row.bins) for row in connection.execute(HOURS)}

    before = records()
    api.send(
        batch(1201, [2.5], gateway={"appended_through": 1201})
        | {"readings": [{"seq": 1201, "at": "2026-02-20T08:30:30Z", "restriction": 2.5}]}
    )
    with api.resources.reading() as connection:
        behind = connection.scalar(sa.text("SELECT count(*) FROM hours WHERE revision > analysed_revision"))
    assert behind == 1
    api.analyse()
    after = records()
    changed = [hour for hour in after if after[hour] != before[hour]]
    assert changed == [parse_instant("2026-02-20T08:00:00Z").us // 3_600_000_000]
    assert Summaries.unpacked([after[changed[0]]])[0].readings == 61


def test_an_entered_element_change_starts_a_new_life(api: Api) -> None:
    register_worked(api, 30, new_at_hour=24)  # 6 hours after: too few to find it without the entry
    assert restriction(api)["life_hours"] == pytest.approx(30, abs=1)
    change = {"changed_at": "2026-02-21T06:00:00Z", "note": "changed at the crusher"}
    response = api.post("/v1/machines/grader-07/element-changes", change, key="planner")
    assert [c["note"] for c in response.json()["element_changes"]] == ["changed at the crusher"]
    assert restriction(api)["life_hours"] == pytest.approx(6, abs=1)
    again = api.post("/v1/machines/grader-07/element-changes", change, key="planner")
    assert len(again.json()["element_changes"]) == 1


def test_an_element_change_entered_by_mistake_is_taken_back(api: Api) -> None:
    """What it did to the figures goes with it; what was entered stays in the audit."""
    register_worked(api, 60, new_at_hour=24)
    before = restriction(api)
    change = {"changed_at": "2026-02-21T06:00:00Z", "note": "meant loader-02"}
    path = "/v1/machines/grader-07/element-changes"
    api.post(path, change, key="planner")
    assert restriction(api)["life_hours"] == pytest.approx(36, abs=1)
    one_off = api.request("DELETE", path, params={"changed_at": "2026-02-21T06:00:01Z"})
    assert one_off.status_code == 404
    assert "2026-02-21T06:00:01Z" in one_off.json()["detail"]
    back = api.request("DELETE", path, params={"changed_at": "2026-02-21T08:00:00+02:00"})
    assert back.json()["element_changes"] == []
    assert restriction(api) == before
    assert api.request("DELETE", path, params={"changed_at": change["changed_at"]}).status_code == 404
    [noted] = api.get("/v1/audit", params={"what": "element_change_taken_back"}).json()["entries"]
    assert noted["values"]["note"] == "meant loader-02"


def test_a_change_entered_twice_with_another_note_is_not_lost_without_a_word(api: Api) -> None:
    api.register()
    path, change = "/v1/machines/grader-07/element-changes", {"changed_at": "2026-02-19T06:00:00Z"}
    assert api.post(path, change | {"note": "changed by Ann"}, key="planner").status_code == 200
    assert api.post(path, change | {"note": "changed by Ann"}, key="planner").status_code == 200
    other = api.post(path, change | {"note": "part 12-34"}, key="planner")
    assert (other.status_code, other.json()["code"]) == (409, "change_differs")
    by = api.tokens["planner"].partition(".")[0]
    about = {"at": change["changed_at"], "what": "new", "by": by, "note": "changed by Ann"}
    assert other.json()["detail"] == sentence("change_differs", **about)


@pytest.mark.parametrize("year", ["0001", "1970", "2015"])
def test_a_change_of_a_year_that_cannot_be_meant_is_refused(api: Api, year: str) -> None:
    api.register()
    change = {"changed_at": f"{year}-02-19T06:00:00Z"}
    refused = api.post("/v1/machines/grader-07/element-changes", change, key="planner")
    assert refused.status_code == 422
    assert refused.json()["detail"] == sentence("change_long_ago", at=change["changed_at"])


def test_of_two_housings_none_is_guessed(api: Api) -> None:
    body = {"machine": "loader-02", "housings": [{"housing": "left"}, {"housing": "right"}]}
    assert api.post("/v1/machines", body).status_code == 200
    for path in ("restriction", "lives", "waiting", "acceptance", "element-changes"):
        refused = api.get(f"/v1/machines/loader-02/{path}")
        assert (refused.status_code, refused.json()["code"]) == (404, "unknown_housing")
        about = {"machine": "loader-02", "housing": "main", "there": "left and right"}
        assert refused.json()["detail"] == sentence("unknown_housing", **about)


def test_of_a_key_that_stands_twice_none_is_guessed_to_be_meant(api: Api) -> None:
    api.register()
    body = b'{"value": 25, "unit": "kPa", "unit": "inH2O"}'
    path = "/v1/machines/grader-07/terminal-restriction"
    refused = api.request("POST", path, content=body, headers={"Content-Type": "application/json"})
    assert (refused.status_code, refused.json()["code"]) == (400, "body_not_json")
    with pytest.raises(BatchRefused) as strict:
        load_json(body)
    [problem] = strict.value.problems
    assert (problem.code, problem.values, problem.detail) == (
        "key_twice",
        {"key": "unit"},
        refused.json()["detail"],
    )
    limits = api.get("/v1/machines/grader-07").json()["housings"][0]["terminal_restrictions"]
    assert [limit["value"] for limit in limits] == [6.2]


@pytest.mark.parametrize("kind", ["text/plain", "application/x-www-form-urlencoded"])
def test_a_body_that_is_not_sent_as_json_is_told_what_to_send(api: Api, kind: str) -> None:
    api.register()
    path = "/v1/machines/grader-07/terminal-restriction"
    refused = api.request("POST", path, content=b"value=25", headers={"Content-Type": kind})
    assert refused.status_code == 422
    assert "send one, with Content-Type: application/json" in refused.json()["detail"]


def test_a_device_that_moves_takes_its_readings_by_their_time(api: Api) -> None:
    """Readings follow the time they were taken, also those that come after the move was entered."""
    api.register()
    api.post("/v1/machines", {"machine": "loader-02", "kind": "loader"})
    set_hours_in(api, 31)
    api.send(working_hours(10))
    api.analyse()
    moved = "2026-02-20T11:00:00Z"
    body = {"machine": "loader-02", "assigned_from": moved}
    assert api.post(f"/v1/devices/{DEVICE}/assignments", body).status_code == 200
    api.send(working_hours(10, first_seq=601))
    api.analyse()
    on_grader = [p["hour"] for p in restriction(api)["series"]]
    on_loader = [p["hour"] for p in restriction(api, "loader-02")["series"]]
    assert len(on_grader) == 5
    assert len(on_loader) == 15
    assert max(on_grader) < moved <= min(on_loader)


def test_a_corrected_assignment_takes_the_readings_away_from_the_wrong_machine(api: Api) -> None:
    api.register()
    api.post("/v1/machines", {"machine": "loader-02", "kind": "loader"})
    set_hours_in(api, 31)
    api.send(working_hours(10))
    api.analyse()
    api.post(f"/v1/devices/{DEVICE}/assignments", {"machine": "loader-02", "with_history": True})
    api.analyse()
    assert restriction(api)["series"] == []
    assert len(restriction(api, "loader-02")["series"]) == 10


def test_a_machine_that_reads_below_clean_says_what_to_look_for_before_it_runs_again(api: Api) -> None:
    """30 h with the element in, then 10 h at a tenth of that: torn, out, or a tube off."""
    api.register()
    set_hours_in(api, 41)
    api.send(working_hours(30))
    assert restriction(api)["cautions"] == []
    torn = working_hours(10, first_seq=1 + 30 * 60)
    torn["columns"]["restriction"] = [0.2] * 600
    api.send(torn)
    api.analyse()
    found = restriction(api)
    [suspicion] = [one for one in found["suspicions"] if one["cause"] == "below_clean"]
    assert suspicion["cause_text"] == "element missing or torn, or tube off"
    assert suspicion["evidence"].startswith("Now 0.20 kPa; a clean element reads ")
    codes = [caution["code"] for caution in found["cautions"]]
    assert codes[0] == "maker_first"
    assert {"below_clean", "secure_machine", "element_out"} <= set(codes)


def test_the_fleet_is_ordered_by_urgency(api: Api) -> None:
    api.register()
    api.register("loader-02-intake", "loader-02")
    set_hours_in(api, 31)
    api.send(working_hours(30, rise_kpa=0.16))
    api.analyse()
    fleet = api.get("/v1/fleet", key="planner").json()["housings"]
    assert [h["machine"] for h in fleet] == ["grader-07", "loader-02"]
    assert fleet[0]["state"] in ("over", "due")


def test_what_lets_dust_in_comes_before_what_is_over_its_limit(api: Api) -> None:
    """A question about an entry, and a machine over its limit, stood above "dust reaches the engine"."""
    api.register()
    api.register("loader-02-intake", "loader-02")
    key = api.post("/v1/keys", {"role": "device", "devices": ["loader-02-intake"]}).json()["key"]
    set_hours_in(api, 41)
    api.send(working_hours(40, rise_kpa=0.16))
    other = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"
    sound = working_hours(30, device="loader-02-intake") | {"stream": other}
    torn = working_hours(10, first_seq=1 + 30 * 60, device="loader-02-intake") | {"stream": other}
    torn["columns"]["restriction"] = [0.2] * 600
    for sent in (sound, torn):
        headers = {"Authorization": f"Bearer {key}"}
        assert api.post("/v1/readings", sent, key=None, headers=headers).status_code == 200
    api.analyse()
    fleet = api.get("/v1/fleet", key="planner").json()["housings"]
    assert [h["machine"] for h in fleet] == ["loader-02", "grader-07"]
    assert [h["advice_code"] for h in fleet] == ["advice_below_clean", "advice_over"]


# ---------------------------------------------------------------- silence


def test_a_machine_whose_gateway_saw_the_key_go_off_is_keyed_off(api: Api) -> None:
    api.register()
    gateway = {"events": [{"at_seq": 1, "event": "key_on"}, {"at_seq": 60, "event": "key_off"}]}
    api.send(working_hours(1, gateway=gateway))
    api.analyse()
    sent_us = api.clock()
    api.clock.advance(6 * HOUR_S)
    seen = restriction(api)
    assert seen["quiet_because"] == "keyed_off"
    # Quiet since the last reading was taken; that it was sent later is said apart.
    last_us = parse_instant(seen["last_reading_at"]).us
    assert seen["quiet_s"] == pytest.approx((api.clock() - last_us) / 1e6)
    assert parse_instant(seen["last_heard_at"]).us == sent_us > last_us


def test_a_machine_whose_gateway_has_more_than_it_sent_is_out_of_coverage(api: Api) -> None:
    api.register()
    api.send(working_hours(1, gateway={"appended_through": 900}))
    api.analyse()
    api.clock.advance(6 * HOUR_S)
    assert restriction(api)["quiet_because"] == "out_of_coverage"


@pytest.mark.parametrize("days", [6, 10])
def test_a_machine_whose_backlog_arrives_is_not_without_data(api: Api, days: int) -> None:
    """Seconds after the last batch it was "no data. Find out why no data arrives"."""
    api.register()
    api.clock.advance(days * 24 * HOUR_S)
    api.send(working_hours(60))
    api.analyse()
    api.clock.advance(20)
    seen = restriction(api)
    assert (seen["quiet_because"], seen["state"] == "silent") == ("backlog_arrives", False)
    newest_us = parse_instant(seen["last_reading_at"]).us
    assert seen["quiet_s"] == pytest.approx((api.clock() - newest_us) / 1e6)
    page = api.get("/machines/grader-07", key="operator").text
    assert "Old readings arrive: the newest was measured" in page
    assert "Find out why no data arrives" not in page
    assert attention_codes(api) == ["backlog_arrives"]
    api.clock.advance(3 * 24 * HOUR_S)
    assert (restriction(api)["quiet_because"], restriction(api)["state"]) == ("unknown", "silent")
    assert attention_codes(api) == ["unknown"]


def attention_codes(api: Api) -> list[str]:
    groups = api.get("/v1/attention", key="operator").json()["groups"]
    return [entry["code"] for group in groups if group["group"] == "silent" for entry in group["entries"]]


KEY_OFF = {"events": [{"at_seq": 60, "event": "key_off"}]}


def test_what_waits_on_an_older_stream_is_not_taken_for_a_key_off(api: Api) -> None:
    """The spool was damaged: the gateway went on with a new stream and still holds 840 of the old one."""
    api.register()
    api.send(working_hours(1, gateway={"appended_through": 900}))
    api.clock.advance(60)
    api.send(working_hours(1, gateway=KEY_OFF) | {"stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d22"})
    api.analyse()
    api.clock.advance(6 * HOUR_S)
    seen = restriction(api)
    assert (seen["quiet_because"], seen["readings_waiting"]) == ("out_of_coverage", 840)


def test_what_is_missing_below_the_newest_waits_too(api: Api) -> None:
    """The newest came first; 3,415 numbers between are still at the gateway."""
    api.register()
    api.send(working_hours(1))
    api.send(working_hours(1, first_seq=3476, gateway={"appended_through": 3535} | KEY_OFF))
    api.analyse()
    api.clock.advance(6 * HOUR_S)
    seen = restriction(api)
    assert (seen["quiet_because"], seen["readings_waiting"]) == ("out_of_coverage", 3415)


def test_what_was_shed_does_not_wait(api: Api) -> None:
    api.register()
    api.send(working_hours(1))
    shed = [
        {"first": 61, "last": 99, "reason": "disk_budget"},
        {"first": 101, "last": 200, "reason": "disk_budget"},
    ]
    gateway = {"appended_through": 260} | KEY_OFF
    api.send(working_hours(1, first_seq=201, gateway=gateway) | {"shed": shed})
    api.analyse()
    api.clock.advance(6 * HOUR_S)
    assert restriction(api)["readings_waiting"] == 1  # number 100


def test_an_event_sent_again_is_kept_once(api: Api) -> None:
    api.register()
    gateway = {"events": [{"at_seq": 60, "event": "key_off"}], "boots": [{"boot": "6f2c", "first_seq": 1}]}
    for _ in range(2):
        api.send(working_hours(1, gateway=gateway))
    with api.resources.reading() as connection:
        kinds = connection.scalars(sa.text("SELECT kind FROM reports ORDER BY kind")).all()
    assert kinds == ["boot", "event"]


# ---------------------------------------------------------------- keys


def test_a_key_is_shown_once_and_its_secret_is_not_kept(api: Api) -> None:
    made = api.post("/v1/keys", {"role": "planner", "note": "planning office"})
    assert made.status_code == 201
    token = made.json()["key"]
    assert api.get("/v1/machines", key=None, headers=bearer(token)).status_code == 200
    listed = api.get("/v1/keys").json()["keys"]
    assert [k["note"] for k in listed if k["handle"] == made.json()["handle"]] == ["planning office"]
    secret = token.partition(".")[2]
    assert secret not in api.get("/v1/keys").text
    with api.resources.reading() as connection:
        for table in ("keys", "audit"):
            assert secret not in str(connection.execute(sa.text(f"SELECT * FROM {table}")).all())


def test_a_revoked_key_is_refused_at_once(api: Api) -> None:
    made = api.post("/v1/keys", {"role": "planner"}).json()
    headers = bearer(made["key"])
    assert api.get("/v1/machines", key=None, headers=headers).status_code == 200
    assert api.request("DELETE", f"/v1/keys/{made['handle']}").status_code == 200
    assert api.get("/v1/machines", key=None, headers=headers).status_code == 401


def test_another_owners_key_cannot_be_revoked(api: Api) -> None:
    handle = api.tokens["planner"].partition(".")[0]
    response = api.request("DELETE", f"/v1/keys/{handle}", key="quarry admin")
    assert (response.status_code, response.json()["code"]) == (404, "unknown_key")
    assert api.get("/v1/machines", key="planner").status_code == 200


@pytest.mark.parametrize(
    "body", [{"role": "device"}, {"role": "planner", "devices": ["a"]}, {"role": "owner"}, {}]
)
def test_a_key_that_does_not_fit_its_role_is_not_made(api: Api, body: dict[str, Any]) -> None:
    assert api.post("/v1/keys", body).status_code == 422


def test_what_people_change_is_written_down(api: Api) -> None:
    api.register()
    with api.resources.reading() as connection:
        notes = connection.execute(sa.text("SELECT who, what FROM audit ORDER BY id")).all()
    handle = api.tokens["admin"].partition(".")[0]
    assert [tuple(note) for note in notes] == [(handle, "machine"), (handle, "device")]


def test_a_change_that_lies_ahead_is_refused_and_one_of_this_hour_is_not(api: Api) -> None:
    api.register()
    api.clock.now_us = parse_instant(START).us
    ahead = api.post("/v1/machines/grader-07/element-changes", {"changed_at": "2036-03-02T06:00:00Z"})
    assert ahead.status_code == 422
    assert ahead.json()["errors"][0]["pointer"] == "#/changed_at"
    about = {"at": "2036-03-02T06:00:00Z", "now": START}
    assert ahead.json()["detail"] == sentence("change_ahead", **about)
    assert api.get("/v1/machines/grader-07/element-changes").json()["element_changes"] == []
    assert api.post("/v1/machines/grader-07/element-changes", {"changed_at": START}).status_code == 200


def test_a_limit_in_a_wrong_unit_is_pointed_at_where_it_stands(api: Api) -> None:
    housing = {"housing": "main", "terminal_restriction": {"value": 25, "unit": "IN WC"}}
    answer = api.post("/v1/machines", {"machine": "g8", "housings": [housing]})
    assert answer.json()["errors"][0]["pointer"] == "#/housings/0/terminal_restriction/unit"


def test_a_tube_off_for_minutes_is_check_first_and_moves_no_figure(api: Api) -> None:
    """Visit says it within minutes; whoever looks at the fleet meanwhile must not read a share and dates."""
    api.register()
    set_hours_in(api, 30.1)
    api.send(working_hours(30))
    api.analyse()
    before = restriction(api)
    tube_off_at_last(api)
    after = restriction(api)
    assert (before["state"], after["state"]) == ("plan", "suspect")
    [found] = after["suspicions"]
    assert (found["cause"], found["said"]["code"]) == ("below_clean", "next_to_nothing")
    assert after["newest_in_doubt"]["restriction_pa"] == pytest.approx(50.0)
    assert after["restriction_at"] < after["newest_in_doubt"]["at"]
    assert after["restriction_pa"] == pytest.approx(before["restriction_pa"], rel=0.03)
    for path in ("/machines/grader-07", "/fleet"):
        assert "not trusted" in api.get(path).text
