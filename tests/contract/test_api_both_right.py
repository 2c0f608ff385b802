"""
Two correct readings under one number are both kept, once a person has said so.

Found in a trial: 600 readings of two machines with a copied spool, and 1,000 of an old image that was written
to offline, were quarantined as `number_conflict`, and no amendment released them.
"""

from __future__ import annotations

from typing import Any

import pytest

from cleanside.ingest.store.second_readings import stream_name
from tests.support import held
from tests.support.serving import DEVICE, STREAM, Api, batch

OTHER = "loader-02-intake"
NEWER = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d12"
PATH = "/v1/quarantine/both-right"
COUNT = 600


@pytest.fixture(autouse=True)
def cloned(api: Api) -> None:
    """Two machines, and readings of both under the same numbers of one stream."""
    api.register()
    api.register(OTHER, "loader-02")
    api.send(batch(1, [3.0] * COUNT))
    answer = api.send(batch(1, [4.0] * COUNT))
    assert [(q["seq"], q["last_seq"], q["code"]) for q in answer["quarantined"]] == [
        (1, COUNT, "number_conflict")
    ]


def both(api: Api, expect: int = 200, **body: Any) -> dict[str, Any]:
    response = api.post(PATH, {"where": {}} | body, key="operator")
    assert response.status_code == expect, response.text
    document: dict[str, Any] = response.json()
    return document


def stored(api: Api, device: str) -> list[float]:
    """Restriction of the stored readings of a device [kPa], by stream and number."""
    with api.resources.reading() as connection:
        found = held.stored(connection)
    return [round(row["restriction_pa"] / 1000, 3) for row in found if row["device"] == device]


def account(api: Api) -> dict[tuple[str, str], dict[str, Any]]:
    document = api.account()
    assert document["balances"], document
    return {(line["device"], line["stream"]): line for line in document["streams"]}


@pytest.mark.parametrize("target", [{"device": OTHER}, {"machine": "loader-02"}])
def test_the_second_readings_go_to_the_device_that_a_person_names(api: Api, target: dict[str, Any]) -> None:
    preview = both(api, **target, preview=True)
    assert (preview["amendment_id"], preview["stored"], stored(api, OTHER)) == (None, COUNT, [])
    done = both(api, **target)
    assert (done["entries"], done["stored"], done["held"]) == (COUNT, COUNT, [])
    assert stored(api, DEVICE) == [3.0] * COUNT
    assert stored(api, OTHER) == [4.0] * COUNT
    second = stream_name(STREAM, OTHER)
    lines = account(api)
    assert (lines[DEVICE, STREAM]["stored"], lines[DEVICE, STREAM]["quarantined"]) == (COUNT, 0)
    assert (lines[OTHER, second]["stored"], lines[OTHER, second]["through"]) == (COUNT, COUNT)
    released = api.get("/v1/quarantine", params={"state": "released", "limit": 1}).json()["entries"]
    assert [(e["seq"], e["kept_as"]) for e in released] == [(1, {"stream": second, "seq": 1})]


def test_who_kept_both_is_in_the_audit_log(api: Api) -> None:
    done = both(api, device=OTHER, note="its spool was copied from the grader")
    [entry] = api.get("/v1/audit", params={"what": "both_right"}).json()["entries"]
    assert entry["who"] == api.tokens["operator"].partition(".")[0]
    assert entry["detail"].startswith(f"{done['amendment_id']} ")
    [amendment] = api.get("/v1/quarantine/amendments").json()["amendments"]
    assert (amendment["kind"], amendment["entries"]) == ("both_right", COUNT)


def test_a_resend_of_either_is_a_duplicate(api: Api) -> None:
    both(api, device=OTHER)
    for value in (3.0, 4.0):
        answer = api.send(batch(1, [value] * COUNT))
        assert (answer["stored"], answer["duplicates"], answer["quarantined"]) == (0, COUNT, [])
    assert (len(stored(api, DEVICE)), len(stored(api, OTHER))) == (COUNT, COUNT)
    account(api)


def test_of_an_old_image_both_are_the_same_devices(api: Api) -> None:
    both(api, device=DEVICE)
    assert stored(api, DEVICE) == [3.0] * COUNT + [4.0] * COUNT
    assert sum(line["stored"] for line in account(api).values()) == 2 * COUNT


def test_a_third_reading_of_a_number_is_kept_too(api: Api) -> None:
    both(api, device=OTHER)
    api.send(batch(1, [5.0] * 3))
    assert both(api, device=OTHER)["stored"] == 3
    assert stored(api, OTHER) == [4.0] * COUNT + [5.0] * 3
    account(api)


def test_it_can_be_undone_and_done_again(api: Api) -> None:
    done = both(api, device=OTHER)
    undo = f"/v1/quarantine/amendments/{done['amendment_id']}/undo"
    assert api.post(undo, {}, key="operator").status_code == 200
    assert (stored(api, OTHER), len(stored(api, DEVICE))) == ([], COUNT)
    line = account(api)[OTHER, stream_name(STREAM, OTHER)]
    assert (line["stored"], line["shed"], line["moved"], line["gap"]) == (0, 0, COUNT, 0)
    own = account(api)[DEVICE, STREAM]  # both readings of each number are where they were
    assert (own["stored"], own["shed"], own["moved"]) == (COUNT, 0, 0)
    assert api.get("/v1/quarantine", params={"limit": 1}).json()["entries"][0]["state"] == "held"
    listed = api.get("/v1/streams", key="operator").json()["streams"]
    assert [line["shed"] for line in listed] == [[], []]
    assert api.post(undo, {}, key="operator").json()["code"] == "not_undoable"
    assert both(api, device=DEVICE)["stored"] == COUNT
    assert both(api, device=OTHER)["entries"] == 0
    account(api)


