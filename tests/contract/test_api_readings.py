"""
POST /v1/readings and GET /v1/streams: what becomes of readings, on SQLite and on PostgreSQL.

The expected verdicts are those of the published contract between gateway and server.
"""

from __future__ import annotations

import json
from types import SimpleNamespace
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import BatchRefused, parse_instant
from cleanside.ingest.intake import senml
from cleanside.ingest.store import stored
from cleanside.ingest.store.models import exact_times, quarantine
from tests.support import held
from tests.support.serving import DEVICE, STREAM, Api, batch, bearer

OTHER = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"


@pytest.fixture(autouse=True)
def _registered(api: Api) -> None:
    api.register()


def stored_rows(api: Api) -> list[Any]:
    with api.resources.reading() as connection:
        return [SimpleNamespace(**row) for row in held.stored(connection)]


def held_rows(api: Api) -> list[Any]:
    with api.resources.reading() as connection:
        return list(connection.execute(sa.select(quarantine).order_by(quarantine.c.id)))


def test_a_batch_is_stored_in_si_with_its_units_kept(api: Api) -> None:
    answer = api.send(batch(1, [3.05, 3.10]))
    assert answer == {
        "stream": STREAM,
        "acknowledged_through": 2,
        "stored": 2,
        "duplicates": 0,
        "gaps": [],
        "quarantined": [],
        "server_time": "2026-03-02T09:00:00Z",
    }
    rows = stored_rows(api)
    assert [(r.seq, r.restriction_pa) for r in rows] == [(1, 3050.0), (2, 3100.0)]
    assert rows[0].at_us == parse_instant("2026-03-02T06:00:10Z").us
    assert json.loads(rows[0].units) == {"restriction": "kPa"}


def test_both_layouts_store_the_same(api: Api) -> None:
    api.send(batch(1, [3.05, 3.10]))
    columns = {
        "device": DEVICE,
        "stream": STREAM,
        "units": {"restriction": "kPa"},
        "first_seq": 1,
        "start": "2026-03-02T06:00:10Z",
        "step_ms": [0, 10000],
        "columns": {"restriction": [3.05, 3.10]},
    }
    answer = api.send(columns)
    assert (answer["stored"], answer["duplicates"]) == (0, 2)


def test_a_reading_sent_twice_is_stored_once(api: Api) -> None:
    api.send(batch(1, [3.0, 3.1, 3.2]))
    answer = api.send(batch(2, [3.1, 3.2, 3.3]))
    assert (answer["stored"], answer["duplicates"], answer["acknowledged_through"]) == (1, 2, 4)
    assert [r.seq for r in stored_rows(api)] == [1, 2, 3, 4]


def test_the_same_number_with_other_content_is_kept_beside_the_first(api: Api) -> None:
    api.send(batch(1, [3.0]))
    answer = api.send(batch(1, [4.0]))
    assert (answer["stored"], answer["duplicates"]) == (0, 0)
    assert [(q["seq"], q["code"]) for q in answer["quarantined"]] == [(1, "number_conflict")]
    assert [r.restriction_pa for r in stored_rows(api)] == [3000.0]
    (held,) = held_rows(api)
    assert held.beside
    assert json.loads(held.content)["restriction"] == 4.0


@pytest.mark.parametrize(
    "changed",
    [
        {"at": "2026-03-02T06:00:10.001Z"},
        {"at_uncertainty_s": 1.0},
        {"restriction": 3.0000001},
        {"engine_speed": 1800},
    ],
    ids=lambda c: next(iter(c)),
)
def test_any_other_content_is_a_conflict(api: Api, changed: dict[str, Any]) -> None:
    first = batch(1, [3.0], units={"restriction": "kPa", "engine_speed": "r/min"})
    api.send(first)
    second = json.loads(json.dumps(first))
    second["readings"][0].update(changed)
    assert api.send(second)["quarantined"][0]["code"] == "number_conflict"


def test_the_same_value_in_another_unit_is_a_conflict(api: Api) -> None:
    """The hash is over the content as sent, units included."""
    api.send(batch(1, [3.0]))
    other = batch(1, [30.0], units={"restriction": "hPa"})
    assert api.send(other)["quarantined"][0]["code"] == "number_conflict"


