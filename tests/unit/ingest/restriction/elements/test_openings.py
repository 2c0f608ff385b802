"""Housings whose sensor reads nothing at some or all hours: no failure, no warning, no made-up element."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from cleanside.ingest.restriction import Entry
from cleanside.ingest.restriction.elements.changes import Change
from cleanside.ingest.restriction.elements.entries import Expected, WeighedEntry, weigh_entries
from cleanside.ingest.restriction.elements.explain import CLEANED, DRIED, LOW, NEW, NOTHING_NEW, OFF
from cleanside.ingest.restriction.elements.lives import find_edges
from cleanside.ingest.restriction.elements.openings import Expectation, Openings, find_openings
from cleanside.ingest.restriction.elements.pieces import FLOOR_SHARE, FLOW, NOTHING, floor_of
from cleanside.ingest.restriction.measure.reference import HourlyRestriction
from cleanside.ingest.restriction.measure.summary import FloatArray
from cleanside.ingest.restriction.measure.tuning import TUNING, Tuning

HOUR_S = 3_600.0
USUAL_PA = 2_000.0
NOTHING_KNOWN = Expectation(terminal_pa=None, kind_clean_pa=None)
KNOWN = Expectation(terminal_pa=6_200.0, kind_clean_pa=None, by_fleet=(1_900.0, 0.2))
NO_LEVEL = np.zeros(60)
PART = {
    "then nothing": np.repeat([USUAL_PA, 0.0], 30),
    "nothing at first": np.repeat([0.0, USUAL_PA], 30),
    "mostly nothing": np.tile([0.0, 0.0, USUAL_PA], 20),
    "below zero": np.repeat([USUAL_PA, -50.0], [20, 40]),
}

pytestmark = pytest.mark.filterwarnings("error::RuntimeWarning")


def found(
    level: FloatArray,
    *entries: Entry,
    expected: Expectation = NOTHING_KNOWN,
    flow: str = "flow",
    tuning: Tuning = TUNING,
    worked_s: float = HOUR_S,
) -> Openings:
    """worked_s : in each hour; below HOUR_S the engine stood, so that the element may have been changed."""
    series = dataclasses.replace(series_of(level), operating_s=np.full(len(level), worked_s))
    believed = np.ones(len(level), dtype=bool)
    return find_openings(series, believed, entries, expected, flow=flow, tuning=tuning)


def series_of(level: FloatArray) -> HourlyRestriction:
    n = len(level)
    return HourlyRestriction(
        hour_s=np.arange(n, dtype=np.float64) * HOUR_S,
        operating_s=np.full(n, HOUR_S),
        restriction_pa=level,
        flow_ratio=np.ones(n),
    )


def after_loading(to_pa: float, then_pa: float, hours: int) -> FloatArray:
    """An element that loads for 300 h, and some hours after a fall."""
    used = np.expm1(2.2 * np.linspace(0, 1, 300)) / np.expm1(2.2)
    level = 1_900.0 + (to_pa - 1_900.0) * used, np.full(hours, then_pa)
    wander = [np.random.default_rng(seed).normal(0, 0.015, len(part)) for seed, part in enumerate(level)]
    return np.concatenate(level) * np.exp(np.concatenate(wander))


@pytest.mark.parametrize(("hours", "is_told"), [(6, False), (8, False), (12, True)])
def test_a_fall_that_light_work_may_explain_is_told_and_asked_about_after_a_day_of_work(
    hours: int, is_told: bool
) -> None:
    openings = found(after_loading(5_000.0, 2_300.0, hours), expected=KNOWN, flow="none", worked_s=3_500.0)
    assert TUNING.ask[NOTHING] < openings.steps[-1].chance(NEW, CLEANED) < TUNING.tell
    assert [fall.sure for fall in openings.falls] == ["medium"] * is_told
    assert [step.likely for step in openings.weighed] == [NEW] * is_told


def test_a_fall_whose_level_does_not_stay_for_a_day_of_work_is_neither_told_nor_asked_about() -> None:
    level = np.concatenate((after_loading(5_000.0, 2_600.0, 8), np.full(8, 3_000.0)))
    openings = found(level, expected=KNOWN, flow="none", worked_s=3_500.0)
    assert [step.row for step in openings.steps] == [300, 308]
    assert TUNING.ask[NOTHING] < openings.steps[0].chance(NEW, CLEANED) < TUNING.tell
    assert (openings.falls, openings.weighed) == ([], [])


@pytest.mark.parametrize(("begins", "is_told"), [((0.5, 0.5, 0.5), True), (TUNING.begins, False)])
def test_a_fall_that_may_well_be_light_work_is_asked_about_and_begins_no_life(
    begins: tuple[float, float, float], is_told: bool
) -> None:
    level = after_loading(5_000.0, 2_600.0, 12)
    bars = dataclasses.replace(TUNING, begins=begins)
    openings = found(level, expected=KNOWN, flow="none", worked_s=3_500.0, tuning=bars)
    assert openings.steps[-1].chance(NEW, CLEANED) == pytest.approx(0.65, abs=0.1)
    assert [fall.sure for fall in openings.falls] == ["medium"] * is_told
    assert [step.likely for step in openings.weighed] == [NEW]


@pytest.mark.parametrize(("hours", "is_asked"), [(8, False), (20, True)])
def test_a_fall_that_came_back_within_a_day_of_work_is_no_question(hours: int, is_asked: bool) -> None:
    """An easy shift, or readings at fault; what stays low for longer may be an element at fault."""
    back = np.full(20, 9_000.0) * np.exp(np.random.default_rng(9).normal(0, 0.015, 20))
    openings = found(np.concatenate((after_loading(9_000.0, 1_500.0, hours), back)), expected=KNOWN)
    assert openings.steps[0].chance(LOW) > TUNING.ask_low
    assert [step.likely for step in openings.weighed] == [LOW] * is_asked
    assert openings.falls == []


@pytest.mark.parametrize(("looked_h", "counts"), [(-2.0, True), (5.0, True), (-30.0, False), (None, False)])
def test_a_look_when_the_monitor_was_fitted_says_that_an_element_stands_there(
    looked_h: float | None, counts: bool
) -> None:
    """A shift at 0.55 of what clean ones read: without the look a person is warned, or asked."""
    level = np.full(12, 0.55 * 1_900.0) * np.exp(np.random.default_rng(9).normal(0, 0.015, 12))
    looks = [] if looked_h is None else [Entry(at_s=looked_h * HOUR_S, what="inspected")]
    openings = found(level, *looks, expected=KNOWN)
    assert (openings.warned or openings.in_question) != counts


def test_a_sure_change_is_told_within_a_shift() -> None:
    openings = found(after_loading(5_000.0, 1_500.0, 6), expected=KNOWN, flow="none", worked_s=3_500.0)
    assert [fall.sure for fall in openings.falls] == ["high"]


def test_a_question_names_the_opening_that_it_is_about() -> None:
    """Something else is the likeliest, and something else again comes second."""
    level = after_loading(3_500.0, 3_200.0, 12)
    eager = dataclasses.replace(TUNING, ask=(0.005, 0.005, 0.005))
    openings = found(level, expected=KNOWN, tuning=eager, worked_s=3_500.0)
    assert [happening for happening, _ in openings.steps[-1].ranked[:2]] == [NOTHING_NEW, DRIED]
    assert [(step.likely, step.runner) for step in openings.weighed] == [(NOTHING_NEW, CLEANED)]


def test_a_fall_beside_an_entry_is_weighed_with_it_and_not_asked_about() -> None:
    """The entry is at the wrong machine: it is a question itself."""
    level = after_loading(4_800.0, 4_250.0, 40)
    openings = found(level, Entry(at_s=300 * HOUR_S), expected=KNOWN, flow="none", worked_s=3_500.0)
    [step] = openings.steps
    assert TUNING.ask[NOTHING] < step.chance(NEW, CLEANED) < TUNING.tell
    assert openings.weighed == []


@pytest.mark.parametrize(("back_pa", "likely"), [(3_150.0, OFF), (3_050.0, NEW)])
def test_where_a_tube_that_came_off_is_the_likeliest_no_change_is_asked_about(
    back_pa: float, likely: str
) -> None:
    back = np.full(20, back_pa) * np.exp(np.random.default_rng(9).normal(0, 0.015, 20))
    level = np.concatenate((after_loading(3_500.0, 30.0, 20), back))
    openings = found(level, expected=KNOWN, worked_s=3_500.0)
    step = openings.steps[0]
    assert step.ranked[0][0] == likely
    assert TUNING.ask[FLOW] < step.chance(NEW, CLEANED) < TUNING.tell
    assert [asked.likely for asked in openings.weighed] == [NEW] * (likely == NEW)


@pytest.mark.parametrize("level", PART.values(), ids=PART.keys())
def test_hours_of_nothing_do_not_set_the_clean_level(level: FloatArray) -> None:
    clean_pa = found(level).clean_pa
    assert clean_pa is not None
    assert USUAL_PA / 4 < clean_pa < USUAL_PA * 4


@pytest.mark.parametrize("level", [*PART.values(), NO_LEVEL], ids=[*PART, "nothing at all"])
@pytest.mark.parametrize("row", [0, 20, 30, 59, 65])
def test_an_entry_among_hours_of_nothing(level: FloatArray, row: int) -> None:
    limit = Expectation(terminal_pa=6_000.0, kind_clean_pa=None)
    openings = found(level, Entry(at_s=row * HOUR_S, what="new"), expected=limit)
    assert all(sum(step.chances.values()) == pytest.approx(1.0) for step in openings.steps)


def test_a_sensor_that_never_read_anything_says_nothing() -> None:
    openings = found(NO_LEVEL, Entry(at_s=30 * HOUR_S, what="new"))
    assert (openings.clean_pa, openings.now_pa, openings.steps) == (None, None, [])


def test_the_floor_is_a_share_of_what_was_read() -> None:
    assert floor_of(np.array([0.0, 0.0, 0.0, 100.0, 100.0])) == FLOOR_SHARE * 100.0
    assert floor_of(np.zeros(3)) > 0


def test_a_change_that_shows_after_hours_in_doubt_counts_from_the_first_of_them() -> None:
    """A tap is plugged at the service at which the element is changed more often than it is freed at one."""
    series = HourlyRestriction(
        hour_s=np.arange(100.0) * HOUR_S,
        operating_s=np.full(100, HOUR_S),
        restriction_pa=np.repeat([5_000.0, USUAL_PA], 50),
        flow_ratio=np.ones(100),
    )
    believed = (np.arange(100) < 30) | (np.arange(100) >= 50)
    [edge] = find_edges(series, believed, [Change(30, 5_000.0, USUAL_PA, "high", "change")])
    assert (edge.row, edge.at_s) == (30, 30 * HOUR_S)


def test_an_entry_long_after_a_tube_came_off_is_the_change_that_showed_once_it_was_on_again() -> None:
    """The tube was off for 110 hours. The element was changed in one of them, and entered 60 hours later."""
    off_h, entered_h = 110, 60
    level = np.repeat([5_000.0, 0.0, USUAL_PA], [100, off_h, 150])
    expected = Expectation(terminal_pa=6_200.0, kind_clean_pa=None, by_fleet=(USUAL_PA, 0.2))
    openings = found(level, expected=expected)
    [change] = openings.falls
    assert (change.row, change.hidden) == (100, off_h)
    entry = WeighedEntry(
        entry=Entry(at_s=0.0), verdict="fits", used_s=0.0, row=change.row + off_h + entered_h
    )
    believed, series = np.ones(len(level), dtype=bool), series_of(level)
    assert [edge.entered for edge in find_edges(series, believed, openings.falls, entered=[entry])] == [True]
    much_later = dataclasses.replace(entry, row=len(level) - 1)
    edges = find_edges(series, believed, openings.falls, entered=[much_later])
    assert [edge.entered for edge in edges] == [False, True]


@pytest.mark.parametrize("found", [[], [Change(50, 900.0, USUAL_PA, "high", "change")]])
def test_a_new_element_entered_where_one_was_missing_fits_although_the_level_rose(
    found: list[Change],
) -> None:
    level = np.repeat([4_000.0, 800.0 if not found else 900.0, USUAL_PA], [30, 20, 30])
    series = HourlyRestriction(
        hour_s=np.arange(80.0) * HOUR_S,
        operating_s=np.full(80, HOUR_S),
        restriction_pa=level,
        flow_ratio=np.ones(80),
    )
    expected = Expected(kind_clean_pa=None, terminal_pa=6_200.0, low_share=TUNING.low_share)
    repaired = Entry(at_s=50 * HOUR_S)
    [mine] = weigh_entries([repaired], series, np.ones(80, dtype=bool), found, expected)
    assert (mine.verdict, mine.is_question) == ("fits", False)
