"""Quarantine: list, amend, preview, replay, discard, set aside, undo; nothing is ever dropped."""

from __future__ import annotations

import json
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.analysis.memory import summaries_of
from cleanside.ingest.quarantine.replay import after_a_start
from cleanside.ingest.store.models import housings, quarantine
from cleanside.ingest.store.quarantine import due
from tests.support.held import stored as at_rest
from tests.support.serving import DEVICE, STREAM, Api, batch, bearer


@pytest.fixture(autouse=True)
def _registered(api: Api) -> None:
    api.register()


def stored(api: Api) -> dict[int, float]:
    with api.resources.reading() as connection:
        return {row["seq"]: row["restriction_pa"] for row in at_rest(connection)}


def held(api: Api, **query: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = api.get("/v1/quarantine", key="operator", params=query).json()["entries"]
    return found


def amend(api: Api, expect: int = 200, path: str = "amendments", **body: Any) -> dict[str, Any]:
    response = api.post(f"/v1/quarantine/{path}", body, key="operator")
    assert response.status_code == expect, response.text
    document: dict[str, Any] = response.json()
    return document


def assert_balances(api: Api, **states: int) -> None:
    account = api.account()["streams"][0]
    assert account["balances"], account["faults"]
    assert {state: account[state] for state in states} == states


def test_a_wrong_unit_is_amended_previewed_stored_and_undone(api: Api) -> None:
    api.send(batch(1, [12.0, 12.2], units={"restriction": "IN WC"}))
    change = {"units": {"restriction": "inH2O"}}
    where = {"code": "unit_not_accepted"}
    preview = amend(api, where=where, change=change, preview=True)
    assert (preview["amendment_id"], preview["stored"], stored(api)) == (None, 2, {})
    assert_balances(api, stored=0, quarantined=2)
    done = amend(api, where=where, change=change)
    assert (done["entries"], done["stored"], done["held"]) == (2, 2, [])
    # NIST SP 811 (2008) B.8: inch of water, conventional, 2.490 889 E+02 Pa
    assert stored(api) == {
        1: pytest.approx(12 * 249.0889, rel=1e-6),
        2: pytest.approx(12.2 * 249.0889, rel=1e-6),
    }
    assert_balances(api, stored=2, quarantined=0)
    undone = api.undo(done["amendment_id"])
    assert undone["entries"] == 2
    assert stored(api) == {}
    assert_balances(api, stored=0, quarantined=2)
    assert [(e["code"], e["amended"]) for e in held(api)] == [("unit_not_accepted", None)] * 2


def test_a_quantity_that_the_server_does_not_know_is_left_out_and_the_rest_stored(api: Api) -> None:
    """What the code says to do; before, no amendment could."""
    document = batch(1, [3.0, 3.1])
    document["units"]["oil_pressure"] = "kPa"
    for reading in document["readings"]:
        reading["oil_pressure"] = 300.0
    api.send(document)
    where, change = {"code": "quantity_unknown"}, {"leave_out": ["oil_pressure"]}
    preview = amend(api, where=where, change=change, preview=True)
    after = preview["sample"][0]["after"]
    assert ("oil_pressure" in after, after["units"]) == (False, {"restriction": "kPa"})
    done = amend(api, where=where, change=change)
    assert (done["stored"], stored(api)) == (2, {1: 3000.0, 2: 3100.0})
    assert api.send(document)["duplicates"] == 2
    api.undo(done["amendment_id"])
    assert [entry["content"]["oil_pressure"] for entry in held(api)] == [300.0] * 2


@pytest.mark.parametrize(
    ("leave_out", "said"),
    [
        (["boost_pressure"], "it has none of boost_pressure"),
        (["at", "seq", "units"], "it has none of at, seq, units"),
        (["oil_pressure", "restriction"], "nothing of it is left"),
    ],
)
def test_no_amendment_leaves_out_what_a_reading_has_not_or_all_it_has(
    api: Api, leave_out: list[str], said: str
) -> None:
    document = batch(1, [3.0])
    document["units"]["oil_pressure"] = "kPa"
    document["readings"][0]["oil_pressure"] = 300.0
    api.send(document)
    refused = amend(api, 422, where={}, change={"leave_out": leave_out})
    assert said in refused["errors"][0]["detail"]


def test_what_the_server_suggests_is_applied_when_a_person_says_so(api: Api) -> None:
    document = batch(1, [3.0, 3.1])
    document["readings"][0]["at"] = "2006-07-17T08:00:00Z"  # 1024 weeks before 2026-03-02
    document["readings"][1]["at"] = "2006-07-17T08:00:10Z"
    api.send(document)
    assert amend(api, where={"code": "gps_week_rollover"}, change={"suggested": True})["stored"] == 2
    with api.resources.reading() as connection:
        times = [row["at_us"] for row in at_rest(connection)]
    assert [t // 1_000_000 for t in times] == [1772438400, 1772438410]  # 2026-03-02T08:00:00Z and 10 s later


def test_a_time_without_offset_gets_the_machines_zone(api: Api) -> None:
    document = batch(1, [3.0])
    document["readings"][0]["at"] = "2026-03-02T08:00:00"
    api.send(document)
    assert amend(api, entries=[held(api)[0]["entry"]], change={"offset": "+02:00"})["stored"] == 1
    assert api.send(document)["duplicates"] == 1  # identity is that of what was sent


def test_a_shift_that_is_not_enough_leaves_the_reading_quarantined_with_the_new_reason(api: Api) -> None:
    document = batch(1, [3.0])
    document["readings"][0]["at"] = "1970-01-01T00:00:10Z"
    api.send(document)
    done = amend(api, where={}, change={"shift_s": 4_000_000_000})
    assert done["stored"] == 0
    assert done["held"][0]["code"] == "time_in_future"
    assert held(api)[0]["content"]["at"] == "1970-01-01T00:00:10Z"  # what was sent is never touched


def test_a_change_that_does_not_fit_changes_nothing(api: Api) -> None:
    api.send(batch(1, [3.0, 3.1], units={"restriction": "IN WC"}))
    found = amend(api, 422, where={}, change={"units": {"engine_speed": "r/min"}})
    assert found["code"] == "change_does_not_fit"
    assert len(found["errors"]) == 2
    assert api.get("/v1/quarantine/amendments", key="operator").json()["amendments"] == []


def test_looking_again_stores_what_is_believed_by_now(api: Api) -> None:
    ahead = {"seq": 1, "at": "2026-03-02T09:30:00Z", "restriction": 3.0}
    api.send(batch(1, [3.0]) | {"readings": [ahead]})
    assert held(api)[0]["code"] == "time_in_future"
    assert amend(api, where={})["stored"] == 0
    api.clock.advance(3_600)
    assert amend(api, where={})["stored"] == 1


def test_an_earlier_start_of_service_stores_what_waited_for_it(api: Api) -> None:
    """As an earlier `history_from` does; before, an amendment without a change had to follow."""
    service = [{"device": DEVICE, "in_service_at": f"2026-03-02T{at}:00Z"} for at in ("07:00", "06:30")]
    service.append({"device": DEVICE, "in_service_at": "2026-03-01T00:00:00Z"})
    api.post("/v1/devices", service[0])
    api.send(batch(1, [3.0, 3.1]))
    assert [entry["code"] for entry in held(api)] == ["time_before_service"] * 2
    assert [api.post("/v1/devices", body).json()["claimed"] for body in service[1:]] == [0, 2]
    assert_balances(api, stored=2, quarantined=0, discarded=0)


def test_a_discarded_reading_stays_on_record_and_can_be_had_back(api: Api) -> None:
    api.send(batch(1, [3.0, 900.0]))
    done = amend(api, path="discards", where={"code": "out_of_range"}, reason="sensor was off its bracket")
    assert_balances(api, stored=1, quarantined=0, discarded=1)
    assert held(api) == []
    assert held(api, state="discarded")[0]["content"]["restriction"] == 900.0
    assert api.send(batch(1, [3.0, 900.0]))["duplicates"] == 2
    api.undo(done["amendment_id"])
    assert_balances(api, stored=1, quarantined=1, discarded=0)


def test_a_conflict_is_settled_by_discarding_one_of_the_two(api: Api) -> None:
    api.send(batch(1, [3.0]))
    api.send(batch(1, [4.0]))
    assert amend(api, where={})["stored"] == 0  # looking again cannot decide it
    amend(api, path="discards", where={"code": "number_conflict"}, reason="the second was a test")
    assert stored(api) == {1: 3000.0}
    assert_balances(api, stored=1, quarantined=0, discarded=0)  # it is not a number of its own


def test_weeks_in_the_wrong_unit_are_set_aside_amended_stored_and_undone(api: Api) -> None:
    """Plausible and wrong: the gauge reads inches of water, the gateway declared kPa."""
    api.send(batch(1, [3.0, 3.1, 3.2, 3.3]))
    api.analyse()
    aside = amend(api, path="set-aside", stream=STREAM, first=2, last=3, reason="gauge reads inH2O")
    assert (aside["entries"], sorted(stored(api))) == (2, [1, 4])
    assert_balances(api, stored=2, quarantined=2)
    entries = held(api, code="set_aside")
    assert entries[0]["content"] == {
        "seq": 2,
        "at": "2026-03-02T06:00:20Z",
        "units": {"restriction": "kPa"},
        "restriction": 3.1,
    }
    done = amend(api, where={"code": "set_aside"}, change={"units": {"restriction": "inH2O"}})
    assert done["stored"] == 2
    assert stored(api)[2] == pytest.approx(3.1 * 249.0889, rel=1e-6)
    assert api.undo(aside["amendment_id"], 409)["code"] == "not_undoable"  # amended since
    api.undo(done["amendment_id"])
    assert api.undo(aside["amendment_id"])["stored"] == 2
    assert stored(api) == {1: 3000.0, 2: 3100.0, 3: 3200.0, 4: 3300.0}
    assert_balances(api, stored=4, quarantined=0)
    assert api.undo(aside["amendment_id"], 409)["code"] == "not_undoable"  # undone already


def test_what_is_set_aside_leaves_the_summaries_and_comes_back_to_them(api: Api) -> None:
    api.send(batch(1, [3.0] * 60))
    api.analyse()

    def seen() -> int:
        with api.resources.reading() as connection:
            [housing_id] = connection.scalars(sa.select(housings.c.id)).all()
            return sum(hour.readings for hour in summaries_of(connection, housing_id))

    assert seen() == 60
    aside = amend(api, path="set-aside", stream=STREAM, first=1, last=20, reason="tube was off")
    api.analyse()
    assert seen() == 40
    api.undo(aside["amendment_id"])
    api.analyse()
    assert seen() == 60


def test_readings_set_aside_are_known_when_they_are_sent_again(api: Api) -> None:
    api.send(batch(1, [3.0]))
    amend(api, path="set-aside", stream=STREAM, first=1, last=1, reason="tube was off")
    answer = api.send(batch(1, [3.0]))
    assert (answer["stored"], answer["acknowledged_through"]) == (0, 1)
    assert answer["quarantined"][0]["code"] == "set_aside"


def test_a_preview_of_setting_aside_changes_nothing(api: Api) -> None:
    api.send(batch(1, [3.0, 3.1]))
    preview = amend(api, path="set-aside", stream=STREAM, first=1, last=2, reason="a try", preview=True)
    assert (preview["entries"], len(stored(api)), held(api)) == (2, 2, [])


def test_an_opaque_record_can_only_be_discarded(api: Api) -> None:
    record = {"device": "grader-07-intake", "stream": STREAM, "opaque": {"seq": 1, "base64": "AAEC"}}
    api.send(record)
    assert amend(api, 422, where={})["code"] == "change_does_not_fit"
    amend(api, path="discards", where={"code": "opaque"}, reason="bytes of a broken sector")
    assert_balances(api, stored=0, discarded=1)


def test_another_owner_touches_nothing(api: Api) -> None:
    api.send(batch(1, [3.0, 900.0]))
    entry = held(api)[0]["entry"]
    done = amend(api, path="discards", entries=[entry], reason="sensor was off")
    for path, body, code in [
        ("amendments", {"entries": [entry]}, "unknown_entry"),
        ("discards", {"entries": [entry], "reason": "not mine"}, "unknown_entry"),
        ("set-aside", {"stream": STREAM, "first": 1, "last": 1, "reason": "not mine"}, "unknown_stream"),
        (f"amendments/{done['amendment_id']}/undo", {}, "unknown_amendment"),
    ]:
        response = api.post(f"/v1/quarantine/{path}", body, key="quarry admin")
        assert (response.status_code, response.json()["code"]) == (404, code)
    assert_balances(api, stored=1, discarded=1)


@pytest.mark.parametrize("blank", ["      ", " x ", "\u00a0\u2003 "])
@pytest.mark.parametrize(
    ("path", "more"),
    [
        ("discards", {"where": {}}),
        ("set-aside", {"stream": STREAM, "first": 1, "last": 1}),
        ("misnumbered", {"stream": STREAM, "first": 2}),
    ],
)
def test_a_blank_reason_is_none(api: Api, path: str, more: dict[str, Any], blank: str) -> None:
    api.send(batch(1, [3.0, 900.0]))
    refused = amend(api, 422, path=path, **more, reason=blank)
    assert [error["pointer"] for error in refused["errors"]] == ["#/reason"]
    assert_balances(api, stored=1, quarantined=1, discarded=0)


def test_a_reason_is_kept_without_the_blanks_around_it(api: Api) -> None:
    api.send(batch(1, [900.0]))
    amend(api, path="discards", where={}, reason="  sensor was off its bracket \n")
    (listed,) = api.get("/v1/quarantine/amendments", key="operator").json()["amendments"]
    assert listed["asked"]["reason"] == "sensor was off its bracket"


@pytest.mark.parametrize("path", ["discards", "amendments"])
def test_the_audit_says_how_many_readings_of_which_numbers_an_act_was_about(api: Api, path: str) -> None:
    api.send(batch(1, [3.0, 900.0, 3.0, 901.0]))
    more: dict[str, Any] = (
        {"reason": "sensor was off"} if path == "discards" else {"change": {"shift_s": 60}, "note": "clock"}
    )
    done = amend(api, path=path, where={"device": DEVICE}, **more)
    api.undo(done["amendment_id"])
    entries = api.get("/v1/audit").json()["entries"][:2]
    assert [entry["what"] for entry in entries] == ["undo", {"discards": "discard"}.get(path, "amend")]
    for entry in entries:
        assert entry["values"]["readings"] == 2
        assert entry["values"]["streams"] == [{"stream": STREAM, "first": 2, "last": 4}]
        assert entry["detail"].endswith(f"; 2 readings: {STREAM} 2 to 4")


def test_a_preview_of_setting_aside_shows_the_first_and_the_last_reading(api: Api) -> None:
    api.send(batch(1, [3.0] * 20))
    span: dict[str, Any] = {
        "stream": STREAM,
        "first": 2,
        "last": 19,
        "reason": "weeks in the wrong unit",
        "preview": True,
    }
    seen = amend(api, path="set-aside", **span)
    assert (seen["entries"], len(seen["sample"])) == (18, 8)
    assert [seen["sample"][0]["seq"], seen["sample"][-1]["seq"]] == [2, 19]
    assert all(one["before"]["at"] for one in seen["sample"])
    assert_balances(api, stored=20, quarantined=0, discarded=0)


def test_what_was_done_is_listed_with_who_and_when(api: Api) -> None:
    api.send(batch(1, [900.0]))
    done = amend(api, path="discards", where={}, reason="sensor was off its bracket")
    api.undo(done["amendment_id"])
    (listed,) = api.get("/v1/quarantine/amendments", key="operator").json()["amendments"]
    assert listed["who"] == api.tokens["operator"].partition(".")[0]
    assert (listed["kind"], listed["entries"]) == ("discard", 1)
    assert listed["asked"]["reason"] == "sensor was off its bracket"
    assert listed["at"] == listed["undone_at"] == "2026-03-02T09:00:00Z"


@pytest.mark.parametrize(
    "body",
    [
        {},
        {"entries": [1], "where": {}},
        {"entries": []},
        {"where": {}, "change": {"offset": "2 hours"}},
        {"where": {}, "change": {"colour": "red"}},
    ],
)
def test_a_request_that_is_not_clear_is_refused(api: Api, body: dict[str, Any]) -> None:
    response = api.post("/v1/quarantine/amendments", body, key="operator")
    assert (response.status_code, response.json()["code"]) == (422, "not_valid")


def test_pages_follow_one_another_without_a_gap(api: Api) -> None:
    api.send(batch(1, [900.0] * 7))
    seen: list[int] = []
    more: dict[str, str] | None = {}
    while more is not None:
        page = api.get("/v1/quarantine", params={"limit": 3} | more).json()
        seen += [entry["seq"] for entry in page["entries"]]
        more = {"cursor": page["next"]} if page["next"] else None
    assert seen == [1, 2, 3, 4, 5, 6, 7]


def held_columns(first: int, count: int) -> dict[str, Any]:
    """A batch in columns in a unit that is not accepted."""
    return {
        "device": DEVICE,
        "stream": STREAM,
        "units": {"restriction": "IN WC"},
        "first_seq": first,
        "start": "2026-03-01T06:00:00Z",
        "step_ms": [0] + [1000] * (count - 1),
        "columns": {"restriction": [12.0] * count},
    }


def test_a_condition_that_matches_more_than_one_request_takes_says_so_and_goes_on(api: Api) -> None:
    """Also where the first thousands stay held after the change: the next request takes those behind."""
    for first in (1, 5_001):
        api.send(held_columns(first, 5_000))
    api.send(held_columns(10_001, 20))
    change = {"shift_s": 30.0}  # the unit stays wrong, so all of them stay held
    for preview in (True, False):
        where: dict[str, Any] = {"code": "unit_not_accepted"}
        seen = []
        while True:
            done = amend(api, where=where, change=change, preview=preview)
            seen.append((done["entries"], done["matched"]))
            if done["next_after"] is None:
                break
            where["after_entry"] = done["next_after"]
        assert seen == [(5_000, 10_020), (5_000, 5_020), (20, 20)]
    assert_balances(api, quarantined=10_020)
    amended = [a["entries"] for a in api.get("/v1/quarantine/amendments").json()["amendments"]]
    assert amended == [5_000, 5_000, 20]


def test_a_request_that_takes_all_that_match_says_that_nothing_is_left(api: Api) -> None:
    api.send(batch(1, [900.0, 901.0]))
    done = amend(api, path="discards", where={"code": "out_of_range"}, reason="sensor was off")
    assert (done["entries"], done["matched"], done["next_after"]) == (2, 2, None)


@pytest.mark.parametrize("name", ["units", "opaque", "time_is_right"])
def test_a_quantity_called_like_a_member_of_its_content_is_refused(api: Api, name: str) -> None:
    """Kept under that name it took the place of the units, or passed for what a person says of a time."""
    reading = {"seq": 1, "at": "1999-03-02T06:00:00Z", "restriction": 3.0, name: 5}
    body = {"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa"}, "readings": [reading]}
    response = api.post("/v1/readings", body, key="device")
    assert (response.status_code, response.json()["code"]) == (422, "not_a_batch")


@pytest.mark.parametrize("name", ["units", "opaque", "time_is_right"])
def test_such_a_reading_of_an_earlier_release_stays_and_holds_up_no_other(api: Api, name: str) -> None:
    api.send(batch(1, [3.0]) | {"readings": [{"seq": 1, "at": "1999-03-02T06:00:00Z", "soot": 5}]})
    ahead = {"seq": 2, "at": "2026-03-02T09:10:00Z", "restriction": 3.1}
    api.send(batch(2, [3.1]) | {"readings": [ahead]})
    content = {"seq": 1, "at": "1999-03-02T06:00:00Z", "units": {}, name: 5}
    with_name = sa.update(quarantine).where(quarantine.c.seq == 1).values(content=json.dumps(content))
    api.resources.writer.call(lambda connection: connection.execute(with_name).rowcount)
    api.clock.advance(900)
    api.resources.writer.call(lambda connection: after_a_start(connection, api.clock()))
    assert api.recheck() == 1
    assert list(stored(api)) == [2]
    assert_balances(api, stored=1, quarantined=1)
    with api.resources.reading() as connection:
        assert due(connection, api.clock()) == [], "it is not looked at again and again"
    amend(api, 422, entries=[held(api)[0]["entry"]], change={"units": {"restriction": "kPa"}})


@pytest.mark.parametrize(
    ("query", "status", "code", "said"),
    [
        ("code=zzz", 422, "not_valid", "out_of_range"),
        ("device=nosuch", 404, "unknown_device", "nosuch"),
        (
            "received_since=2026-03-02T08:00:00Z&received_until=2026-03-01T08:00:00Z",
            422,
            "not_valid",
            "received_since 2026-03-02T08:00:00Z is after received_until 2026-03-01T08:00:00Z",
        ),
    ],
)
def test_what_can_match_nothing_is_refused(api: Api, query: str, status: int, code: str, said: str) -> None:
    answer = api.get(f"/v1/quarantine?{query}")
    assert (answer.status_code, answer.json()["code"]) == (status, code)
    assert said in answer.text


def test_an_empty_list_of_what_there_may_be_is_no_refusal(api: Api) -> None:
    for query in ("code=out_of_range", f"device={DEVICE}", "received_since=2026-03-02T08:00:00Z"):
        answer = api.get(f"/v1/quarantine?{query}")
        assert (answer.status_code, answer.json()["entries"]) == (200, [])
    early = api.post("/v1/keys", {"role": "device", "devices": ["nobody-registered-me"]}).json()["key"]
    body = batch(1, [3.0]) | {"device": "nobody-registered-me"}
    assert api.post("/v1/readings", body, key=None, headers=bearer(early)).status_code == 200
    assert len(held(api, device="nobody-registered-me")) == 1


def test_entries_are_left_out_of_a_selection(api: Api) -> None:
    api.send(batch(1, [900.0, 901.0, 902.0]))
    entries = {entry["seq"]: entry["entry"] for entry in held(api)}
    where = {"code": "out_of_range", "without": [entries[2]]}
    done = amend(api, path="discards", where=where, reason="sensor was off")
    assert (done["entries"], done["matched"]) == (2, 2)
    assert [entry["seq"] for entry in held(api)] == [2]
    many = {"without": list(range(1, 66))}
    assert amend(api, 422, path="discards", where=many, reason="sensor was off")["code"] == "not_valid"


SETTLING: dict[str, dict[str, Any]] = {
    "amendments": {},
    "discards": {"reason": "sensor was off its bracket"},
    "both-right": {"device": DEVICE},
    "second-instead": {"reason": "the first was a test bench"},
}
REVERSED = {"received_since": "2026-03-02T08:00:00Z", "received_until": "2026-03-01T08:00:00Z"}


@pytest.mark.parametrize("path", SETTLING)
@pytest.mark.parametrize(
    ("where", "pointers", "said"),
    [
        ({"code": "out_of_rage"}, ["#/where/code"], '"out_of_rage" is no code'),
        ({"code": "out_of_rage", "device": "grader-70", "after_entry": 7}, ["#/where/code"], "out_of_range"),
        (REVERSED, ["#/where/received_until"], "is after received_until 2026-03-01T08:00:00Z"),
    ],
)
def test_settling_what_can_match_nothing_is_refused(
    api: Api, path: str, where: dict[str, Any], pointers: list[str], said: str
) -> None:
    """A slip in a script looked like a quarantine that is empty already."""
    for preview in (True, False):
        answer = api.post(
            f"/v1/quarantine/{path}", {"where": where, "preview": preview} | SETTLING[path], key="operator"
        )
        assert (answer.status_code, answer.json()["code"]) == (422, "not_valid")
        assert [error["pointer"] for error in answer.json()["errors"]] == pointers
        assert said in answer.text.replace('\\"', '"')
        unknown = {"where": {"device": "grader-70"}, "preview": preview} | SETTLING[path]
        answer = api.post(f"/v1/quarantine/{path}", unknown, key="operator")
        assert (answer.status_code, answer.json()["code"]) == (404, "unknown_device")
    later = {"received_since": REVERSED["received_since"]}
    for possible in ({"code": "out_of_range"}, {"device": DEVICE}, later):
        assert amend(api, path=path, where=possible, **SETTLING[path])["entries"] == 0


def test_the_audit_log_refuses_an_end_before_the_beginning(api: Api) -> None:
    answer = api.get("/v1/audit?since=2026-03-02T08:00:00Z&until=2026-03-01T08:00:00Z")
    assert (answer.status_code, answer.json()["code"]) == (422, "not_valid")
    assert "is after until" in answer.text


def said_of(answer: Any) -> str:
    """All sentences of a refusal."""
    problem = answer.json()
    return " ".join([problem["detail"], *(error["detail"] for error in problem["errors"])])


def test_refusals_say_value_rule_and_next_step(api: Api) -> None:
    api.send(batch(1, [900.0, 901.0]))
    first, second = (entry["entry"] for entry in held(api))
    body = {"entries": [first], "change": {"offset": "+01:00"}}
    assert 'Z" has an offset from UTC already' in said_of(api.post("/v1/quarantine/amendments", body))
    steps = api.get(f"/v1/devices/{DEVICE}/readings?resolution=3600")
    assert "like 60s or 3600s" in said_of(steps)
    plus = api.get("/v1/quarantine?received_since=2026-03-02T08:00:00+01:00")
    assert "a + is written %2B" in said_of(plus)
    body_text = b'{"entries":[1],"change":{"shift_s":1e400}}'
    as_json = {"Content-Type": "application/json"}
    many = api.request("POST", "/v1/quarantine/amendments", content=body_text, headers=as_json)
    assert "Infinity" not in many.text
    assert "too large" in said_of(many)
    given_up = amend(api, path="discards", entries=[first], reason="sensor was off")["amendment_id"]
    settled = api.post("/v1/quarantine/discards", {"entries": [first, second], "reason": "again"})
    assert (settled.status_code, settled.json()["code"]) == (404, "unknown_entry")
    assert f"entry {first} is settled already, it is discarded" in said_of(settled)
    undo = f"/v1/quarantine/amendments/{given_up}/undo"
    assert api.post(undo, {}).status_code == 200
    again = api.post(undo, {})
    assert (again.status_code, again.json()["code"]) == (409, "not_undoable")
    assert f"amendment {given_up} was undone at 2026" in said_of(again)
    one = amend(api, path="discards", entries=[second], reason="sensor was off")["amendment_id"]
    assert api.post(f"/v1/quarantine/amendments/{one}/undo", {}).status_code == 200
