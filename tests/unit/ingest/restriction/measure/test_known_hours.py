"""What was made of hours that did not change is taken over, and equals what the table alone gives."""

from __future__ import annotations

import numpy as np
import pytest

from cleanside.ingest.restriction import Readings, Summaries, summarise_hours
from cleanside.ingest.restriction.measure import flow_pairs
from cleanside.ingest.restriction.measure.devices import carry_on
from cleanside.ingest.restriction.measure.flow_pairs import FlowBins, Pairs, pairs_of
from cleanside.ingest.restriction.measure.known_hours import Beside, Rows, hour_by_hour
from cleanside.ingest.restriction.measure.reference import at_reference_flow, flow_steps, learn_reference
from cleanside.ingest.restriction.measure.zero import learn_zero
from cleanside.ingest.restriction.verdict.suspect import hour_doubts

START_S = 1_740_960_000.0
HOURS = 40


def made(hours: range, *, seed: int = 1, zero_pa: float = 0.0) -> Summaries:
    """Some hours of work at three speeds, with a rest in each; every eighth at one speed alone."""
    rng = np.random.default_rng(seed)
    at_s = np.concatenate([START_S + 3600.0 * hour + 60.0 * np.arange(60) for hour in hours])
    minute, hour = (at_s - START_S) // 60 % 60, (at_s - START_S) // 3600
    speed = np.where(hour % 8 == 0, 150.0, np.array([90.0, 150.0, 200.0])[(minute % 3).astype(int)])
    speed[minute < 10] = 0.0
    drop = 3000.0 * (speed / 200.0) ** 1.6 * np.exp(rng.normal(0.0, 0.03, len(at_s))) + zero_pa
    return summarise_hours(Readings(at_s=at_s, restriction_pa=drop, engine_speed_rad_s=speed))


def alone(table: Summaries) -> Summaries:
    """The same hours, of which nothing is known from before."""
    return Summaries(table.hours, table.bins, table.bin_count, table.parts)


def measured(table: Summaries) -> list[np.ndarray]:
    """Steps, levels and hours in doubt."""
    reference = learn_reference(table)
    series = at_reference_flow(table, reference)
    doubts = hour_doubts(carry_on(table), reference, learn_zero(table))
    return [*flow_steps(table), series.hour_s, series.restriction_pa, series.flow_ratio, doubts.flat]


def assert_as_alone(table: Summaries) -> None:
    for taken, of_table in zip(measured(table), measured(alone(table)), strict=True):
        np.testing.assert_array_equal(taken, of_table)


@pytest.mark.parametrize(
    ("newer", "gone"),
    [(range(39, 42), []), (range(8, 9), []), (range(44, 46), []), (range(2), []), (range(40, 41), [7, 39])],
)
def test_what_is_made_of_patched_hours_is_as_of_the_table_alone(newer: range, gone: list[int]) -> None:
    known = made(range(HOURS))
    assert_as_alone(known)
    assert len(flow_steps(known).hour) > 70
    patched = known.patched(made(newer, seed=2), [int(START_S) + 3600 * hour for hour in gone])
    assert_as_alone(patched)
    assert_as_alone(patched.patched(made(range(41, 43), seed=3)))


def test_hours_are_made_again_from_where_the_zero_moved() -> None:
    known = made(range(HOURS))
    assert_as_alone(known)
    moved = known
    for hour in range(HOURS, HOURS + 12):  # the zero of an hour goes by those after it too
        moved = moved.patched(made(range(hour, hour + 1), zero_pa=90.0))
        assert_as_alone(moved)


def test_only_hours_from_the_change_on_are_paired_again(monkeypatch: pytest.MonkeyPatch) -> None:
    paired: list[int] = []

    def counted(table: Summaries, bins: FlowBins) -> Pairs:
        paired.append(len(table))
        return pairs_of(table, bins)

    monkeypatch.setattr(flow_pairs, "pairs_of", counted)
    known = made(range(HOURS))
    flow_steps(known)
    flow_steps(known.patched(made(range(HOURS, HOURS + 1))))
    assert paired[0] == HOURS
    assert paired[1] < 10  # the new hour, and those whose zero it moves


def test_all_hours_are_made_again_where_what_is_beside_them_differs() -> None:
    asked: list[int] = []

    def make(first: int) -> Rows:
        asked.append(first)
        return Rows(np.arange(HOURS + 1 - first), (np.full(HOURS + 1 - first, 2.0),))

    known = made(range(HOURS))
    ones = Rows(np.arange(HOURS), (np.ones(HOURS),))
    hour_by_hour(known, "two", Beside(1.5, (np.zeros(HOURS),)), lambda _: ones)
    patched = known.patched(made(range(HOURS, HOURS + 1)))
    zeros = np.zeros(HOURS + 1)
    made_now = hour_by_hour(patched, "two", Beside(1.5, (zeros,)), make)
    assert made_now.place.tolist() == list(range(HOURS + 1))
    assert made_now.values[0].tolist() == [1.0] * HOURS + [2.0]
    moved = np.where(np.arange(HOURS + 1) == 11, 1.0, zeros)
    hour_by_hour(patched, "two", Beside(1.5, (moved,)), make)
    hour_by_hour(patched, "two", Beside(1.6, (moved,)), make)
    assert asked == [HOURS, 11, 0]


def test_columns_of_patched_hours_are_those_of_the_table_alone() -> None:
    known = made(range(HOURS))
    for name in ("off_mean_pa", "hour_s"):
        known.column(name)
    known.bin_column("mean_pa")
    patched = known.patched(made(range(20, 22), seed=2), [int(START_S) + 3600 * 30])
    assert patched.same_hours(known.mark) == 20
    assert alone(patched).same_hours(known.mark) == 0
    for name in ("off_mean_pa", "hour_s"):
        np.testing.assert_array_equal(patched.column(name), alone(patched).column(name))
    np.testing.assert_array_equal(patched.bin_column("mean_pa"), alone(patched).bin_column("mean_pa"))


def test_hours_are_the_same_as_of_the_newest_marks_alone() -> None:
    first = made(range(HOURS))
    table = first
    for hour in range(4):
        table = table.patched(made(range(39 - hour, 40 - hour), seed=2))
    assert table.same_hours(first.mark) == 36
    assert table.patched(made(range(HOURS, HOURS + 1))).same_hours(first.mark) == 0
