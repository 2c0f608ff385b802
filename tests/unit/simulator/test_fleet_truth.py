"""Scoring against known truth: hand-made machines whose score can be counted on the fingers."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from cleanside.simulator.difficulty import read_difficulty
from tests.support.fleet_report import figures_by_flow, figures_of, table_lines
from tests.support.fleet_truth import DAY_S, Machine, Said, Score, bootstrap, score

DIFFICULTY = read_difficulty()
TAIL_H = DIFFICULTY["scoring"]["tail_h"]
H = 3600.0


def element(number: int, start_h: float, end_h: float | None, **more: Any) -> dict[str, Any]:
    row = {
        "element": number,
        "start_h": start_h,
        "start_s": start_h * H,
        "end_h": end_h,
        "end_s": None if end_h is None else end_h * H,
        "began": "new" if number else "running",
        "ended": "early",
        "clean_pa": 2000.0,
        "power": 2.0,
        "used_at_start": 0.0,
        "dust_at_start": start_h,
        "length": 500.0,
        "terminal_h": start_h + 500.0,
        "terminal_s": (start_h + 500.0) * H,
    }
    return row | more


def machine(elements: list[dict[str, Any]], causes: list[dict[str, Any]] | None = None) -> Machine:
    """A machine that never stops: operating hours are hours since 1970."""
    about = {"name": "grader-90", "kind": "grader", "proxy": "boost", "terminal_pa": 6200.0}
    about |= {"start_s": 0.0, "days": 50}
    hours = np.arange(0.0, 1201.0)
    zeros = np.zeros(len(hours), dtype=np.int64)
    return Machine(about, elements, causes or [], [], hours * H, hours, zeros, 500.0 - hours)


def said(at_h: float, **more: Any) -> Said:
    plain: dict[str, Any] = {"state": "serving", "causes": frozenset(), "hours_left": None, "due_s": None}
    plain |= {"at_s": at_h * H, "seen_h": at_h, "found": ()}
    return Said(**(plain | more))


def cause(name: str, from_h: float, until_h: float) -> dict[str, Any]:
    return {"cause": name, "from_h": from_h, "until_h": until_h, "from_s": from_h * H, "until_s": until_h * H}


def test_a_change_found_near_enough_is_right_and_a_second_one_for_it_is_wrong() -> None:
    two = [element(0, 0, 400), element(1, 400, 800), element(2, 800, None)]
    new = [(at_h * H, "change") for at_h in (390, 420, 600)]
    looks = [said(700, found=new[:1]), said(1200, found=new)]
    found = score(machine(two), looks, DIFFICULTY)
    assert [r["found"] for r in found.recalled] == [1.0, 0.0]
    assert [r["right"] for r in found.precise] == [1.0, 0.0, 0.0]
    assert found.recalled[0]["late_days"] == pytest.approx(300 / 24)
    assert found.recalled[0]["fall"] == pytest.approx(1 - 2000 / (2000 + 4200 * 0.8**2))
    assert math.isnan(found.recalled[1]["late_days"])


def test_a_change_too_young_to_be_told_is_not_asked_for() -> None:
    found = score(machine([element(0, 0, 1150), element(1, 1150, None)]), [said(1200)], DIFFICULTY)
    assert found.recalled == []


def test_a_cause_named_while_it_lasts_is_caught_and_one_named_before_is_an_alarm() -> None:
    here = machine([element(0, 0, None)], [cause("flat", 300, 400)])
    looks = [
        said(h, causes=frozenset({"flat"} if told else ())) for h, told in ((280, 1), (310, 1), (500, 0))
    ]
    found = score(here, looks, DIFFICULTY)
    assert [r["caught"] for r in found.caught] == [1.0]
    assert [(r["cause"], r["seen_h"]) for r in found.alarms] == [("flat", 280)]
    silent = score(here, [said(310), said(500)], DIFFICULTY)
    assert [r["caught"] for r in silent.caught] == [0.0]


def test_an_alarm_counts_once_however_long_it_sounds_and_not_where_the_data_show_it_too() -> None:
    here = machine([element(0, 0, None)], [cause("flat", 300, 400)])
    names = {
        100: "ambient",
        120: "ambient",
        140: "",
        160: "ambient",
        350: "zero_moved",
        400 + TAIL_H + 1: "flat",
    }
    looks = [said(h, causes=frozenset({name} - {""})) for h, name in names.items()]
    alarms = score(here, looks, DIFFICULTY).alarms
    assert [(r["cause"], r["seen_h"]) for r in alarms] == [
        ("flat", 400 + TAIL_H + 1),
        ("ambient", 100),
        ("ambient", 160),
    ]


def test_a_date_is_compared_with_the_true_one_at_each_lead_time() -> None:
    """Terminal at hour 1100: 30 days before is hour 380, 14 days 764, 7 days 932."""
    here = machine([element(0, 0, None, terminal_h=1100.0, terminal_s=1100 * H)])
    looks = [
        said(h, due_s=np.array([1000.0, 1112.0, 1300.0]) * H, hours_left=np.array([1.0, 2.0, 3.0]))
        for h in range(12, 1200, 24)
    ]
    found = score(here, looks, DIFFICULTY)
    by_truth = [r for r in found.dates if r["by"] == "true"]
    assert [r["lead"] for r in by_truth] == [30.0, 14.0, 7.0]
    assert [r["error_days"] for r in by_truth] == pytest.approx([0.5] * 3)
    assert [r["inside"] for r in by_truth] == [1.0] * 3
    assert [r["left_inside"] for r in by_truth] == [0.0] * 3


def test_a_date_is_also_compared_with_the_true_one_at_the_lead_time_that_it_states() -> None:
    """Terminal at hour 1000; said on each look to be at 1100: "7 days" is then said at 932, 68 h before."""
    here = machine([element(0, 0, None, terminal_h=1000.0, terminal_s=1000 * H)])
    looks = [
        said(h, due_s=np.array([1050.0, 1100.0, 1300.0]) * H, hours_left=np.array([1.0, 2.0, 3.0]))
        for h in range(12, 1200, 24)
    ]
    [week] = [r for r in score(here, looks, DIFFICULTY).dates if (r["by"], r["lead"]) == ("said", 7.0)]
    assert abs(week["at_s"] / H - 932) <= 12
    assert week["inside"] == 0.0


def test_on_any_day_an_element_counts_once_however_often_it_was_looked_at() -> None:
    """Two elements: of the first, 2 of 4 intervals hold; of the second, seen on 12 days, all."""
    two = [element(0, 0, 200, terminal_h=150.0, terminal_s=150 * H)]
    two += [element(1, 200, None, terminal_h=700.0, terminal_s=700 * H)]

    def look(h: float, low: float, high: float) -> Said:
        left = np.array([low, (low + high) / 2, high])
        return said(h, due_s=(h + left) * H, hours_left=left)

    looks = [look(h, 150.0 - h + off, 150.0 - h + off + 20.0) for h, off in ((20, -10), (50, -10), (80, 5))]
    looks += [look(110, 60, 90), look(160, 10, 20)]  # beyond its end nothing is left to hold
    looks += [look(h, 690.0 - h, 710.0 - h) for h in range(210, 690, 40)]
    found = score(machine(two), looks, DIFFICULTY).any_day
    assert [r["inside"] for r in found] == [0.5, 1.0]
    assert [r["left_inside"] for r in found] == [0.5, 1.0]


def test_the_horizon_is_the_time_before_the_end_from_which_every_look_is_near() -> None:
    """Saxena et al., IJPHM 1 (2010): band of 5 % of the whole life, 25 h of 500."""
    here = machine([element(0, 0, 100), element(1, 100, 620)])
    looks = []
    for h in range(112, 620, 24):
        left = 600.0 - h
        told = left + (60.0 if left > 200 else 10.0)
        looks.append(said(float(h), hours_left=np.array([0.0, told, 900.0])))
    [life] = score(here, looks, DIFFICULTY).horizons
    near = [600.0 - s.seen_h for s in looks if 0 <= 600.0 - s.seen_h <= 200]
    assert life["horizon_h"] == max(near)


def test_the_bootstrap_interval_is_that_of_the_mean_of_machines() -> None:
    """400 machines, one number each, share 0.9: the normal interval is 0.9 +- 1.96 sqrt(0.09 / 400)."""
    parts = [[1.0]] * 360 + [[0.0]] * 40
    value, low, high = bootstrap(parts, lambda v: float(np.mean(v)))
    assert value == pytest.approx(0.9)
    assert (low, high) == pytest.approx((0.9 - 0.0294, 0.9 + 0.0294), abs=0.006)


def test_a_goal_is_reached_or_not_by_the_value_and_no_number_is_no_verdict() -> None:
    good = {"found": 1.0, "began": "new", "late_days": 3.0}
    nothing: dict[str, Any] = {"caught": [], "dates": [], "any_day": [], "horizons": []}
    scores = [
        Score(years=1.0, recalled=[good], precise=[{"right": 0.0, "word": 1.0}], alarms=[{}, {}], **nothing)
        for _ in range(3)
    ]
    verdicts = {figure.name: figure.verdict for figure in figures_of(scores)}
    assert verdicts["changes: recall, new element"].endswith(": reached")
    assert verdicts["changes: precision"].endswith("NOT reached")
    assert verdicts["suspect: false alarms a machine-year"].endswith("NOT reached")
    assert verdicts["due date 7 d ahead: 80 % interval holds"] == ""
    assert len(table_lines(figures_of(scores))) == len(verdicts) + 1
    assert DAY_S == 86_400


def test_changes_are_counted_apart_by_what_tells_of_the_flow() -> None:
    boost, speed = machine([element(0, 0, 400)]), machine([element(0, 0, 400)])
    speed.about["proxy"] = "speed"
    scores = [
        Score(1.0, [{"found": found, "began": "cleaned"}], [{"right": 1.0}], [], [], [], [], [])
        for found in (1.0, 0.0)
    ]
    values = {figure.name: figure.value for figure in figures_by_flow([boost, speed], scores)}
    assert values == {
        "changes by boost: recall": 1.0,
        "changes by boost: precision": 1.0,
        "changes by speed alone: recall": 0.0,
        "changes by speed alone: precision": 1.0,
    }
