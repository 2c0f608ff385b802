"""When a boot was, and how sure that is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.timing.placement import (
    GROWTH_PPB,
    Boot,
    Placement,
    by_anchor,
    by_two_anchors,
    coarse_s,
    place,
)
from tests.unit.gateway.helpers import BEGIN_US

S = 1_000_000
FLOOR_US = BEGIN_US - 86_400 * S


def anchor(since_boot_us: int, utc_us: int, *, uncertainty_us: int = 50_000, kind: str = "server") -> Anchor:
    return Anchor(kind=kind, since_boot_us=since_boot_us, utc_us=utc_us, uncertainty_us=uncertainty_us)


def test_a_boot_with_an_anchor_is_placed_by_it() -> None:
    placement = by_anchor([anchor(100 * S, BEGIN_US)])
    assert placement is not None
    assert placement.at_us(100 * S) == BEGIN_US
    assert placement.at_us(0) == BEGIN_US - 100 * S
    assert placement.kind == "server"


def test_the_best_of_several_anchors_counts() -> None:
    placement = by_anchor(
        [anchor(0, BEGIN_US), anchor(5 * S, BEGIN_US + 6 * S, uncertainty_us=10, kind="gps")]
    )
    assert placement is not None
    assert (placement.kind, placement.at_us(5 * S)) == ("gps", BEGIN_US + 6 * S)


def test_the_uncertainty_grows_away_from_the_anchor() -> None:
    placement = by_anchor([anchor(1000 * S, BEGIN_US)])
    assert placement is not None
    near, far = placement.half_width_us(1000 * S), placement.half_width_us(87_400 * S)
    assert far - near == 86_400 * S // 10_000  # 100 ppm of a day: 8.64 s
    assert placement.half_width_us(0) > near


@pytest.mark.parametrize(
    ("half_width_us", "seconds"),
    [(0, 0.001), (1000, 0.001), (1001, 0.002), (2001, 0.005), (5001, 0.01), (51_000, 0.1), (8_640_000, 10.0)],
)
def test_a_half_width_is_rounded_up_and_never_down(half_width_us: int, seconds: float) -> None:
    assert coarse_s(half_width_us) == seconds


def test_a_boot_without_an_anchor_lies_in_the_middle_between_its_neighbours() -> None:
    boots = [
        Boot(number=1, ended_us=100 * S, anchors=[anchor(0, BEGIN_US, uncertainty_us=0)]),
        Boot(number=2, ended_us=200 * S),
        Boot(number=3, ended_us=None, anchors=[anchor(0, BEGIN_US + 1300 * S, uncertainty_us=0)]),
    ]
    placed = place(boots, floor_us=FLOOR_US)
    # Between +100 s and +1300 s there is room for 200 s of boot and 1000 s of slack.
    assert placed[2].kind == "bracketed"
    assert placed[2].at_us(0) == pytest.approx(BEGIN_US + 600 * S, abs=0.05 * S)
    assert placed[2].half_width_us(0) == pytest.approx(500 * S, abs=0.05 * S)


def test_several_boots_without_an_anchor_shift_as_one_block() -> None:
    boots = [
        Boot(number=1, ended_us=0, anchors=[anchor(0, BEGIN_US, uncertainty_us=0)]),
        Boot(number=2, ended_us=10 * S),
        Boot(number=3, ended_us=20 * S),
        Boot(number=4, ended_us=None, anchors=[anchor(0, BEGIN_US + 130 * S, uncertainty_us=0)]),
    ]
    placed = place(boots, floor_us=FLOOR_US)
    assert placed[3].at_us(0) - placed[2].at_us(10 * S) == 0
    assert placed[2].half_width_us(0) == placed[3].half_width_us(0) == pytest.approx(50 * S, abs=0.01 * S)


def test_a_boot_that_runs_and_has_no_anchor_waits() -> None:
    boots = [Boot(number=1, ended_us=0, anchors=[anchor(0, BEGIN_US)]), Boot(number=2, ended_us=None)]
    assert set(place(boots, floor_us=FLOOR_US)) == {1}


def test_a_boot_that_was_placed_before_stays_where_it_is() -> None:
    frozen = Placement(zero_us=BEGIN_US, anchor_us=0, uncertainty_us=0, kind="gps")
    boots = [Boot(number=1, ended_us=None, anchors=[anchor(0, BEGIN_US + 5 * S)], placement=frozen)]
    assert place(boots, floor_us=FLOOR_US) == {}


def test_the_first_boot_of_all_lies_after_the_day_the_program_was_built() -> None:
    boots = [Boot(number=1, ended_us=0), Boot(number=2, ended_us=None, anchors=[anchor(0, BEGIN_US)])]
    placed = place(boots, floor_us=FLOOR_US)
    assert placed[1].at_us(0) - placed[1].half_width_us(0) <= FLOOR_US
    assert placed[1].at_us(0) == pytest.approx((FLOOR_US + BEGIN_US) / 2, abs=S)


def test_an_anchor_below_the_floor_is_believed_and_the_doubt_is_a_wide_one() -> None:
    boots = [
        Boot(number=1, ended_us=0),
        Boot(number=2, ended_us=None, anchors=[anchor(0, FLOOR_US - 10 * S)]),
    ]
    placed = place(boots, floor_us=FLOOR_US)
    assert placed[1].at_us(0) < FLOOR_US
    assert placed[1].half_width_us(0) >= 182 * 86_400 * S


@given(
    spans_s=st.lists(st.integers(1, 100_000), min_size=3, max_size=8),
    offs_s=st.lists(st.integers(1, 100_000), min_size=8, max_size=8),
    anchored=st.lists(st.booleans(), min_size=8, max_size=8),
    drift_ppm=st.integers(-90, 90),
)
def test_the_true_time_lies_inside_the_stated_interval(
    spans_s: list[int], offs_s: list[int], anchored: list[bool], drift_ppm: int
) -> None:
    true_us, boots, truth = BEGIN_US, [], {}
    for number, span_s in enumerate(spans_s):
        shown_us = span_s * S + span_s * drift_ppm  # what the boot's clock counted in that time
        known = anchored[number] or number == len(spans_s) - 1
        anchors = [anchor(shown_us // 2, true_us + span_s * S // 2, uncertainty_us=20_000)] if known else []
        boots.append(Boot(number=number, ended_us=shown_us, anchors=anchors))
        truth[number] = (true_us, true_us + span_s * S)
        true_us += (span_s + offs_s[number]) * S
    placed = place(boots, floor_us=BEGIN_US - 1000 * S)
    assert set(placed) == set(truth)
    for boot in boots:
        begin_us, end_us = truth[boot.number]
        placement = placed[boot.number]
        assert boot.ended_us is not None
        # A bracketed block shares one slack; its boots' clocks may add their own drift within the block.
        slack_us = 0 if boot.anchors else sum(spans_s) * 100
        assert abs(placement.at_us(0) - begin_us) <= placement.half_width_us(0) + slack_us
        assert (
            abs(placement.at_us(boot.ended_us) - end_us) <= placement.half_width_us(boot.ended_us) + slack_us
        )


def test_two_anchors_far_apart_tell_the_rate_of_the_boots_clock() -> None:
    # The clock runs 40 ppm slow: in a day it counts 3.456 s less than have passed.
    day_us = 86_400 * S
    first = anchor(0, BEGIN_US, uncertainty_us=1000)
    second = anchor(day_us, BEGIN_US + day_us + day_us * 40 // 10**6, uncertainty_us=1000)
    placement = by_two_anchors(first, second)
    assert placement is not None
    assert placement.rate_ppb == 40_000
    assert abs(placement.at_us(day_us) - second.utc_us) <= placement.half_width_us(day_us)
    later_us = 2 * day_us
    truth_us = BEGIN_US + later_us + later_us * 40 // 10**6
    assert abs(placement.at_us(later_us) - truth_us) <= 5000
    assert placement.growth_ppb < GROWTH_PPB


@pytest.mark.parametrize(
    ("span_s", "gained_s"),
    [(10, 0), (0, 0), (-5, 0), (86_400, 60)],
    ids=["too close", "one", "reversed", "no crystal"],
)
def test_two_anchors_that_tell_no_rate_give_no_placement(span_s: int, gained_s: int) -> None:
    second = anchor(100 * S + span_s * S, BEGIN_US + (span_s + gained_s) * S)
    assert by_two_anchors(anchor(100 * S, BEGIN_US), second) is None
