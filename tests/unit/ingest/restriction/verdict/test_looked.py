"""Looks at indicator and gauge correct the level of a machine; one that is wrong hardly moves it."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cleanside.ingest.restriction import (
    Entry,
    FleetKnowledge,
    GaugeLook,
    HousingFacts,
    Readings,
    Study,
    Summaries,
    assess_housing,
    housing_teaches,
    learn_fleet,
    study_housing,
    summarise_hours,
)

START_S = 1_772_409_600.0  # 2026-03-02T00:00:00Z
DAY_S, HOUR_S = 86_400.0, 3_600.0
TERMINAL_PA = 6200.0
MEETS = 0.87  # of the restriction at full flow is the most that this machine meets
SHIFT_H = 8
CHANGE_H = 240.0


def full_flow_pa(hours: np.ndarray) -> np.ndarray:
    """Two elements, each from 1,500 Pa to 1.22 of the limit in 240 h, in a convex curve."""
    used = np.expm1(2.5 * (hours % CHANGE_H) / CHANGE_H) / np.expm1(2.5)
    return np.asarray(1500 + (1.22 * TERMINAL_PA - 1500) * used)


def worked(days: int, *, flow: bool = False) -> Summaries:
    """Shifts of eight hours, a reading a minute, by engine speed alone; the load is never full."""
    rng = np.random.default_rng(4)
    at_s = (START_S + DAY_S * np.arange(days)[:, None] + 60.0 * np.arange(350, 850)[None, :]).ravel()
    running = ((at_s - START_S) % DAY_S >= 360 * 60) & ((at_s - START_S) % DAY_S < 840 * 60)
    hours = np.cumsum(running) / 60.0
    part = rng.uniform(0.6, 1.0, len(at_s))
    drop = np.where(running, MEETS * full_flow_pa(hours) * part**1.6, 0.0)
    more: dict[str, Any] = {"air_mass_flow_kg_s": np.where(running, 0.4 * part, np.nan)} if flow else {}
    return summarise_hours(
        Readings(
            at_s=at_s,
            restriction_pa=drop + rng.normal(0, 20, len(at_s)),
            engine_speed_rad_s=np.where(running, 200.0 * part, 0.0),
            **more,
        )
    )


def at_hour(hours: float) -> float:
    return START_S + hours // SHIFT_H * DAY_S + 6 * HOUR_S + hours % SHIFT_H * HOUR_S


DAYS = 55  # 440 operating hours: the second element has 200
SUMMARIES = worked(DAYS)
FACTS = HousingFacts(
    terminal_pa=TERMINAL_PA, entries=(Entry(at_s=at_hour(CHANGE_H)),), machine="one", kind="loader"
)


def look(hours: float, *, latched: bool) -> GaugeLook:
    return GaugeLook(at_s=at_hour(hours), own_indicator=True, latched=latched, name=f"look-{hours}")


AT_CHANGE = look(CHANGE_H, latched=True)


def studied(*looks: GaugeLook, facts: HousingFacts = FACTS, summaries: Summaries = SUMMARIES) -> Study:
    return study_housing(summaries, replace(facts, looks=looks)).study


ALONE = studied()


def share(study: Study) -> float:
    assert study.share_used_percent is not None
    return study.share_used_percent


def said(study: Study, code: str) -> list[dict[str, Any]]:
    return [dict(statement.values) for statement in study.evidence if statement.code == code]


def test_an_indicator_that_latched_moves_the_share_towards_the_truth_by_what_it_sees() -> None:
    """It meets what the monitor meets: how far full flow lies beyond shows on neither, so it moves little."""
    true_pa = float(full_flow_pa(np.array([DAYS * SHIFT_H - 1.0]))[0])
    found = studied(AT_CHANGE)
    assert ALONE.restriction_pa is not None
    assert found.restriction_pa is not None
    assert ALONE.restriction_pa < found.restriction_pa < min(1.02 * ALONE.restriction_pa, 1.03 * true_pa)


def test_an_indicator_that_latched_early_moves_the_share_more() -> None:
    """The readings were at 0.93 of the limit then: monitor or indicator is off, and each gives way."""
    early = studied(look(CHANGE_H - 20.0, latched=True))
    assert share(early) > share(studied(AT_CHANGE)) > share(ALONE)


def test_all_levels_move_by_one_factor_and_no_life_begins_elsewhere() -> None:
    found = studied(AT_CHANGE)
    factor = found.reference.factor
    assert factor > 1.0
    for ours, alone in ((found.restriction_pa, ALONE.restriction_pa), (found.clean_pa, ALONE.clean_pa)):
        assert ours is not None
        assert alone is not None
        assert ours / alone == pytest.approx(factor)
    assert [life.start_s for life in found.lives] == [life.start_s for life in ALONE.lives]
    levels = [
        (life.level_end_pa, other.level_end_pa) for life, other in zip(found.lives, ALONE.lives, strict=True)
    ]
    assert all(ours == pytest.approx(factor * (alone or 0.0)) for ours, alone in levels)
    trend = zip(found.trend.levels_pa, ALONE.trend.levels_pa, strict=True)
    assert all((a is None and b is None) or a == pytest.approx(factor * (b or 0.0)) for a, b in trend)


def test_the_date_comes_with_the_level_and_narrows_with_its_spread() -> None:
    found, alone = studied(AT_CHANGE).hours_left, ALONE.hours_left
    assert found is not None
    assert alone is not None
    assert found.p50 < alone.p50
    assert found.p90 - found.p10 < alone.p90 - alone.p10


def test_a_look_that_is_wrong_moves_the_share_little_and_becomes_a_question() -> None:
    wrong = studied(look(300.0, latched=True))  # the second element had a fifth of its rise
    assert abs(share(wrong) - share(ALONE)) < 1.5
    [evidence] = said(wrong, "look_latched")
    assert evidence["is_question"]
    assert evidence["would_s"] is None
    assert evidence["highest_pa"] < 0.5 * TERMINAL_PA
    assert [one.cause for one in wrong.suspicions] == ["indicator_at_odds"]
    assert studied(AT_CHANGE).suspicions == ALONE.suspicions == ()
    assert not said(studied(AT_CHANGE), "look_latched")[0]["is_question"]


def test_the_evidence_says_when_the_indicator_would_have_latched_by_the_readings() -> None:
    """The first hour in which the machine met the limit, by the made curve."""
    from_h = np.arange(0.0, CHANGE_H, 0.1)
    met_h = float(from_h[np.argmax(MEETS * full_flow_pa(from_h) >= TERMINAL_PA)])
    [latched] = said(studied(AT_CHANGE), "look_latched")
    assert latched["would_s"] == pytest.approx(at_hour(met_h) // HOUR_S * HOUR_S, abs=0.7 * DAY_S)
    [not_yet] = said(studied(look(150.0, latched=False)), "look_not_latched")
    assert (not_yet["would_s"], not_yet["is_question"]) == (None, False)
    [calibrates] = said(studied(AT_CHANGE), "looks_calibrate")
    assert (calibrates["looks"], calibrates["machines"]) == (1, 0)
    assert said(ALONE, "looks_calibrate") == []


def test_an_indicator_that_has_not_latched_lowers_a_level_that_says_it_had() -> None:
    found = studied(look(CHANGE_H, latched=False))
    assert share(found) <= share(ALONE)


def test_a_look_after_which_no_reading_came_waits_for_them() -> None:
    later = GaugeLook(at_s=at_hour(DAYS * SHIFT_H) + 5 * DAY_S, own_indicator=True, latched=True)
    assert share(studied(later)) == share(ALONE)
    assert studied(GaugeLook(at_s=START_S, own_indicator=True, latched=True)).reference == ALONE.reference


def test_a_look_entered_a_minute_after_the_change_goes_with_the_element_before() -> None:
    late = replace(AT_CHANGE, at_s=AT_CHANGE.at_s + 60.0)
    assert share(studied(late)) == pytest.approx(share(studied(AT_CHANGE)))


def test_no_look_counts_while_only_idle_was_seen_or_the_limit_is_in_doubt() -> None:
    facts = replace(FACTS, terminal_pa=25.0, terminal_entered=(25.0, "Pa"))
    assert studied(AT_CHANGE, facts=facts).reference.factor == 1.0


# ---------------------------------------------------------------- a gauge


def test_a_gauge_at_full_flow_says_the_level_and_at_another_flow_bounds_it() -> None:
    flowing = worked(DAYS, flow=True)
    alone = studied(summaries=flowing)
    assert alone.restriction_pa is not None
    at_s = at_hour(DAYS * SHIFT_H - 1.0)
    shown = GaugeLook(at_s=at_s, own_indicator=False, shown_pa=1.1 * alone.restriction_pa)
    at_full = studied(shown, summaries=flowing)
    [evidence] = said(at_full, "look_gauge")
    assert (evidence["full_flow"], evidence["is_question"]) == (True, False)
    assert 1.02 < at_full.reference.factor < 1.1
    at_part = studied(replace(shown, shown_pa=0.6 * alone.restriction_pa), summaries=flowing)
    assert at_part.reference.factor == pytest.approx(1.0, abs=0.01)
    by_speed = studied(replace(shown, shown_pa=1.1 * share_pa()))
    assert not said(by_speed, "look_gauge")[0]["full_flow"]  # speed alone does not show the load


def test_a_gauge_that_is_asked_about_moves_nothing_until_a_second_look_shows_the_same() -> None:
    """24 kPa where 24 inH2O was meant, four times the limit; and one of twice what the monitor says."""
    at_s = at_hour(DAYS * SHIFT_H - 1.0)
    for shown_pa in (24_000.0, 2.0 * share_pa()):
        first = GaugeLook(at_s=at_s, own_indicator=False, shown_pa=shown_pa, name="first")
        found = studied(first)
        assert found.reference.factor == 1.0
        assert (share(found), found.hours_left, found.lives) == (share(ALONE), ALONE.hours_left, ALONE.lives)
        [evidence] = said(found, "look_gauge")
        assert (evidence["is_question"], evidence["waits"]) == (True, True)
        assert said(found, "looks_calibrate") == []
        assert housing_teaches(SUMMARIES, replace(FACTS, looks=(first,))).looks is None
        other = replace(first, at_s=at_s + 600.0, shown_pa=1.3 * shown_pa, name="other")
        assert studied(first, other).reference.factor == 1.0
    again = replace(first, at_s=at_s + 600.0, name="second")
    both = studied(first, again)
    assert both.reference.factor > 1.0
    assert not any(look["waits"] for look in said(both, "look_gauge"))


def test_a_gauge_in_another_unit_than_the_limits_that_shows_too_little_waits_for_a_second_look() -> None:
    """2.4 inH2O where the limit is in kPa, and 2.4 kPa is what the monitor says: in ratios of the level."""
    low = GaugeLook(
        at_s=at_hour(DAYS * SHIFT_H - 1.0),
        own_indicator=False,
        shown_pa=0.23 * share_pa(),
        as_limit_pa=0.92 * share_pa(),
        name="low",
    )
    [evidence] = said(studied(low), "look_gauge")
    assert (evidence["is_question"], evidence["waits"]) == (True, True)
    assert not said(studied(replace(low, as_limit_pa=None)), "look_gauge")[0]["waits"]
    again = replace(low, at_s=low.at_s + 600.0, name="again")
    assert not any(look["waits"] for look in said(studied(low, again), "look_gauge"))


def test_a_gauge_without_a_working_hour_in_the_day_before_moves_nothing() -> None:
    """The page says that there is nothing to compare it with; the look counted for two days."""
    last_s = at_hour(DAYS * SHIFT_H - 1.0) + HOUR_S
    near, far = (
        GaugeLook(at_s=last_s + late_h * HOUR_S, own_indicator=False, shown_pa=1.3 * share_pa())
        for late_h in (20.0, 30.0)
    )
    assert studied(near).reference.factor > 1.01
    assert studied(far) == ALONE
    assert housing_teaches(SUMMARIES, replace(FACTS, looks=(far,))).looks is None


def share_pa() -> float:
    assert ALONE.restriction_pa is not None
    return ALONE.restriction_pa


# ---------------------------------------------------------------- order, and taking back


MANY = (
    *(AT_CHANGE, look(150.0, latched=False), look(220.0, latched=False), look(300.0, latched=True)),
    GaugeLook(at_s=at_hour(400.0), own_indicator=False, shown_pa=3000.0, name="gauge"),
    GaugeLook(at_s=at_hour(150.0), own_indicator=True, shown_pa=2500.0, name="pointer"),
)


@given(st.randoms(use_true_random=False))
@settings(max_examples=8, deadline=None)
def test_looks_in_any_order_give_the_same_study(chance: random.Random) -> None:
    shuffled = list(MANY)
    chance.shuffle(shuffled)
    assert studied(*shuffled) == studied(*MANY)


def test_a_look_taken_back_no_longer_counts() -> None:
    assert studied(*MANY) != ALONE
    assert studied() == ALONE


# ---------------------------------------------------------------- the fleet


def test_a_machine_without_looks_is_drawn_to_those_of_its_fleet_and_says_so() -> None:
    taught = housing_teaches(SUMMARIES, replace(FACTS, looks=(AT_CHANGE,)))
    assert taught.looks is not None
    fleet = learn_fleet([], looks=[taught.looks])
    other = studied(facts=replace(FACTS, machine="two", fleet=fleet))
    assert 1.0 < other.reference.factor < 1.02
    [calibrates] = said(other, "looks_calibrate")
    assert (calibrates["looks"], calibrates["machines"]) == (0, 1)
    itself = studied(facts=replace(FACTS, fleet=fleet))
    assert itself.reference.factor == 1.0  # what is judged is never judged against itself


def test_what_looks_teach_passes_through_the_record_of_a_snapshot() -> None:
    taught = housing_teaches(SUMMARIES, replace(FACTS, looks=(AT_CHANGE,)))
    assert taught.looks is not None
    fleet = learn_fleet([], looks=[taught.looks])
    record = fleet.as_record()
    assert FleetKnowledge.from_record(record).looks == fleet.looks
    assert FleetKnowledge.from_record(record).teaches_as(fleet)
    assert not fleet.teaches_as(learn_fleet([]))
    del record["looks_in_spreads"]  # the previous release stored none
    assert FleetKnowledge.from_record(record).looks == ()


def test_a_latched_indicator_never_hides_that_the_element_is_over() -> None:
    now_s = at_hour(DAYS * SHIFT_H)
    before = assess_housing(SUMMARIES, FACTS, now_s=now_s).state
    after = assess_housing(SUMMARIES, replace(FACTS, looks=(AT_CHANGE,)), now_s=now_s).state
    urgent = ("serving", "plan", "due", "over")
    assert urgent.index(after) >= urgent.index(before)
