"""Statements that are put off are seen by those behind them, stand or fall with their transaction."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import suppress

import psycopg
import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cleanside.ingest.store import dialect, round_trips
from tests.support.databases import Postgres, opened

PUT = "INSERT INTO store_modes (name, since_us) {}"
KINDS = ("text", "int8")
NAMES = "SELECT name FROM store_modes WHERE name LIKE 'm%' ORDER BY name"

integers = st.none() | st.integers(-(2**63), 2**63 - 1)
texts = st.none() | st.text(st.characters(exclude_characters="\0", exclude_categories=["Cs"]))


@pytest.fixture
def engine(database_url: str) -> Iterator[sa.Engine]:
    with opened(database_url) as engine:
        yield engine


@pytest.fixture
def on_postgres(postgres: Postgres) -> Iterator[sa.Engine]:
    with opened(postgres.migrated()) as engine:
        yield engine


def names(connection: sa.Connection) -> list[str]:
    return list(connection.scalars(sa.text(NAMES)))


def put(connection: sa.Connection, *wanted: str) -> None:
    with round_trips.putting_off(connection):
        dialect.run_with_rows(connection, PUT, KINDS, [(name, 1) for name in wanted])


def asked(connection: sa.Connection) -> list[tuple[str]]:
    [found] = round_trips.ask(connection, [(NAMES, ())])
    return found


@pytest.mark.parametrize("look", [names, asked])
def test_what_is_put_off_is_seen_by_what_comes_next_and_is_kept(
    engine: sa.Engine, look: Callable[[sa.Connection], list[object]]
) -> None:
    with engine.begin() as connection:
        assert look(connection) == []
        put(connection, "ma", "mb")
        put(connection, "mc")
        assert len(look(connection)) == 3
        put(connection, "md")
    with engine.connect() as connection:
        assert names(connection) == ["ma", "mb", "mc", "md"]


def test_a_rollback_takes_back_what_was_put_off(engine: sa.Engine) -> None:
    with engine.connect() as connection:
        put(connection, "ma")
        connection.rollback()
        put(connection, "mb")
        connection.commit()
        assert names(connection) == ["mb"]


def test_what_is_put_off_may_fail_the_commit_and_then_nothing_is_kept(engine: sa.Engine) -> None:
    refused = pytest.raises((psycopg.errors.UniqueViolation, sa.exc.IntegrityError))
    with refused, engine.begin() as connection:
        asked(connection)
        put(connection, "ma")
        put(connection, "mb", "mb")
        put(connection, "mc")
    with engine.begin() as connection:
        assert names(connection) == []
        put(connection, "md")
    with engine.connect() as connection:
        assert names(connection) == ["md"]


def test_a_transaction_after_one_that_asked_is_one_too(engine: sa.Engine) -> None:
    with engine.connect() as connection:
        asked(connection)
        put(connection, "ma")
        connection.commit()
        connection.execute(sa.text("DELETE FROM store_modes"))
        connection.rollback()
        asked(connection)
        connection.execute(sa.text("DELETE FROM store_modes"))
        connection.rollback()
        assert names(connection) == ["ma"]


def test_statements_that_the_driver_forgot_are_prepared_again(on_postgres: sa.Engine) -> None:
    with on_postgres.connect() as connection:
        one = ("SELECT since_us FROM store_modes WHERE name = ?", ("ma",))
        assert round_trips.ask(connection, [one]) == [[]]
        put(connection, "ma")
        connection.commit()
        connection.exec_driver_sql("DEALLOCATE ALL")  # as the driver does behind a DROP
        connection.commit()
        assert round_trips.ask(connection, [one]) == [[(1,)]]
        put(connection, "mb")
        connection.commit()
        assert names(connection) == ["ma", "mb"]


def test_a_connection_that_ended_while_it_was_idle_costs_no_commit(
    on_postgres: sa.Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(round_trips, "FRESH_S", 0.0)
    _end(on_postgres)
    with on_postgres.begin() as connection:
        put(connection, "ma")
    with on_postgres.connect() as connection:
        assert names(connection) == ["ma"]


def test_a_connection_that_ends_under_way_fails_its_commit_alone(on_postgres: sa.Engine) -> None:
    connection = on_postgres.connect()
    asked(connection)
    put(connection, "ma")
    _end(on_postgres, connection)
    with pytest.raises(psycopg.OperationalError):
        connection.commit()
    connection.close()
    with on_postgres.begin() as connection:
        put(connection, "mb")
    with on_postgres.connect() as connection:
        assert names(connection) == ["mb"]


def _end(engine: sa.Engine, connection: sa.Connection | None = None) -> None:
    """End a connection's process; None: of one that the pool keeps."""
    if connection is None:
        with engine.connect() as own:
            process: int = own.connection.driver_connection.info.backend_pid  # type: ignore[union-attr]
    else:
        process = connection.connection.driver_connection.info.backend_pid  # type: ignore[union-attr]
    other = sa.create_engine(engine.url, poolclass=sa.NullPool)
    with other.connect() as beside, suppress(sa.exc.OperationalError):
        beside.execute(sa.text(f"SELECT pg_terminate_backend({process}, 5000)"))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.tuples(integers, texts, st.binary()), min_size=1, max_size=5))
def test_arrays_bring_every_value_as_it_is(
    engine: sa.Engine, rows: list[tuple[int | None, str | None, bytes]]
) -> None:
    if engine.dialect.name == "sqlite":
        return
    numbers, words, contents = zip(*rows, strict=True)
    arrays = (
        round_trips.int8_array(numbers),
        round_trips.text_array(words),
        round_trips.bytea_array(contents),
    )
    with engine.connect() as connection:
        found = dialect.run(connection, "SELECT * FROM unnest(?, ?, ?)", arrays).all()
        connection.rollback()
    assert [tuple(row) for row in found] == rows
