"""Which of two times of the server is right, within one boot."""

from __future__ import annotations

from dataclasses import replace

import pytest

from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.timing.contradiction import (
    APART_US,
    STEP_US,
    Next,
    Question,
    covers_both,
    next_of,
    off_us,
)
from cleanside.gateway.timing.placement import Placement, by_anchor

DAY_US = 86_400 * 10**6
FIRST = Anchor(kind="server", since_boot_us=10**9, utc_us=1_800_000_000 * 10**6, uncertainty_us=93_000)


def placed() -> Placement:
    found = by_anchor([FIRST])
    assert found is not None
    return found


PLACED = placed()


def later(by_us: int, *, off_us: int = 0, kind: str = "server") -> Anchor:
    return replace(
        FIRST, kind=kind, since_boot_us=FIRST.since_boot_us + by_us, utc_us=FIRST.utc_us + by_us + off_us
    )


@pytest.mark.parametrize("off", [DAY_US, -DAY_US, 2 * STEP_US])
def test_an_answer_that_contradicts_the_boots_place_asks(off: int) -> None:
    assert next_of(PLACED, later(60_000_000, off_us=off), None) is Next.ASK


@pytest.mark.parametrize("off", [0, STEP_US, -STEP_US])
def test_an_answer_within_both_widths_and_the_margin_asks_nothing(off: int) -> None:
    assert next_of(PLACED, later(60_000_000, off_us=off), None) is Next.NONE


@pytest.mark.parametrize("kind", ["gps", "ntp"])
def test_another_source_is_no_question(kind: str) -> None:
    assert next_of(PLACED, later(60_000_000, off_us=DAY_US, kind=kind), None) is Next.NONE
    assert next_of(replace(PLACED, kind=kind), later(60_000_000, off_us=DAY_US), None) is Next.NONE


def test_only_answers_of_one_side_that_span_the_stated_time_settle_it() -> None:
    new = Question(doubt_us=94_000, answer=later(60_000_000, off_us=DAY_US))
    assert next_of(PLACED, later(60_000_000 + APART_US - 1, off_us=DAY_US), new) is Next.WAIT
    assert next_of(PLACED, later(60_000_000 + APART_US, off_us=DAY_US), new) is Next.SETTLE
    assert next_of(PLACED, later(60_000_000 + APART_US), new) is Next.BEGIN
    assert next_of(PLACED, later(60_000_000 + APART_US, off_us=2 * DAY_US), new) is Next.BEGIN
    old = replace(new, answer=later(120_000_000))
    assert next_of(PLACED, later(120_000_000 + APART_US), old) is Next.SETTLE


def test_the_width_covers_both_times() -> None:
    anchor = later(60_000_000, off_us=-DAY_US)
    half_us = covers_both(PLACED, anchor)
    assert half_us >= abs(off_us(PLACED, anchor)) + anchor.uncertainty_us
    assert abs(anchor.utc_us - anchor.uncertainty_us - PLACED.at_us(anchor.since_boot_us)) <= half_us
