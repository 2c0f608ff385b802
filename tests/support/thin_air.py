"""
One truck's intake at any altitude, from physics: what its gauge would show, and what eight sensor sets see.

Written apart from the analysis and sharing none of its formulas. The truth is the pressure drop at full speed
and full load in the site's air, its mean while the truck worked.

- Air: standard atmosphere, ISO 2533:1975 (geopotential altitude, lapse 6.5 K/km, hydrostatic equation), with
  weather around it; viscosity by Sutherland's formula with the constants of ISO 2533.
- Element: viscous term in the media and its cake, dynamic term in folds and ducts, the Darcy-Forchheimer
  equation: dp = a mu V + b rho V^2 with the volume flow V at the element (P. Forchheimer, Z. VDI 45, 1901).
- Engine: a four-stroke draws, at each turn, half its displacement of air of manifold density (J. B. Heywood,
  Internal Combustion Engine Fundamentals, 1988, section 2.10; from memory).
Sizes, duty and noise are chosen: a 12.8 litre truck engine, a sensor with steps of 0.05 kPa.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from cleanside.ingest.restriction import Readings

Floats = npt.NDArray[np.float64]

START_S = 1_772_431_200.0  # 2026-03-02 06:00 UTC
DAYS, SHIFT_H, STEP_S = 24, 8, 30.0
GRAVITY, AIR_J_PER_KG_K = 9.80665, 287.05287
DISPLACED_M3, FILLING = 0.0128, 0.92
IDLE_HZ, RATED_HZ = 10.0, 31.7  # 600 and 1900 r/min
BOOST_RATIO = 1.3  # gauge boost at full speed and load, of the ambient pressure
CLEAN_PA, LOADED_PA = 1_500.0, 3_000.0  # at full flow at sea level
VISCOUS_SHARE = 0.4  # of the clean drop at full flow at sea level
PROXIES = {
    "mass flow": ("air_mass_flow_kg_s", "engine_speed_rad_s"),
    "boost": ("boost_pressure_pa", "intake_temperature_k", "engine_speed_rad_s"),
    "speed": ("engine_speed_rad_s",),
    "nothing": (),
}


def iso_air(altitude_m: float) -> tuple[float, float]:
    """Pressure [Pa] and temperature [K] of the standard atmosphere: dp/p = -g dH / (R T)."""
    kelvin = 288.15 - 0.0065 * altitude_m
    return 101_325.0 * float((kelvin / 288.15) ** (GRAVITY / (AIR_J_PER_KG_K * 0.0065))), kelvin


def viscosity_pa_s(kelvin: Floats | float) -> Floats:
    """Sutherland: 1.458e-6 T^1.5 / (T + 110.4)."""
    return np.asarray(1.458e-6 * np.power(kelvin, 1.5) / (np.asarray(kelvin) + 110.4))


def drawn_kg_s(speed_hz: Floats, load: Floats, pressure_pa: Floats, kelvin: Floats) -> Floats:
    """Mass flow into the engine."""
    manifold_pa = pressure_pa + boost_pa(speed_hz, load, pressure_pa)
    density = manifold_pa / (AIR_J_PER_KG_K * manifold_k(load, kelvin))
    return FILLING * DISPLACED_M3 * speed_hz / 2.0 * density


def boost_pa(speed_hz: Floats, load: Floats, pressure_pa: Floats) -> Floats:
    """Gauge pressure behind the compressor."""
    return BOOST_RATIO * load * speed_hz / RATED_HZ * pressure_pa


def manifold_k(load: Floats, kelvin: Floats) -> Floats:
    """Behind the charge-air cooler."""
    return kelvin + 20.0 + 15.0 * load


def drop_pa(kg_s: Floats, pressure_pa: Floats, kelvin: Floats, loaded: Floats) -> Floats:
    """Pressure drop of the element in this air. loaded : 0 clean to 1; the cake adds to the viscous term."""
    sea_pa, sea_k = iso_air(0.0)
    one = np.ones(1)
    sea_density = sea_pa / (AIR_J_PER_KG_K * sea_k)
    full_m3_s = float(drawn_kg_s(one * RATED_HZ, one, one * sea_pa, one * sea_k)[0]) / sea_density
    b = (1.0 - VISCOUS_SHARE) * CLEAN_PA / (sea_density * full_m3_s**2)
    a_clean = VISCOUS_SHARE * CLEAN_PA / (float(viscosity_pa_s(sea_k)) * full_m3_s)
    a_cake = (LOADED_PA - CLEAN_PA) / (float(viscosity_pa_s(sea_k)) * full_m3_s)
    density = pressure_pa / (AIR_J_PER_KG_K * kelvin)
    volume = kg_s / density
    return (a_clean + loaded * a_cake) * viscosity_pa_s(kelvin) * volume + b * density * volume**2


@dataclass(frozen=True)
class Truck:
    """Some weeks of work at one altitude: all that could be sensed, and the truth at the end."""

    columns: dict[str, Floats]
    #: drop at full speed and load in the site's air, with the element as it is at the end [Pa]
    true_pa: float
    full_kg_s: float
    site_kg_m3: float

    def readings(self, proxy: str, *, ambient: bool) -> Readings:
        """What a set of sensors sees: a key of PROXIES, with or without ambient pressure and temperature."""
        more = ("ambient_pressure_pa", "air_temperature_k") if ambient else ()
        names = ("at_s", "restriction_pa", "supply_voltage_v", *PROXIES[proxy], *more)
        return Readings(**{name: self.columns[name] for name in names})


def joined(first: Truck, then: Truck, proxy: str) -> Readings:
    """What one set of sensors with ambient pressure sees of a truck that moved."""
    parts = [truck.readings(proxy, ambient=True) for truck in (first, then)]
    names = [f.name for f in fields(Readings) if getattr(parts[0], f.name) is not None]
    return Readings(**{n: np.concatenate([getattr(part, n) for part in parts]) for n in names})


def drive(altitude_m: float, *, seed: int = 5, begin: float = 0.0, until: float = 1.0) -> Truck:
    """
    Work at one altitude; the engine stands for the first two minutes of each shift.

    begin, until : the part that is driven there, as shares of DAYS days in which the element loads.
    """
    random = np.random.default_rng(seed)
    a_shift = int(SHIFT_H * 3600 / STEP_S)
    at_s = np.concatenate([START_S + 86_400.0 * d + STEP_S * np.arange(a_shift) for d in range(DAYS)])
    n = len(at_s)
    dwell = int(240 / STEP_S)
    speed: Floats = np.repeat(
        random.choice([IDLE_HZ, 22.0, 27.0, RATED_HZ], n // dwell, p=[0.2, 0.2, 0.25, 0.35]), dwell
    )
    load: Floats = np.repeat(random.choice([0.3, 0.6, 0.85, 1.0], n // dwell, p=[0.1, 0.2, 0.3, 0.4]), dwell)
    load = np.where(speed <= IDLE_HZ, 0.05, load)
    stands = np.tile(np.arange(a_shift) < 4, DAYS)
    speed, load = np.where(stands, 0.0, speed), np.where(stands, 0.0, load)
    mean_pa, mean_k = iso_air(altitude_m)
    driven = slice(round(begin * DAYS) * a_shift, round(until * DAYS) * a_shift)
    at_s, speed, load, stands = at_s[driven], speed[driven], load[driven], stands[driven]
    n = len(at_s)
    day = (at_s - START_S) / 86_400.0
    pressure = mean_pa + 700.0 * np.sin(day * 2 * np.pi / 5.3)
    kelvin = mean_k + 5.0 * np.sin(day * 2 * np.pi) + 3.0 * np.sin(day * 2 * np.pi / 6.7)
    flow = drawn_kg_s(speed, load, pressure, kelvin)
    loaded = (day / DAYS) ** 2
    drop = drop_pa(flow, pressure, kelvin, loaded)
    sensed = drop + 40.0 + random.normal(0.0, 25.0, n)
    one = np.ones(1)
    air = one * pressure[~stands].mean(), one * kelvin[~stands].mean()
    full = drawn_kg_s(one * RATED_HZ, one, *air)
    return Truck(
        columns={
            "at_s": at_s,
            "restriction_pa": np.round(sensed / 50.0) * 50.0,
            "supply_voltage_v": np.where(stands, 25.2, 27.8),
            "engine_speed_rad_s": speed * 2 * np.pi,
            "air_mass_flow_kg_s": flow * (1.0 + random.normal(0.0, 0.005, n)),
            "boost_pressure_pa": np.round(boost_pa(speed, load, pressure) / 2_000.0) * 2_000.0,
            "intake_temperature_k": np.round(manifold_k(load, kelvin)),
            "ambient_pressure_pa": np.round(pressure / 500.0) * 500.0,
            "air_temperature_k": np.round(kelvin),
        },
        true_pa=float(drop_pa(full, *air, loaded[-1:])[0]),
        full_kg_s=float(full[0]),
        site_kg_m3=float(air[0][0] / (AIR_J_PER_KG_K * air[1][0])),
    )
