"""Lists and rows of any length make few statements, which mean the same: a driver keeps each that it met."""

from __future__ import annotations

import sqlite3

from hypothesis import given
from hypothesis import strategies as st

from cleanside.ingest.store import dialect

MOST_SIZES = 18  # up to `dialect.STATEMENT_ROWS`: two for each doubling
values = st.lists(st.integers(-(2**62), 2**62), max_size=60)


@given(values, values)
def test_a_list_filled_up_finds_what_the_list_finds(wanted: list[int], there: list[int]) -> None:
    """The outside reference is SQLite's own IN (sqlite.org/lang_expr.html, "The IN and NOT IN operators")."""
    listed = dialect.padded(wanted)
    with sqlite3.connect(":memory:") as connection:
        connection.execute("CREATE TABLE t (n INTEGER)")
        connection.executemany("INSERT INTO t VALUES (?)", [(n,) for n in there])
        found, plain = (
            connection.execute(f"SELECT n FROM t WHERE n IN ({dialect.marks(some)})", some).fetchall()
            for some in (listed, wanted)
        )
    connection.close()
    assert found == plain
    assert len(listed) <= 1.5 * len(wanted)


@given(st.integers(0, 3_000))
def test_pieces_of_rows_are_all_rows_in_their_order(many: int) -> None:
    pieces = list(dialect.in_sizes(range(many)))
    assert [row for piece in pieces for row in piece] == list(range(many))
    assert all(0 < len(piece) <= dialect.STATEMENT_ROWS for piece in pieces)


def test_any_number_of_values_makes_few_lengths() -> None:
    every = range(1, dialect.STATEMENT_ROWS + 1)
    padded = {len(dialect.padded(range(many))) for many in every}
    pieces = {len(piece) for many in every for piece in dialect.in_sizes(range(many))}
    assert padded == pieces
    assert len(padded) <= MOST_SIZES


def test_few_pieces_hold_any_rows() -> None:
    """Each statement waits for Python's lock."""
    assert max(len(list(dialect.in_sizes(range(many)))) for many in range(1, 65)) <= 4


def test_lists_are_cut_before_they_are_filled_up() -> None:
    lengths = [len(piece) for piece in dialect.in_lists(range(dialect.LOOKUP_CHUNK + 5))]
    assert lengths == [6_144, 6]
    assert lengths[0] < 32_766  # SQLITE_MAX_VARIABLE_NUMBER since 3.32 (sqlite.org/limits.html)
