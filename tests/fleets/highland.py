"""
A mine in high mountains, 2,500 to 4,000 m: thin air, cold, snow, volcanic dust, elements of changing make.

Kept out of tuning. Its physics:
- air: density from the standard atmosphere (ISO 2533) at the height of the moment, corrected for temperature.
  Haul trucks climb and descend with every load;
- flow: the charger makes up for some of the thin air; volume flow is speed times what it adds (chosen);
- restriction of a whole housing is one power of volume flow, its exponent the machine's own. Density enters
  with that exponent less one (between Darcy's law, which has no density, and Bernoulli's);
- loading: the resistance rises with a power of the dust, its exponent by machine (field curves differ from
  vehicle to vehicle, Separations 2021, 8(6), 71, abstract; the form is chosen);
- elements come in batches: another make resists less or more when clean and holds another mass of dust;
- blown snow settles on an element within an hour and is gone some hours later; slush stays for two days
  (common practice in the cold, sizes chosen, no source).

The numbers at the top were chosen before anything was scored and are not changed by a score.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.fleets.making import Draft, Sense, Span
from tests.fleets.rows import in_runs, rows_of, smooth_noise, worked_of
from tests.fleets.truth import DAY_S, HOUR_S, Bools, Floats, Proxy, ReferenceFlow
from tests.fleets.upkeep import Element

#: more than half have speed alone or nothing
PROXIES = (
    *(Proxy.SPEED, Proxy.SPEED_AND_LOAD, Proxy.NOTHING, Proxy.BOOST, Proxy.SPEED, Proxy.NOTHING, Proxy.SPEED),
    *(Proxy.MASS_FLOW, Proxy.NOTHING, Proxy.SPEED_AND_LOAD, Proxy.SPEED, Proxy.NOTHING, Proxy.BOOST),
)
KINDS = (
    "haul-truck",
    "excavator",
    "haul-truck",
    "dozer",
    "drill-genset",
    "haul-truck",
    "water-truck",
    "excavator",
)
RATED_R_MIN = {
    "haul-truck": 1900.0,
    "excavator": 1800.0,
    "dozer": 1850.0,
    "drill-genset": 1800.0,
    "water-truck": 2100.0,
}
LIMITS = ((25.0, "inH2O", 6227.2), (7.5, "kPa", 7500.0), (6.2, "kPa", 6200.0), (20.0, "inH2O", 4981.8))
HEIGHT_M = (2500.0, 4000.0)
CLIMB_M = 280.0  # of a haul road, either way from the middle
EXPONENT = (1.15, 1.95)
CLEAN_SHARE = (0.18, 0.4)
HOUSING_SHARE = (0.35, 0.6)  # of the clean restriction that is there without any element
LIFE_H = (170.0, 540.0)
BEND = (1.3, 2.6)  # exponent of the loading law, by machine
ELEMENT_SPREAD, CLEAN_SPREAD = 0.15, 0.04
#: of the batches by date, thirds of the record: clean resistance and capacity beside the first
BATCHES = ((1.0, 1.0), (0.84, 0.75), (1.24, 1.15))
SNOW_EVERY_DAYS, SNOW = 6.0, (0.12, 0.5)  # share that is added while it lasts
SLUSH = 0.2  # of the snowfalls leave slush for two days, with a third of that
STORM_EVERY_DAYS, STORM = 14.0, 3.5
CHARGE = (1.7, 2.3)
EASE = (0.68, 1.0)
ROSTER_OFF = 0.3  # of the machines stand every third week
PAIRS, TWO_DEVICES, DEVICES_DIFFER = 0.2, 0.14, (0.02, 0.06)
COLD_PA = 1.6  # a degree below 10, of a gauge's zero


@dataclass(frozen=True, kw_only=True)
class _Sky:
    """Over the mine, a value an hour."""

    snow: Floats
    air_c: Floats
    shift_pa: Floats
    dust: Floats


@dataclass(frozen=True, kw_only=True)
class _Made:
    clean: float
    capacity: float


@dataclass(frozen=True, kw_only=True)
class _PowerLaw:
    """How the elements of one machine load; resistances at full flow in the density of the site."""

    housing_pa: float
    medium_pa: float
    rise_pa: float
    capacity: float
    bend: float
    exponent: float
    start_s: float
    third_s: float
    flow: Floats
    density: Floats
    snow: Floats

    def new_element(self, at_s: float, chance: np.random.Generator) -> _Made:
        batch = BATCHES[int(np.clip((at_s - self.start_s) // self.third_s, 0, len(BATCHES) - 1))]
        return _Made(
            clean=batch[0] * float(np.exp(chance.normal(0, CLEAN_SPREAD))),
            capacity=self.capacity * batch[1] * float(np.exp(chance.normal(0, ELEMENT_SPREAD))),
        )

    def _medium_pa(self, element: Element, dust: Floats) -> Floats:
        filled = np.minimum(dust / element.made.capacity, 3.0)
        loaded_pa = self.medium_pa * element.made.clean + self.rise_pa * filled**self.bend
        return np.asarray(element.resists * loaded_pa)

    def dry_pa(self, element: Element, dust: Floats) -> Floats:
        return self.housing_pa + self._medium_pa(element, dust)

    def full_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        return self.housing_pa + self._medium_pa(element, dust) * (1 + self.snow[rows])

    def met_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        thin = self.density[rows] ** (self.exponent - 1)
        return np.asarray(self.full_pa(element, dust, rows) * thin * self.flow[rows] ** self.exponent)


class Generator:
    """The pen."""

    name = "highland"

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._sky: dict[Span, _Sky] = {}

    def draft(self, number: int, of: int, span: Span, chance: np.random.Generator) -> Draft:
        """A machine: kind and proxy by number, the rest drawn."""
        del of
        sky = self._sky.setdefault(span, _sky_of(span, np.random.default_rng([self.seed, 37])))
        kind, proxy = KINDS[number % len(KINDS)], PROXIES[number % len(PROXIES)]
        at_s, running = rows_of(_days(kind, span, chance), span.interval_s, lead_s=240.0)
        hour = ((at_s - span.start_s) / HOUR_S).astype(np.int64)
        speed, load, climb = _drive(kind, running, span.interval_s, chance)
        site_m = chance.uniform(*HEIGHT_M)
        height_m = site_m + CLIMB_M * climb
        outside_pa = _standard_pa(height_m) + sky.shift_pa[hour]
        air_c = sky.air_c[hour] - 0.0065 * (height_m - 3000)
        density = outside_pa / (287.05 * (air_c + 273.15))
        most = chance.uniform(*CHARGE)
        charge = 1 + (most - 1) * load * speed
        flow = np.where(running, speed * charge / most, 0.0)
        value, unit, limit_pa = LIMITS[int(chance.integers(len(LIMITS)))]
        windy = np.exp(0.35 * smooth_noise(len(at_s), 60, chance))
        worked = worked_of(at_s, running, flow * sky.dust[hour] * windy, span.interval_s, span.end_s)
        clean_pa = limit_pa * chance.uniform(*CLEAN_SHARE)
        housing_pa = clean_pa * chance.uniform(*HOUSING_SHARE)
        physics = _PowerLaw(
            housing_pa=housing_pa,
            medium_pa=clean_pa - housing_pa,
            rise_pa=limit_pa - clean_pa,
            capacity=float(np.exp(chance.uniform(*np.log(LIFE_H)))) * worked.dust[-1] / worked.hours[-1],
            bend=chance.uniform(*BEND),
            exponent=chance.uniform(*EXPONENT),
            start_s=span.start_s,
            third_s=span.days * DAY_S / 3,
            flow=flow,
            density=density
            / (_standard_pa(np.array([site_m]))[0] / (287.05 * (278.15 - 0.0065 * (site_m - 3000)))),
            snow=sky.snow[hour],
        )
        rows = slice(0, worked.end)
        bus = _bus(kind, proxy, speed[rows], load[rows], running[rows], worked.hours[rows], chance)
        rated = ReferenceFlow(quantity="engine_speed", value=RATED_R_MIN[kind], unit="r/min")
        if proxy is Proxy.MASS_FLOW:
            rated_kg_h = chance.uniform(900, 2200)
            rated = ReferenceFlow(quantity="air_mass_flow", value=round(rated_kg_h), unit="kg/h")
            kg_h = flow[rows] * physics.density[rows] * rated_kg_h * (1 + 0.03 * chance.normal())
            kg_h *= 1 + 0.02 * chance.normal(size=worked.end)
            bus["air_mass_flow"] = (np.round(kg_h * 20) / 20, "kg/h")
        if proxy is Proxy.BOOST:
            kpa = (charge[rows] * 1.06 - 1) * outside_pa[rows] / 1000 + chance.normal(0, 1.2, worked.end)
            bus["boost_pressure"] = (np.where(running[rows], np.round(kpa / 2) * 2, 0.0), "kPa")
            bus["intake_temperature"] = (np.round(air_c[rows] + 8 + 25 * load[rows]), "Cel")
        if chance.random() < 0.4:
            bus["altitude"] = (np.round(height_m[rows] + chance.normal(0, 4, worked.end)), "m")
        is_pair = chance.random() < PAIRS
        if not is_pair and chance.random() < 0.5:
            bus["ambient_pressure"] = (np.round(outside_pa[rows] / 500) * 0.5, "kPa")
        gauges, unit_of = _gauges(outside_pa[rows], air_c[rows], is_pair, chance)
        return Draft(
            name=f"{kind}-{number + 1:02d}",
            kind=kind,
            proxy=proxy,
            is_constant_speed=kind == "drill-genset",
            limit_value=value,
            limit_unit=unit,
            limit_pa=limit_pa,
            worked=worked,
            physics=physics,
            gauges=gauges,
            bus={name: values for name, (values, _) in bus.items()},
            units={name: own for name, (_, own) in bus.items()} | unit_of,
            rated=None if proxy is Proxy.NOTHING else rated,
            has_pressure_pair=is_pair,
            notes={"clean_pa": clean_pa, "exponent": physics.exponent, "height_m": site_m},
        )


# ---------------------------------------------------------------- sky


def _standard_pa(height_m: Floats) -> Floats:
    """Pressure of the standard atmosphere below 11 km (ISO 2533)."""
    return np.asarray(101_325 * ((288.15 - 0.0065 * height_m) / 288.15) ** 5.255876)


def _sky_of(span: Span, chance: np.random.Generator) -> _Sky:
    n = span.all_days * 24 + 72
    hours = np.arange(n)
    snow = np.zeros(n)
    begin_h = 0.0
    while (begin_h := begin_h + float(chance.exponential(SNOW_EVERY_DAYS * 24))) < n:
        size, lasts_h = chance.uniform(*SNOW), chance.uniform(1.5, 7)
        snow[int(begin_h) : int(begin_h + lasts_h)] = size
        if chance.random() < SLUSH:
            until = int(begin_h + 48)
            snow[int(begin_h) : until] = np.maximum(snow[int(begin_h) : until], size / 3)
    melted = snow.copy()
    for i in range(1, n):
        melted[i] = max(snow[i], melted[i - 1] * 0.72)
    days = n // 24 + 1
    dust = chance.gamma(2.2, 1 / 2.2, size=days)
    dust[chance.random(days) < 1 / STORM_EVERY_DAYS] *= STORM
    dust[np.arange(days) % 7 == 6] *= 0.5
    is_white = np.pad(snow, (0, days * 24 - n)).reshape(days, 24).mean(axis=1) > 0.01
    dust[is_white] *= 0.2
    return _Sky(
        snow=melted,
        air_c=2 - 7 * np.cos(2 * np.pi * (hours - 18) / 24) + 4 * smooth_noise(n, 96, chance),
        shift_pa=280 * smooth_noise(n, 70, chance),
        dust=np.repeat(dust, 24)[:n],
    )


# ---------------------------------------------------------------- work


def _days(kind: str, span: Span, chance: np.random.Generator) -> list[tuple[float, float]]:
    """One long shift by daylight, which is 11 to 23 UTC; some machines stand every third week."""
    made: list[tuple[float, float]] = []
    stands = int(chance.integers(3)) if chance.random() < ROSTER_OFF else -1
    for day in range(span.all_days):
        if (day // 7) % 3 == stands or chance.random() < 0.05:
            continue
        at_s = span.start_s + day * DAY_S + (11.0 + chance.uniform(0.0, 0.8)) * HOUR_S
        for low_h, high_h in ((2.2, 3.4), (2.6, 3.6), (2.2, 3.6)):
            until_s = at_s + chance.uniform(low_h, high_h) * HOUR_S
            made.append((at_s, until_s))
            at_s = until_s + chance.uniform(18, 50) * 60
        if kind == "drill-genset":
            made.append((at_s, at_s + chance.uniform(1.0, 2.0) * HOUR_S))
    return made


def _drive(
    kind: str, running: Bools, interval_s: float, chance: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    """Speed and load as shares, and where on the haul road from -1 to 1, shape (n,)."""
    n, minutes, ease = len(running), interval_s / 60, chance.uniform(*EASE)
    climb = np.zeros(n)
    if kind == "drill-genset":
        speed = 1.0 + 0.002 * chance.normal(size=n)
        is_drilling = in_runs((0.4, 0.6), (14 / minutes, 25 / minutes), n, chance) == 1
        load = np.where(is_drilling, 0.72, 0.2) + 0.08 * chance.normal(size=n)
    elif kind in ("haul-truck", "water-truck"):
        period = chance.uniform(22, 38) / minutes
        phase = (np.arange(n) / period + 0.08 * np.cumsum(chance.normal(size=n)) / np.sqrt(period)) % 1.0
        climb = np.where(phase < 0.5, 4 * phase - 1, 3 - 4 * phase)
        is_up = phase < 0.5
        speed = np.where(is_up, 0.94, 0.7) + 0.05 * chance.normal(size=n)
        load = np.where(is_up, 0.92, 0.15) + 0.07 * chance.normal(size=n)
        is_waiting = chance.random(n) < 0.12
        speed, load = np.where(is_waiting, 0.36, speed), np.where(is_waiting, 0.06, load)
    else:
        speed = np.clip(0.84 + 0.1 * smooth_noise(n, 5 / minutes, chance), 0.35, 1.02)
        load = 0.6 + 0.22 * smooth_noise(n, 2 / minutes, chance)
        is_idle = in_runs((0.16, 0.84), (6 / minutes, 30 / minutes), n, chance) == 0
        speed, load = np.where(is_idle, 0.4, speed), np.where(is_idle, 0.08, load)
    load = np.clip(load * ease, 0.02, 1.0)
    return np.where(running, np.clip(speed, 0.3, 1.03), 0.0), np.where(running, load, 0.0), climb


# ---------------------------------------------------------------- what is sent


def _bus(
    kind: str,
    proxy: Proxy,
    speed: Floats,
    load: Floats,
    running: Bools,
    hours: Floats,
    chance: np.random.Generator,
) -> dict[str, tuple[Floats, str]]:
    n = len(speed)
    sent: dict[str, tuple[Floats, str]] = {}
    if proxy is not Proxy.NOTHING:
        r_min = speed * RATED_R_MIN[kind] + np.where(running, chance.normal(0, 5, n), 0.0)
        sent["engine_speed"] = (np.round(np.maximum(r_min, 0) * 8) / 8, "r/min")
    if proxy is Proxy.SPEED_AND_LOAD:
        sent["engine_load"] = (np.round(100 * np.clip(load + 0.02 * chance.normal(size=n), 0, 1)), "%")
    if chance.random() < 0.7:
        volts = np.where(running, 28.1, 24.6) + chance.normal(0, 0.12, n)
        sent["supply_voltage"] = (np.round(volts * 20) / 20, "V")
    if chance.random() < 0.45:
        sent["engine_hours"] = (np.round((hours + chance.uniform(2000, 20_000)) * 20) / 20, "h")
    return sent


def _gauges(
    outside_pa: Floats, air_c: Floats, is_pair: bool, chance: np.random.Generator
) -> tuple[tuple[Sense, ...], dict[str, str]]:
    cold_pa = COLD_PA * chance.choice([-1, 1]) * np.maximum(10 - air_c, 0)
    zero_pa = chance.normal(0, 18)
    if is_pair:

        def pair(shown_pa: Floats, chance: np.random.Generator) -> dict[str, Floats]:
            n = len(shown_pa)
            intake_pa = outside_pa - shown_pa - zero_pa + chance.normal(0, 10, n)
            return {
                "ambient_pressure": np.round(outside_pa + chance.normal(0, 10, n), -1) / 1000,
                "intake_pressure": np.round(intake_pa, -1) / 1000,
            }

        return (pair,), {"ambient_pressure": "kPa", "intake_pressure": "kPa"}
    step_pa = float(chance.choice([10.0, 50.0, 10.0]))
    unit, unit_pa = (("kPa", 1000.0), ("hPa", 100.0))[int(chance.random() < 0.3)]

    def gauge_of(gain: float, own_pa: float) -> Sense:
        def gauge(shown_pa: Floats, chance: np.random.Generator) -> dict[str, Floats]:
            pa = gain * shown_pa + own_pa + cold_pa + chance.normal(0, 9, len(shown_pa))
            pa = np.round(pa / step_pa) * step_pa
            return {"restriction": np.round((np.maximum(pa, 0) if step_pa == 50.0 else pa) / unit_pa, 4)}

        return gauge

    gauges = [gauge_of(1.0, zero_pa)]
    if chance.random() < TWO_DEVICES:
        gain = 1 + chance.choice([-1, 1]) * chance.uniform(*DEVICES_DIFFER)
        gauges.append(gauge_of(gain, float(chance.normal(0, 18))))
    return tuple(gauges), {"restriction": unit}
