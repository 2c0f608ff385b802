"""A corrected reading takes the place of its own quarantined one: one request, recorded, undoable."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.held import stored as at_rest
from tests.support.serving import DEVICE, STREAM, Api, batch, bearer

WRONG = batch(1, [12.0], units={"restriction": "IN WC"})
RIGHT = batch(1, [12.0], units={"restriction": "inH2O"})
# NIST SP 811 (2008) B.8: inch of water, conventional, 2.490 889 E+02 Pa
TWELVE_INCHES_PA = pytest.approx(12 * 249.0889, rel=1e-6)


@pytest.fixture(autouse=True)
def _registered(api: Api) -> None:
    api.register()


def stored(api: Api) -> dict[int, float]:
    with api.resources.reading() as connection:
        return {row["seq"]: row["restriction_pa"] for row in at_rest(connection)}


def held(api: Api, key: str = "device", **query: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = api.get("/v1/quarantine", key=key, params=query).json()["entries"]
    return found


def replacing(document: dict[str, Any]) -> dict[str, Any]:
    return document | {"replace_quarantined": True}


def test_a_conflict_says_where_the_other_reading_is(api: Api) -> None:
    """In quarantine itself, stored, or discarded by a person; also when it is sent again."""
    api.send(WRONG)
    api.send(batch(2, [3.0]))
    api.send(batch(3, [900.0]))
    discard = {"where": {"code": "out_of_range"}, "reason": "sensor was off"}
    assert api.post("/v1/quarantine/discards", discard).json()["entries"] == 1
    for _ in range(2):
        answer = api.send(batch(1, [3.1, 3.2, 3.3]))
        assert [(n["seq"], n["code"], n["other_is"]) for n in answer["quarantined"]] == [
            (1, "number_conflict", "quarantined"),
            (2, "number_conflict", "stored"),
            (3, "number_conflict", "discarded"),
        ]


def test_whoever_posted_a_reading_sees_it_in_quarantine_and_no_other_device(api: Api) -> None:
    api.send(WRONG)
    made = api.post("/v1/keys", {"role": "device", "devices": ["loader-02-intake"]}).json()
    other = bearer(made["key"])
    for key in ("device", "integrator"):
        assert [entry["code"] for entry in held(api, key)] == ["unit_not_accepted"]
    assert api.get("/v1/quarantine", key=None, headers=other).json()["entries"] == []
    for device in (DEVICE, "loader-02-intake", "no-such-intake"):  # one answer: who is there is not said
        asked = api.get("/v1/quarantine", key=None, headers=other, params={"device": device})
        assert (asked.status_code, asked.json()["code"]) == (404, "unknown_device")


@pytest.mark.parametrize("sent_before", [False, True], ids=["at once", "after it ended as a conflict"])
def test_a_corrected_reading_takes_the_place_of_its_own_in_quarantine(api: Api, sent_before: bool) -> None:
    api.send(WRONG)
    if sent_before:
        assert api.send(RIGHT)["quarantined"][0]["other_is"] == "quarantined"
    answer = api.send(replacing(RIGHT))
    assert (answer["stored"], answer["duplicates"], answer["quarantined"]) == (1, 0, [])
    assert stored(api) == {1: TWELVE_INCHES_PA}
    assert held(api) == []
    for again in (WRONG, RIGHT, replacing(RIGHT)):  # each content is known
        assert api.send(again)["duplicates"] == 1
    [line] = api.account()["streams"]
    assert (line["balances"], line["stored"], line["quarantined"]) == (True, 1, 0)
    api.analyse()


def test_a_replacement_is_recorded_and_undone(api: Api) -> None:
    api.send(WRONG)
    api.send(replacing(RIGHT))
    [done] = api.get("/v1/quarantine/amendments", key="operator").json()["amendments"]
    assert (done["kind"], done["who"]) == ("replace", api.tokens["device"].partition(".")[0])
    assert done["asked"] == {"device": DEVICE, "stream": STREAM, "readings": 1}
    assert api.post(f"/v1/quarantine/amendments/{done['amendment']}/undo", {}).status_code == 200
    assert stored(api) == {}
    assert [(e["code"], e["beside_another"], e["amended"]) for e in held(api)] == [
        ("unit_not_accepted", False, None),
        ("number_conflict", True, None),
    ]
    [line] = api.account()["streams"]
    assert (line["balances"], line["stored"], line["quarantined"]) == (True, 0, 1)
    assert api.send(replacing(RIGHT))["stored"] == 1
    assert stored(api) == {1: TWELVE_INCHES_PA}


def test_a_replacement_that_is_not_believed_stays_and_can_be_replaced_again(api: Api) -> None:
    api.send(WRONG)
    answer = api.send(replacing(batch(1, [900.0])))
    assert [(n["seq"], n["code"]) for n in answer["quarantined"]] == [(1, "out_of_range")]
    assert answer["stored"] == 0
    [entry] = held(api)
    assert (entry["code"], entry["content"]["units"]) == ("out_of_range", {"restriction": "IN WC"})
    assert entry["amended"]["restriction"] == 900.0
    assert api.send(replacing(RIGHT))["stored"] == 1
    assert stored(api) == {1: TWELVE_INCHES_PA}


def test_a_stored_reading_is_never_replaced_nor_one_that_a_person_settled(api: Api) -> None:
    api.send(batch(1, [3.0, 3.1, 900.0]))
    aside = {"stream": STREAM, "first": 2, "last": 2, "reason": "gauge reads inH2O"}
    assert api.post("/v1/quarantine/set-aside", aside).status_code == 200
    discard = {"where": {"code": "out_of_range"}, "reason": "sensor was off"}
    assert api.post("/v1/quarantine/discards", discard).status_code == 200
    answer = api.send(replacing(batch(1, [4.0, 4.1, 4.2, 4.3])))
    assert answer["stored"] == 1  # the new one
    assert [(n["seq"], n["other_is"]) for n in answer["quarantined"]] == [
        (1, "stored"),
        (2, "quarantined"),
        (3, "discarded"),
    ]
    assert stored(api) == {1: 3000.0, 4: pytest.approx(4300.0)}


def test_an_unreadable_record_is_replaced_by_the_reading_it_was(api: Api) -> None:
    api.send({"device": DEVICE, "stream": STREAM, "opaque": {"seq": 1, "base64": "AAEC"}})
    assert api.send(replacing(RIGHT))["stored"] == 1
    assert stored(api) == {1: TWELVE_INCHES_PA}


def without_numbers(**values: float) -> dict[str, Any]:
    units = {"restriction": "kPa", "engine_speed": "r/min"}
    reading = {"at": "2026-03-02T06:00:00Z", **values}
    return {"device": DEVICE, "units": {q: units[q] for q in values}, "readings": [reading]}


def test_two_quantities_of_one_instant_belong_in_one_reading(api: Api) -> None:
    """Without numbers identity is device and instant."""
    api.send(without_numbers(restriction=3.0))
    [note] = api.send(without_numbers(engine_speed=1800.0))["quarantined"]
    assert (note["code"], note["other_is"]) == ("number_conflict", "stored")
    [held] = api.get("/v1/quarantine").json()["entries"]
    about = {"at": "2026-03-02T06:00:00Z", "other_is": "stored"}
    assert held["reasons"][0]["values"] == about
    both = without_numbers(restriction=3.0) | {"readings": []}
    both["readings"] = [{"at": "2026-03-02T06:00:00Z", "restriction": v} for v in (3.0, 3.1)]
    [note] = api.send(both)["quarantined"]
    assert note["other_is"] == "stored"


def test_without_numbers_a_reading_is_replaced_at_its_instant(api: Api) -> None:
    api.send(without_numbers(restriction=900.0))
    assert api.send(replacing(without_numbers(restriction=3.0, engine_speed=1800.0)))["stored"] == 1
    assert list(stored(api).values()) == [3000.0]


def test_readings_of_a_device_that_is_not_registered_are_replaced_once_it_is(api: Api) -> None:
    """Before that everything is quarantined, within a bound."""
    other = "loader-02-intake"
    made = api.post("/v1/keys", {"role": "device", "devices": [other]}).json()
    send: dict[str, Any] = {"key": None, "headers": bearer(made["key"])}
    wrong, right = (document | {"device": other} for document in (WRONG, replacing(RIGHT)))
    assert api.post("/v1/readings", wrong, **send).json()["stored"] == 0
    [note] = api.post("/v1/readings", right, **send).json()["quarantined"]
    assert note["code"] == "number_conflict"
    assert api.post("/v1/devices", {"device": other}).status_code == 200
    assert api.post("/v1/readings", right, **send).json()["stored"] == 1


@pytest.mark.parametrize("value", [1, "true", None, []])
def test_the_member_is_true_or_false(api: Api, value: Any) -> None:
    response = api.post("/v1/readings", RIGHT | {"replace_quarantined": value}, key="device")
    assert (response.status_code, response.json()["code"]) == (422, "not_a_batch")
