"""Histories of a housing compared by likelihood: probabilities for each step, from the first shift on."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from cleanside.ingest.restriction.elements.explain import (
    BACK,
    CLEANED,
    DRIED,
    HAPPENINGS,
    LIGHT,
    LOW,
    NEW,
    OFF,
    WET,
    Explained,
    Premises,
    explain,
)
from cleanside.ingest.restriction.elements.pieces import FLOW, NOTHING, SPEED, cut_pieces
from cleanside.ingest.restriction.measure.flow_response import FlowResponse
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray
from cleanside.ingest.restriction.measure.tuning import TUNING, Tuning

LIMIT_PA = 6200.0
CLEAN_PA = 1900.0


def loading(hours: int, *, to_pa: float = 6000.0, seed: int = 0) -> FloatArray:
    """An element from clean up, convex, with the wander of an hour."""
    used = np.expm1(2.2 * np.linspace(0, 1, hours)) / np.expm1(2.2)
    level = CLEAN_PA + (to_pa - CLEAN_PA) * used
    return np.asarray(level * np.exp(np.random.default_rng(seed).normal(0, 0.015, hours)))


def explained(
    *parts: FloatArray,
    by: int = FLOW,
    entered: str = "",
    part: int = 1,
    stopped: BoolArray | bool = True,
    stood_h: FloatArray | None = None,
    response: FlowResponse | None = None,
    clean_spread: float = TUNING.clean_spread,
    full_flow_known: bool = True,
    tuning: Tuning = TUNING,
) -> Explained:
    """entered : what a person entered at the begin of a part, the second if not told otherwise."""
    at_row = sum(len(before) for before in parts[:part])
    level = np.concatenate(parts)
    n = len(level)
    cut = cut_pieces(
        level,
        hours=np.ones(n),
        missed_h=np.zeros(n),
        stopped=np.broadcast_to(stopped, n),
        stood_h=stood_h,
        at_rows=[at_row] if entered else [],
        by=by,
        tuning=tuning,
    )
    around = Premises(
        limit=float(np.log(LIMIT_PA)),
        clean=float(np.log(TUNING.clean_share * LIMIT_PA)),
        clean_spread=clean_spread,
        off=float(np.log(TUNING.off_pa)),
        low_odds=1.0,
        by=by,
        entered={at_row: entered} if entered else {},
        response=response,
        full_flow_known=full_flow_known,
    )
    return explain(cut, around, tuning)


def answers(*parts: tuple[int, float]) -> FlowResponse:
    """So many hours in which restriction goes with flow to such a power, ten steps of flow an hour."""
    exponent = np.concatenate([np.full(10 * hours, power) for hours, power in parts])
    noise = np.random.default_rng(5).normal(0, 0.1, len(exponent))
    return FlowResponse(np.arange(len(exponent)) // 10, np.ones(len(exponent)), exponent + noise)


def after(share_pa: float, hours: int) -> FloatArray:
    return np.asarray(share_pa * np.exp(np.random.default_rng(9).normal(0, 0.015, hours)))


@pytest.mark.parametrize("hours", [3, 8, 40])
def test_an_obvious_fall_is_a_new_element_within_a_shift(hours: int) -> None:
    """6.6 to 2.4 kPa: from the first hours on, without an entry."""
    found = explained(loading(300, to_pa=6600.0), after(2400.0, hours))
    [step] = found.steps
    assert step.row == 300
    assert step.chance(NEW, CLEANED) > TUNING.tell
    assert step.ranked[0][0] == NEW


def test_the_chances_of_a_step_add_up_and_are_of_known_happenings() -> None:
    found = explained(loading(300), loading(100, seed=1), after(700.0, 20))
    for step in found.steps:
        assert sum(step.chances.values()) == pytest.approx(1.0)
        assert set(step.chances) <= set(HAPPENINGS)


@pytest.mark.parametrize("share", [0.05, 0.2, 0.4])
def test_below_any_clean_element_it_is_torn_or_missing_and_no_new_one(share: float) -> None:
    """The machine has shown two clean elements; what the next one reads is no element."""
    found = explained(loading(300), loading(300, seed=1), after(share * CLEAN_PA, 20))
    assert found.steps[-1].chance(LOW, OFF) > TUNING.warn[FLOW]
    assert found.low[-1] > TUNING.warn[FLOW]
    assert found.low[0] < 0.05


def test_a_tube_that_comes_off_and_is_put_back_leaves_the_element_as_it_was() -> None:
    element = loading(300)
    found = explained(element[:200], after(40.0, 12), element[200:])
    assert [step.row for step in found.steps] == [200, 212]
    assert found.steps[0].chance(OFF, LOW) > TUNING.tell
    assert found.steps[1].chance(BACK) > TUNING.tell
    assert found.low == pytest.approx([0.0, 1.0, 0.0], abs=0.1)


def test_a_tube_left_off_when_the_element_was_changed_dates_the_change_where_it_came_off() -> None:
    """The level that comes back is that of another element: it was not changed when the tube was put on."""
    found = explained(loading(300), after(40.0, 40), loading(300, seed=1)[:60])
    assert [step.row for step in found.steps] == [300, 340]
    assert found.steps[0].ranked[0][0] == NEW
    assert found.steps[1].ranked[0][0] == BACK
    assert found.low == pytest.approx([0.0, 1.0, 0.0], abs=0.1)


def test_a_missing_element_stays_missing_however_often_the_level_steps() -> None:
    """Each step is as likely without an element as with one: it was counted once that the level is low."""
    element, low_pa = loading(300, to_pa=3500.0), 0.45 * CLEAN_PA
    steps = [after(low_pa * factor, 12) for factor in 4 * (1.0, 0.88)]
    found = explained(element, *steps)
    assert len(found.steps) > 4
    assert min(found.low[1:]) > TUNING.warn[FLOW]
    assert found.low[-1] == pytest.approx(found.low[1], abs=0.1)


def test_moisture_that_comes_and_goes_is_no_opening() -> None:
    element = loading(300)
    found = explained(element[:200], element[200:220] * 1.35, element[220:])
    assert found.steps[0].chance(WET) > TUNING.tell
    assert found.steps[1].chance(NEW, CLEANED) < 0.1


def standing(hours: int, row: int, stood_h: float) -> FloatArray:
    """Hours of the clock before each of so many hours: none but before one."""
    return np.where(np.arange(hours) == row, stood_h, 0.0)


def test_a_fall_between_two_hours_of_work_is_less_likely_a_drying_than_one_after_a_weekend() -> None:
    """4.0 to 3.3 kPa: media dry over a weekend, and seldom while the engine stood for minutes."""
    parts = loading(300, to_pa=4000.0), after(3300.0, 40) * np.linspace(1.0, 1.08, 40)
    pause, weekend = (explained(*parts, stood_h=standing(340, 300, h)).steps[-1] for h in (0.0, 60.0))
    assert pause.chance(NEW, CLEANED) > 0.6 > weekend.chance(NEW, CLEANED)
    assert pause.chance(DRIED) < weekend.chance(DRIED) * 0.6


def test_media_that_got_wet_through_a_shift_dry_over_a_night() -> None:
    wet = after(4000.0, 16) * np.linspace(1.0, 1.3, 16)
    parts = loading(300, to_pa=4000.0), wet, after(4000.0, 24)
    night, pause = (explained(*parts, stood_h=standing(340, 316, h)).steps[-1] for h in (15.0, 0.0))
    assert night.ranked[0][0] == DRIED
    assert night.chance(NEW, CLEANED) < pause.chance(NEW, CLEANED) < TUNING.begins[FLOW]


def test_a_wet_spell_does_not_end_at_once_between_two_hours_of_work() -> None:
    """Rain adds a quarter. Two days later the level falls to half: more than dries in an hour."""
    element = loading(300, to_pa=5000.0)
    parts = element, 1.25 * after(5000.0, 12), after(3300.0, 40)
    [*_, step] = explained(*parts, stood_h=np.zeros(352)).steps
    assert step.row == 312
    assert step.chance(NEW, CLEANED) > TUNING.begins[FLOW]


def test_readings_at_fault_last_for_a_shift_where_flow_is_measured() -> None:
    """A fall to six tenths for two weeks of work: the element was cleaned, and no sensor was at fault."""
    element = loading(300, to_pa=5500.0)
    [step] = explained(element, after(3300.0, 60) * np.linspace(1.0, 1.1, 60), stood_h=np.zeros(360)).steps
    assert step.chance(LIGHT) < 0.05


def test_a_torn_element_whose_level_jumps_back_is_mended() -> None:
    """From less than half of a clean element to one between two hours: what is left of it did not get wet."""
    elements = loading(300), loading(300, seed=1)
    found = explained(
        *elements, after(0.45 * CLEAN_PA, 40), after(0.82 * CLEAN_PA, 12), stood_h=np.zeros(652)
    )
    assert found.low[-2] > TUNING.tell
    assert found.low[-1] < TUNING.warn[FLOW]


def test_a_missing_element_shows_in_its_response_alone() -> None:
    """What a clean one reads is not known, but none is that much like the ducts alone."""
    parts = loading(300, to_pa=5000.0), after(1500.0, 30)
    found = explained(*parts, response=answers((300, 1.17), (30, 1.83)))
    assert found.low[-1] > TUNING.warn[FLOW]


def test_a_torn_element_shows_sooner_where_clean_elements_are_alike() -> None:
    parts = loading(300), loading(300, seed=1), loading(300, seed=2), after(0.68 * CLEAN_PA, 20)
    alike = dataclasses.replace(TUNING, element_spread=0.08)
    assert explained(*parts, tuning=alike).low[-1] > 2 * explained(*parts).low[-1]
    assert explained(*parts, tuning=alike).low[-1] > TUNING.warn[FLOW]


def test_without_a_flow_proxy_a_lighter_week_is_light_work_at_first() -> None:
    found = explained(loading(300, to_pa=3500.0), after(2600.0, 24), by=NOTHING)
    assert found.steps[-1].ranked[0][0] == LIGHT


def test_a_new_element_in_a_week_of_light_work_is_no_missing_one() -> None:
    """The work is light when the element is changed, and hard again two days later."""
    elements = loading(300), loading(300, seed=1)
    light, hard = after(0.5 * CLEAN_PA, 18), after(CLEAN_PA, 20)
    found = explained(*elements, light, by=NOTHING, entered=NEW, part=2)
    assert found.steps[-1].ranked[0][0] == NEW
    assert found.low[-1] < TUNING.warn[NOTHING]
    later = explained(*elements, light, hard, by=NOTHING, entered=NEW, part=2)
    assert [step.ranked[0][0] for step in later.steps[-2:]] == [NEW, BACK]
    assert np.exp(later.clean) == pytest.approx(CLEAN_PA, rel=0.1)


def test_light_work_has_to_begin_with_the_change_where_the_element_before_showed_its_level() -> None:
    """Else a torn element that reads half of a clean one is a new one in light work: 0.31 before."""
    elements = loading(300), loading(300, seed=1), loading(300, seed=2)[:290]
    found = explained(*elements, after(0.55 * CLEAN_PA, 20), by=NOTHING)
    assert found.low[-1] > TUNING.warn[NOTHING]


def test_what_reads_far_lower_than_light_work_explains_is_missing_after_an_entered_change() -> None:
    elements = loading(300), loading(300, seed=1)
    found = explained(*elements, after(0.25 * CLEAN_PA, 18), by=NOTHING, entered=NEW, part=2)
    assert found.low[-1] > TUNING.warn[NOTHING]


def test_an_entry_makes_the_fall_beside_it_a_change_that_the_levels_alone_leave_open() -> None:
    parts = loading(250, to_pa=3000.0), after(2500.0, 6)
    alone, entered = explained(*parts), explained(*parts, entered=NEW)
    assert entered.steps[-1].chance(NEW) > alone.steps[-1].chance(NEW)
    assert entered.steps[-1].chance(NEW) > 0.5


def test_an_element_whose_indicator_has_latched_is_changed_sooner() -> None:
    """A fall by a quarter and more from beyond the limit; from below it all is as it was."""

    def odds(to_share: float, tuning: Tuning) -> float:
        fallen = after(0.72 * to_share * LIMIT_PA, 12)
        found = explained(loading(300, to_pa=to_share * LIMIT_PA), fallen, by=NOTHING, tuning=tuning)
        chance = found.steps[-1].chance(NEW, CLEANED)
        return chance / (1.0 - chance)

    as_before = dataclasses.replace(TUNING, over_factor=TUNING.loaded_factor)
    assert odds(1.25, TUNING) > 2.5 * odds(1.25, as_before)
    assert odds(0.8, TUNING) == pytest.approx(odds(0.8, as_before), rel=0.15)


def test_a_denied_change_is_none() -> None:
    found = explained(loading(300), loading(100, seed=1), entered="nothing")
    [denied] = [step for step in found.steps if step.row == 300]
    assert denied.chance(NEW, CLEANED) < 0.01


def test_an_engine_that_did_not_stop_had_no_element_changed_as_likely_as_one_that_did() -> None:
    """The fewer stops there are, the more one beside the fall says."""
    parts = loading(300, to_pa=4000.0), after(2600.0, 8)
    shifts, halves = np.arange(308) % 8 == 1, np.arange(308) % 2 == 0
    running, stood = (
        explained(*parts, stopped=shifts | at).steps[-1] for at in (False, np.arange(308) == 300)
    )
    assert running.chance(NEW, CLEANED) < stood.chance(NEW, CLEANED)
    often = explained(*parts, stopped=halves).steps[-1]
    assert often.chance(NEW, CLEANED) < stood.chance(NEW, CLEANED)


def test_the_same_levels_in_any_scale_mean_the_same() -> None:
    """Without a limit, nothing but ratios counts."""
    level = np.concatenate((loading(300), loading(100, seed=1)))
    rows = []
    for factor in (1.0, 0.01):
        cut = cut_pieces(
            factor * level,
            hours=np.ones(400),
            missed_h=np.zeros(400),
            stopped=np.ones(400, dtype=bool),
            at_rows=(),
            by=FLOW,
            tuning=TUNING,
        )
        clean = float(np.log(factor * CLEAN_PA))
        around = Premises(
            limit=None, clean=clean, clean_spread=0.6, off=clean - 3.0, low_odds=0.1, by=FLOW, entered={}
        )
        rows.append([(step.row, step.ranked[0][0]) for step in explain(cut, around, TUNING).steps])
    assert rows[0] == rows[1]


def test_a_torn_element_that_gets_wet_and_dry_again_is_no_new_one() -> None:
    """Torn a week after it was fitted; rain and sun move what is left of it, as they move any element."""
    torn = np.concatenate((after(960.0, 12), after(1100.0, 10), after(1000.0, 40)))
    found = explained(loading(300, to_pa=6100.0), loading(300, to_pa=9000.0, seed=1)[:120], torn)
    assert all(chance > TUNING.warn[FLOW] for chance in found.low[-3:])
    assert found.steps[0].chance(NEW) > TUNING.tell


@pytest.mark.parametrize(("power", "is_torn"), [(1.4, False), (1.75, True)])
def test_a_torn_element_answers_the_flow_more_like_the_ducts_alone(power: float, is_torn: bool) -> None:
    """At 1.3 kPa either is as likely by the level: what clean elements of this machine read is not known."""
    parts = loading(300, to_pa=5000.0), after(1300.0, 30)
    found = explained(*parts, response=answers((300, 1.25), (30, power)))
    assert (found.low[-1] > TUNING.warn[FLOW]) is is_torn
    assert explained(*parts).low[-1] < TUNING.warn[FLOW]


def test_a_torn_element_loads_too_and_stays_torn() -> None:
    """What is left of it comes up to the lowest level of a whole one: it is not mended by that."""
    torn = np.concatenate((after(1150.0, 20), after(1330.0, 20), after(1500.0, 20)))
    element = loading(300, to_pa=5000.0)
    found = explained(element, element[:150], torn, response=answers((450, 1.25), (60, 1.75)))
    assert found.low[-1] > TUNING.warn[FLOW]


def test_light_work_on_a_torn_element_does_not_mend_it() -> None:
    """By engine speed an hour of light work reads lower, and the next one as before."""
    low_pa = 0.42 * CLEAN_PA
    torn = np.concatenate([after(low_pa * factor, 8) for factor in (1.0, 0.7, 1.0, 0.7, 1.0)])
    found = explained(loading(300), loading(300, seed=1), torn, by=SPEED)
    assert found.low[-1] > 0.5


def test_shifts_of_light_work_with_the_element_missing_do_not_fit_another() -> None:
    """Without a proxy light work more than halves the level, with an element or without."""
    low_pa = 0.3 * CLEAN_PA
    missing = np.concatenate([after(low_pa * factor, 9) for factor in (0.55, 1.0, 0.45, 1.0, 0.5, 1.0)])
    found = explained(loading(300), loading(300, seed=1), missing, by=NOTHING)
    assert min(found.low_then[-6:]) > TUNING.warn[NOTHING]


@pytest.mark.parametrize(("hours", "is_warned"), [(4, False), (8, True)])
def test_minutes_of_work_at_idle_show_no_missing_element(hours: int, is_warned: bool) -> None:
    """Where the load is not known a low level has to last; meanwhile a person is asked."""
    found = explained(loading(300), after(0.15 * CLEAN_PA, hours), by=NOTHING)
    assert (found.low_then[-1] >= TUNING.warn[NOTHING]) is is_warned
    assert found.low[-1] >= TUNING.ask_low


def test_a_tube_that_came_off_shows_at_once_where_the_load_is_not_known() -> None:
    found = explained(loading(300), after(0.01 * CLEAN_PA, 4), by=NOTHING)
    assert found.low_then[-1] > TUNING.warn[NOTHING]


def test_an_element_whose_response_fell_back_is_mended() -> None:
    """A torn element was replaced by one that reads half as much again: not the torn one, wet."""
    element = loading(300, to_pa=5000.0)
    parts = element, element[:100], after(1150.0, 40), after(1750.0, 30)
    found = explained(*parts, response=answers((400, 1.25), (40, 1.75), (30, 1.4)))
    assert found.low[2] > TUNING.warn[FLOW]
    assert found.steps[-1].ranked[0][0] == NEW
    assert found.low[-1] < TUNING.warn[FLOW]


def test_a_cleaning_entered_where_the_tube_was_left_off_teaches_no_clean_level() -> None:
    used = after(3600.0, 100)
    found = explained(loading(300), after(40.0, 30), used, entered=CLEANED)
    assert found.steps[0].ranked[0][0] == CLEANED
    assert np.exp(found.clean) < 1.2 * CLEAN_PA


def test_an_entered_new_element_ends_the_torn_one_that_it_replaced() -> None:
    """By the level alone what is left of the torn one may have got wet."""
    parts = loading(300), loading(300, seed=1)[:150], after(0.6 * CLEAN_PA, 40), after(0.85 * CLEAN_PA, 30)
    alone, entered = explained(*parts, by=SPEED), explained(*parts, by=SPEED, entered=NEW, part=3)
    assert alone.low[-2] > TUNING.warn[SPEED]
    assert entered.steps[-1].ranked[0][0] == NEW
    assert entered.low[-1] < alone.low[-1]
    assert entered.low[-1] < TUNING.warn[SPEED]


def test_a_new_element_that_loaded_behind_a_tube_left_off_teaches_no_clean_level() -> None:
    """It reads twice a clean one once the tube is on; the next element is a usual one, and none is torn."""
    loaded = np.linspace(4_000.0, 6_400.0, 110)
    found = explained(loading(300), after(40.0, 85), loaded, after(0.9 * CLEAN_PA, 20))
    assert found.steps[0].ranked[0][0] == NEW
    assert found.steps[-1].ranked[0][0] == NEW
    assert found.low[-1] < TUNING.warn[FLOW]


def test_a_torn_element_replaced_in_light_work_is_not_torn_for_as_long_as_the_work_is_light() -> None:
    """The entry ends it; the level, lower than that of a clean element, is that of the work."""
    torn, light = after(0.3 * CLEAN_PA, 40), after(0.5 * CLEAN_PA, 20)
    parts = loading(300), loading(300, seed=1)[:150], torn, light
    alone, entered = explained(*parts, by=NOTHING), explained(*parts, by=NOTHING, entered=NEW, part=3)
    assert entered.low[2] > TUNING.warn[NOTHING]
    assert entered.low[-1] < alone.low[-1]
    assert entered.low[-1] < TUNING.warn[NOTHING]
    hard = explained(*parts, after(CLEAN_PA, 20), by=NOTHING, entered=NEW, part=3)
    assert [step.ranked[0][0] for step in hard.steps[-2:]] == [NEW, BACK]


def test_a_torn_element_seen_in_light_work_first_is_torn_in_hard_work_too() -> None:
    torn = after(0.2 * CLEAN_PA, 8), after(0.45 * CLEAN_PA, 30)
    found = explained(loading(300), loading(300, seed=1), *torn, by=NOTHING)
    assert found.low[-1] > TUNING.warn[NOTHING]


def test_a_machine_whose_hours_swing_between_two_levels_is_not_first_seen_without_an_element() -> None:
    """By speed alone hours with and without load lie apart by a factor of two."""
    swings = np.where(np.random.default_rng(3).random(150) < 0.3, 2.2, 1.0)
    level = after(0.4 * CLEAN_PA, 150) * swings
    assert explained(level, by=SPEED, clean_spread=TUNING.kind_spread).low[-1] < 0.1


@pytest.mark.parametrize("by", [FLOW, SPEED, NOTHING])
def test_a_machine_first_seen_far_below_clean_may_be_at_light_work_where_full_flow_is_not_known(
    by: int,
) -> None:
    """Later it is surer a fault, and hard work shows the sound element."""
    light = after(0.35 * CLEAN_PA, 8)
    assert explained(light, by=by).low[-1] > 0.6
    first = explained(light, by=by, full_flow_known=False).low[-1]
    assert 0.1 < first < 0.4
    assert explained(after(0.35 * CLEAN_PA, 150), by=by, full_flow_known=False).low[-1] > first
    hard = explained(light, loading(30), by=by, full_flow_known=False)
    assert hard.steps[0].chance(BACK) > 0.5
    assert hard.low[-1] < 0.05