def test_a_conflict_sent_again_is_said_again_and_kept_once(api: Api) -> None:
    """The lost reply is the common case: the second answer says what the first said."""
    api.send(batch(1, [3.0]))
    first, second = api.send(batch(1, [4.0])), api.send(batch(1, [4.0]))
    assert first == second
    assert len(held_rows(api)) == 1


def test_a_quarantined_reading_sent_again_is_said_again_and_kept_once(api: Api) -> None:
    first, second = api.send(batch(1, [3.0, 900.0])), api.send(batch(1, [3.0, 900.0]))
    assert first["quarantined"] == second["quarantined"]
    assert (first["stored"], second["stored"], second["duplicates"]) == (1, 0, 1)
    assert len(held_rows(api)) == 1


def test_the_mark_waits_at_a_gap_and_leaps_when_it_closes(api: Api) -> None:
    api.send(batch(1, [3.0, 3.1]))
    answer = api.send(batch(5, [3.4, 3.5]))
    assert (answer["acknowledged_through"], answer["gaps"]) == (2, [[3, 4]])
    answer = api.send(batch(3, [3.2, 3.3]))
    assert (answer["acknowledged_through"], answer["gaps"]) == (6, [])
    assert [r.seq for r in stored_rows(api)] == [1, 2, 3, 4, 5, 6]


def test_one_bad_reading_never_blocks_those_behind_it(api: Api) -> None:
    answer = api.send(batch(1, [3.0, 900.0, 3.2]))
    assert answer["acknowledged_through"] == 3
    assert [(q["seq"], q["code"]) for q in answer["quarantined"]] == [(2, "out_of_range")]
    assert [r.seq for r in stored_rows(api)] == [1, 3]


def test_declared_shed_moves_the_mark(api: Api) -> None:
    answer = api.send(batch(4, [3.0], shed=[{"first": 1, "last": 3, "reason": "disk_budget"}]))
    assert (answer["acknowledged_through"], answer["gaps"]) == (4, [])
    stream = api.account()["streams"][0]
    assert (stream["stored"], stream["shed"], stream["balances"]) == (1, 3, True)


def test_a_reading_that_comes_for_a_shed_number_is_stored(api: Api) -> None:
    api.send(batch(4, [3.0], shed=[{"first": 1, "last": 3, "reason": "disk_budget"}]))
    answer = api.send(batch(2, [2.9]))
    assert (answer["stored"], answer["acknowledged_through"]) == (1, 4)
    stream = api.account()["streams"][0]
    assert (stream["stored"], stream["shed"], stream["balances"]) == (2, 2, True)


def test_shed_of_numbers_that_arrived_changes_nothing(api: Api) -> None:
    api.send(batch(1, [3.0, 3.1, 900.0]))
    api.send({"device": DEVICE, "stream": STREAM, "shed": [{"first": 1, "last": 4, "reason": "disk_budget"}]})
    stream = api.account()["streams"][0]
    assert (stream["stored"], stream["quarantined"], stream["shed"]) == (2, 1, 1)
    assert stream["balances"]


def test_an_opaque_record_is_quarantined_under_its_number(api: Api) -> None:
    record = {"device": DEVICE, "stream": STREAM, "opaque": {"seq": 1, "base64": "AAEC"}}
    answer = api.send(record)
    assert (answer["acknowledged_through"], answer["quarantined"][0]["code"]) == (1, "opaque")
    assert json.loads(held_rows(api)[0].content)["opaque"]["base64"] == "AAEC"
    assert api.send(record)["acknowledged_through"] == 1
    assert len(held_rows(api)) == 1


def test_a_number_that_is_not_consecutive_in_its_batch_is_no_obstacle(api: Api) -> None:
    document = batch(1, [3.0, 3.1, 3.2])
    document["readings"][2]["seq"] = 900_000
    assert api.send(document)["gaps"] == [[3, 899_999]]
    assert api.send(document)["duplicates"] == 3


# ---------------------------------------------------------------- streams


