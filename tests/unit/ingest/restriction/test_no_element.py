"""
A machine of which nothing is known, whose element was taken out at a service and not put back.

What is left of the stream is the duct: restriction goes with the square of the flow (Darcy-Forchheimer), and
no dust loads it. Elements last 250 to 1 000 h (common practice, without source), so one that has not risen at
all after a hundred hours of work is hardly an element.
"""

from __future__ import annotations

import functools
import math

import numpy as np
import pytest

from cleanside.ingest.restriction import (
    Assessment,
    Entry,
    HourSummary,
    HousingFacts,
    Readings,
    assess_housing,
    summarise_hours,
)
from cleanside.ingest.restriction.verdict.plain_forms import state_text, text_of

DAY_S, HOUR_S = 86_400.0, 3_600.0
START_S = 1_790_000_000.0 // DAY_S * DAY_S + 5 * HOUR_S
LIMIT_PA, SHIFT_H, BEFORE_DAYS = 6_200.0, 9, 12
#: of the duct alone at full flow [Pa]: so low that it is suspected within a shift, or asked about
DUCT_PA, WIDE_DUCT_PA = 850.0, 700.0
CHANGED_S = START_S + BEFORE_DAYS * DAY_S - 6 * HOUR_S


@functools.cache
def worked(days: int, duct_pa: float, *, loads: bool = False) -> tuple[HourSummary, ...]:
    """
    Twelve days in which an element loads to its limit, then so many on what was put in its place.

    loads : an element with a very low clean level went in, and loads as the first did.
    """
    rng = np.random.default_rng(35)
    minutes = np.arange(SHIFT_H * 60) * 60.0
    at_s = np.concatenate([START_S + day * DAY_S + minutes for day in range(BEFORE_DAYS + days)])
    off = np.tile(np.arange(SHIFT_H * 60) < 4, BEFORE_DAYS + days)
    load = np.where(off, 0.0, np.clip(rng.beta(3, 1.5, len(at_s)), 0.05, 1.0))
    speed = np.where(off, 0.0, np.clip(1_600 + rng.normal(0, 150, len(at_s)), 1_000, 1_950))
    flow = speed / 1_950 * (0.45 + 0.55 * load)
    hours = np.cumsum(~off) / 60.0
    before = at_s < CHANGED_S
    since = np.where(before, 0.0, hours - hours[before][-1])
    element = 2_000.0 + (LIMIT_PA - 2_000.0) * ((140.0 + hours) / 260.0) ** 2
    after = duct_pa + ((LIMIT_PA - duct_pa) * (since / 260.0) ** 2 if loads else 0.0)
    level = np.where(before, element * flow**1.8, after * flow ** (1.8 if loads else 2.0))
    return tuple(
        summarise_hours(
            Readings(
                at_s=at_s,
                restriction_pa=np.where(off, 0.0, level) + rng.normal(0, 15, len(at_s)),
                engine_speed_rad_s=speed * 2 * math.pi / 60,
                engine_load_ratio=load,
            )
        )
    )


def assessed(days: int, *entries: Entry, duct_pa: float = DUCT_PA, loads: bool = False) -> Assessment:
    facts = HousingFacts(terminal_pa=LIMIT_PA, terminal_entered=(6.2, "kPa"), entries=entries)
    seen = worked(days, duct_pa, loads=loads)
    return assess_housing(seen, facts, now_s=seen[-1].last_s + 60)


@pytest.mark.parametrize("entries", [(), (Entry(at_s=CHANGED_S),)], ids=["no entry", "entered as new"])
def test_an_element_that_does_not_load_at_all_is_suspected_to_be_none(entries: tuple[Entry, ...]) -> None:
    """It was called a new element by 90 %, with "leave the housing closed", after 118 hours of work."""
    found = assessed(13, *entries)
    assert [suspicion.cause for suspicion in found.study.suspicions] == ["below_clean"]
    assert found.state == "suspect"
    assert found.advice.code == "advice_below_clean"


def test_from_the_first_shift_on_a_person_is_asked_to_look() -> None:
    found = assessed(1)
    assert found.study.element_in_question
    assert found.advice.code == "advice_may_be_missing"
    assert found.asks_to_look
    assert "look that it is in" in text_of(found.advice)
    assert "closed" not in text_of(found.advice)
    assert found.study.element_in_doubt
    assert (found.study.share_used_percent, found.due_s, found.latch_s) == (None, None, None)
    assert found.state == "running-in", "too early to judge"
    assert state_text(found.state, has_limit=True, look=found.asks_to_look) == "is the element in?"


@pytest.mark.parametrize(("hours", "entered"), [(3, False), (3, True), (9, False)])
def test_an_element_of_unknown_age_has_no_date_before_its_first_five_hours(hours: int, entered: bool) -> None:
    """A retrofit with two readings was called new, and its change stood on the work list in two days."""
    seen = worked(1, DUCT_PA)[:hours]
    entries = (Entry(at_s=START_S - 600),) if entered else ()
    facts = HousingFacts(terminal_pa=LIMIT_PA, terminal_entered=(6.2, "kPa"), entries=entries)
    found = assess_housing(seen, facts, now_s=seen[-1].last_s + 60)
    assert found.study.age_known is entered
    assert (found.due_s is None) is (hours < 5 and not entered)
    if hours < 5:
        assert found.state == "running-in"
        text = state_text(found.state, has_limit=True, age_known=found.study.age_known)
        assert text.startswith("new element" if entered else "element of unknown age")


def test_an_element_that_reads_as_low_and_loads_is_not_suspected() -> None:
    assert not assessed(13, loads=True).study.suspicions


@pytest.mark.parametrize("duct_pa", [DUCT_PA, WIDE_DUCT_PA])
def test_once_somebody_has_looked_it_is_neither_asked_nor_suspected(duct_pa: float) -> None:
    """The same element went back in. A look before the service says nothing of what is in now."""
    looked = Entry(at_s=CHANGED_S + 20 * HOUR_S, what="inspected")
    found = assessed(1, looked, duct_pa=duct_pa)
    assert not found.study.element_in_question
    assert not found.study.suspicions
    earlier = assessed(1, Entry(at_s=CHANGED_S - 2 * DAY_S, what="inspected"), duct_pa=duct_pa)
    assert earlier.study.element_in_question or earlier.study.suspicions


def test_an_element_that_a_person_entered_and_that_reads_too_little_is_asked_about() -> None:
    """It read "look for a missing, torn or badly seated element" beside "nothing to do now"."""
    found = assessed(1, Entry(at_s=CHANGED_S))
    assert [entry.verdict for entry in found.study.entries] == ["too_low"]
    assert found.study.element_in_question or found.study.is_below_clean
    assert found.advice.code in ("advice_may_be_missing", "advice_below_clean")


def test_an_element_that_began_too_low_is_no_question_once_it_has_loaded() -> None:
    """At half of its limit it still read "is the element in?", as no look was entered."""
    entered = Entry(at_s=CHANGED_S)
    early, loaded = (assessed(days, entered, loads=True) for days in (3, 22))
    assert [entry.verdict for entry in loaded.study.entries] == ["too_low"]
    assert (early.study.element_in_doubt, loaded.study.element_in_doubt) == (True, False)
    assert loaded.study.share_used_percent == pytest.approx(50, abs=5)
    assert loaded.due_s is not None
