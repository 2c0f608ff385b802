"""
The weather of the forest from the end of winter into summer, hour by hour. See `forest` for the sources.

One weather for all sites: what differs by site follows from its altitude alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.fleets.making import Span
from tests.fleets.rows import in_runs, smooth_noise
from tests.fleets.truth import HOUR_S, Bools, Floats, Ints

SEA_PA, PER_M, POWER, LAPSE_K_M = 101_325.0, 2.25577e-5, 5.25588, 0.0065  # ISO 2533 (1975)
GAS_J_KG_K = 287.05  # of dry air; ISO 2533
MEAN_C = 3.0  # the air at which the limit is meant, at sea level; chosen

SEASON_C = (-10.0, 17.0)  # of the mean day, on the first and the last of all days; chosen, a cold inland site
THAW_AT, THAW_OVER = 0.3, 0.11  # of all days: the middle of the rise, and its width; chosen
SWING_C, MASSES_C, MASSES_H = (1.5, 6.5), 4.0, 60.0  # of a day, under cloud and sun; air masses; chosen
SYNOPTIC_PA, SYNOPTIC_H = 1_100.0, 55.0  # standard deviation of the barometer: common practice; chosen
SPREAD_K = (0.5, 9.0)  # of the dew point below the day's mean, in rain and in dry weather; chosen
FALLS = ((0.82, 0.13, 0.05), (60.0, 4.0, 22.0))  # shares and mean hours of dry, showers, long falls; chosen
POLLEN_AT, POLLEN_OVER = 80.0, 9.0  # days: birch and pine in their turn; width; chosen
SNOW_BELOW_C, RIME_BELOW_C = 0.7, -0.5  # what falls is snow; fog leaves rime; chosen
FOG_AT = 0.965  # relative humidity from which drops are in the air; chosen


def standard_pa(altitude_m: Floats) -> Floats:
    """Pressure of the standard atmosphere by geopotential altitude; ISO 2533 (1975)."""
    return np.asarray(SEA_PA * (1 - PER_M * np.asarray(altitude_m)) ** POWER)


def viscosity(temperature_c: Floats) -> Floats:
    """Of air [Pa s] by Sutherland's law with the constants of ISO 2533 (1975)."""
    kelvin = 273.15 + np.asarray(temperature_c)
    return np.asarray(1.458e-6 * kelvin**1.5 / (kelvin + 110.4))


def vapour_pa(temperature_c: Floats) -> Floats:
    """Saturation over water by the Magnus formula of the WMO guide (WMO-No. 8), from memory."""
    return np.asarray(611.2 * np.exp(17.62 * temperature_c / (243.12 + temperature_c)))


@dataclass(frozen=True, kw_only=True)
class Sky:
    """Shape (hours,) over the record and after."""

    start_s: float
    temperature_c: Floats
    #: of the barometer beside the standard atmosphere [Pa]
    synoptic_pa: Floats
    #: relative humidity, 0 to 1
    humid: Floats
    #: of the sun, 0 to 1
    sun: Floats
    snows: Bools
    rains: Bools
    fog: Bools
    #: dust from open ground, 0 under snow and in mud, 1 on a dry day of early summer
    dusty: Floats
    pollen: Floats

    @classmethod
    def over(cls, span: Span, chance: np.random.Generator) -> Sky:
        """The end of a winter, a thaw, weeks of pollen, and a dry summer."""
        n = span.all_days * 24
        hour, day = np.arange(n) % 24, np.arange(n) / 24
        falls = in_runs(FALLS[0], list(FALLS[1]), n, chance) > 0
        cloud = np.clip(falls + 0.35 + 0.4 * smooth_noise(n, 18, chance), 0, 1)
        light = np.clip(np.sin(np.pi * (hour - 5.0) / 15.0), 0, 1)
        season = 1 / (1 + np.exp(-(day / span.all_days - THAW_AT) / THAW_OVER))
        mean_c = SEASON_C[0] + (SEASON_C[1] - SEASON_C[0]) * season
        masses_c = mean_c + MASSES_C * smooth_noise(n, MASSES_H, chance)
        swing = SWING_C[1] + (SWING_C[0] - SWING_C[1]) * cloud
        air_c = masses_c + swing * np.sin(2 * np.pi * (hour - 9.5) / 24)
        spread = SPREAD_K[1] + (SPREAD_K[0] - SPREAD_K[1]) * np.maximum(cloud, falls)
        spread = spread + 1.5 * smooth_noise(n, 30, chance)
        humid = np.clip(vapour_pa(masses_c - spread) / vapour_pa(air_c), 0.15, 1.0)
        snows = falls & (air_c < SNOW_BELOW_C)
        rains = falls & ~snows
        fog = (humid > FOG_AT) & ~falls & ((hour < 10) | (hour > 21))
        return cls(
            start_s=span.start_s,
            temperature_c=air_c,
            synoptic_pa=SYNOPTIC_PA * smooth_noise(n, SYNOPTIC_H, chance),
            humid=humid,
            sun=light * (1 - 0.85 * cloud),
            snows=snows,
            rains=rains,
            fog=fog,
            dusty=_dusty(air_c, rains, snows, humid, light),
            pollen=np.exp(-(((day - POLLEN_AT) / POLLEN_OVER) ** 2)) * light * ~falls,
        )

    def hours(self, at_s: Floats) -> Ints:
        """The hour of each instant."""
        return np.clip(((at_s - self.start_s) // HOUR_S).astype(np.int64), 0, len(self.humid) - 1)

    def along(self, values: Floats, at_s: Floats) -> Floats:
        """Values by hour, in straight lines between."""
        return np.interp((at_s - self.start_s) / HOUR_S, np.arange(len(values)), values)


def _dusty(air_c: Floats, rains: Bools, snows: Bools, humid: Floats, light: Floats) -> Floats:
    """Snow covers the ground until degree hours have melted it; mud then dries as hay does."""
    cover, water, dusty = 1.0, 0.5, np.zeros(len(air_c))
    for i, warm in enumerate(np.maximum(air_c, 0.0)):
        melts = min(cover, 0.0007 * warm)  # 60 warm days of one degree clear it; chosen
        cover = min(1.0, cover - melts + 0.01 * snows[i])
        water = min(1.0, water + 3.0 * melts + 0.2 * rains[i])
        water *= 1 - 0.07 * (1 - humid[i]) * (0.3 + light[i])
        dusty[i] = (1 - cover) ** 2 * np.exp(-3.0 * water)
    return dusty


def moisture_of(sky: Sky, at_s: Floats, running: Bools, interval_s: float) -> Floats:
    """
    Water in a medium as a share of what it can hold, shape (n,): it follows the humidity of the air.

    An hour and a half at work, eight hours when it stands (chosen); drops of fog and rain wet it fully.
    """
    hours = sky.hours(at_s)
    works = np.minimum(np.bincount(hours[running], minlength=len(sky.humid)) * interval_s / HOUR_S, 1.0)
    held, now = np.zeros(len(works)), 0.5
    wets = 0.06 * (sky.fog | sky.rains | sky.snows)
    for i, work in enumerate(works):
        share = 1 - np.exp(-work / 1.5 - (1 - work) / 8.0)
        now += share * (sky.humid[i] ** 2 - now) + wets[i] * work * (1 - now)
        held[i] = now
    return sky.along(held, at_s)
