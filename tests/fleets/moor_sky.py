"""
The weather over the moor, hour by hour, and what it does to ground and media. See `moor` for sources.

One weather for all sites: what differs by site follows from altitude alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.fleets.making import Span
from tests.fleets.rows import in_runs, smooth_noise
from tests.fleets.truth import HOUR_S, Bools, Floats, Ints

#: of the standard atmosphere (ISO 2533, 1975): pressure by altitude, and the fall of temperature
SEA_PA, PER_M, POWER, LAPSE_K_M = 101_325.0, 2.25577e-5, 5.25588, 0.0065
GAS_J_KG_K = 287.05  # of dry air
STATION_M = 320.0  # where the temperature is that of the weather

SEASON_C = (-2.0, 16.0)  # of the mean day, at the begin and end of all days made; chosen
SWING_C = (1.5, 6.0)  # half of the day's, in rain and in the sun; chosen
FRONT_C, FRONT_H = 3.5, 80.0  # air masses; chosen
SHOWERS = (
    (0.76, 0.18, 0.06),
    (60.0, 3.0, 26.0),
)  # shares and mean hours of dry, showers, lasting rain; chosen
#: one rain of a week in each record, and how much of its hours it rains; chosen
WEEK_DAYS, WEEK_RAINS = (5.0, 8.0), 0.8
WIND_M_S = 6.0  # mean on open ground; chosen
SOAKS, DRIES = 0.25, 0.13  # ground in an hour of rain, and of sun in dry air; chosen
LAID = 3.2  # exponent of the dust by the wetness of ground: 4 % left when it is soaked; chosen
SYNOPTIC_PA = 900.0  # of air pressure, standard deviation; common practice: 10 mbar in a week
DEW_AT = 0.93  # humidity from which the intake draws mist or dew; chosen


@dataclass(frozen=True, kw_only=True)
class Sky:
    """Shape (hours,) over the record and after."""

    start_s: float
    rain: Bools
    #: at `STATION_M`
    temperature_c: Floats
    #: 0 to 1
    humidity: Floats
    sun: Floats
    wind_m_s: Floats
    #: of the air beside its mean
    dust: Floats
    #: of air pressure, beside the standard atmosphere
    weather_pa: Floats

    @classmethod
    def over(cls, span: Span, chance: np.random.Generator) -> Sky:
        """From the end of winter to summer: frost, showers, a rain of a week, and dry wind."""
        n = span.all_days * 24
        hour = np.arange(n)
        light = np.clip(np.sin(np.pi * (hour % 24 - 5.5) / 14.0), 0.0, 1.0)
        rain = _rain(n, span.days, chance)
        season = SEASON_C[0] + (SEASON_C[1] - SEASON_C[0]) * np.sin(0.5 * np.pi * hour / n)
        swing = np.where(rain, SWING_C[0], SWING_C[1]) * np.cos(2 * np.pi * (hour % 24 - 15) / 24)
        dry = 0.66 - 0.26 * light + 0.24 * (light == 0) + 0.07 * smooth_noise(n, 9, chance)
        humidity = np.clip(np.where(rain, 0.95, dry), 0.3, 1.0)
        wind = WIND_M_S * np.exp(0.4 * smooth_noise(n, 18, chance)) * (0.75 + 0.5 * light)
        return cls(
            start_s=span.start_s,
            rain=rain,
            temperature_c=season + swing + FRONT_C * smooth_noise(n, FRONT_H, chance),
            humidity=humidity,
            sun=np.where(rain, 0.1, light),
            wind_m_s=wind,
            dust=_dust(rain, light, humidity, wind, chance),
            weather_pa=SYNOPTIC_PA * smooth_noise(n, 70, chance),
        )

    def hours(self, at_s: Floats) -> Ints:
        """The hour of each instant."""
        return np.clip(((at_s - self.start_s) // HOUR_S).astype(np.int64), 0, len(self.rain) - 1)

    def between(self, values: Floats, at_s: Floats) -> Floats:
        """Values by hour at instants, in straight lines between the hours."""
        return np.interp((at_s - self.start_s) / HOUR_S, np.arange(len(values)), values)


def standard_pa(altitude_m: Floats) -> Floats:
    """Air pressure by altitude [m], shape (n,); below 11 km. Source: ISO 2533 (1975)."""
    return np.asarray(SEA_PA * (1 - PER_M * altitude_m) ** POWER)


def _rain(n: int, days: int, chance: np.random.Generator) -> Bools:
    rain = (in_runs(*SHOWERS, n, chance) > 0) & (chance.random(n) < 0.85)
    begin = int(chance.uniform(0.2, 0.7) * days * 24)
    week = slice(begin, begin + int(chance.uniform(*WEEK_DAYS) * 24))
    rain[week] = chance.random(len(rain[week])) < WEEK_RAINS
    return np.asarray(rain)


def _dust(rain: Bools, light: Floats, humidity: Floats, wind: Floats, chance: np.random.Generator) -> Floats:
    """Rain lays it, sun and dry air free it, wind lifts it."""
    wetness, ground = np.zeros(len(rain)), 0.5
    for i, is_raining in enumerate(rain):
        dries = DRIES * light[i] * (1.2 - humidity[i]) + 0.006
        ground = min(1.0, ground + SOAKS) if is_raining else ground * (1 - dries)
        wetness[i] = ground
    gusty = np.clip(wind / WIND_M_S, 0.4, 2.5) ** 0.8
    return np.asarray(np.exp(-LAID * wetness) * gusty * np.exp(0.4 * smooth_noise(len(rain), 20, chance)))


@dataclass(frozen=True, kw_only=True)
class Damp:
    """Water in a housing, shape (hours,), each 0 to 1."""

    #: on the surface of the medium: gone within hours of work
    quick: Floats
    #: bound in fibres and dust: gone within days
    slow: Floats


def damp_of(sky: Sky, works: Floats) -> Damp:
    """
    Water that an intake draws and loses.

    works : share of each hour that the engine runs, shape (hours,). Air that flows wets and dries; a housing
    that stands takes up a little of the night's moisture and hardly dries.
    """
    quick, slow = np.zeros(len(works)), np.zeros(len(works))
    on, in_ = 0.0, 0.0
    is_misty = sky.humidity > DEW_AT
    for i, work in enumerate(works):
        air = 1 - sky.humidity[i]
        takes = work * (0.5 * sky.rain[i] + 0.2 * is_misty[i]) + 0.04 * is_misty[i]
        on += takes * (1 - on) - on * min(work * 2.2 * air + 0.03, 0.95)
        soaks = work * 0.06 * sky.rain[i] + 0.004 * is_misty[i] + 0.03 * on
        in_ += soaks * (1 - in_) - in_ * (work * 0.13 * air + 0.012 * air)
        quick[i], slow[i] = on, in_
    return Damp(quick=quick, slow=slow)
