"""What stays of an interval when the disk cannot hold it all."""

from __future__ import annotations

import itertools

from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.spool.payload import write_values
from cleanside.gateway.spool.rows import Row
from cleanside.gateway.spool.thinning import LEVELS_S, MOST_CHANGES, intervals, worth_keeping

SETS = {1: (("restriction", "kPa"), ("engine_speed", "r/min")), 2: (("supply_voltage", "V"),)}


def row(
    position: int, restriction: float, speed: float = 1800, *, at_s: int | None = None, boot: int = 1
) -> Row:
    seconds = position if at_s is None else at_s
    return (position, boot, seconds * 1_000_000, None, 1, write_values([restriction, speed]), None)


def test_first_last_lowest_and_highest_stay() -> None:
    rows = [row(i, r) for i, r in enumerate([3.0, 3.1, 5.0, 3.0, 1.0, 3.2, 3.1], 1)]
    assert worth_keeping(rows, SETS) == {1, 3, 5, 7}


def test_the_engine_that_stops_and_starts_stays() -> None:
    rows = [row(i, 3.0, speed) for i, speed in enumerate([1800, 1800, 0, 0, 1800, 1800], 1)]
    assert worth_keeping(rows, SETS) == {1, 3, 5, 6}


def test_an_engine_that_flickers_does_not_keep_everything() -> None:
    rows = [row(i, 3.0, 1800 * (i % 2)) for i in range(1, 101)]
    assert len(worth_keeping(rows, SETS)) <= MOST_CHANGES + 4


def test_a_reading_of_other_quantities_is_a_change_of_state() -> None:
    rows: list[Row] = [row(1, 3.0), row(2, 3.0), (3, 1, 3_000_000, None, 2, "[27.5]", None), row(4, 3.0)]
    assert 3 in worth_keeping(rows, SETS)


def test_intervals_never_join_two_boots() -> None:
    rows = [
        row(1, 3.0, at_s=10),
        row(2, 3.0, at_s=20),
        row(3, 3.0, at_s=15, boot=2),
        row(4, 3.0, at_s=70, boot=2),
    ]
    assert [[r[0] for r in group] for group in intervals(rows, 60)] == [[1, 2], [3], [4]]


def test_each_level_is_coarser_than_the_one_before() -> None:
    assert all(b >= 3 * a for a, b in itertools.pairwise(LEVELS_S))


@given(st.lists(st.floats(0, 50), min_size=1, max_size=200), st.sampled_from(LEVELS_S))
def test_what_stays_has_the_same_extremes_and_thinning_again_changes_nothing(
    values: list[float], length: int
) -> None:
    rows = [row(i * 10, value, at_s=i * 10) for i, value in enumerate(values)]
    kept: list[Row] = []
    for group in intervals(rows, length):
        keep = worth_keeping(group, SETS)
        stays = [r for r in group if r[0] in keep]
        assert worth_keeping(stays, SETS) == keep
        assert len(stays) <= min(len(group), 4)
        kept += stays
    told = [float(r[5][1:].split(",")[0]) for r in kept]
    assert (min(told), max(told)) == (min(values), max(values))
