"""A reading follows from its machine and number, is plausible, and says whose it is."""

from __future__ import annotations

import numpy as np

from cleanside.gateway.units import QUANTITIES
from cleanside.simulator.load_samples import MACHINE, NUMBER, UNITS, values_of

NUMBERS = np.arange(1, 5_001)


def test_a_reading_is_the_same_whenever_it_is_made() -> None:
    whole, part = values_of(3, NUMBERS), values_of(3, NUMBERS[700:710])
    assert all((whole[name][700:710] == part[name]).all() for name in UNITS)


def test_every_value_is_plausible_and_in_si() -> None:
    for name, column in values_of(1_999, NUMBERS).items():
        quantity = QUANTITIES[name]
        assert UNITS[name] == quantity.si_unit
        assert quantity.lowest <= column.min()
        assert column.max() <= quantity.highest


def test_a_reading_says_whose_it_is() -> None:
    values = values_of(42, NUMBERS)
    assert (values[NUMBER] == NUMBERS).all()
    assert set(values[MACHINE]) == {42.0}


def test_machines_and_numbers_are_unlike_each_other() -> None:
    one, other = values_of(1, NUMBERS)["restriction"], values_of(2, NUMBERS)["restriction"]
    assert (one == other).mean() < 0.05
    assert (one[1:] == one[:-1]).mean() < 0.05
    assert len(set(one)) > 60
