"""A set of units that many requests bring at once is written once."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import readings
from cleanside.ingest.writer import resources
from tests.support.serving import Api

MANY = 10
UNITS = '{"restriction": "kPa"}'


def test_a_new_set_that_comes_many_times_at_once_is_one_job(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(resources, "LONGEST_TURN_S", 30.0)
    written: list[str] = []
    write, together = readings.keep_unit_set, threading.Barrier(MANY)

    def counted(connection: sa.Connection, units: str) -> int:
        written.append(units)
        return write(connection, units)

    monkeypatch.setattr(readings, "keep_unit_set", counted)

    def keep(_: int) -> int:
        together.wait(30)
        return api.resources.keep_unit_set(UNITS)

    with ThreadPoolExecutor(MANY) as pool:
        numbers = set(pool.map(keep, range(MANY)))
    assert numbers == {api.resources.known_unit_set(UNITS)}
    assert written == [UNITS]


def test_one_that_takes_long_holds_up_no_other(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resources, "LONGEST_TURN_S", 0.05)
    with api.resources._keeping_units:
        number = api.resources.keep_unit_set(UNITS)
    assert number == api.resources.known_unit_set(UNITS)
