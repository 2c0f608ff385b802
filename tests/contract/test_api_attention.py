"""One place for the night: what needs a person, in groups, with counts, ages and the next step."""

from __future__ import annotations

import json
from typing import Any

import pytest

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.analysis.concerns import GROUPS
from cleanside.ingest.api.routes.attention import look
from cleanside.ingest.commands.account import account_text
from cleanside.ingest.commands.attention import attention_text
from cleanside.ingest.intake.codes import ATTENTION_STEPS
from cleanside.ingest.store import account
from cleanside.ingest.store.gateway_reports import DECLARED_NAMES
from tests.support.serving import DEVICE, STREAM, Api, batch

DAY_S = 86_400.0


@pytest.fixture(autouse=True)
def registered(api: Api) -> None:
    api.register()


def attention(api: Api) -> dict[str, Any]:
    response = api.get("/v1/attention", key="operator")
    assert response.status_code == 200, response.text
    document: dict[str, Any] = response.json()
    assert [group["group"] for group in document["groups"]] == list(GROUPS)
    assert document["needs_person"] == sum(group["needs_person"] for group in document["groups"])
    return document


def lines(api: Api, group: str) -> list[tuple[str, int, bool]]:
    """Code, count and whether a person is needed, of a group's lines."""
    [found] = [g for g in attention(api)["groups"] if g["group"] == group]
    assert found["count"] == len(found["entries"])
    return [(e["code"], e["count"], e["needs_person"]) for e in found["entries"]]


def test_a_shop_where_all_is_well_needs_nobody(api: Api) -> None:
    api.send(batch(1, [3.0] * 5, gateway={"appended_through": 5}))
    document = attention(api)
    assert document["needs_person"] == 0
    assert all(not group["entries"] for group in document["groups"])


@pytest.mark.parametrize(
    ("report", "code", "days"),
    [
        ({"appended_through": 1}, "unknown", 2),
        ({"appended_through": 9}, "out_of_coverage", 4),
        ({"appended_through": 1, "events": [{"at_seq": 1, "event": "key_off"}]}, "keyed_off", 14),
    ],
)
def test_a_silent_machine_is_listed_and_needs_somebody_as_its_reason_has_it(
    api: Api, report: dict[str, Any], code: str, days: int
) -> None:
    sent = batch(1, [3.0], gateway=report)
    api.clock.now_us = parse_instant(sent["readings"][0]["at"]).us
    api.send(sent)
    assert lines(api, "silent") == []
    api.clock.advance(DAY_S)
    assert lines(api, "silent") == [(code, 1, False)]
    api.clock.advance((days - 1) * DAY_S)
    assert lines(api, "silent") == [(code, 1, True)]
    [group] = [g for g in attention(api)["groups"] if g["group"] == "silent"]
    [entry] = group["entries"]
    assert (entry["device"], entry["machine"], entry["age_s"]) == (DEVICE, "grader-07", days * 86_400)
    assert entry["next_step"] == ATTENTION_STEPS[code]


def test_a_device_that_sends_old_readings_alone_is_listed_and_needs_somebody_once_they_end(api: Api) -> None:
    """A program posts a backlog: none has to look at the machine while it arrives."""
    api.clock.advance(5 * DAY_S)
    api.send(batch(1, [3.0, 3.1]))
    assert lines(api, "silent") == [("backlog_arrives", 1, False)]
    html = api.get("/backlog", key="operator").text
    assert 'id="silent"' in html
    assert "From one monitor nothing new has come for a day." in html
    assert "old readings arrive" in html
    api.clock.advance(DAY_S)
    assert lines(api, "silent") == [("unknown", 1, True)]


def test_the_next_step_fits_who_posts(api: Api) -> None:
    """Without a gateway there is no command of one to run."""
    api.send(batch(1, [3.0]))
    api.clock.advance(3 * DAY_S)
    [entry] = next(g["entries"] for g in attention(api)["groups"] if g["group"] == "silent")
    assert (entry["code"], entry["next_step"]) == ("unknown", ATTENTION_STEPS["program_silent"])
    assert "cleanside-gateway" not in entry["next_step"]


