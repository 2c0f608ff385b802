"""What a judge that learned the truth is shown, and how its finds are counted, at a tiny size."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from cleanside.ingest.restriction import Readings, summarise_hours
from tests.benchmark.bench_bound import (
    RATES,
    Event,
    Judged,
    bar_for,
    false_ones,
    importance,
    judge_fleet,
    learned,
    lines,
)
from tests.fleets.making import START_S, make_fleet
from tests.fleets.score import MATCH_S
from tests.fleets.stop_features import GROUPS
from tests.fleets.stops import stops_of, works_at
from tests.fleets.truth import DAY_S, HOUR_S, Change, Work

A_STOP = Judged(
    generator="one",
    machine=("a", 1, "one"),
    stop=0,
    at_s=START_S,
    shown={"fall": 1.0},
    ours={"o_low": 0.5, "o_now": 0.5},
    is_low=0,
    is_opened=0,
    is_entered=False,
)


def work_between(*spans: tuple[float, float]) -> Readings:
    """A reading a minute at 1 500 r/min, in some spans of hours."""
    at_s = START_S + 60.0 * np.concatenate([np.arange(round(60 * a), round(60 * b)) for a, b in spans])
    running = np.ones(len(at_s))
    return Readings(at_s=at_s, restriction_pa=2_000.0 * running, engine_speed_rad_s=157.0 * running)


def change_at(at_h: float) -> Change:
    at_s = START_S + HOUR_S * at_h
    return Change(at_s=at_s, work=Work.NEW, before_pa=3e3, after_pa=1e3, recovered=1.0, share_before=50.0)


def test_a_night_and_a_break_within_an_hour_are_stops() -> None:
    stops = stops_of(summarise_hours(work_between((0, 4), (10, 12.3), (12.7, 16))))
    assert [round((stop.from_s - START_S) / HOUR_S) for stop in stops] == [4, 12]
    assert [(stop.before_s - START_S) / HOUR_S for stop in stops] == [3, 11]
    assert [(stop.after_s - START_S) / HOUR_S for stop in stops] == [10, 13]


def test_work_is_done_at_the_stop_in_which_it_lies_and_not_far_from_any() -> None:
    stops = stops_of(summarise_hours(work_between((0, 4), (10, 16), (20, 24))))
    assert list(works_at(stops, [change_at(7.0)])) == [0]
    assert list(works_at(stops, [change_at(17.0)])) == [1]
    assert works_at(stops, [change_at(60.0)]) == {}


def test_false_ones_within_a_day_and_a_half_count_as_one() -> None:
    rows = [replace(A_STOP, stop=i, at_s=START_S + i * MATCH_S / 2) for i in range(3)]
    far = replace(A_STOP, stop=3, at_s=START_S + 9 * DAY_S)
    scores = {(row.machine, row.stop): 0.9 for row in (*rows, far)}
    assert false_ones(rows, scores, 0.5) == 1
    assert false_ones([*rows, far], scores, 0.5) == 2
    assert false_ones([*rows, far], scores, 0.95) == 0


def test_a_bar_lets_no_more_false_ones_pass_than_it_may() -> None:
    rows = [replace(A_STOP, stop=i, at_s=START_S + 10 * i * DAY_S) for i in range(10)]
    scores = {(row.machine, row.stop): row.stop / 10 for row in rows}
    bar = bar_for(rows, scores, rate=0.3, years=10.0)
    assert 0.6 < bar == pytest.approx(0.6)
    assert false_ones(rows, scores, bar) == 3
    assert false_ones(rows, scores, bar_for(rows, scores, rate=0.0, years=10.0)) == 0
    assert bar_for(rows, scores, rate=1.0, years=10.0) == 0.0


def test_a_judge_learns_from_other_generators_alone() -> None:
    rows = [
        replace(A_STOP, generator=name, machine=(name, 1, name), stop=i, shown={"fall": float(i % 40)})
        for name in ("one", "two")
        for i in range(200)
    ]
    rows = [replace(row, is_low=int((row.shown["fall"] > 30) == (row.generator == "one"))) for row in rows]
    scores = learned(rows, lambda row: row.is_low, with_ours=False)
    deep = [scores[row.machine, row.stop] for row in rows if row.shown["fall"] > 35]
    assert max(deep[: len(deep) // 2]) < 0.5 < min(deep[len(deep) // 2 :])  # each as the other one taught


def test_what_the_judge_goes_by_costs_precision_where_it_is_mixed() -> None:
    rows = [
        replace(A_STOP, generator=name, machine=(name, 1, name), stop=i, shown={"d8m": float(i % 40)})
        for name in ("one", "two")
        for i in range(200)
    ]
    whole, *groups = importance(rows, lambda row: int(row.shown["d8m"] > 30))
    assert whole == "| all | 1.000 |"
    lost = {group: float(cell) for _, group, cell, _ in (line.split("|") for line in groups)}
    assert lost[" step of the level "] < -0.5
    assert lost[" air "] == 0.0


@cache
def judged() -> tuple[list[Judged], list[Event], float]:
    fleet = make_fleet("plateau", machines=3, days=40, seed=41, interval_s=300.0)
    rows, events = judge_fleet(fleet)
    return rows, events, fleet.machine_years


def test_a_stop_with_another_element_shows_a_deeper_fall_than_the_others() -> None:
    rows, events, _ = judged()
    opened = [row.shown["d8m"] for row in rows if row.is_opened == 1]
    others = [row.shown["d8m"] for row in rows if row.is_opened == 0]
    assert opened
    assert np.median(opened) > np.quantile(others, 0.9)
    assert {name for row in rows for name in row.shown} == {
        name for names in GROUPS.values() for name in names
    }
    assert events


def test_each_line_says_what_was_told_at_each_rate() -> None:
    rows, events, years = judged()
    _, _, *told = lines(rows, events, years)
    assert len(told) == 16
    for line in told:
        assert len(line.strip("|").split("|")) == 1 + len(RATES)
        assert all(" of " in cell for cell in line.strip("|").split("|")[1:])
