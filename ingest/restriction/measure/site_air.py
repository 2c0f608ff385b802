"""
The air of each hour, and the site where a machine works now.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from cleanside.ingest.restriction.measure.atmosphere import (
    air_density_kg_m3,
    standard_pressure_pa,
    standard_temperature_k,
)
from cleanside.ingest.restriction.measure.held import in_ratios
from cleanside.ingest.restriction.measure.ranks import middle
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, Summaries
from cleanside.ingest.restriction.measure.tuning import HELD

SITE_PA = 3_000.0  # weather at one place swings by that (common practice); a larger step is another site
NEWEST_HOURS = 12  # working hours whose median pressure is that of the site (chosen: a day or two)
SITE_HOURS = 500  # newest working hours at the site whose median density is the site's (chosen: an element)
NEARLY_EVERY = 0.9  # working hour (chosen: those without are few, and lie within what weather does)
ODD_PRESSURE_PA = 6_000.0  # off the standard atmosphere: a sensor's fault, not weather; it is not scaled by


class Site(NamedTuple):
    """Where a machine works now."""

    kg_m3: float  # median density over its newest hours there, held in steps
    hours: BoolArray  # working hours there, shape (n,)


def site_of(table: Summaries, working: BoolArray) -> Site:
    """The site of the newest working hours whose air is known; at least one such hour is needed."""
    pressure, rho = pressure_pa(table, by_boost=False), density_kg_m3(table, by_boost=False)
    dated = np.flatnonzero(working & ~np.isnan(rho))
    now_pa = _nearest_middle(pressure[dated[-NEWEST_HOURS:]])
    at_site = dated[np.abs(pressure[dated] - now_pa) <= SITE_PA]
    hours = np.zeros(len(table.hours), dtype=bool)
    hours[at_site] = True
    return Site(in_ratios(middle(rho[at_site[-SITE_HOURS:]]), HELD.air_ratio), hours)


def _nearest_middle(values: FloatArray) -> float:
    """
    The value nearest to the middle, the newest of those as near. values : in time order, at least one.

    Of hours half here and half there the middle itself is the pressure of no site.
    """
    newest_first = values[::-1]
    return float(newest_first[np.argmin(np.abs(newest_first - middle(values)))])


def pressure_pa(table: Summaries, *, by_boost: bool) -> FloatArray:
    """Ambient, of each hour, shape (n,); from the altitude where it is absent or odd; NaN: not known."""
    return table.once(f"pressure {by_boost}", lambda: _pressure_pa(table, by_boost=by_boost))


def _pressure_pa(table: Summaries, *, by_boost: bool) -> FloatArray:
    pressure, altitude_m = table.column("ambient_pressure_pa"), table.column("altitude_m")
    if np.isnan(altitude_m).all():
        return pressure
    standard_pa = standard_pressure_pa(altitude_m)
    odd = np.abs(pressure - standard_pa) > (np.inf if by_boost else ODD_PRESSURE_PA)
    return np.where(np.isnan(pressure) | odd, standard_pa, pressure)


def density_kg_m3(table: Summaries, *, by_boost: bool) -> FloatArray:
    """
    Of each hour, shape (n,); NaN where neither pressure nor altitude is known.

    by_boost : the flow was made from the same pressure, so that its error is in both and partly cancels.
    """
    return table.once(f"density {by_boost}", lambda: _density_kg_m3(table, by_boost=by_boost))


def _density_kg_m3(table: Summaries, *, by_boost: bool) -> FloatArray:
    kelvin = table.column("temperature_k")
    usual = standard_temperature_k(np.nan_to_num(table.column("altitude_m"), nan=0.0))
    return air_density_kg_m3(pressure_pa(table, by_boost=by_boost), np.where(np.isnan(kelvin), usual, kelvin))


def density_label(table: Summaries, working: BoolArray) -> str:
    """Corrected only if nearly every hour can be: a mixture would put steps into the series."""
    if np.mean(~np.isnan(table.column("ambient_pressure_pa")[working])) > NEARLY_EVERY:
        return "corrected"
    if np.mean(~np.isnan(density_kg_m3(table, by_boost=False)[working])) > NEARLY_EVERY:
        return "from altitude"
    return "not corrected"