def test_a_backlog_without_order_is_as_old_for_attention_as_for_streams(api: Api) -> None:
    """Its times step back, so no last time is noted; the streams' list said null, and nothing was listed."""
    api.clock.advance(10 * DAY_S)
    sent = at_hours(30.0, 30.1, 20.0)
    api.send(sent)
    [line] = api.get("/v1/streams", key="operator").json()["streams"]
    assert line["newest_at"] == "2026-03-02T06:06:00Z"
    assert lines(api, "silent") == [("backlog_arrives", 1, False)]
    api.clock.advance(DAY_S)
    assert lines(api, "silent") == [("unknown", 1, True)]


def test_a_device_whose_newest_readings_have_no_numbers_is_not_silent(api: Api) -> None:
    """Its gateway's stream ended; a program of the integrator's posts for it since."""
    api.send(batch(1, [3.0, 3.1]))
    api.clock.advance(5 * DAY_S)
    now = instant_text(api.clock.now_us)
    posted = [{"at": now, "restriction": 3.2}]
    api.send({"device": DEVICE, "units": {"restriction": "kPa"}, "readings": posted})
    assert lines(api, "silent") == []


def test_a_device_that_was_never_heard_is_listed(api: Api) -> None:
    api.clock.advance(3 * DAY_S)
    assert lines(api, "silent") == [("never_heard", 1, True)]


def test_a_device_that_is_out_of_use_is_not_listed_as_silent(api: Api) -> None:
    """What its gateway still has is missing all the same."""
    api.send(batch(1, [3.0] * 5, gateway={"appended_through": 9}))
    assert api.request("PATCH", f"/v1/devices/{DEVICE}", json={"retired": True}).status_code == 200
    api.clock.advance(5 * DAY_S)
    assert lines(api, "silent") == []
    assert lines(api, "behind") == [("pending", 4, True)]
    assert api.request("PATCH", f"/v1/devices/{DEVICE}", json={"retired": False}).status_code == 200
    assert lines(api, "silent") == [("out_of_coverage", 1, True)]


def test_what_is_missing_needs_somebody_once_its_gateway_is_not_heard(api: Api) -> None:
    api.send(batch(1, [3.0] * 5))
    api.send(batch(9, [3.0] * 2, gateway={"appended_through": 17}))
    api.send(batch(12, [3.0]))
    assert lines(api, "behind") == [("gap", 4, False), ("pending", 5, False)]
    api.clock.advance(3_600)
    assert lines(api, "behind") == [("gap", 4, True), ("pending", 5, True)]


@pytest.mark.parametrize(
    ("report", "needed"), [({}, True), ({"gateway": {"appended_through": 23_600}}, False)]
)
def test_a_number_far_ahead_of_a_program_without_a_gateway_needs_somebody(
    api: Api, report: dict[str, Any], needed: bool
) -> None:
    """It was mistyped: what is missing below it never comes. A gateway sends a backlog in order."""
    api.send(batch(1, [3.0] * 5))
    api.send(batch(23_600, [3.0]) | report)
    assert lines(api, "behind") == [("gap", 23_594, needed)]


def test_conflicts_and_quarantine_are_told_apart(api: Api) -> None:
    api.send(batch(1, [3.0, 900.0, 901.0]))
    api.send(batch(1, [3.5]))
    assert lines(api, "in_conflict") == [("number_conflict", 1, True)]
    assert lines(api, "in_quarantine") == [("out_of_range", 2, True)]
    groups = {g["group"]: g["entries"] for g in attention(api)["groups"]}
    assert {e["machine"] for e in groups["in_conflict"] + groups["in_quarantine"]} == {"grader-07"}