def test_a_stream_belongs_to_its_first_device(api: Api) -> None:
    api.send(batch(1, [3.0]))
    made = api.post("/v1/keys", {"role": "device", "devices": ["loader-02-intake"]}).json()
    other = batch(2, [3.0]) | {"device": "loader-02-intake"}
    response = api.post("/v1/readings", other, key=None, headers=bearer(made["key"]))
    assert (response.status_code, response.json()["code"]) == (409, "stream_bound")


def test_another_installation_under_one_stream_is_a_fork(api: Api) -> None:
    api.send(batch(1, [3.0], gateway={"installation": "one", "appended_through": 1}))
    response = api.post("/v1/readings", batch(2, [3.0], gateway={"installation": "two"}), key="device")
    assert (response.status_code, response.json()["code"]) == (409, "stream_forked")


@pytest.mark.parametrize("values", [[3.0, 4.1], [4.0, 4.1]], ids=["one of two", "both"])
def test_a_restored_disk_that_goes_on_below_what_the_server_saw_is_a_fork(
    api: Api, values: list[float]
) -> None:
    """Other content under numbers that the server has; what is equal is a repeat (the next test)."""
    api.send(batch(1, [3.0, 3.1, 3.2], gateway={"appended_through": 3}))
    response = api.post("/v1/readings", batch(1, values, gateway={"appended_through": 2}), key="device")
    assert (response.status_code, response.json()["code"]) == (409, "stream_forked")
    assert len(stored_rows(api)) == 3
    assert held_rows(api) == []


SHED = {"first": 3, "last": 4, "reason": "disk_budget"}
RECORD = {"seq": 3, "base64": "AAEC"}


@pytest.mark.parametrize(
    ("document", "duplicates", "held"),
    [
        (batch(1, [3.0, 3.1]), 2, 0),
        (batch(1, [3.0, 900.0]), 1, 1),
        (batch(1, [3.0, 3.1], shed=[SHED]), 2, 0),
        ({"device": DEVICE, "stream": STREAM, "shed": [SHED]}, 0, 0),
        ({"device": DEVICE, "stream": STREAM, "opaque": RECORD}, 0, 0),
    ],
    ids=[
        "stored",
        "one in quarantine",
        "with shed numbers",
        "shed numbers alone",
        "a record that cannot be read",
    ],
)
@pytest.mark.parametrize("installation", ["one", "two"])
def test_a_batch_whose_reply_was_lost_is_a_repeat_whatever_was_stored_since(
    api: Api, document: dict[str, Any], duplicates: int, held: int, installation: str
) -> None:
    report = {"installation": "one", "appended_through": 4}
    api.send(document | {"gateway": report})
    api.send(batch(5, [3.4], gateway={"installation": "one", "appended_through": 5}))
    mark = api.get(f"/v1/streams/{STREAM}").json()["acknowledged_through"]
    answer = api.send(document | {"gateway": report | {"installation": installation}})
    assert (answer["stored"], answer["duplicates"], len(answer["quarantined"])) == (0, duplicates, held)
    assert answer["acknowledged_through"] == mark
    assert api.account()["streams"][0]["duplicates"] == duplicates + held
    # The stream stays with the installation that began it.
    api.send(batch(6, [3.5], gateway={"installation": "one", "appended_through": 6}))


def test_a_shed_range_and_a_report_that_were_overtaken_are_no_fork(api: Api) -> None:
    api.send(batch(1, [3.0], gateway={"appended_through": 1}))
    api.send(batch(5, [3.4], gateway={"appended_through": 5}))
    late = {"device": DEVICE, "stream": STREAM, "gateway": {"appended_through": 4}}
    api.send(late)
    assert api.send(late | {"shed": [{**SHED, "first": 2}]})["acknowledged_through"] == 5


def test_an_overtaken_batch_that_closes_a_gap_is_no_fork(api: Api) -> None:
    api.send(batch(3, [3.2], gateway={"appended_through": 3}))
    answer = api.send(batch(1, [3.0, 3.1], gateway={"appended_through": 2}))
    assert answer["acknowledged_through"] == 3


