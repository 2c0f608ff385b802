"""Impossible times are quarantined with the reason; an admin widens a history; the stored can be read."""

from __future__ import annotations

from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import stored
from cleanside.ingest.store.at_rest import StoredTime
from tests.support.databases import opened
from tests.support.serving import DEVICE, Api, batch


def at(api: Api, *instants: str, first: int = 1, **more: Any) -> dict[str, Any]:
    """Send readings of these instants; the answer."""
    document = batch(first, [3.0] * len(instants), **more)
    for reading, instant in zip(document["readings"], instants, strict=True):
        reading["at"] = instant
    return api.send(document)


def read(api: Api, **query: str) -> list[str]:
    answer = api.get(f"/v1/devices/{DEVICE}/readings", params=query)
    assert answer.status_code == 200, answer.text
    return [reading["at"] for reading in answer.json()["readings"]]


@pytest.mark.parametrize(
    ("instant", "code"),
    [
        ("1970-01-02T00:00:00Z", "clock_unset"),
        ("0001-01-01T00:00:00Z", "clock_unset"),
        ("1999-08-22T00:00:00Z", "clock_unset"),
        ("2019-04-07T00:00:00Z", "clock_unset"),
        ("1969-07-20T20:17:40Z", "time_before_floor"),
        ("2024-12-31T00:00:00Z", "time_before_floor"),
    ],
)
def test_an_impossible_time_is_quarantined_where_no_date_of_service_is_set(
    api: Api, instant: str, code: str
) -> None:
    api.register()
    answer = at(api, instant, "2026-03-02T06:00:00Z")
    assert [(note["seq"], note["code"]) for note in answer["quarantined"]] == [(1, code)]
    assert answer["stored"] == 1
    api.analyse()
    state = api.get("/v1/machines/grader-07/restriction").json()
    assert (state["state"], state["last_reading_at"]) == ("running-in", "2026-03-02T06:00:00Z")


def test_a_backlog_from_before_the_first_enrolment_is_believed(api: Api) -> None:
    """It is quarantined until the device is known, and is claimed then; a year back at the most."""
    assert at(api, "2025-03-03T06:00:00Z", "2025-02-20T06:00:00Z")["stored"] == 0
    assert api.post("/v1/devices", {"device": DEVICE}).json()["claimed"] == 1
    assert read(api) == ["2025-03-03T06:00:00Z"]


def test_an_admin_widens_the_history_of_a_device(api: Api) -> None:
    """What was quarantined is stored then, and so is what comes."""
    api.register()
    assert at(api, "2019-05-01T00:00:00Z", "2011-06-01T00:00:00Z", "2009-06-01T00:00:00Z")["stored"] == 0
    body = {"device": DEVICE, "history_from": "2010-01-01T00:00:00Z"}
    for key in ("integrator", "operator"):
        refused = api.post("/v1/devices", body, key=key)
        assert (refused.status_code, refused.json()["code"]) == (403, "role_not_allowed")
    widened = api.post("/v1/devices", body).json()
    assert (widened["claimed"], widened["history_from"]) == (2, "2010-01-01T00:00:00Z")
    assert at(api, "2012-06-01T00:00:00Z", first=4)["stored"] == 1
    assert read(api) == ["2011-06-01T00:00:00Z", "2012-06-01T00:00:00Z", "2019-05-01T00:00:00Z"]
    assert api.account()["balances"]
    noted = api.get("/v1/audit", params={"what": "device"}).json()["entries"][0]
    assert noted["values"]["body"]["history_from"] == "2010-01-01T00:00:00Z"


def test_a_correction_to_before_the_device_s_own_time_is_not_believed(api: Api) -> None:
    api.register()
    at(api, "2026-03-02T06:00:00Z")
    moved = {"event": "boot_corrected", "boot": "b1", "at_seq": 2, "shift_s": -2e9, "uncertainty_s": 1.0}
    at(
        api,
        "2026-03-02T06:01:00Z",
        first=2,
        gateway={"boots": [{"boot": "b1", "first_seq": 1}], "events": [moved]},
    )
    api.analyse()
    assert read(api) == ["2026-03-02T06:00:00Z", "2026-03-02T06:01:00Z"]
    assert api.get("/v1/audit", params={"what": "boot_correction_refused"}).json()["entries"]


def test_whatever_is_stored_can_be_read_back(api: Api) -> None:
    """The previous release believed times before 1970, and no route gave them."""
    api.register()
    at(api, "2026-03-02T06:00:00Z", "2026-03-02T06:00:10Z")
    with opened(api.url) as engine, engine.begin() as connection:
        old_us = -62_135_596_800_000_000  # 0001-01-01
        stream_id = connection.scalar(sa.text("SELECT id FROM streams"))
        stored.replace_times(connection, stream_id, [StoredTime(1, old_us, None)])
        hour = old_us // 3_600_000_000
        values = {"hour": hour, "stream": stream_id}
        connection.execute(sa.text("UPDATE hours SET readings = 1, first_seq = 2"))
        connection.execute(
            sa.text(
                "INSERT INTO hours (stream_id, hour, first_seq, last_seq, readings, revision) "
                "VALUES (:stream, :hour, 1, 1, 1, 1)"
            ),
            values,
        )
    both = ["0001-01-01T00:00:00Z", "2026-03-02T06:00:10Z"]
    assert read(api) == both
    first = api.get(f"/v1/devices/{DEVICE}/readings", params={"limit": 1}).json()
    rest = api.get(f"/v1/devices/{DEVICE}/readings", params={"limit": 1, "cursor": first["next"]}).json()
    assert [r["at"] for r in first["readings"] + rest["readings"]] == both
    assert read(api, until="1970-01-01T00:00:00Z") == both[:1]
    assert read(api, since="1960-01-01T00:00:00Z") == both[1:]
    of_machine = api.get("/v1/machines/grader-07/readings").json()["readings"]
    assert [reading["at"] for reading in of_machine] == both
    export = api.get(f"/v1/devices/{DEVICE}/readings", params={"format": "csv"}).text
    assert both[0] in export
