"""
A quarry and road crew on a plateau at 900 to 1,300 m: two shifts, dry dust, showers and a few days of rain.

This fleet may be used for tuning. Its physics:
- flow: a turbocharged engine takes in speed x manifold density, which follows load and speed (common
  practice);
- ducts and housing resist with the square of flow, the medium almost in proportion (Darcy-Forchheimer);
- dust cake on pleats: restriction rises with the dust taken in, first in proportion (Darcy; specific cake
  resistance, as in the handbooks on fabric filters), then faster as the cakes of neighbouring pleats meet
  (A. Rebai et al., model of clogging of pleated filters, Chem. Eng. Res. Des. 2010, from memory);
- dust of a day: log-normal and remembered from day to day (common practice in exposure data, no source);
- water swells cake and medium for hours, in rain that lasts for days (size from memory of shops, no source).

The numbers at the top were chosen before anything was scored and are not changed by a score.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, NamedTuple

import numpy as np

from tests.fleets.making import Draft, Sense, Span
from tests.fleets.rows import in_runs, rows_of, smooth_noise, worked_of
from tests.fleets.truth import DAY_S, HOUR_S, Bools, Floats, Proxy, ReferenceFlow
from tests.fleets.upkeep import Element, Worked

#: half of the machines have speed alone or nothing
PROXIES = (
    *(
        Proxy.SPEED,
        Proxy.NOTHING,
        Proxy.SPEED_AND_LOAD,
        Proxy.MASS_FLOW,
        Proxy.SPEED,
        Proxy.NOTHING,
        Proxy.BOOST,
    ),
    *(
        Proxy.SPEED_AND_LOAD,
        Proxy.NOTHING,
        Proxy.SPEED,
        Proxy.MASS_FLOW,
        Proxy.NOTHING,
        Proxy.BOOST,
        Proxy.SPEED,
    ),
)
LIMITS = ((25.0, "inH2O", 6227.2), (6.2, "kPa", 6200.0), (50.0, "mbar", 5000.0), (30.0, "inH2O", 7472.7))
CLEAN_SHARE = (
    0.2,
    0.38,
)  # of the limit; 15 of 25 inH2O is the most that one engine maker allows for a new one
DUCT_SHARE = (0.3, 0.6)  # of the clean restriction
LIFE_H = (190.0, 560.0)  # at the mean dust; short beside a road fleet's 500 h: enough lives
ELEMENT_SPREAD = 0.12  # of the capacity of elements, standard deviation of the logarithm
CLEAN_SPREAD = 0.03  # of the resistance of new media
LINEAR_SHARE, BEND = 0.4, 2.2  # of the rise at capacity; how sharply pleats close
CLOSED = 1.15  # of the capacity: from here on the rise is straight, as the open area changes no more
MEDIUM_POWER = 1.1
DUST_SPREAD, DUST_MEMORY = 0.55, 0.6  # of the logarithm of a day's dust; from one day to the next
SHOWER_EVERY_DAYS = 9.0
LASTING_RAIN = 0.35  # of the showers are rain that lasts for days
SWELLS = (0.06, 0.22)
PRESSURE_RATIO = (1.9, 2.6)  # manifold over ambient at rated speed and full load
EASE = (0.7, 1.02)  # of the load, by machine: some never meet full flow, so their indicators latch late
LIGHT_EVERY_DAYS, LIGHT_DAYS, LIGHT = 45.0, (3.0, 8.0), 0.45  # weeks of light work
PAIRS = 0.22  # of the machines have a pair of absolute gauges instead of one that shows the difference
DEVICES_DIFFER = (0.02, 0.05)  # two monitors on one housing


class _Mode(NamedTuple):
    """What an engine does for a while: share of time, mean minutes; speed and load with deviations."""

    share: float
    minutes: float
    speed: tuple[float, float]
    load: tuple[float, float]


#: load is drawn by itself, not from speed
MODES: Mapping[str, tuple[_Mode, ...]] = {
    "grader": (
        _Mode(0.14, 5, (0.36, 0.01), (0.10, 0.04)),
        _Mode(0.56, 12, (0.74, 0.08), (0.55, 0.2)),
        _Mode(0.30, 6, (0.90, 0.06), (0.80, 0.15)),
    ),
    "loader": (
        _Mode(0.18, 4, (0.35, 0.01), (0.10, 0.04)),
        _Mode(0.52, 3, (0.72, 0.12), (0.5, 0.25)),
        _Mode(0.30, 2, (0.96, 0.04), (0.85, 0.14)),
    ),
    "hauler": (
        _Mode(0.20, 5, (0.34, 0.01), (0.08, 0.03)),
        _Mode(0.40, 7, (0.80, 0.10), (0.35, 0.2)),
        _Mode(0.40, 8, (0.93, 0.05), (0.90, 0.1)),
    ),
    "crusher-genset": (
        _Mode(0.10, 10, (1.0, 0.002), (0.12, 0.03)),
        _Mode(0.70, 25, (1.0, 0.002), (0.55, 0.13)),
        _Mode(0.20, 8, (1.0, 0.002), (0.85, 0.1)),
    ),
}
KINDS = ("hauler", "loader", "grader", "hauler", "loader", "crusher-genset", "hauler", "grader", "loader")
RATED_R_MIN = {"grader": 2100.0, "loader": 2000.0, "hauler": 1900.0, "crusher-genset": 1500.0}


@dataclass(frozen=True, kw_only=True)
class _Weather:
    """Of the plateau, shape (hours,) and (days,)."""

    #: what moisture adds to the medium's resistance, as a share
    swells: Floats
    dust: Floats
    air_c: Floats
    pressure_pa: Floats


@dataclass(frozen=True, kw_only=True)
class _Made:
    """An element: resistance of the new medium [Pa], capacity in dust."""

    medium_pa: float
    capacity: float


@dataclass(frozen=True, kw_only=True)
class _Cake:
    """How the elements of one machine load."""

    duct_pa: float
    medium_pa: float
    rise_pa: float
    capacity: float
    flow: Floats
    swells: Floats

    def new_element(self, at_s: float, chance: np.random.Generator) -> _Made:
        del at_s  # elements do not change with time here
        return _Made(
            medium_pa=self.medium_pa * np.exp(chance.normal(0, CLEAN_SPREAD)),
            capacity=self.capacity * np.exp(chance.normal(0, ELEMENT_SPREAD)),
        )

    def _medium_pa(self, element: Element, dust: Floats) -> Floats:
        filled = dust / element.made.capacity
        beyond = np.maximum(filled - CLOSED, 0.0) * BEND * np.exp(BEND * CLOSED)
        closing = (np.expm1(BEND * np.minimum(filled, CLOSED)) + beyond) / np.expm1(BEND)
        rise_pa = self.rise_pa * (LINEAR_SHARE * filled + (1 - LINEAR_SHARE) * closing)
        return np.asarray(element.resists * (element.made.medium_pa + rise_pa))

    def dry_pa(self, element: Element, dust: Floats) -> Floats:
        return self.duct_pa + self._medium_pa(element, dust)

    def full_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        return self.duct_pa + self._medium_pa(element, dust) * (1 + self.swells[rows])

    def met_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        flow = self.flow[rows]
        medium_pa = self._medium_pa(element, dust) * (1 + self.swells[rows])
        return np.asarray(self.duct_pa * flow**2 + medium_pa * flow**MEDIUM_POWER)


class Generator:
    """The pen."""

    name = "plateau"

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._weather: dict[Span, _Weather] = {}

    def draft(self, number: int, of: int, span: Span, chance: np.random.Generator) -> Draft:
        """A machine: kind and proxy by number, the rest drawn."""
        del of
        weather = self._weather.setdefault(span, _weather_of(span, np.random.default_rng([self.seed, 11])))
        kind, proxy = KINDS[number % len(KINDS)], PROXIES[number % len(PROXIES)]
        at_s, running = rows_of(_shifts(span, kind, chance), span.interval_s, lead_s=180.0)
        speed, load = _engine(kind, running, span.interval_s, chance)
        load *= np.minimum(chance.uniform(*EASE) * _light_work(at_s, chance), 1 / np.maximum(load, 0.5))
        ratio = chance.uniform(*PRESSURE_RATIO)
        charge = 1 + (ratio - 1) * load * speed**0.8
        flow = np.where(running, speed * charge / ratio, 0.0)
        hour = ((at_s - span.start_s) / HOUR_S).astype(np.int64)
        dust_per_h = flow * weather.dust[hour // 24] * np.exp(0.3 * smooth_noise(len(at_s), 90, chance))
        worked = worked_of(at_s, running, dust_per_h, span.interval_s, span.end_s)
        value, unit, limit_pa = LIMITS[int(chance.integers(len(LIMITS)))]
        physics = _physics(worked, flow, weather.swells[hour], limit_pa, chance)
        end = worked.end
        rows = _Rows(running[:end], speed[:end], load[:end], charge[:end], flow[:end], worked.hours[:end])
        is_pair = chance.random() < PAIRS
        rated = ReferenceFlow(quantity="engine_speed", value=RATED_R_MIN[kind], unit="r/min")
        rated_kg_h = chance.uniform(700, 1500)
        if proxy is Proxy.MASS_FLOW:
            rated = ReferenceFlow(quantity="air_mass_flow", value=round(rated_kg_h), unit="kg/h")
        bus, units = _bus(proxy, kind, rows, rated_kg_h, weather, hour[:end], chance)
        gauges, more = _gauges(weather.pressure_pa[hour[:end]], is_pair, chance)
        return Draft(
            name=f"{kind}-{number + 1:02d}",
            kind=kind,
            proxy=proxy,
            is_constant_speed=kind == "crusher-genset",
            limit_value=value,
            limit_unit=unit,
            limit_pa=limit_pa,
            worked=worked,
            physics=physics,
            gauges=gauges,
            bus=bus,
            units=units | more,
            rated=None if proxy is Proxy.NOTHING else rated,
            has_pressure_pair=is_pair,
            notes={"clean_pa": physics.duct_pa + physics.medium_pa, "highest_flow": float(flow.max())},
        )


class _Rows(NamedTuple):
    """What the engine did at each row of the record."""

    running: Bools
    speed: Floats
    load: Floats
    charge: Floats
    flow: Floats
    hours: Floats


def _weather_of(span: Span, chance: np.random.Generator) -> _Weather:
    days = span.all_days
    wet = np.zeros(days * 24 + 48)
    begin_h = 0.0
    while (begin_h := begin_h + chance.exponential(SHOWER_EVERY_DAYS * 24)) < days * 24:
        lasts_h = chance.uniform(24, 72) if chance.random() < LASTING_RAIN else chance.uniform(2, 9)
        wet[int(begin_h) : int(begin_h + lasts_h)] = chance.uniform(*SWELLS)
        begin_h += lasts_h
    swells = np.zeros_like(wet)
    for i in range(1, len(wet)):
        swells[i] = swells[i - 1] + (wet[i] - swells[i - 1]) * (0.5 if wet[i] > swells[i - 1] else 0.18)
    steps = chance.normal(0, DUST_SPREAD * np.sqrt(1 - DUST_MEMORY**2), days + 2)
    logs = np.zeros(days + 2)
    for i in range(1, days + 2):
        logs[i] = DUST_MEMORY * logs[i - 1] + steps[i]
    is_wet = wet[: (days + 2) * 24].reshape(-1, 24).mean(axis=1) > 0.02
    dust = np.exp(logs - DUST_SPREAD**2 / 2) * np.where(is_wet, 0.25, 1.0)
    hours = np.arange(len(wet))
    air_c = 14 + 6 * np.sin(2 * np.pi * (hours - 9) / 24) + 3 * smooth_noise(len(wet), 72, chance)
    pressure_pa = 89_000 + 500 * smooth_noise(len(wet), 60, chance)
    return _Weather(swells=swells, dust=dust, air_c=air_c, pressure_pa=pressure_pa)


def _shifts(span: Span, kind: str, chance: np.random.Generator) -> list[tuple[float, float]]:
    """Two shifts with a break in each on weekdays, one on Saturdays; a machine stands idle on some days."""
    made: list[tuple[float, float]] = []
    begins = (5.0, 14.2) if kind != "grader" else (5.5,)
    for day in range(span.all_days):
        midnight_s = span.start_s + day * DAY_S
        weekday = day % 7
        if weekday == 6 or chance.random() < 0.07:
            continue
        for begin_h in begins[: 1 if weekday == 5 else 2]:
            start_s = midnight_s + (begin_h + chance.uniform(0.0, 0.5)) * HOUR_S
            pause_s = start_s + chance.uniform(3.4, 4.2) * HOUR_S
            back_s = pause_s + chance.uniform(25, 45) * 60
            made += [(start_s, pause_s), (back_s, back_s + chance.uniform(2.8, 3.5) * HOUR_S)]
    return made


def _engine(
    kind: str, running: Bools, interval_s: float, chance: np.random.Generator
) -> tuple[Floats, Floats]:
    """Speed and load as shares, shape (n,)."""
    modes, n = MODES[kind], len(running)
    state = in_runs([m.share for m in modes], [m.minutes * 60 / interval_s for m in modes], n, chance)
    means = np.array([[*m.speed, *m.load] for m in modes])[state]
    speed = means[:, 0] + means[:, 1] * chance.normal(size=n)
    load = means[:, 2] + means[:, 3] * smooth_noise(n, 3, chance)
    return np.where(running, np.clip(speed, 0.3, 1.03), 0.0), np.where(running, np.clip(load, 0.03, 1.0), 0.0)


def _light_work(at_s: Floats, chance: np.random.Generator) -> Floats:
    """A factor on the load, shape (n,): now and then a machine has easy work for days."""
    factor, begin_s = np.ones(len(at_s)), float(at_s[0])
    while (begin_s := begin_s + chance.exponential(LIGHT_EVERY_DAYS) * DAY_S) < at_s[-1]:
        until_s = begin_s + chance.uniform(*LIGHT_DAYS) * DAY_S
        factor[slice(*np.searchsorted(at_s, (begin_s, until_s)))] = LIGHT
        begin_s = until_s
    return factor


def _physics(
    worked: Worked, flow: Floats, swells: Floats, limit_pa: float, chance: np.random.Generator
) -> _Cake:
    clean_pa = limit_pa * chance.uniform(*CLEAN_SHARE)
    duct_pa = clean_pa * chance.uniform(*DUCT_SHARE)
    dust_per_h = worked.dust[-1] / worked.hours[-1]
    life_h = np.exp(chance.uniform(*np.log(LIFE_H)))
    return _Cake(
        duct_pa=duct_pa,
        medium_pa=clean_pa - duct_pa,
        rise_pa=limit_pa - clean_pa,
        capacity=life_h * dust_per_h,
        flow=flow,
        swells=swells,
    )


def _bus(
    proxy: Proxy,
    kind: str,
    rows: _Rows,
    rated_kg_h: float,
    weather: _Weather,
    hour: Any,
    chance: np.random.Generator,
) -> tuple[dict[str, Floats], dict[str, str]]:
    """What the machine sends beside restriction, rounded as it comes (J1939 where it is known)."""
    n = len(rows.running)
    sent: dict[str, tuple[Floats, str]] = {}
    if proxy is not Proxy.NOTHING:
        speed = rows.speed * RATED_R_MIN[kind] + np.where(rows.running, chance.normal(0, 4, n), 0)
        sent["engine_speed"] = (np.round(speed * 8) / 8, "r/min")
    if proxy is Proxy.SPEED_AND_LOAD:
        sent["engine_load"] = (np.round(rows.load * 100), "%")
    if proxy is Proxy.BOOST:
        boost_kpa = (rows.charge - 1) * 0.92 * weather.pressure_pa[hour] / 1e3 + chance.normal(0, 1.5, n)
        sent["boost_pressure"] = (np.where(rows.running, np.round(boost_kpa / 2) * 2, 0.0), "kPa")
        sent["intake_temperature"] = (np.round(weather.air_c[hour] + 12 * rows.running), "Cel")
    if proxy is Proxy.MASS_FLOW:
        scale = rated_kg_h * np.exp(chance.normal(0, 0.03))
        flow = rows.flow * scale * (1 + 0.025 * chance.normal(size=n))
        sent["air_mass_flow"] = (np.round(flow * 20) / 20, "kg/h")
    if chance.random() < 0.75:
        volts = np.where(rows.running, 27.8, 25.0) + chance.normal(0, 0.1, n)
        sent["supply_voltage"] = (np.round(volts, 2), "V")
    if chance.random() < 0.45:
        sent["air_temperature"] = (np.round(weather.air_c[hour] + chance.normal(0, 0.4, n), 1), "Cel")
    if chance.random() < 0.5:
        sent["engine_hours"] = (np.round((rows.hours + chance.uniform(500, 9000)) * 20) / 20, "h")
    return {name: pair[0] for name, pair in sent.items()}, {name: pair[1] for name, pair in sent.items()}


def _gauges(
    pressure_pa: Floats, is_pair: bool, chance: np.random.Generator
) -> tuple[tuple[Sense, ...], dict[str, str]]:
    """One gauge, on one machine in seven a second that differs a little; or a pair of absolute ones."""
    step_pa = 50.0 if chance.random() < 0.25 else 10.0
    if is_pair:
        zero_pa = chance.normal(0, 20)

        def pair(shown_pa: Floats, chance: np.random.Generator) -> dict[str, Floats]:
            n = len(shown_pa)
            ambient_pa = pressure_pa + chance.normal(0, 8, n)
            intake_pa = pressure_pa - shown_pa - zero_pa + chance.normal(0, 12, n)
            return {
                "ambient_pressure": np.round(ambient_pa / 10) / 100,
                "intake_pressure": np.round(intake_pa / 10) / 100,
            }

        return (pair,), {"ambient_pressure": "kPa", "intake_pressure": "kPa"}
    differs = chance.choice([-1, 1]) * chance.uniform(*DEVICES_DIFFER)
    gains = (1.0, 1.0 + differs) if chance.random() < 0.15 else (1.0,)
    gauges = tuple(_gauge(gain, float(chance.normal(0, 15)), step_pa) for gain in gains)
    return gauges, {"restriction": "kPa"}


def _gauge(gain: float, zero_pa: float, step_pa: float) -> Sense:
    def gauge(shown_pa: Floats, chance: np.random.Generator) -> dict[str, Floats]:
        noisy_pa = gain * shown_pa + zero_pa + chance.normal(0, 10, len(shown_pa)) * (1 + shown_pa / 4000)
        if step_pa == 50.0:  # J1939 has no sign: a value below zero is sent as zero
            noisy_pa = np.maximum(noisy_pa, 0.0)
        return {"restriction": np.round(noisy_pa / step_pa) * step_pa / 1000}

    return gauge