def test_the_state_of_a_stream_says_mark_gaps_and_highest(api: Api) -> None:
    api.send(batch(1, [3.0]))
    api.send(batch(4, [3.3]))
    response = api.get(f"/v1/streams/{STREAM}", key="device")
    assert response.json() == {
        "stream": STREAM,
        "device": DEVICE,
        "acknowledged_through": 1,
        "highest": 4,
        "gaps": [[2, 3]],
        "server_time": "2026-03-02T09:00:00Z",
    }


def test_an_unknown_stream_and_another_owners_answer_alike(api: Api) -> None:
    api.send(batch(1, [3.0]))
    unknown = api.get(f"/v1/streams/{OTHER}", key="device")
    foreign = api.get(f"/v1/streams/{STREAM}", key="quarry admin")
    assert (unknown.status_code, unknown.json()["code"]) == (404, "unknown_stream")
    shown = [
        {k: v for k, v in r.json().items() if k not in ("request_id", "detail")} for r in (unknown, foreign)
    ]
    assert shown[0] == shown[1]


def test_two_owners_may_use_the_same_names(api: Api) -> None:
    api.send(batch(1, [3.0]))
    made = api.post("/v1/keys", {"role": "device", "devices": [DEVICE]}, key="quarry admin").json()
    response = api.post("/v1/readings", batch(1, [4.0]), key=None, headers=bearer(made["key"]))
    assert response.status_code == 200
    assert response.json()["quarantined"][0]["code"] == "device_unknown"  # held for that owner only
    assert len(stored_rows(api)) == 1


# ---------------------------------------------------------------- without numbers


def test_without_numbers_one_instant_is_one_reading(api: Api) -> None:
    answer = api.send(batch(1, [3.0, 3.1], stream=None))
    assert (answer["stored"], "acknowledged_through" in answer) == (2, False)
    again = api.send(batch(1, [3.0, 3.1, 3.2], stream=None))
    assert (again["stored"], again["duplicates"]) == (1, 2)


def test_without_numbers_a_conflict_is_named_by_its_index(api: Api) -> None:
    api.send(batch(1, [3.0, 3.1], stream=None))
    answer = api.send(batch(1, [3.0, 9.0], stream=None))
    assert [(q["index"], q["code"]) for q in answer["quarantined"]] == [(1, "number_conflict")]


def test_without_numbers_repeats_inside_one_batch_are_seen(api: Api) -> None:
    document = batch(1, [3.0], stream=None)
    same, other = dict(document["readings"][0]), dict(document["readings"][0], restriction=4.0)
    document["readings"] += [same, other]
    answer = api.send(document)
    assert (answer["stored"], answer["duplicates"]) == (1, 1)
    assert [(q["index"], q["code"]) for q in answer["quarantined"]] == [(2, "number_conflict")]


def test_a_leap_second_and_the_next_second_are_two_instants(api: Api) -> None:
    """RFC 3339 section 5.8: 1990-12-31T23:59:60Z was a leap second. The newest one is recorded history."""
    history = {"device": DEVICE, "history_from": "2016-01-01T00:00:00Z"}
    assert api.post("/v1/devices", history).status_code == 200
    instants = ["2016-12-31T23:59:60Z", "2017-01-01T00:00:00Z", "2016-12-31T23:59:59Z"]
    document = {
        "device": DEVICE,
        "units": {"restriction": "kPa"},
        "readings": [{"at": at, "restriction": 3.0} for at in instants],
    }
    assert api.send(document)["stored"] == 3
    assert api.send(document)["duplicates"] == 3
    with api.resources.reading() as connection:
        kept = list(connection.scalars(sa.select(exact_times.c.instant)))
    assert kept == ["2016-12-31T23:59:60Z"]


# ---------------------------------------------------------------- quarantine


def test_a_reading_without_any_value_is_stored_in_both_layouts(api: Api) -> None:
    """The contract: `null` is a value that a reading does not have. It keeps its number, and no gap stays."""
    document = batch(1, [3.05, 3.10, 3.15])
    del document["readings"][0]["restriction"]
    document["readings"][1]["restriction"] = None
    answer = api.send(document)
    assert (answer["acknowledged_through"], answer["stored"], answer["quarantined"]) == (3, 3, [])
    columns = batch(4, [])
    del columns["readings"]
    columns |= {
        "first_seq": 4,
        "start": "2026-03-02T07:00:00Z",
        "step_ms": [0],
        "columns": {"restriction": [None]},
    }
    assert api.send(columns)["acknowledged_through"] == 4
    assert [row.restriction_pa for row in stored_rows(api)] == [None, None, 3150.0, None]


