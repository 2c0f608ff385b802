"""What to take, what to order and by when, against values from the binomial distribution."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from scipy import stats

from cleanside.ingest.planning.shop_terms import EVERY_DAY, WorkingDays
from cleanside.ingest.shop.stock import Need, PartLine, chance_of_more, comes_on, order_first, part_line

TODAY = date(2026, 11, 30)
BEFORE = TODAY + timedelta(days=7)


def need(
    in_days: int | None,
    *,
    taken: bool = False,
    site: str | None = "oberkies",
    chance: float = 0.5,
    allowed: int | None = None,
) -> Need:
    day = None if in_days is None else TODAY + timedelta(days=in_days)
    last = None if allowed is None else TODAY + timedelta(days=allowed)
    return Need(part="KG", site=site, taken=taken, needed_on=day, last_day=last, chance_by=lambda _: chance)


def line(
    needs: list[Need],
    *,
    stock: int,
    lead: int | None,
    working: WorkingDays = EVERY_DAY,
    today: date = TODAY,
    before: date = BEFORE,
) -> PartLine:
    return part_line(
        "KG",
        needs,
        description="",
        stock_by_site={"oberkies": stock},
        lead_time_days=lead,
        today=today,
        before=before,
        working=working,
    )


@pytest.mark.parametrize("chance", [0.0, 0.1, 0.5, 0.97, 1.0])
@pytest.mark.parametrize("stock", [0, 1, 3, 9])
def test_with_equal_chances_it_is_the_binomial_distribution(chance: float, stock: int) -> None:
    """scipy.stats.binom is the reference."""
    assert chance_of_more([chance] * 8, stock) == pytest.approx(stats.binom.sf(stock, 8, chance), abs=1e-12)


def test_with_unequal_chances_every_case_is_counted() -> None:
    # Of 0.5 and 0.2: none 0.4, one 0.5, both 0.1.
    assert [chance_of_more([0.5, 0.2], n) for n in range(3)] == pytest.approx([0.6, 0.1, 0.0])


def test_it_is_ordered_a_lead_time_before_the_first_that_is_missing() -> None:
    needs = [need(2, taken=True), need(6, taken=True, site="kargrund"), need(8), need(30), need(None)]
    found = line(needs, stock=2, lead=3)
    assert (found.to_take, found.take_by_site) == (2, {"oberkies": 1, "kargrund": 1})
    assert found.needed_on == TODAY + timedelta(days=8)  # the third
    assert found.order_by == TODAY + timedelta(days=5)
    assert (found.to_order, found.late_days) == (1, 0)


def test_what_comes_too_late_is_ordered_today_and_says_by_how_much() -> None:
    found = line([need(1), need(2)], stock=1, lead=10)
    assert (found.order_by, found.late_days) == (TODAY, 8)


def test_a_visit_that_waits_for_its_part_is_ordered_for_today() -> None:
    """The part comes in 12 days, the visit is on day 14, a working day; its element allows today."""
    found = line([need(14, allowed=0)], stock=0, lead=12)
    assert (found.order_by, found.to_order) == (TODAY, 1)
    assert (found.needed_on, found.late_days) == (TODAY + timedelta(days=14), 0)


def test_a_planned_day_within_what_its_element_allows_stands_for_the_order() -> None:
    found = line([need(14, allowed=20)], stock=0, lead=12)
    assert found.order_by == TODAY + timedelta(days=2)


def test_the_piece_in_stock_goes_to_the_first_day_and_the_order_is_for_the_other() -> None:
    found = line([need(2, allowed=30), need(20, allowed=3)], stock=1, lead=4)
    assert (found.needed_on, found.order_by) == (TODAY + timedelta(days=20), TODAY)


def test_with_enough_in_stock_nothing_is_ordered() -> None:
    found = line([need(1), need(2)], stock=2, lead=10)
    assert (found.order_by, found.to_order, found.late_days) == (None, 0, 0)
    assert found.chance_of_running_out == 0.0


def test_without_a_lead_time_no_chance_is_stated() -> None:
    assert line([need(1)], stock=0, lead=None).chance_of_running_out is None


def test_a_change_on_the_day_on_which_the_order_comes_does_not_run_out_of_stock() -> None:
    """Planned for that day, it is needed for certain from then on, and the plan counts its piece as there."""

    def planned(in_days: int) -> Need:
        on = TODAY + timedelta(days=in_days)
        return Need(
            part="KG",
            site=None,
            taken=True,
            needed_on=on,
            last_day=None,
            chance_by=lambda day: float(on <= day),
        )

    assert line([planned(2), planned(5)], stock=1, lead=5).chance_of_running_out == 0.0
    assert line([planned(2), planned(4)], stock=1, lead=5).chance_of_running_out == 1.0


def test_the_part_that_is_needed_first_stands_first_whatever_its_number() -> None:
    """Both are to be ordered today; of them the one that comes later after it is needed is more urgent."""
    in_time = line([need(5)], stock=0, lead=5)
    later, too_late = line([need(9)], stock=0, lead=5), line([need(1)], stock=0, lead=5)
    enough = line([need(1)], stock=1, lead=5)
    assert sorted([enough, later, in_time, too_late], key=order_first) == [too_late, in_time, later, enough]


# ---------------------------------------------------------------- days without work

FIVE_DAYS = WorkingDays("12345")


@pytest.mark.parametrize(
    ("needed_in", "lead", "order_in"),
    [
        (8, 3, 4),  # Tuesday less three days is Saturday: ordered on Friday
        (7, 1, 4),  # Monday less one day is Sunday: ordered on Friday
        (10, 3, 7),  # Thursday less three days is Monday
        (13, 3, 8),  # needed on a Sunday: there by Friday, so ordered on Tuesday
    ],
)
def test_a_part_is_ordered_on_a_day_on_which_the_shop_works(needed_in: int, lead: int, order_in: int) -> None:
    found = line([need(needed_in)], stock=0, lead=lead, working=FIVE_DAYS, before=TODAY + timedelta(days=30))
    assert found.order_by == TODAY + timedelta(days=order_in)
    assert FIVE_DAYS.has(found.order_by)
    assert comes_on(found.order_by, lead, FIVE_DAYS) <= TODAY + timedelta(days=needed_in)


def test_a_part_that_is_due_on_a_sunday_comes_on_monday() -> None:
    """Ordered on Monday the 30th with six days it would come on Sunday; a day off moves it once more."""
    found = line([need(2)], stock=0, lead=6, working=FIVE_DAYS)
    assert (found.order_by, found.late_days) == (TODAY, 5)
    off = WorkingDays("12345", frozenset({"2026-12-07"}))
    assert comes_on(TODAY, 6, off) == TODAY + timedelta(days=8)


def test_on_a_sunday_a_part_that_is_late_is_ordered_on_monday() -> None:
    sunday = TODAY + timedelta(days=6)
    found = line(
        [need(2)], stock=0, lead=5, working=FIVE_DAYS, today=sunday, before=sunday + timedelta(days=7)
    )
    assert found.order_by == sunday + timedelta(days=1)
    assert found.to_order == 1
