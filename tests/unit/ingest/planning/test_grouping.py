"""Days for jobs that share trips: one solved by hand, one from the literature, and what cannot be."""

from __future__ import annotations

import numpy as np
import pytest

from cleanside.ingest.planning.grouping import JobDays, NoChoice, PartLimit, Shared, cheapest_days, total_cost

INF = np.inf


def jobs_of(
    cost: list[list[float]], trip: list[float], *, capacity_h: float = 8.0, limits: tuple[PartLimit, ...] = ()
) -> JobDays:
    """Jobs of an hour at one site. trip : price of each day."""
    every = tuple(range(len(cost)))
    price = np.array(trip)
    return JobDays(
        cost=np.array(cost),
        hours=np.ones(len(cost)),
        capacity_h=np.full(len(trip), capacity_h),
        shared=[Shared(members=every, price=price, hours=np.zeros(len(trip)))],
        limits=limits,
    )


def test_two_changes_share_a_trip_where_it_saves_more_than_it_gives_away() -> None:
    """
    By hand: the second may be changed on day 2 for nothing, or with the first on day 0 for 30 of its element.

    A trip is 40: two trips are 80, one and the 30 are 70. Where a trip is 20, two trips are 40 and one is 50.
    """
    cost = [[0.0, INF, INF, INF], [30.0, 15.0, 0.0, INF]]
    dear, cheap = jobs_of(cost, [40.0] * 3), jobs_of(cost, [20.0] * 3)
    assert (cheapest_days(dear).day.tolist(), cheapest_days(dear).cost) == ([0, 0], 70.0)
    assert (cheapest_days(cheap).day.tolist(), cheapest_days(cheap).cost) == ([0, 2], 40.0)


def test_a_trip_that_a_service_pays_draws_a_change_to_its_day() -> None:
    cost = [[30.0, 15.0, 0.0, INF]]
    assert cheapest_days(jobs_of(cost, [40.0, 0.0, 40.0])).day.tolist() == [1]


def test_too_few_hours_send_one_change_to_another_day() -> None:
    cost = [[5.0, 0.0, INF], [3.0, 0.0, INF]]
    found = cheapest_days(jobs_of(cost, [0.0, 0.0], capacity_h=1.0))
    assert (found.day.tolist(), found.cost) == ([1, 0], 3.0)


def test_a_part_that_comes_later_sends_one_change_to_a_later_day() -> None:
    cost = [[0.0, 2.0, 9.0], [0.0, 7.0, 9.0]]
    limits = (PartLimit(members=(0, 1), before=1, pieces=1),)
    found = cheapest_days(jobs_of(cost, [0.0, 0.0], limits=limits))
    assert (found.day.tolist(), found.cost) == ([1, 0], 2.0)


def test_what_cannot_be_is_proven() -> None:
    cost = [[0.0, INF], [0.0, INF]]
    with pytest.raises(NoChoice) as none:
        cheapest_days(jobs_of(cost, [0.0], capacity_h=1.0))
    assert none.value.is_proven


def test_nothing_to_plan_costs_nothing() -> None:
    none = JobDays(cost=np.zeros((0, 4)), hours=np.zeros(0), capacity_h=np.ones(3))
    assert cheapest_days(none).cost == 0.0


def test_the_published_example_of_lot_sizing_costs_864() -> None:
    """
    The twelve months of Wagner and Whitin, Dynamic version of the economic lot size model, Management Science
    5, 1958, table 1: setup costs and demands as many textbooks repeat them, holding cost 1.

    A month's demand is a job, a setup is the trip, and what is made a month early is stored a month. The
    optimum from the algorithm of the paper, written here in five lines, is the published 864.
    """
    setup = [85, 102, 102, 101, 98, 114, 105, 86, 119, 110, 98, 114]
    demand = [69, 29, 36, 61, 61, 26, 34, 67, 45, 67, 79, 56]
    months = range(len(setup))
    cost = [[demand[m] * (m - on) if on <= m else INF for on in months] + [INF] for m in months]
    jobs = jobs_of(cost, [float(price) for price in setup], capacity_h=1e9)
    found = cheapest_days(jobs, gap=0.0)
    assert found.cost == pytest.approx(864.0)
    assert found.cost == pytest.approx(wagner_whitin(setup, demand))
    assert sorted(set(found.day.tolist())) == [0, 2, 4, 7, 9, 10]


def wagner_whitin(setup: list[int], demand: list[int]) -> float:
    """Least cost by forward recursion: the last setup of the first n months is in month `on`."""
    least = [0.0]
    for n in range(1, len(setup) + 1):
        held = [sum(demand[m] * (m - on) for m in range(on, n)) for on in range(n)]
        least.append(min(least[on] + setup[on] + held[on] for on in range(n)))
    return least[-1]


def test_the_same_jobs_have_the_same_days_every_time() -> None:
    """Many choices cost the same; which one it is must not depend on chance or time."""
    cost = np.random.default_rng(4).integers(0, 9, size=(30, 13)).astype(float).tolist()
    jobs = jobs_of(cost, [12.0] * 12)
    first = cheapest_days(jobs)
    assert all(cheapest_days(jobs).day.tolist() == first.day.tolist() for _ in range(3))
    assert first.cost == pytest.approx(total_cost(jobs, first.day))
