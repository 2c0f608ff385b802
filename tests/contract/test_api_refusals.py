"""Requests without authorisation are counted by hour, bounded, and each owner sees those of its own keys."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.cli import main
from cleanside.ingest.errors import Refused, TryAgain
from cleanside.ingest.owners.request_refusals import MOST_KEPT, Refusals
from cleanside.ingest.settings import load
from cleanside.ingest.store import refusals as store
from cleanside.ingest.store.models import audit, refusals
from cleanside.ingest.store.refusals import HOUR_US, KEPT_HOURS, MOST_NAMED, NO_OWNER, OTHERS
from tests.support.databases import opened
from tests.support.serving import Api, ServerProcess, batch, bearer, in_process

Counted = set[tuple[str, str, int]]


def counted(api: Api, key: str = "admin") -> Counted:
    """(reason, who, times) as the owner of a key is shown them."""
    api.services.write_down()
    shown = api.get("/v1/audit/refusals", key=key).json()["refusals"]
    return {(r["reason"], r["who"], r["times"]) for r in shown}


def of_nobody(url: str) -> Counted:
    with opened(url) as engine, engine.connect() as connection:
        rows = store.list_of(connection, NO_OWNER, limit=10_000)
    return {(row.reason, row.who, row.times) for row in rows}


def handle(api: Api, role: str) -> str:
    return api.tokens[role].partition(".")[0]


def test_what_a_key_was_refused_is_counted_for_its_owner(api: Api) -> None:
    """A row for each reason, key and hour, however often; and none in the audit log."""
    revoked = api.post("/v1/keys", {"role": "planner"}).json()
    api.request("DELETE", f"/v1/keys/{revoked['handle']}")
    entries = len(api.get("/v1/audit").json()["entries"])
    other = batch(1, [3.0]) | {"device": "loader-02-intake"}
    for _ in range(3):
        assert api.get("/v1/keys", key="planner").status_code == 403
        assert api.post("/v1/readings", other, key="device").status_code == 403
        assert api.get("/v1/fleet", key=None, headers=bearer(revoked["key"])).status_code == 401
    assert counted(api) == {
        ("role_not_allowed", handle(api, "planner"), 3),
        ("key_not_for_device", handle(api, "device"), 3),
        ("key_revoked", revoked["handle"], 3),
    }
    assert counted(api, "quarry admin") == set()
    assert of_nobody(api.url) == set()
    assert len(api.get("/v1/audit").json()["entries"]) == entries


def test_what_came_with_no_key_of_ours_is_no_owners(api: Api) -> None:
    guess = f"{handle(api, 'admin')}.{'0' * 64}"
    api.get("/v1/fleet", key=None)
    api.get("/v1/fleet", key=None, headers=bearer(guess))
    api.post("/v1/enrol", {"code": "00000-00000-00000"}, key=None)
    assert counted(api) == counted(api, "quarry admin") == set()
    found = of_nobody(api.url)
    assert {(reason, times) for reason, _, times in found} == {
        ("key_missing", 1),
        ("key_unknown", 1),
        ("code_not_valid", 1),
    }
    assert {who for _, who, _ in found} == {"127.0.0.1"}


def test_another_hour_is_another_row_and_says_first_and_last(api: Api) -> None:
    for seconds in (0, 60, 3_600):
        api.clock.advance(seconds)
        api.get("/v1/keys", key="planner")
    api.services.write_down()
    shown = api.get("/v1/audit/refusals", params={"limit": 1}).json()
    assert (shown["refusals"][0]["hour"], shown["refusals"][0]["times"]) == ("2026-03-02T10:00:00Z", 1)
    more = api.get("/v1/audit/refusals", params={"limit": 1, "cursor": shown["next"]}).json()
    assert more["next"] is None
    [first] = more["refusals"]
    assert (first["hour"], first["times"]) == ("2026-03-02T09:00:00Z", 2)
    assert (first["first_at"], first["last_at"]) == ("2026-03-02T09:00:00Z", "2026-03-02T09:01:00Z")


def a_refusal() -> Refused:
    return Refused("key_unknown", status=401)


def count_from(counting: Refusals, addresses: int, now_us: int) -> None:
    for number in range(addresses):
        counting.count(a_refusal(), None, f"10.{number >> 16}.{number >> 8 & 255}.{number & 255}", now_us)


def flush(counting: Refusals, engine: sa.Engine) -> None:
    def call(job: Callable[[sa.Connection], None]) -> None:
        with engine.begin() as connection:
            job(connection)

    counting.flush(call)


def test_memory_is_bounded_and_nothing_goes_uncounted() -> None:
    counting = Refusals()
    count_from(counting, 5_000, 0)
    assert len(counting) == MOST_KEPT + 1
    assert sum(count.times for count in counting.take()) == 5_000
    assert len(counting) == 0


def test_a_flood_of_strangers_pushes_no_owners_count_out(api: Api) -> None:
    for number in range(MOST_KEPT + 50):
        api.services.refusals.count(a_refusal(), None, f"10.2.{number >> 8}.{number & 255}", api.clock())
    api.get("/v1/keys", key="planner")
    assert counted(api) == {("role_not_allowed", handle(api, "planner"), 1)}


def test_rows_are_bounded_for_an_hour_and_in_time_and_nothing_goes_uncounted(database_url: str) -> None:
    with opened(database_url) as engine:
        counting = Refusals()
        for start in range(3):
            for number in range(100):
                counting.count(a_refusal(), None, f"10.0.{start}.{number}", start)
            flush(counting, engine)
        with engine.connect() as connection:
            rows = store.list_of(connection, NO_OWNER, limit=10_000)
        assert len(rows) == MOST_NAMED + 1
        assert sum(row.times for row in rows) == 300
        [others] = [row for row in rows if row.who == OTHERS]
        assert (others.times, others.last_us) == (300 - MOST_NAMED, 2)
        counting.count(a_refusal(), None, "10.1.1.1", (KEPT_HOURS + 1) * HOUR_US)
        flush(counting, engine)
        with engine.connect() as connection:
            assert connection.scalar(sa.select(sa.func.count()).select_from(refusals)) == 1


def test_all_processes_count_into_one_row(database_url: str) -> None:
    with opened(database_url) as one, opened(database_url) as other:
        for engine in (one, other, one):
            counting = Refusals()
            count_from(counting, 1, 5)
            flush(counting, engine)
        with one.connect() as connection:
            assert [row.times for row in store.list_of(connection, NO_OWNER, limit=9)] == [3]


def test_what_could_not_be_written_down_is_counted_on() -> None:
    counting = Refusals()
    count_from(counting, 2, 0)

    def away(_job: Any) -> None:
        raise TryAgain("away")

    with pytest.raises(TryAgain):
        counting.flush(away)
    count_from(counting, 2, 1)
    assert [(c.times, c.first_us, c.last_us) for c in counting.take()] == [(2, 0, 1)] * 2


def test_addresses_of_one_ipv6_subscriber_are_one_row() -> None:
    counting = Refusals()
    for host in ("2001:db8:1:2::1", "2001:db8:1:2:3::9"):
        counting.count(a_refusal(), None, host, 0)
    assert [(c.who, c.times) for c in counting.take()] == [("2001:db8:1:2::", 2)]


def test_a_flood_without_keys_leaves_a_row_and_no_audit(sqlite_database_url: str) -> None:
    settings = load(flags={"database": sqlite_database_url, "address_tries_per_minute": 5}, environ={})
    with in_process(sqlite_database_url, settings=settings) as api:
        for _ in range(200):
            api.get("/v1/fleet", key=None, headers=bearer("k0000000.guess"))
        api.services.write_down()
        found = of_nobody(api.url)
        assert {reason for reason, _, _ in found} == {"key_unknown", "too_many_tries"}
        assert sum(times for _, _, times in found) == 200
        with opened(api.url) as engine, engine.connect() as connection:
            assert connection.scalar(sa.select(sa.func.count()).select_from(audit)) == 0


def test_a_server_that_ends_has_written_down_what_it_counted_and_the_command_shows_it(
    server: ServerProcess, capsys: pytest.CaptureFixture[str]
) -> None:
    with server.client("planner") as client:
        client.get("/v1/keys")
        client.get("/v1/keys", headers={"Authorization": "Bearer unknown.nothing"})
    server.stop()
    flags = ["--database", server.database_url]
    assert main(["keys", "refusals", "--owner", "plateau", *flags]) == 0
    assert server.tokens["planner"].partition(".")[0] in capsys.readouterr().out
    assert main(["keys", "refusals", "--no-owner", *flags]) == 0
    assert "key_unknown" in capsys.readouterr().out