@pytest.mark.parametrize(
    ("changes", "code"),
    [
        ({"units": {"restriction": "rpm"}}, "unit_not_accepted"),
        ({"units": {}}, "unit_undeclared"),
    ],
)
def test_a_unit_that_is_not_right_holds_the_reading(api: Api, changes: dict[str, Any], code: str) -> None:
    answer = api.send(batch(1, [3.0, 3.1]) | changes)
    assert answer["acknowledged_through"] == 2
    assert [(q["seq"], q["last_seq"], q["code"]) for q in answer["quarantined"]] == [(1, 2, code)]
    assert stored_rows(api) == []


def test_a_quantity_of_a_newer_gateway_holds_its_readings_only(api: Api) -> None:
    document = batch(1, [3.0, 3.1])
    document["readings"][0]["soot_load"] = 0.4
    answer = api.send(document | {"units": {"restriction": "kPa", "soot_load": "/"}})
    assert (answer["stored"], answer["quarantined"][0]["code"]) == (1, "quantity_unknown")


@pytest.mark.parametrize(
    ("at", "code"),
    [
        ("2026-03-02T06:00:00", "time_without_offset"),
        ("yesterday", "time_not_rfc3339"),
        ("2026-03-02T09:05:01Z", "time_in_future"),
        ("1970-01-01T00:00:12Z", "clock_unset"),
        ("1980-01-06T00:10:00Z", "clock_unset"),
        ("2006-07-17T09:00:00Z", "gps_week_rollover"),
    ],
)
def test_a_time_that_is_not_believed_holds_the_reading(api: Api, at: str, code: str) -> None:
    document = batch(1, [3.0])
    document["readings"][0]["at"] = at
    answer = api.send(document)
    assert (answer["acknowledged_through"], answer["stored"]) == (1, 0)
    assert answer["quarantined"][0]["code"] == code
    content = json.loads(held_rows(api)[0].content)
    assert (content["at"], content["restriction"], content["units"]) == (at, 3.0, {"restriction": "kPa"})


@pytest.mark.parametrize(
    "text", ["\x00", "\ud800", "line\nfeed"], ids=["NUL", "half a character", "line feed"]
)
@pytest.mark.parametrize("stream", [STREAM, None])
def test_a_text_that_no_database_takes_is_quarantined_whole(api: Api, text: str, stream: str | None) -> None:
    gateway = {"version": "1", "events": [{"at_seq": 1, "event": text, "note": text}]}
    document = batch(1, [3.0], stream=stream, gateway=gateway)
    document["readings"][0]["at"] = text
    first, second = api.send(document), api.send(document)
    assert first["quarantined"] == second["quarantined"] != []
    entries = api.get("/v1/quarantine").json()["entries"]
    assert [entry["content"]["restriction"] for entry in entries] == [3.0]
    kept = json.loads(held_rows(api)[0].content)
    assert kept["at"] == text


def test_a_time_to_come_is_checked_again_by_itself(api: Api) -> None:
    document = batch(1, [3.0])
    document["readings"][0]["at"] = "2026-03-02T12:10:00Z"
    api.send(document)
    [held] = api.get("/v1/quarantine").json()["entries"]
    assert held["reasons"][0]["values"] == {"ahead_s": 3 * 3600 + 10 * 60}
    assert api.recheck() == 0
    api.clock.advance(3 * 3600 + 10 * 60)
    assert api.recheck() == 1
    assert [r.seq for r in stored_rows(api)] == [1]
    stream = api.account()["streams"][0]
    assert (stream["stored"], stream["quarantined"], stream["balances"]) == (1, 0, True)
    assert api.send(document)["duplicates"] == 1  # identity was fixed on receipt


