"""Rows encoded ahead come back as they were, with their gaps, on both databases."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import psycopg
import pytest
import sqlalchemy as sa
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from cleanside.ingest.store import dialect
from cleanside.ingest.store.marks import ranges_of
from cleanside.ingest.store.models import readings
from tests.support.databases import opened

numbers = hnp.arrays(np.float64, 7, elements=st.floats(allow_nan=True, allow_infinity=False))
integers = hnp.arrays(np.int64, 7)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(numbers, numbers, integers)
def test_encoded_rows_come_back_as_they_were(
    database_url: str,
    first: npt.NDArray[np.float64],
    second: npt.NDArray[np.float64],
    hashes: npt.NDArray[np.int64],
) -> None:
    columns: dict[str, dialect.NumberArray | int] = {
        "seq": np.arange(1, 8, dtype=np.int64),
        "at_us": hashes,
        "content_hash": hashes,
        "unit_set_id": 3,
        "received_us": -(2**62),
        "restriction_pa": first,
        "altitude_m": second,
    }
    with opened(database_url) as engine, engine.connect() as connection:
        sqlite = dialect.is_sqlite(connection)
        encoded = dialect.encode("readings", "stream_id", columns, sqlite=sqlite)
        again = dialect.encode("readings", "stream_id", columns, sqlite=sqlite)
        dialect.put(connection, [(encoded, 5), (again, -6)])
        rows = connection.execute(sa.select(readings).order_by(readings.c.stream_id, readings.c.seq)).all()
        connection.rollback()
    assert [row.stream_id for row in rows] == [-6] * 7 + [5] * 7
    for part in (rows[:7], rows[7:]):
        assert [row.at_us for row in part] == [row.content_hash for row in part] == hashes.tolist()
        assert {(row.unit_set_id, row.received_us, row.engine_hours_s) for row in part} == {
            (3, -(2**62), None)
        }
        for name, column in (("restriction_pa", first), ("altitude_m", second)):
            found = [getattr(row, name) for row in part]
            assert found == [None if np.isnan(v) else v for v in column.tolist()]


def test_more_rows_than_one_statement_takes_are_stored(database_url: str) -> None:
    many = dialect.STATEMENT_ROWS * 2 + 7
    every = np.arange(many, dtype=np.int64)
    columns: dict[str, dialect.NumberArray | int] = {
        "seq": every,
        "at_us": every,
        "content_hash": every,
        "unit_set_id": 1,
        "received_us": 1,
    }
    with opened(database_url) as engine, engine.connect() as connection:
        encoded = dialect.encode("readings", "stream_id", columns, sqlite=dialect.is_sqlite(connection))
        dialect.put(connection, [(encoded, 1)])
        assert connection.scalar(sa.select(sa.func.count()).select_from(readings)) == many
        with pytest.raises((sa.exc.IntegrityError, psycopg.errors.UniqueViolation)):
            dialect.put(connection, [(encoded, 1)])
        connection.rollback()


@given(st.sets(st.integers(1, 10**6), min_size=1, max_size=60))
def test_conditions_ask_for_every_number(wanted: set[int]) -> None:
    asked = list(dialect.among(sa.column("seq", sa.Integer), ranges_of(sorted(wanted))))
    engine = sa.create_engine("sqlite://")
    with engine.connect() as connection:
        connection.execute(sa.text("CREATE TABLE t (seq INTEGER)"))
        connection.execute(sa.text("INSERT INTO t VALUES (:n)"), [{"n": n} for n in wanted])
        every: sa.Select[int] = sa.select(sa.column("seq", sa.Integer)).select_from(sa.table("t"))
        found = [n for condition in asked for n in connection.scalars(every.where(condition))]
    engine.dispose()
    assert sorted(found) == sorted(wanted)
