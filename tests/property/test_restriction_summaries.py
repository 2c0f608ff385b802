"""Order of arrival does not matter: any interleaving and delay gives equal summaries."""

from __future__ import annotations

import json
from dataclasses import fields

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanside.ingest.restriction import HourSummary, HousingFacts, Readings, assess_housing, summarise_hours

START_S = 1_772_431_200.0
NAN = float("nan")


def maybe(low: float, high: float) -> st.SearchStrategy[float]:
    return st.one_of(st.just(NAN), st.floats(low, high, allow_nan=False).map(lambda value: round(value, 3)))


reading = st.tuples(
    st.integers(0, 4 * 3600 * 4).map(lambda quarter: START_S + quarter / 4),
    maybe(-200, 9000),
    maybe(0, 250),
    maybe(8, 30),
    maybe(0, 1),
)
NAMES = ("at_s", "restriction_pa", "engine_speed_rad_s", "supply_voltage_v", "air_mass_flow_kg_s")


def readings_of(rows: list[tuple[float, ...]]) -> Readings:
    table = np.array(rows, dtype=np.float64).reshape(len(rows), len(NAMES))
    return Readings(**{name: table[:, i] for i, name in enumerate(NAMES)})


@given(st.lists(reading, min_size=1, max_size=80), st.randoms(use_true_random=False))
@settings(max_examples=150, deadline=None)
def test_order_of_arrival_does_not_matter(rows, random):
    shuffled = list(rows)
    random.shuffle(shuffled)
    assert summarise_hours(readings_of(rows)) == summarise_hours(readings_of(shuffled))


@given(st.lists(reading, min_size=1, max_size=80))
@settings(max_examples=100, deadline=None)
def test_an_hour_does_not_depend_on_other_hours(rows):
    together = summarise_hours(readings_of(rows))
    for summary in together:
        mine = [row for row in rows if summary.hour_s <= row[0] < summary.hour_s + 3600]
        assert summarise_hours(readings_of(mine)) == [summary]


@given(st.lists(reading, min_size=1, max_size=60))
@settings(max_examples=100, deadline=None)
def test_summaries_go_through_json_and_stay_in_range(rows):
    for summary in summarise_hours(readings_of(rows)):
        assert (
            HourSummary.from_record(json.loads(json.dumps(summary.as_record(), allow_nan=False))) == summary
        )
        assert 0 <= summary.seen_share <= 1
        assert 0 <= summary.operating_s <= 3600 + 1e-6
        assert summary.hour_s <= summary.first_s <= summary.last_s < summary.hour_s + 3600


@given(st.lists(reading, min_size=1, max_size=120), st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_an_assessment_does_not_depend_on_the_order_of_its_summaries(rows, random):
    summaries = summarise_hours(readings_of(rows))
    shuffled = list(summaries)
    random.shuffle(shuffled)
    facts, now_s = HousingFacts(terminal_pa=6200.0), START_S + 6 * 3600
    assert assess_housing(summaries, facts, now_s=now_s) == assess_housing(shuffled, facts, now_s=now_s)


def test_every_column_is_in_the_tie_break() -> None:
    """Two readings at one instant may differ in any column; all columns are keys of the sort."""
    for field in fields(Readings):
        if field.name == "at_s":
            continue
        one, other = (
            summarise_hours(Readings(at_s=np.full(2, START_S), **{field.name: np.array(pair)}))
            for pair in ([1.0, 2.0], [2.0, 1.0])
        )
        assert one == other
