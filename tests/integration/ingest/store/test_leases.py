"""Leases: one holder, who loses it after its time, and whom no other process waits for."""

from __future__ import annotations

import time

import pytest

from cleanside.ingest.store import leases
from cleanside.ingest.writer.lease import Lease
from tests.support.databases import Postgres, opened
from tests.support.serving import in_process

HOUR_US = 3_600_000_000


def test_one_process_at_a_time_holds_a_lease_and_another_follows(database_url: str) -> None:
    with opened(database_url) as engine, engine.begin() as connection:
        assert leases.take(connection, "courier", "a", 0, 60)
        assert not leases.take(connection, "courier", "b", 59, 119)
        assert leases.take(connection, "courier", "a", 59, 119)  # kept
        assert leases.take(connection, "courier", "b", 120, 180)  # a was killed
        assert not leases.take(connection, "courier", "a", 121, 181)
        leases.give_back(connection, "courier", "b")
        assert leases.take(connection, "courier", "a", 121, 181)


def test_a_holder_that_wakes_up_keeps_only_what_no_other_has_taken(database_url: str) -> None:
    with opened(database_url) as engine, engine.begin() as connection:
        assert leases.take(connection, "webhook:1", "a", 0, 60)
        assert leases.keep(connection, "webhook:1", "a", 500)  # late, and still its own
        assert leases.take(connection, "webhook:1", "b", 501, 561)
        assert not leases.keep(connection, "webhook:1", "a", 999)
        leases.give_back(connection, "webhook:1", "a")
        assert leases.of_others(connection, "a", 561) == {"webhook:1"}
        assert leases.of_others(connection, "b", 561) == leases.of_others(connection, "a", 562) == set()


@pytest.mark.postgres
def test_a_lease_that_another_process_is_about_to_take_is_skipped(postgres: Postgres) -> None:
    """A process that hangs in its transaction must not hold up the writer of another."""
    with opened(postgres.migrated()) as engine, engine.connect() as one, engine.connect() as other:
        assert leases.take(one, "courier", "a", 0, 60)
        one.commit()
        assert leases.take(one, "courier", "b", 61, 121)  # and its transaction stays open
        assert not leases.take(other, "courier", "c", 61, 121)  # at once: a lock timeout would be an error
        other.rollback()
        one.rollback()
        assert leases.take(other, "courier", "c", 61, 121)


@pytest.mark.postgres
@pytest.mark.parametrize("apart_us", [HOUR_US, -HOUR_US])
def test_hosts_whose_clocks_differ_by_an_hour_never_both_hold_a_lease(
    postgres: Postgres, apart_us: int
) -> None:
    """The database's clock counts: for the other host a lease neither ends early nor lasts an hour more."""
    url = postgres.migrated()
    with in_process(url) as one, in_process(url, tokens=one.tokens) as other:
        one.clock.now_us = time.time_ns() // 1_000
        other.clock.now_us = one.clock.now_us + apart_us
        first, second = (Lease(api.resources, "merging", 60_000_000) for api in (one, other))
        assert first.take()
        assert not second.take()
        assert first.write(lambda _: True)  # still its own
        first.give_back()
        assert second.take()
        assert not first.take()
        second.give_back()
        short = Lease(other.resources, "merging", 1)  # it has ended before the next transaction begins
        assert short.take()
        assert first.take()
