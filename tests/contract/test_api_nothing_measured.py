"""A reading in which no quantity has a value is quarantined under its number, on every way in."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from cleanside.gateway.bundle import BundleWriter, handle_of, mac_secret
from cleanside.gateway.wire import encode
from cleanside.gateway.wire.decoder import decode
from cleanside.ingest.api.routes.bundles import BUNDLE_MEDIA_TYPE
from cleanside.ingest.intake.senml import SENML_MEDIA_TYPE
from tests.support.held import stored as at_rest
from tests.support.serving import DEVICE, STREAM, Api, batch

CODE = "nothing_measured"
ENVELOPE = {"device": DEVICE, "stream": STREAM, "units": {"restriction": "kPa", "engine_speed": "r/min"}}
COLUMNS = ENVELOPE | {"first_seq": 1, "start": "2026-03-02T06:00:00Z", "step_ms": [0, 10_000, 10_000]}


@pytest.fixture(autouse=True)
def _registered(api: Api) -> None:
    api.register()


def stored(api: Api) -> list[int]:
    with api.resources.reading() as connection:
        return [row["seq"] for row in at_rest(connection)]


def held(api: Api, **query: Any) -> list[tuple[int, str]]:
    entries = api.get("/v1/quarantine", key="operator", params=query).json()["entries"]
    return sorted((entry["seq"], entry["code"]) for entry in entries)


def noted(answer: dict[str, Any]) -> list[tuple[int, int, str]]:
    notes = answer["quarantined"]
    return [(note["seq"], note.get("last_seq", note["seq"]), note["code"]) for note in notes]


def readings_of(*given: dict[str, Any]) -> dict[str, Any]:
    times = [f"2026-03-02T06:00:{10 * n:02d}Z" for n in range(len(given))]
    readings = [
        {"seq": n, "at": at, **values} for n, (at, values) in enumerate(zip(times, given, strict=True), 1)
    ]
    return ENVELOPE | {"readings": readings}


@pytest.mark.parametrize(
    "document",
    [
        COLUMNS | {"columns": {"restriction": [3.0, None, 3.1]}},
        COLUMNS | {"columns": {"engine_speed": [None, None, 1795], "restriction": [3.0, None, None]}},
        readings_of({"restriction": 3.0}, {}, {"restriction": 3.1}),
        readings_of({"restriction": 3.0}, {"restriction": None, "engine_speed": None}, {"restriction": 3}),
        readings_of({"restriction": 3.0}, {"at_uncertainty_s": 0.5}, {"engine_speed": 1795}),
    ],
)
def test_it_is_quarantined_and_its_neighbours_are_stored(api: Api, document: dict[str, Any]) -> None:
    """Both layouts; nulls and nothing at all; beside values of one quantity or another."""
    answer = api.send(document)
    assert (answer["stored"], answer["acknowledged_through"], noted(answer)) == (2, 3, [(2, 2, CODE)])
    assert (stored(api), held(api)) == ([1, 3], [(2, CODE)])
    assert api.account()["balances"]
    again = api.send(document)
    assert (again["stored"], again["duplicates"], noted(again)) == (0, 2, [(2, 2, CODE)])


@pytest.mark.parametrize(
    "document",
    [COLUMNS, COLUMNS | {"columns": {"restriction": [None] * 3}}, readings_of({}, {}, {})],
)
def test_a_batch_of_nothing_else_is_quarantined_and_acknowledged(api: Api, document: dict[str, Any]) -> None:
    answer = api.send(document)
    assert (answer["stored"], answer["acknowledged_through"], noted(answer)) == (0, 3, [(1, 3, CODE)])
    assert stored(api) == []


def test_one_without_a_number_is_named_by_its_index(api: Api) -> None:
    readings = [{"at": "2026-03-02T06:00:00Z", "restriction": 3.0}, {"at": "2026-03-02T06:00:10Z"}]
    answer = api.send({"device": DEVICE, "units": {"restriction": "kPa"}, "readings": readings})
    assert [(note["index"], note["code"]) for note in answer["quarantined"]] == [(1, CODE)]


def test_a_senml_record_without_a_value_is_refused_with_its_place(api: Api) -> None:
    """RFC 8428 section 4.2 asks for a value, so no reading of a pack is empty; nothing of it is kept."""
    pack = b'[{"bn": "%s:", "bt": 1772431200, "n": "restriction"}]' % DEVICE.encode()
    headers = {"Content-Type": SENML_MEDIA_TYPE}
    refused = api.request("POST", "/v1/readings", key="device", content=pack, headers=headers)
    assert refused.status_code == 422
    assert [error["pointer"] for error in refused.json()["errors"]] == ["#/0"]
    assert (stored(api), held(api)) == ([], [])


def test_a_bundle_brings_it_to_the_same_place(api: Api, tmp_path: Path) -> None:
    path, key = tmp_path / "backlog.bundle", api.tokens["device"]
    writer = BundleWriter(path, device=DEVICE, secret=mac_secret(key), key=handle_of(key))
    body = json.dumps(COLUMNS | {"columns": {"restriction": [3.0, None, 3.1]}}).encode()
    writer.write(encode(decode(body)))
    writer.finish()
    writer.close()
    headers = {"Content-Type": BUNDLE_MEDIA_TYPE}
    brought = api.request(
        "POST", "/v1/bundles", key="operator", content=path.read_bytes(), headers=headers
    ).json()
    assert (brought["stored"], stored(api), held(api)) == (2, [1, 3], [(2, CODE)])


def test_a_reading_with_a_value_that_is_doubted_has_that_reason_alone(api: Api) -> None:
    answer = api.send(readings_of({"soot": 1.0}, {"restriction": 900.0}, {"restriction": 3.0}))
    assert noted(answer) == [(1, 1, "quantity_unknown"), (2, 2, "out_of_range")]


def test_looking_again_leaves_it_there_whatever_else_is_settled(api: Api) -> None:
    """Its time, which a person confirms, and its device, which is registered later."""
    document = readings_of({})
    document["readings"][0]["at"] = "1970-01-01T00:00:10Z"
    assert noted(api.send(document)) == [(1, 1, CODE)]
    for change in ({}, {"time_is_right": True}):
        body = {"where": {"code": CODE}, "change": change}
        done = api.post("/v1/quarantine/amendments", body, key="operator").json()
        assert (done["stored"], [kept["code"] for kept in done["held"]]) == (0, [CODE])
    assert (stored(api), held(api)) == ([], [(1, CODE)])


def test_one_of_an_unregistered_monitor_stays_when_it_is_registered(api: Api) -> None:
    other = {"device": "loader-02-intake", "stream": "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"}
    made = api.post("/v1/keys", {"role": "device", "devices": [other["device"]]}).json()
    api.tokens["other"] = made["key"]
    answer = api.send(readings_of({"restriction": 3.0}, {}) | other, key="other")
    assert noted(answer) == [(1, 2, "device_unknown")]
    api.register("loader-02-intake", "loader-02")
    api.recheck()
    assert (stored(api), held(api)) == ([1], [(2, CODE)])


def test_its_sender_replaces_it_by_one_with_a_value_and_never_the_other_way(api: Api) -> None:
    api.send(readings_of({}, {"restriction": 900.0}))
    corrected = readings_of({"restriction": 3.0}, {}) | {"replace_quarantined": True}
    answer = api.send(corrected)
    assert (answer["stored"], noted(answer)) == (1, [(2, 2, CODE)])
    assert stored(api) == [1]


def test_the_second_reading_of_a_number_is_not_stored_without_a_value(api: Api) -> None:
    api.register("loader-02-intake", "loader-02")
    api.send(batch(1, [3.0]))
    assert noted(api.send(readings_of({}))) == [(1, 1, "number_conflict")]
    body: dict[str, Any] = {"where": {}, "device": "loader-02-intake"}
    assert api.post("/v1/quarantine/both-right", body, key="operator").json()["stored"] == 0
    body = {"where": {}, "reason": "the first was the sensor's test"}
    assert api.post("/v1/quarantine/second-instead", body, key="operator").json()["stored"] == 0
    assert stored(api) == [1]


def test_a_person_discards_it_and_the_account_balances(api: Api) -> None:
    api.send(readings_of({"restriction": 3.0}, {}))
    body = {"where": {"code": CODE}, "reason": "the sensor was unplugged"}
    assert api.post("/v1/quarantine/discards", body, key="operator").json()["entries"] == 1
    [line] = api.account()["streams"]
    assert (line["balances"], line["stored"], line["quarantined"], line["discarded"]) == (True, 1, 0, 1)
