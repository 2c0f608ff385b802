"""Readings by month on PostgreSQL: a place for each, moved, dropped; a number stays unique over months."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import parse_instant
from cleanside.ingest.store import database, partitions, stored
from cleanside.ingest.store.models import blocks, readings
from cleanside.ingest.store.partitions import Month
from tests.support.databases import Postgres, migrate, opened

NOW_US = parse_instant("2026-03-02T09:00:00Z").us


@pytest.fixture
def connection(postgres: Postgres) -> Iterator[sa.Connection]:
    """A transaction on a PostgreSQL database of the newest schema."""
    with opened(postgres.migrated()) as engine, engine.begin() as begun:
        yield begun


def put(connection: sa.Connection, *at: str, first_seq: int = 1) -> None:
    """A reading of stream 7 at each instant."""
    rows = [
        {"stream_id": 7, "seq": seq, "at_us": parse_instant(text).us}
        | {"unit_set_id": 1, "content_hash": seq, "received_us": 0}
        for seq, text in enumerate(at, start=first_seq)
    ]
    connection.execute(sa.insert(readings), rows)


def tables(connection: sa.Connection) -> list[str]:
    """The table each reading is in, in the order of their numbers."""
    query = "SELECT tableoid::regclass::text FROM readings ORDER BY seq"
    return list(connection.scalars(sa.text(query)))


def test_a_month_begins_and_ends_as_the_calendar_says() -> None:
    for year, month in ((2024, 2), (2026, 12), (1970, 1)):
        found = Month(year, month)
        first = datetime(year, month, 1, tzinfo=UTC)
        assert found.from_us == first.timestamp() * 1e6
        assert partitions.month_of(found.from_us) == found
        assert partitions.month_of(found.from_us - 1) == found.later(-1)
        assert partitions.month_of(found.until_us - 1) == found
    assert Month(2026, 12).later(1) == Month(2027, 1)
    assert Month(2026, 1).later(-1) == Month(2025, 12)


@pytest.mark.postgres
def test_months_are_made_before_they_begin_and_only_once(connection: sa.Connection) -> None:
    made = partitions.make_ahead(connection, NOW_US)
    assert [month.text for month in made] == ["2026-02", "2026-03", "2026-04", "2026-05"]
    assert partitions.make_ahead(connection, NOW_US) == []
    assert partitions.listed(connection) == made


@pytest.mark.postgres
def test_a_reading_without_a_month_has_a_place_and_moves_when_its_month_is_made(
    connection: sa.Connection,
) -> None:
    put(connection, "2026-02-28T23:59:59Z", "2026-03-01T00:00:00Z", "1999-05-05T00:00:00Z")
    assert set(tables(connection)) == {"readings_other"}
    partitions.make_ahead(connection, NOW_US)
    assert tables(connection) == ["readings_2026_02", "readings_2026_03", "readings_other"]


@pytest.mark.postgres
def test_a_dropped_month_is_gone_and_late_readings_of_it_still_find_a_place(
    connection: sa.Connection,
) -> None:
    partitions.make_ahead(connection, NOW_US)
    put(connection, "2026-02-10T00:00:00Z", "2026-03-10T00:00:00Z")
    assert partitions.drop(connection, Month(2026, 2))
    assert not partitions.drop(connection, Month(2026, 2))
    put(connection, "2026-02-11T00:00:00Z", first_seq=3)
    assert tables(connection) == ["readings_2026_03", "readings_other"]


@pytest.mark.postgres
def test_a_month_that_is_locked_waits_for_nobody_for_ever(
    postgres: Postgres, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(partitions, "LOCK_WITHIN_S", "0.1")
    url = postgres.migrated()
    with opened(url) as engine:
        with engine.begin() as maker:
            partitions.make_ahead(maker, NOW_US)
        with engine.begin() as writer:
            put(writer, "2026-03-10T00:00:00Z")
            with engine.begin() as other, pytest.raises(sa.exc.OperationalError, match="lock timeout"):
                partitions.drop(other, Month(2026, 3))


@pytest.mark.postgres
def test_blocks_have_months_of_their_own_that_keep_content_as_it_is(connection: sa.Connection) -> None:
    """It is compressed already, so the database need not try: EXTERNAL is "e" in pg_attribute."""
    names = (
        "last_seq",
        "last_us",
        "readings",
        "unit_set_id",
        "first_received_us",
        "last_received_us",
        "digest",
    )
    row = {"stream_id": 7, "first_seq": 1, "first_us": NOW_US, "content": b""} | dict.fromkeys(names, 1)
    connection.execute(sa.insert(blocks), [row])
    partitions.make_ahead(connection, NOW_US)
    assert partitions.listed(connection, partitions.BLOCKS) == partitions.listed(connection)
    query = "SELECT tableoid::regclass::text FROM blocks"
    assert list(connection.scalars(sa.text(query))) == ["blocks_2026_03"]
    storage = "SELECT attstorage::text FROM pg_attribute "
    storage += "WHERE attname = 'content' AND attrelid = CAST(:t AS regclass)"
    for table in ("blocks", "blocks_other", "blocks_2026_03"):
        assert connection.scalar(sa.text(storage), {"t": table}) == "e"
    assert partitions.drop(connection, Month(2026, 3), partitions.BLOCKS)
    assert Month(2026, 3) in partitions.listed(connection)
    connection.execute(sa.insert(blocks), [row])
    with pytest.raises(sa.exc.IntegrityError), connection.begin_nested():
        connection.execute(sa.insert(blocks), [row])


def test_on_sqlite_there_are_no_months_and_nothing_is_dropped(sqlite_database_url: str) -> None:
    with opened(sqlite_database_url) as engine, engine.begin() as connection:
        put(connection, "2026-03-10T00:00:00Z")
        assert partitions.make_ahead(connection, NOW_US) == []
        assert partitions.listed(connection) == []
        assert not partitions.lock(connection, Month(2026, 3))
        assert not partitions.drop(connection, Month(2026, 3))
        assert connection.scalar(sa.select(sa.func.count()).select_from(readings)) == 1


@pytest.mark.postgres
def test_readings_from_before_they_were_kept_by_month_are_sorted_into_months(postgres: Postgres) -> None:
    url = postgres.empty()
    with opened(url) as engine:
        database.migrate(engine, to="0007")
        with engine.begin() as connection:
            put(connection, "2025-12-31T23:59:59.999999Z", "2026-03-01T00:00:00Z", "1969-01-01T00:00:00Z")
    migrate(url)
    with opened(url) as engine, engine.begin() as connection:
        assert tables(connection) == ["readings_2025_12", "readings_2026_03", "readings_other"]
        with pytest.raises(sa.exc.IntegrityError):
            put(connection, "2026-03-02T00:00:00Z", first_seq=2)


@pytest.mark.postgres
def test_a_number_that_would_stand_twice_takes_the_transaction_back(postgres: Postgres) -> None:
    """Over months no key holds it; the recount under the lock of the stream does."""
    with opened(postgres.migrated()) as engine:
        with engine.begin() as connection:
            partitions.make_ahead(connection, NOW_US)
            put(connection, "2026-02-10T00:00:00Z", "2026-03-10T00:00:00Z")
            stored.refuse_twice(connection, 7, ((1, 2),))

        def put_again() -> None:
            with engine.begin() as connection:
                put(connection, "2026-03-11T00:00:00Z")
                stored.refuse_twice(connection, 7, ((1, 2),))

        with pytest.raises(RuntimeError, match="twice"):
            put_again()
        with engine.connect() as connection:
            assert tables(connection) == ["readings_2026_02", "readings_2026_03"]