def test_readings_from_before_service_are_quarantined(api: Api) -> None:
    api.post("/v1/devices", {"device": DEVICE, "in_service_at": "2026-03-02T06:00:25Z"})
    answer = api.send(batch(1, [3.0, 3.1, 3.2]))
    assert (answer["quarantined"][0]["code"], answer["quarantined"][0]["last_seq"]) == (
        "time_before_service",
        2,
    )
    assert [r.seq for r in stored_rows(api)] == [3]


def test_a_rollover_comes_with_the_suggested_time(api: Api) -> None:
    """
    1024 weeks are 619 315 200 s; source: gps.gov, GPS week number rollover.

    2026-03-02T08:00:00Z read by a receiver one rollover late is 2006-07-17T08:00:00Z.
    """
    document = batch(1, [3.0])
    document["readings"][0]["at"] = "2006-07-17T08:00:00Z"
    api.send(document)
    suggestion = json.loads(held_rows(api)[0].reasons)[0]["suggestion"]
    assert suggestion == {"at": "2026-03-02T08:00:00Z", "shift_s": 619_315_200}


# ---------------------------------------------------------------- devices that are not registered


def test_readings_of_an_unregistered_device_are_quarantined_and_claimed_on_registration(api: Api) -> None:
    made = api.post("/v1/keys", {"role": "device", "devices": ["hauler-11-intake"]}).json()
    document = batch(1, [3.0, 900.0, 3.2]) | {"device": "hauler-11-intake", "stream": OTHER}
    response = api.post("/v1/readings", document, key=None, headers=bearer(made["key"]))
    assert response.json()["acknowledged_through"] == 3
    assert {q["code"] for q in response.json()["quarantined"]} == {"device_unknown"}
    assert stored_rows(api) == []
    claimed = api.post("/v1/devices", {"device": "hauler-11-intake"}).json()["claimed"]
    assert claimed == 2
    assert [r.seq for r in stored_rows(api)] == [1, 3]
    entries = api.get("/v1/quarantine").json()["entries"]
    assert [(e["seq"], e["code"]) for e in entries] == [(2, "out_of_range")]
    assert all(s["balances"] for s in api.account()["streams"])


