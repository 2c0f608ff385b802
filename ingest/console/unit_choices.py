"""The units of a quantity from which a person chooses: each size once, under the names on gauges."""

from __future__ import annotations

import math

from cleanside.gateway.units import QUANTITIES, offered

#: codes for programs that no gauge has on it (UCUM; "count" of SenML); a person finds the unit by its name
CODES_OF_PROGRAMS = frozenset({"/min", "count"})
#: two units as near as this are one to whoever reads a gauge: a Torr and a millimetre of mercury
SAME_WITHIN = 1e-5


def units_to_choose(quantity: str) -> dict[str, str]:
    """Unit as it is sent -> its name, with that of another unit of the same size: "hPa, mbar"."""
    factors = QUANTITIES[quantity].units
    chosen: dict[str, str] = {}
    for unit in filter(_is_on_gauges, offered(quantity)):
        same = [
            one
            for one in chosen
            if math.isclose(factors[one].factor, factors[unit].factor, rel_tol=SAME_WITHIN)
            and factors[one].offset == factors[unit].offset
        ]
        if same:
            chosen[same[0]] += f", {unit}"
        else:
            chosen[unit] = unit
    return chosen


def _is_on_gauges(unit: str) -> bool:
    return "[" not in unit and unit not in CODES_OF_PROGRAMS  # brackets: a unit of UCUM that SI does not have
