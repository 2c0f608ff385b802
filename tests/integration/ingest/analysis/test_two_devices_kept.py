"""What each of two devices on a housing saw is kept with its hours, and equal however it came."""

from __future__ import annotations

import uuid
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.recompute import recompute
from cleanside.ingest.restriction import Summaries
from cleanside.ingest.store import fleet
from cleanside.ingest.store.models import hour_summaries
from tests.support.serving import DEVICE, Api

SECOND = "grader-07-second"
FIRST_US = parse_instant("2026-03-02T06:00:00Z").us


def readings_of(device: str, zero_kpa: float, minutes: range) -> dict[str, Any]:
    """Engine off for ten minutes, then at work; a reading a minute."""
    rows = [
        {
            "seq": minute + 1,
            "at": instant_text(FIRST_US + minute * 60_000_000),
            "restriction": zero_kpa + (0.0 if minute % 60 < 10 else 3.0),
            "engine_speed": 0 if minute % 60 < 10 else 1800,
        }
        for minute in minutes
    ]
    units = {"restriction": "kPa", "engine_speed": "r/min"}
    stream = str(uuid.uuid5(uuid.NAMESPACE_OID, device))
    return {"device": device, "stream": stream, "units": units, "readings": rows}


def summaries(api: Api) -> Summaries:
    with api.resources.reading() as connection:
        [housing] = fleet.every_housing(connection, 1)
        return Memory().summaries(connection, housing)


def test_each_devices_hours_are_kept_apart_and_a_late_hour_changes_its_own_alone(api: Api) -> None:
    api.register()
    assert api.post("/v1/devices", {"device": SECOND, "machine": "grader-07"}, key="integrator").is_success
    api.send(readings_of(DEVICE, 0.0, range(180)))
    api.analyse()
    assert summaries(api).of_devices() == {}
    api.send(readings_of(SECOND, 0.12, range(60, 180)), key="integrator")
    api.analyse()
    before = summaries(api)
    alone = before.of_devices()
    assert [len(of_device) for of_device in alone.values()] == [3, 2]
    zeros = [of_device.column("off_mean_pa")[-1] for of_device in alone.values()]
    assert [round(float(pa)) for pa in zeros] == [0, 120]
    api.send(readings_of(SECOND, 0.12, range(180, 200)), key="integrator")
    api.analyse()
    assert summaries(api).parts[:3] == before.parts
    with api.resources.reading() as connection:
        housings = fleet.every_housing(connection, 1)
    [compared] = recompute(api.resources.reading, housings, None)
    assert compared.is_equal


def test_hours_of_the_release_before_say_nothing_of_devices_and_that_is_no_fault(api: Api) -> None:
    api.register()
    api.send(readings_of(DEVICE, 0.0, range(180)))
    api.analyse()
    api.resources.writer.call(lambda c: c.execute(sa.update(hour_summaries).values(devices=None)))
    assert summaries(api).parts == [b"", b"", b""]
    with api.resources.reading() as connection:
        housings = fleet.every_housing(connection, 1)
    [compared] = recompute(api.resources.reading, housings, None)
    assert compared.is_equal
