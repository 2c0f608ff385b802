"""Raw readings come from the standby for reads, which may lag; all else from the primary."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import load
from cleanside.ingest.writer.resources import open_resources
from tests.support.coded import refused
from tests.support.databases import migrate, migrated_sqlite
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process
from tests.support.standbys import Replicated


@pytest.fixture
def replicated() -> Iterator[Replicated]:
    servers = Replicated()
    yield servers
    servers.close()


def stored(api: Api) -> int:
    return len(api.get(f"/v1/devices/{DEVICE}/readings").json()["readings"])


@pytest.mark.postgres
def test_raw_readings_are_those_of_the_standby_and_the_mark_is_that_of_the_primary(
    replicated: Replicated,
) -> None:
    standby = replicated.nodes[1]
    migrate(replicated.url)
    chosen = load(
        flags={"database": replicated.url, "standby_for_reads": replicated.url_of(standby)}, environ={}
    )
    with in_process(replicated.url, settings=chosen) as api:
        api.register()
        api.send(batch(1, [3.0] * 10))
        replicated.wait_until_it_has_all(standby)
        assert stored(api) == 10
        standby.ask("SELECT pg_wal_replay_pause()")
        standby.wait_for("SELECT pg_get_wal_replay_pause_state()", "paused")
        api.send(batch(11, [3.0] * 5))
        assert stored(api) == 10
        assert api.get(f"/v1/streams/{STREAM}", key="device").json()["acknowledged_through"] == 15
        standby.ask("SELECT pg_wal_replay_resume()")
        replicated.wait_until_it_has_all(standby)
        assert stored(api) == 15


@pytest.mark.postgres
def test_while_it_is_away_raw_readings_are_503_and_all_else_goes_on(replicated: Replicated) -> None:
    standby = replicated.nodes[1]
    migrate(replicated.url)
    chosen = load(
        flags={"database": replicated.url, "standby_for_reads": replicated.url_of(standby)}, environ={}
    )
    path = f"/v1/devices/{DEVICE}/readings"
    with in_process(replicated.url, settings=chosen) as api:
        api.register()
        api.send(batch(1, [3.0] * 10))
        replicated.wait_until_it_has_all(standby)
        assert stored(api) == 10
        standby.stop()
        for question in ("", "?resolution=3600s"):
            away = api.get(path + question)
            assert (away.status_code, away.json()["code"]) == (503, "store_unavailable")
        assert api.send(batch(11, [3.0] * 5))["acknowledged_through"] == 15
        for going_on in (f"/v1/streams/{STREAM}", "/v1/fleet", "/v1/account", "/readyz"):
            key = "device" if going_on.endswith(STREAM) else "admin"
            assert api.get(going_on, key=key).status_code == 200, going_on
        standby.start()
        replicated.wait_until_it_has_all(standby)
        assert stored(api) == 15


def test_a_sqlite_file_has_no_standby_for_reads(tmp_path: Path) -> None:
    url = migrated_sqlite(tmp_path)
    chosen = load(flags={"database": url, "standby_for_reads": "postgresql://h/x"}, environ={})
    with refused(CalledWrongly, "standby_for_reads_of_sqlite"), open_resources(chosen, lambda: 0):
        pass
