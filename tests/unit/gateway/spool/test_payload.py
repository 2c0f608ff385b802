"""Values lie in the spool as they were sent."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.errors import ReadingRefused
from cleanside.gateway.spool.payload import (
    read_unit_set,
    read_values,
    unit_set_of,
    write_many,
    write_unit_set,
    write_values,
)
from tests.support.coded import refused

NUMBERS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False), st.integers(min_value=-(2**53), max_value=2**53)
)


@given(st.lists(st.lists(NUMBERS, max_size=6), max_size=4))
def test_what_is_read_back_is_what_was_written(rows: list[list[float]]) -> None:
    read = read_values([write_values(row) for row in rows])
    assert read == rows
    assert [[type(v) for v in row] for row in read] == [[type(v) for v in row] for row in rows]


def test_a_payload_is_readable_json_without_spaces() -> None:
    assert write_values([3.05, 1795, -0.5]) == "[3.05,1795,-0.5]"


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf, 2**53 + 1, True, "3.05", None])
def test_what_the_wire_would_refuse_is_refused_at_append(value: object) -> None:
    with refused(ReadingRefused, "value_out_of_bounds"):
        write_values([1.0, value])  # type: ignore[list-item]


@pytest.mark.parametrize(
    ("name", "unit"),
    [
        ("seq", "kPa"),
        ("at", "kPa"),
        ("units", "kPa"),
        ("", "kPa"),
        ("a b", "kPa"),
        ("x" * 65, "kPa"),
        ("dp", ""),
        ("dp", "k\nPa"),
    ],
)
def test_a_name_or_unit_that_is_none_is_refused(name: str, unit: str) -> None:
    with pytest.raises(ReadingRefused):
        unit_set_of({name: 1.0}, {name: unit})


def test_a_unit_set_is_read_back() -> None:
    unit_set = unit_set_of(
        {"restriction": 1, "engine_speed": 2}, {"engine_speed": "r/min", "restriction": "[in_i'H2O]"}
    )
    assert read_unit_set(write_unit_set(unit_set)) == unit_set
    assert unit_set == (("restriction", "[in_i'H2O]"), ("engine_speed", "r/min"))


@pytest.mark.parametrize("value", [[1.0], (1.0,), {"a": 1.0}, "1],[2", b"1", 1e400, 2**64, object()])
def test_what_is_no_number_is_refused_and_never_written_as_something_else(value: object) -> None:
    with refused(ReadingRefused, "value_out_of_bounds"):
        write_many([[1.0], [2.0, value]])  # type: ignore[list-item]


def test_one_value_that_is_written_by_itself_changes_no_other() -> None:
    rows = [[1e300, -0.0], [], [5e-324, 2**53]]  # the largest integer that is taken; the least float there is
    assert repr(read_values(write_many(rows))) == repr(rows)


def test_a_unit_set_has_units_by_their_own_names() -> None:
    """A server of a release before does not know all spellings."""
    values = {"engine_speed": 1900.0, "restriction": 12.0, "soot_load": 3.0}
    units = {"engine_speed": "rpm", "restriction": "in. WC", "soot_load": "rpm"}
    assert unit_set_of(values, units) == (
        ("engine_speed", "r/min"),
        ("restriction", "inH2O"),
        ("soot_load", "rpm"),
    )
