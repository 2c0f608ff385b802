"""
The standard atmosphere, for air density and for asking whether an ambient pressure fits the altitude.

Valid below 11 km. Says nothing about weather: real pressure at a place swings by some 3 kPa.
"""

from __future__ import annotations

import numpy as np

from cleanside.ingest.restriction.measure.summary import STANDARD_K, STANDARD_PA, FloatArray

LAPSE_K_PER_M = 0.0065  # ISO 2533
PRESSURE_EXPONENT = 5.255876113278518  # g0 M / (R* L), ISO 2533
GAS_CONSTANT_J_PER_KG_K = 287.05287  # dry air, ISO 2533
STANDARD_KG_M3 = STANDARD_PA / (GAS_CONSTANT_J_PER_KG_K * STANDARD_K)


def standard_pressure_pa(altitude_m: FloatArray | float) -> FloatArray:
    """
    Pressure of the standard atmosphere.

    altitude_m : geopotential altitude, any shape, -500 to 11000. [m]
    Returns the same shape. [Pa]
    Source: ISO 2533 (the same as US Standard Atmosphere 1976 below 11 km).
    """
    kelvin = STANDARD_K - LAPSE_K_PER_M * np.asarray(altitude_m, dtype=np.float64)
    return np.asarray(STANDARD_PA * (kelvin / STANDARD_K) ** PRESSURE_EXPONENT)


def standard_temperature_k(altitude_m: FloatArray | float) -> FloatArray:
    """Temperature of the standard atmosphere at a geopotential altitude in m. [K] Source: ISO 2533."""
    return np.asarray(STANDARD_K - LAPSE_K_PER_M * np.asarray(altitude_m, dtype=np.float64))


def air_density_kg_m3(pressure_pa: FloatArray | float, temperature_k: FloatArray | float) -> FloatArray:
    """Density of dry air as an ideal gas, shapes broadcast. [kg/m³] Humidity (at most 2 %) is left out."""
    return np.asarray(
        np.asarray(pressure_pa, dtype=np.float64)
        / (GAS_CONSTANT_J_PER_KG_K * np.asarray(temperature_k, dtype=np.float64))
    )
