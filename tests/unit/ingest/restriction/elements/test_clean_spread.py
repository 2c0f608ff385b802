"""How much clean elements of one machine differ, learned from lives."""

from __future__ import annotations

import numpy as np
import pytest

from cleanside.ingest.restriction import FleetKnowledge, Life, learn_fleet
from cleanside.ingest.restriction.elements.clean_spread import clean_spread_of
from cleanside.ingest.restriction.measure.tuning import TUNING

PRIOR = TUNING.element_spread


def lives(machines: int, elements: int, spread: float, *, seed: int = 4) -> list[Life]:
    """Machines a factor of two apart, whose clean elements differ by so much."""
    chance = np.random.default_rng(seed)
    return [
        Life(
            hours=np.arange(40.0),
            restriction_pa=np.full(40, 1500.0 * 2 ** (number / machines) * np.exp(spread * chance.normal())),
            terminal_pa=6200.0,
            complete=False,
            machine=f"m{number}",
        )
        for number in range(machines)
        for _ in range(elements)
    ]


@pytest.mark.parametrize("spread", [0.04, 0.1])
def test_many_elements_show_their_spread_whatever_the_machines_differ_by(spread: float) -> None:
    learned = clean_spread_of(lives(60, 4, spread))
    assert learned.lives == 60 * 3
    assert learned.spread == pytest.approx(spread, rel=0.15)
    assert learned.with_prior(TUNING) == pytest.approx(spread, abs=0.02)


def test_without_two_elements_of_a_machine_the_prior_is_the_answer() -> None:
    assert FleetKnowledge().clean_spread.with_prior(TUNING) == PRIOR
    assert learn_fleet(lives(12, 1, 0.04)).clean_spread.with_prior(TUNING) == pytest.approx(PRIOR)


def test_an_element_that_began_as_torn_moves_it_little_and_never_beyond_the_prior() -> None:
    sound = lives(10, 4, 0.06)
    torn = [*lives(10, 4, 0.06)[:-1], *lives(1, 1, 0.0)]
    assert clean_spread_of(torn).spread < 1.3 * clean_spread_of(sound).spread
    few = clean_spread_of(lives(1, 3, 0.6))
    assert few.spread > PRIOR
    assert few.with_prior(TUNING) == pytest.approx(PRIOR)


def test_as_many_lives_as_the_prior_counts_halve_the_difference_of_variances() -> None:
    learned = clean_spread_of(lives(2, 6, 0.05))
    assert learned.lives == TUNING.spread_lives
    assert learned.with_prior(TUNING) ** 2 == pytest.approx((PRIOR**2 + learned.spread**2) / 2)


def test_the_order_of_the_lives_does_not_matter() -> None:
    some = lives(8, 3, 0.1)
    assert clean_spread_of(some[::-1]) == clean_spread_of(some)