def test_a_clock_that_runs_ahead_needs_somebody_before_its_times_come(api: Api) -> None:
    ahead = {"seq": 1, "at": "2026-03-02T13:00:00Z", "restriction": 3.0}
    api.send({"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}, "readings": [ahead]})
    assert lines(api, "in_quarantine") == [("time_in_future", 1, True)]


def at_hours(*hours: float, first: int = 1) -> dict[str, Any]:
    """A batch with readings at these hours after 2026-03-01T00:00Z, numbered on."""
    start_us = parse_instant("2026-03-01T00:00:00Z").us
    sent = [
        {"seq": first + place, "at": instant_text(start_us + int(hour * 3.6e9)), "restriction": 3.0}
        for place, hour in enumerate(hours)
    ]
    return {"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}, "readings": sent}


@pytest.mark.parametrize("pieces", [[8], [4, 4], [5, 1, 1, 1], [1] * 8])
def test_a_clock_that_steps_back_in_a_stream_is_asked_about_and_nothing_changes(
    api: Api, pieces: list[int]
) -> None:
    """However the readings arrive; a step forward before it looks like a pause until then."""
    hours = [1.0, 1.1, 6.0, 6.1, 6.2, 1.4, 1.5, 1.6]
    begun = 0
    for many in pieces:
        api.send(at_hours(*hours[begun : begun + many], first=begun + 1))
        begun += many
    assert lines(api, "clock_stepped") == [("clock_stepped", 1, True)]
    [entry] = next(g["entries"] for g in attention(api)["groups"] if g["group"] == "clock_stepped")
    before, after = "2026-03-01T06:12:00Z", "2026-03-01T01:24:00Z"
    assert entry["value"] == f"{STREAM} at 6: from {before} back to {after}"
    assert (entry["machine"], "do not step back" in entry["next_step"]) == ("grader-07", True)
    [balance] = api.get("/v1/account").json()["streams"]
    assert (balance["stored"], balance["quarantined"]) == (8, 0)
    page = api.get("/quarantine", key="operator", headers={"Accept-Language": "de"}).text
    assert "ihre Zeit ist einmal zurückgesprungen" in page
    assert page.index("01:24; die Nummer davor sagt") < page.index("06:12.")
    api.clock.advance(7 * DAY_S)
    assert lines(api, "clock_stepped") == []


def test_a_step_of_a_clock_is_settled_once_a_person_has_its_readings_in_hand(api: Api) -> None:
    api.send(at_hours(1.0, 1.1, 6.0, 6.1, 2.0, 2.1, 2.2))
    assert lines(api, "clock_stepped") == [("clock_stepped", 1, True)]
    aside = {"stream": STREAM, "first": 5, "last": 7, "reason": "the clock was four hours slow"}
    assert api.post("/v1/quarantine/set-aside", aside, key="operator").status_code == 200
    assert lines(api, "clock_stepped") == []
    shift = {"where": {"code": "set_aside"}, "change": {"shift_s": 14_520}}
    assert api.post("/v1/quarantine/amendments", shift, key="operator").json()["stored"] == 3
    api.send(at_hours(6.4, 6.5, first=8))
    assert lines(api, "clock_stepped") == []


@pytest.mark.parametrize(
    "hours",
    [
        (1.0, 1.1, 6.0, 6.1, 6.2, 9.0, 9.1),  # pauses
        (1.0, 1.1, 1.2, 0.75, 0.85, 0.95),  # less than half an hour
        (5.0, 5.1, 1.0, 5.2, 5.3),  # one out of line: that one is quarantined
        (5.0, 1.0, 5.1, 1.1, 5.2, 1.2, 5.3),  # two clocks in turn
    ],
)
def test_what_is_no_step_of_a_clock_is_not_asked_about(api: Api, hours: tuple[float, ...]) -> None:
    api.send(at_hours(*hours))
    assert lines(api, "clock_stepped") == []


@pytest.mark.parametrize(
    "said",
    [{}, {"before": "noon", "after": "dawn"}, {"before": 7, "after": None, "at_seq": "1"}],
)
def test_a_gateway_that_sends_an_event_of_that_name_breaks_nothing(api: Api, said: dict[str, Any]) -> None:
    gateway = {"events": [{"at_seq": 1, "event": "clock_stepped"} | said]}
    api.send(at_hours(1.0, 1.1) | {"gateway": gateway})
    assert lines(api, "clock_stepped") == []
    assert api.get("/quarantine", key="operator").status_code == 200


def test_a_step_that_the_server_noticed_explains_no_silence(api: Api) -> None:
    gateway = {"appended_through": 7, "events": [{"at_seq": 2, "event": "key_off"}]}
    api.send(at_hours(1.0, 1.1, 6.0, 6.1, 2.0, 2.1, 2.2) | {"gateway": gateway})
    api.clock.advance(15 * DAY_S)
    assert lines(api, "silent") == [("keyed_off", 1, True)]


def test_a_declared_loss_is_shown_for_a_week(api: Api) -> None:
    events = [{"at_seq": 1, "event": "readings_lost", "count": 600}, {"at_seq": 1, "event": "stream_opened"}]
    api.send(batch(1, [3.0], gateway={"events": events}))
    assert lines(api, "declared") == [("readings_lost", 1, True), ("stream_opened", 1, False)]
    [group] = [g for g in attention(api)["groups"] if g["group"] == "declared"]
    assert [e["value"] for e in group["entries"]] == [600, None]
    api.clock.advance(7 * DAY_S)
    assert lines(api, "declared") == []


def test_versions_other_than_the_servers_are_counted(api: Api) -> None:
    api.register("loader-02-intake", "loader-02")
    api.send(batch(1, [3.0], gateway={"version": "0.0.1"}))
    assert lines(api, "versions") == [("version_differs", 1, False)]
    [group] = [g for g in attention(api)["groups"] if g["group"] == "versions"]
    assert group["entries"][0]["value"] == "0.0.1"


def test_the_screen_counts_readings_and_lines(api: Api) -> None:
    """As the page Quarantine does, which counts readings; before, the screen counted lines alone."""
    api.send(batch(1, [900.0, 901.0, 902.0]))
    api.send(batch(4, [3.0, 3.1]) | {"units": {}})
    now_us = api.clock()
    with api.resources.reading() as connection:
        shown = attention_text(look(connection, None, now_us), now_us).splitlines()
    assert "quarantined: 5 readings in 2 lines, needing a person: 2 lines" in shown
    assert "registered and sending, on no machine: none" in shown
    assert "5 readings are quarantined" in api.get("/quarantine", key="operator").text


def test_the_account_says_that_conflicts_are_counted_for_good(api: Api) -> None:
    api.send(batch(1, [3.0]))
    api.send(batch(1, [3.5]))
    discard = {"where": {"code": "number_conflict"}, "reason": "typed twice"}
    assert api.post("/v1/quarantine/discards", discard, key="operator").status_code == 200
    assert api.account()["streams"][0]["conflicts"] == 1
    with api.resources.reading() as connection:
        assert "conflicts so far" in account_text(list(account.accounts(connection)))


def test_an_owner_sees_what_is_its_own(api: Api) -> None:
    api.send(batch(1, [900.0]))
    other = api.get("/v1/attention", key="quarry admin").json()
    assert other["needs_person"] == 0
    assert DEVICE not in json.dumps(other)


def test_every_declared_event_has_a_next_step_of_its_own() -> None:
    assert set(DECLARED_NAMES) - {"readings_bridged", "readings_shed"} <= set(ATTENTION_STEPS)


def test_a_monitor_that_sends_and_sits_on_no_machine_needs_somebody(api: Api) -> None:
    """Somebody ended its time on the machine, and it was never taken off."""
    api.send(batch(1, [3.0]))
    ended = {"machine": "grader-07", "assigned_until": instant_text(api.clock.now_us)}
    assert api.post(f"/v1/devices/{DEVICE}/assignments", ended).status_code == 200
    assert lines(api, "unseated") == []
    api.clock.advance(DAY_S + 60)
    api.send(batch(2, [3.1]))
    assert lines(api, "unseated") == [("sits_nowhere", 1, True)]
    assert api.request("PATCH", f"/v1/devices/{DEVICE}", json={"retired": True}).status_code == 200
    assert lines(api, "unseated") == []


def test_a_number_that_was_mistyped_far_ahead_is_settled_by_shedding_what_never_was(api: Api) -> None:
    """As the next step of the gap says; the account balances, and the numbers stay free for readings."""
    api.send(batch(1, [3.0] * 5))
    far = {"seq": 2**53 - 1, "at": instant_text(api.clock.now_us), "restriction": 3.0}
    of_stream = {"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}}
    api.send(of_stream | {"readings": [far]})
    assert lines(api, "behind") == [("gap", 2**53 - 7, True)]
    shed = [{"first": 6, "last": 2**53 - 2, "reason": "mistyped"}]
    api.send({"device": DEVICE, "stream": STREAM, "shed": shed})
    assert lines(api, "behind") == []
    assert api.send(batch(6, [3.1]))["stored"] == 1
    [account] = api.account()["streams"]
    assert account["gaps"] == []