def test_what_its_gateway_sent_again_under_another_stream_is_not_stored_twice(api: Api) -> None:
    """The gateway forked, and appended what conflicted to its new stream."""
    again = [dict(r, seq=r["seq"] + 40) for r in batch(1, [4.0] * COUNT)["readings"]]
    api.send(batch(1, [4.5] * 40, stream=NEWER))
    assert api.send(batch(1, [], stream=NEWER) | {"readings": again})["stored"] == COUNT
    done = both(api, device=DEVICE)
    assert (done["entries"], done["stored"], done["held"]) == (COUNT, 0, [])
    assert len(stored(api, DEVICE)) == 2 * COUNT + 40
    assert api.get("/v1/quarantine").json()["entries"] == []
    first = api.get("/v1/quarantine", params={"state": "released", "limit": 1}).json()["entries"][0]
    assert first["kept_as"] == {"stream": NEWER, "seq": 41}
    undo = f"/v1/quarantine/amendments/{done['amendment_id']}/undo"
    assert api.post(undo, {}, key="operator").status_code == 200
    assert len(stored(api, DEVICE)) == 2 * COUNT + 40
    account(api)


def test_what_its_gateway_sent_again_goes_to_the_device_that_is_named(api: Api) -> None:
    """A copied spool bears the name of the first machine: its readings went to that one's new stream."""
    again = [dict(r, seq=r["seq"] + 40) for r in batch(1, [4.0] * COUNT)["readings"]]
    api.send(batch(1, [4.5] * 40, stream=NEWER))
    api.send(batch(1, [], stream=NEWER) | {"readings": again})
    done = both(api, device=OTHER)
    assert (done["stored"], done["held"]) == (COUNT, [])
    assert stored(api, OTHER) == [4.0] * COUNT
    assert stored(api, DEVICE) == [3.0] * COUNT + [4.5] * 40
    line = account(api)[DEVICE, NEWER]
    assert (line["stored"], line["moved"], line["shed"], line["gap"]) == (40, COUNT, 0, 0)
    undo = f"/v1/quarantine/amendments/{done['amendment_id']}/undo"
    assert api.post(undo, {}, key="operator").status_code == 200
    assert (stored(api, OTHER), len(stored(api, DEVICE))) == ([], COUNT + 40)
    assert account(api)[DEVICE, STREAM]["quarantined"] == 0
    assert both(api, device=DEVICE)["stored"] == COUNT


def test_what_is_not_believed_of_that_device_stays_quarantined(api: Api) -> None:
    assert api.post("/v1/devices", {"device": OTHER, "in_service_at": "2026-03-02T06:30:05Z"}).is_success
    done = both(api, device=OTHER)
    assert (done["stored"], len(done["held"]) + done["held_more"]) == (COUNT - 180, 180)
    line = account(api)[OTHER, stream_name(STREAM, OTHER)]
    assert (line["stored"], line["through"], line["gap"]) == (COUNT - 180, COUNT - 180, 0)
    assert {code["code"] for code in done["held"]} == {"number_conflict"}
    assert both(api, device=DEVICE)["stored"] == 180


def test_readings_without_numbers_are_told_apart_by_a_stream_of_their_own(api: Api) -> None:
    api.send(batch(1_000, [6.0], stream=None))
    api.send(batch(1_000, [7.0], stream=None))
    done = both(api, where={"received_since": "2026-03-02T09:00:00Z"}, device=OTHER)
    assert done["stored"] == COUNT + 1
    assert sorted(stored(api, OTHER)) == [4.0] * COUNT + [7.0]
    account(api)


@pytest.mark.parametrize(
    ("body", "status", "code"),
    [
        ({}, 422, "not_valid"),
        ({"device": OTHER, "machine": "loader-02"}, 422, "not_valid"),
        ({"device": "nowhere"}, 404, "unknown_device"),
        ({"machine": "nowhere"}, 404, "unknown_machine"),
        ({"machine": "hauler-21"}, 422, "not_valid"),
    ],
)
def test_whose_it_is_has_to_be_said(api: Api, body: dict[str, Any], status: int, code: str) -> None:
    assert api.post("/v1/machines", {"machine": "hauler-21"}).is_success
    assert both(api, expect=status, **body)["code"] == code


def test_an_entry_that_stands_alone_is_no_second_reading(api: Api) -> None:
    api.send(batch(5_000, [900.0]))
    [entry] = api.get("/v1/quarantine", params={"code": "out_of_range"}).json()["entries"]
    body = {"entries": [entry["entry"]], "device": OTHER}
    response = api.post(PATH, body, key="operator")
    assert (response.status_code, response.json()["code"]) == (422, "change_does_not_fit")