def test_the_quarantine_of_unregistered_devices_is_bounded(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("cleanside.ingest.intake.receive.MAX_UNKNOWN_HELD", 3)
    made = api.post("/v1/keys", {"role": "device", "devices": ["hauler-11-intake"]}).json()
    document = batch(1, [3.0, 3.1]) | {"device": "hauler-11-intake", "stream": OTHER}
    first = api.post("/v1/readings", document, key=None, headers=bearer(made["key"]))
    document = batch(3, [3.0, 3.1]) | {"device": "hauler-11-intake", "stream": OTHER}
    second = api.post("/v1/readings", document, key=None, headers=bearer(made["key"]))
    assert (first.status_code, second.status_code) == (200, 403)
    assert second.json()["code"] == "device_unknown"


# ---------------------------------------------------------------- account


def test_the_account_puts_every_number_in_exactly_one_state(api: Api) -> None:
    api.send(batch(1, [3.0, 900.0, 3.2], shed=[{"first": 4, "last": 6, "reason": "disk_budget"}]))
    api.send(batch(10, [3.0], gateway={"appended_through": 15}))
    api.send(batch(1, [3.0]))
    api.send(batch(3, [9.9]))
    account = api.account()
    stream = account["streams"][0]
    states = ("stored", "quarantined", "discarded", "shed", "gap", "pending")
    assert [stream[state] for state in states] == [3, 1, 0, 3, 3, 5]
    assert sum(stream[state] for state in states) == stream["through"] == 15
    assert (stream["duplicates"], stream["conflicts"], account["balances"]) == (1, 1, True)


def test_the_account_finds_a_row_that_is_gone(api: Api) -> None:
    """Counted from the rows: the mark says 3, the rows say otherwise."""
    api.send(batch(1, [3.0, 3.1, 3.2]))
    api.resources.writer.call(lambda c: held.lose(c, 2))
    account = api.account()
    assert account["balances"] is False
    assert "numbers 2 are acknowledged" in account["streams"][0]["faults"][0]


def test_the_account_finds_a_number_in_two_states(api: Api) -> None:
    api.send(batch(1, [3.0, 900.0]))

    def number_again(connection: sa.Connection) -> None:
        [row] = held.lose(connection, 1)
        stored.put_back(connection, row["stream_id"], [row | {"seq": 2}])

    api.resources.writer.call(number_again)
    faults = " ".join(api.account()["streams"][0]["faults"])
    assert "numbers 2 are both stored and quarantined" in faults


# ---------------------------------------------------------------- SenML


def test_a_senml_pack_is_stored_once_and_checked_like_all_others(api: Api) -> None:
    """RFC 8428; identity is device and instant."""
    pack = [
        {"bn": f"{DEVICE}:", "bt": 1772432047, "n": "restriction", "u": "Pa", "v": 3050},
        {"n": "engine_speed", "u": "1/min", "v": 1795},
        {"n": "restriction", "t": 10, "u": "Pa", "v": 900000},
    ]
    headers = {"Content-Type": "application/senml+json"}
    content = json.dumps(pack).encode()
    first = api.request("POST", "/v1/readings", key="device", content=content, headers=headers)
    assert first.status_code == 200, first.text
    assert (first.json()["stored"], first.json()["quarantined"][0]["code"]) == (1, "out_of_range")
    again = api.request("POST", "/v1/readings", key="device", content=content, headers=headers).json()
    assert (again["stored"], again["duplicates"], len(again["quarantined"])) == (0, 1, 1)
    assert [row.restriction_pa for row in stored_rows(api)] == [3050.0]


def test_a_senml_pack_with_relative_times_is_refused(api: Api) -> None:
    content = json.dumps([{"n": f"{DEVICE}:restriction", "u": "Pa", "t": -60, "v": 3050}]).encode()
    headers = {"Content-Type": "application/senml+json"}
    response = api.request("POST", "/v1/readings", key="device", content=content, headers=headers)
    assert (response.status_code, response.json()["code"]) == (422, "not_a_batch")
    with pytest.raises(BatchRefused) as strict:
        senml.decode(content)
    [problem] = strict.value.problems
    assert (problem.code, problem.detail) == ("relative_time", response.json()["errors"][0]["detail"])


@pytest.mark.parametrize("wrong", ["abc", "3.05", True, []])
def test_a_value_that_is_no_number_refuses_its_batch_and_names_the_place(api: Api, wrong: Any) -> None:
    """As the contract and the documents say: the rest is stored once the reading is left out."""
    api.register()
    readings = [
        {"at": f"2026-03-02T08:00:0{n}Z", "restriction": value} for n, value in enumerate([3.05, wrong, 3.1])
    ]
    document = {"device": DEVICE, "units": {"restriction": "kPa"}, "readings": readings}
    answer = api.post("/v1/readings", document, key="device")
    assert (answer.status_code, answer.json()["code"]) == (422, "not_a_batch")
    assert [error["pointer"] for error in answer.json()["errors"]] == ["#/readings/1/restriction"]
    del readings[1]
    assert api.post("/v1/readings", document, key="device").json()["stored"] == 2


@pytest.mark.parametrize("at", ["9999-12-31T23:59:59-01:00", "0001-01-01T00:00:00+01:00"])
def test_a_time_that_leaves_the_years_in_utc_is_quarantined_as_it_was_sent(api: Api, at: str) -> None:
    """Each digit is as RFC 3339 has it, and in UTC it is the year 10000, or 0, which no date has."""
    reading = {"seq": 1, "at": at, "restriction": 3.05}
    answer = api.send(
        {"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}, "readings": [reading]}
    )
    assert answer["acknowledged_through"] == 1
    assert [note["code"] for note in answer["quarantined"]] == ["time_not_rfc3339"]
    (row,) = held_rows(api)
    assert json.loads(row.content)["at"] == at


def test_a_record_under_the_number_of_a_reading_of_its_batch_puts_no_number_into_two_states(api: Api) -> None:
    record = {"seq": 2, "base64": "eA=="}
    response = api.post("/v1/readings", batch(1, [3.0, 3.1, 3.2]) | {"opaque": record}, key="device")
    assert response.status_code == 422
    assert stored_rows(api) == held_rows(api) == []
    api.send(batch(1, [3.0, 3.1, 3.2]) | {"opaque": record | {"seq": 4}})
    assert api.account()["balances"]
