"""
A PostgreSQL whose synchronous standby is not there: nothing is acknowledged that stands on one machine alone.

The standby is named and never comes, so every commit waits; a person (or a shutdown) cancels the wait.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
import sqlalchemy as sa

from cleanside.ingest.settings import load
from tests.support.databases import Postgres
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process, make_keys

pytestmark = pytest.mark.postgres
WITHIN_S = 30.0


class Standby:
    """The name of a standby in the settings of a server, and a person who cancels waits for it."""

    def __init__(self, url: str) -> None:
        address = sa.make_url(url).set(drivername="postgresql+psycopg", database="postgres")
        self._engine = sa.create_engine(address, isolation_level="AUTOCOMMIT", poolclass=sa.NullPool)

    def is_named(self, names: str) -> None:
        """From now on commits wait for one of these; empty: for none."""
        self._run(f"ALTER SYSTEM SET synchronous_standby_names = '{names}'")
        self._run("SELECT pg_reload_conf()")
        self._until("SELECT current_setting('synchronous_standby_names')", names)

    def cancel_a_wait(self) -> None:
        """Wait until a commit waits, and cancel it."""
        waiting = "SELECT count(*) FROM pg_stat_activity WHERE wait_event = 'SyncRep'"
        self._until(waiting, 1)
        self._run("SELECT pg_cancel_backend(pid) FROM pg_stat_activity WHERE wait_event = 'SyncRep'")

    def _run(self, sql: str) -> object:
        with self._engine.connect() as connection:
            result = connection.execute(sa.text(sql))
            return result.scalar() if result.returns_rows else None

    def _until(self, sql: str, value: object) -> None:
        deadline, pause = time.monotonic() + WITHIN_S, threading.Event()
        while self._run(sql) != value:
            assert time.monotonic() < deadline, sql
            pause.wait(0.02)


@pytest.fixture
def standby_and_api(tmp_path: Path) -> Iterator[tuple[Standby, Api]]:
    server = Postgres(tmp_path / "data", fsync=False)
    try:
        url = server.migrated()
        standby = Standby(url)
        tokens = make_keys(url, [DEVICE])
        chosen = load(flags={"database": url, "durability": "standby"}, environ={})
        with in_process(url, tokens=tokens, settings=chosen) as api:
            api.request("POST", "/v1/devices", json={"device": DEVICE}).raise_for_status()
            yield standby, api
            standby.is_named("")
    finally:
        server.stop()


def test_what_stands_on_one_machine_alone_is_never_acknowledged(
    standby_and_api: tuple[Standby, Api],
) -> None:
    standby, api = standby_and_api
    api.request("POST", "/v1/readings", key="device", json=batch(1, [3.0])).raise_for_status()
    body = batch(2, [3.0, 3.1, 3.2])
    standby.is_named("ANY 1 (second)")
    with ThreadPoolExecutor(1) as person:
        cancelled = person.submit(standby.cancel_a_wait)
        posted = api.request("POST", "/v1/readings", key="device", json=body)
        cancelled.result()
        assert posted.status_code == 503
        assert posted.json()["code"] == "standby_away"

        # PostgreSQL shows the rows now; a question for the mark must not acknowledge them either.
        cancelled = person.submit(standby.cancel_a_wait)
        asked = api.request("GET", f"/v1/streams/{STREAM}", key="device")
        cancelled.result()
        assert asked.status_code == 503

    standby.is_named("")
    again = api.request("POST", "/v1/readings", key="device", json=body).json()
    assert (again["acknowledged_through"], again["duplicates"], again["stored"]) == (4, 3, 0)
    assert api.request("GET", f"/v1/streams/{STREAM}", key="device").json()["acknowledged_through"] == 4
