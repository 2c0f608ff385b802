"""A person says that a time is right: an amendment of its own kind, recorded, undone like the others."""

from __future__ import annotations

from typing import Any

import pytest

from tests.support.serving import DEVICE, Api, batch

BUILT = "2026-02-20"
RIGHT = {"time_is_right": True}


@pytest.fixture
def api(api: Api) -> Api:
    """With a reading that was taken on the day on which the gateway's program was built."""
    api.register()
    document = batch(1, [3.0], gateway={"built": BUILT})
    document["readings"][0]["at"] = f"{BUILT}T10:00:00Z"
    assert api.send(document)["quarantined"][0]["code"] == "clock_unset"
    return api


def amend(api: Api, change: dict[str, Any], **where: Any) -> dict[str, Any]:
    response = api.post("/v1/quarantine/amendments", {"where": where, "change": change}, key="operator")
    assert response.status_code == 200, response.text
    answer: dict[str, Any] = response.json()
    return answer


def read(api: Api) -> list[str]:
    answer = api.get(f"/v1/devices/{DEVICE}/readings").json()
    return [reading["at"] for reading in answer["readings"]]


def test_a_true_time_on_the_build_date_is_released_by_a_person_s_word(api: Api) -> None:
    assert amend(api, {})["stored"] == 0
    assert amend(api, {"shift_s": 0.0})["stored"] == 0
    done = amend(api, RIGHT)
    assert (done["stored"], done["held"]) == (1, [])
    assert read(api) == [f"{BUILT}T10:00:00Z"]
    last = api.get("/v1/quarantine/amendments").json()["amendments"][-1]
    assert (last["kind"], last["who"]) == ("time_right", api.tokens["operator"].partition(".")[0])
    again = batch(1, [3.0], gateway={"built": BUILT})
    again["readings"][0]["at"] = f"{BUILT}T10:00:00Z"
    assert api.send(again)["duplicates"] == 1
    assert api.account()["balances"]
    assert api.post(f"/v1/quarantine/amendments/{last['amendment']}/undo", {}).json()["entries"] == 1
    assert read(api) == []
    [entry] = api.get("/v1/quarantine").json()["entries"]
    assert (entry["code"], "time_is_right" in (entry["amended"] or {})) == ("clock_unset", False)


def test_it_holds_against_neighbours_that_come_later(api: Api) -> None:
    amend(api, RIGHT)
    odd = batch(3, [3.0])
    odd["readings"][0]["at"] = "2026-02-10T10:00:00Z"
    assert api.send(odd)["stored"] == 1
    api.send(batch(5, [3.1, 3.2]))
    held = api.get("/v1/quarantine", params={"code": "time_outlier"}).json()["entries"]
    assert [entry["seq"] for entry in held] == [3]
    assert amend(api, RIGHT, code="time_outlier")["stored"] == 1
    assert api.send(batch(4, [3.3]))["stored"] == 1  # next to it: it is judged again, and stays stored
    assert len(read(api)) == 5


def test_every_doubt_about_a_time_is_settled_by_it_but_the_future(api: Api) -> None:
    times = ["1970-01-05T00:00:00Z", "2006-07-17T06:00:00Z", "2019-09-01T00:00:00Z", "2026-03-05T00:00:00Z"]
    document = batch(2, [3.0] * 4)
    for reading, at in zip(document["readings"], times, strict=True):
        reading["at"] = at
    assert api.send(document)["stored"] == 0
    done = amend(api, RIGHT)
    assert (done["stored"], [entry["code"] for entry in done["held"]]) == (4, ["time_in_future"])
    api.clock.advance(7 * 86_400)
    assert api.recheck() == 1


def test_other_doubts_stay_and_a_later_shift_takes_the_word_back(api: Api) -> None:
    document = batch(2, [900.0])
    document["readings"][0]["at"] = "1970-01-05T00:00:00Z"
    api.send(document)
    done = amend(api, RIGHT, code="out_of_range")
    assert [entry["code"] for entry in done["held"]] == ["out_of_range"]
    shifted = amend(api, {"shift_s": 1.0, "units": {"restriction": "Pa"}}, code="out_of_range")
    assert [entry["code"] for entry in shifted["held"]] == ["clock_unset"]


def test_it_is_said_alone(api: Api) -> None:
    body = {"where": {}, "change": RIGHT | {"shift_s": 1.0}}
    refused = api.post("/v1/quarantine/amendments", body)
    assert (refused.status_code, refused.json()["code"]) == (422, "not_valid")
