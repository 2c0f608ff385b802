"""How fast elements load at a site, against hours that are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cleanside.ingest.restriction.elements.site_wear import UsedElement, wear_by_site


def element(
    site: str = "pit", machine: str = "m1", hours: float = 100.0, begin: float = 0.0, end: float = 1.0
) -> UsedElement:
    return UsedElement(site=site, machine=machine, hours=hours, begin=begin, end=end)


def test_a_whole_life_and_parts_of_one_give_the_same_hours() -> None:
    """A life of 400 h that rises with the square of time, whole and cut into quarters."""
    whole = [element(hours=400.0), element(hours=400.0)]
    shares = (np.arange(5) / 4) ** 2
    cut = [element("road", "m2", 100.0, shares[i], shares[i + 1]) for i in range(4)] * 2
    found = {one.site: one for one in wear_by_site([*whole, *cut])}
    assert found["pit"].hours_an_element == pytest.approx(400.0)
    assert found["road"].hours_an_element == pytest.approx(400.0)
    assert found["road"].elements_used == pytest.approx(2.0)


def test_the_dustier_site_stands_first_and_one_without_a_figure_last() -> None:
    clean = [element("road", f"r{n}", 500.0) for n in range(3)]
    dusty = [element("pit", f"p{n}", 200.0) for n in range(3)]
    young = [element("shore", "s1", 80.0, 0.0, 0.05)]
    found = wear_by_site([*clean, *young, *dusty])
    assert [one.site for one in found] == ["pit", "road", "shore"]
    assert (found[2].hours_an_element, found[2].low) == (None, None)
    assert found[0].low is None, "three machines are too few for an interval"


def test_a_level_that_fell_uses_nothing() -> None:
    [found] = wear_by_site([element(hours=50.0, begin=0.4, end=0.2)])
    assert found.elements_used == 0.0
    assert found.hours_an_element is None


def test_the_interval_holds_what_it_says() -> None:
    """Machines of one site with lives spread by a third: of 200 draws the 90 % interval holds 83 to 96 %."""
    chance, held = np.random.default_rng(7), 0
    for _ in range(200):
        lengths = 300.0 * np.exp(chance.normal(0, 0.33, 8) - 0.33**2 / 2)
        # Each works 600 h: its rate is one over its length, and the site's figure their harmonic mean.
        seen = [
            element(machine=f"m{n}", hours=600.0, begin=0.0, end=(600.0 / length) ** 2)
            for n, length in enumerate(lengths)
        ]
        [found] = wear_by_site(seen)
        true_h = 300.0 * np.exp(-(0.33**2))  # 1 / E(1 / length), by the lognormal's moments
        assert found.low is not None
        assert found.high is not None
        held += found.low <= true_h <= found.high
    assert 166 <= held <= 192


def test_a_site_says_its_share_of_use_and_of_hours_and_how_many_went_in_new() -> None:
    """Half of the hours and a quarter of the use: 4 lives of 500 h beside 12 of 166.7 h."""
    clean = [element("road", f"r{n}", 500.0) for n in range(4)]
    dusty = [replace(element("pit", f"p{n}", 500.0 / 3), from_new=n < 5) for n in range(12)]
    pit, road = wear_by_site([*clean, *dusty])
    assert (pit.site, road.site) == ("pit", "road")
    assert (pit.used_share, road.used_share) == pytest.approx((0.75, 0.25))
    assert (pit.hours_share, road.hours_share) == pytest.approx((0.5, 0.5))
    assert (pit.new_elements, road.new_elements) == (5, 0)
