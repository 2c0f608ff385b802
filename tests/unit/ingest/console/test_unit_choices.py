"""The units from which a person chooses: each size once."""

from __future__ import annotations

import math

import pytest

from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.console.unit_choices import SAME_WITHIN, units_to_choose


def test_units_of_pressure_are_those_on_gauges_each_size_once() -> None:
    # Names on gauges: common practice. hPa and mbar are one size (SI), Torr and mmHg within 1e-6.
    assert list(units_to_choose("restriction").values()) == [
        *("Pa", "hPa, mbar", "kPa", "bar", "psi", "inH2O", "mmH2O", "cmH2O", "Torr, mmHg", "inHg"),
    ]


@pytest.mark.parametrize("quantity", QUANTITIES)
def test_no_two_choices_are_the_same_size(quantity: str) -> None:
    units = [QUANTITIES[quantity].units[unit] for unit in units_to_choose(quantity)]
    assert units
    for number, unit in enumerate(units):
        for other in units[:number]:
            is_one_size = math.isclose(unit.factor, other.factor, rel_tol=SAME_WITHIN)
            assert not (is_one_size and unit.offset == other.offset)
