"""
Cane fields and a port at the mouth of a river: sea level, damp and salty air, chaff, work by night.

Kept out of tuning. Its physics:
- flow: speed times a share that rises with load (engine maps; shape chosen); gensets run at one speed;
- ducts and pre-cleaner resist with a power of flow a little below 2, the medium in proportion (Darcy);
- loading in two stages, slow while particles deposit in the depth of the fibres, then straight and steep once
  a cake has formed (D. Thomas et al., Clogging of fibrous filters by solid aerosol particles, Chem. Eng. Sci.
  56, 2001, from memory);
- salt takes up water from 75 % relative humidity on (deliquescence of sodium chloride, textbook value), and a
  damp cake resists more (A. Joubert et al., Influence of humidity on clogging of flat and pleated HEPA
  filters, Aerosol Sci. Technol. 44, 2010; A. Gupta et al., ibid. 19, 1993; both from memory, sizes chosen).
  It stays damp for days;
- chaff: a mat of fibres may cover a part of the element within minutes (common practice in cane, no source);
- a pre-cleaner whose outlet is blocked lets several times the dust through for days (common practice).

The numbers at the top were chosen before anything was scored and are not changed by a score.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from tests.fleets.making import Draft, Sense, Span
from tests.fleets.rows import rows_of, smooth_noise, worked_of
from tests.fleets.truth import DAY_S, HOUR_S, Bools, Floats, Proxy, ReferenceFlow
from tests.fleets.upkeep import Element

PROXIES = (
    *(Proxy.NOTHING, Proxy.SPEED_AND_LOAD, Proxy.SPEED, Proxy.BOOST, Proxy.NOTHING, Proxy.SPEED),
    *(Proxy.SPEED_AND_LOAD, Proxy.MASS_FLOW, Proxy.SPEED, Proxy.NOTHING, Proxy.SPEED_AND_LOAD),
    *(Proxy.NOTHING, Proxy.BOOST, Proxy.SPEED, Proxy.MASS_FLOW, Proxy.NOTHING, Proxy.SPEED),
)
KINDS = (
    *(
        "cane-harvester",
        "reach-stacker",
        "cane-tractor",
        "night-genset",
        "terminal-tractor",
        "cane-harvester",
    ),
    *("reach-stacker", "reefer-genset", "cane-tractor", "terminal-tractor"),
)
GENSETS = ("night-genset", "reefer-genset")
RATED_R_MIN = {
    "cane-harvester": 2100.0,
    "cane-tractor": 2150.0,
    "reach-stacker": 1850.0,
    "terminal-tractor": 2200.0,
    "night-genset": 1500.0,
    "reefer-genset": 1800.0,
}
LIMITS = ((6.0, "kPa", 6000.0), (24.0, "inH2O", 5978.1), (65.0, "mbar", 6500.0), (5.5, "kPa", 5500.0))
CLEAN_SHARE, DUCT_SHARE = (0.22, 0.42), (0.35, 0.65)
DUCT_POWER = 1.85
LIFE_H = (160.0, 520.0)
ELEMENT_SPREAD, CLEAN_SPREAD = 0.18, 0.05
#: rise per dust before and after the cake; where it begins, as a share of capacity; how soft the turn is
BEFORE_CAKE, AFTER_CAKE, CAKE_FROM, TURN = 0.3, 1.7, (0.4, 0.62), 0.07
UNLOADED = (0.40, 0.62)  # flow at rated speed without load, as a share of full flow
SWELLS = (0.12, 0.3)  # of the rise, when the cake is as damp as it gets
DAMP_FROM, DAMP_FULL = 0.77, 0.93  # relative humidity of the last days
DAMPENS_H, DRIES_H = 22.0, 40.0
SALT_FROM, SALT_FACTOR = 0.75, 1.5  # relative humidity; how much more a gram of salty dust then counts
CHAFF_EVERY_H, CHAFF = 90.0, (0.02, 0.07)  # operating hours of a field machine; share of the capacity at once
BLOCKED_EVERY_DAYS, BLOCKED_DAYS, BLOCKED_FACTOR = 45.0, (2.0, 6.0), 2.6
EASE = (0.62, 1.0)  # of the load, by machine
PAIRS, TWO_DEVICES, DEVICES_DIFFER = 0.2, 0.14, (0.03, 0.06)
DRIFT_PA = 22.0  # of a gauge's zero over a day's temperature


@dataclass(frozen=True, kw_only=True)
class _Air:
    """Of the estuary, a value an hour."""

    humidity: Floats
    damp: Floats
    air_c: Floats
    pressure_pa: Floats
    dust: Floats


@dataclass(frozen=True, kw_only=True)
class _Made:
    fibres_pa: float
    capacity: float
    cake_from: float
    swells: float


@dataclass(frozen=True, kw_only=True)
class _DepthThenCake:
    """How the elements of one machine load."""

    duct_pa: float
    fibres_pa: float
    rise_pa: float
    capacity: float
    flow: Floats
    damp: Floats

    def new_element(self, at_s: float, chance: np.random.Generator) -> _Made:
        del at_s  # elements do not change with time here
        return _Made(
            fibres_pa=self.fibres_pa * float(np.exp(chance.normal(0, CLEAN_SPREAD))),
            capacity=self.capacity * float(np.exp(chance.normal(0, ELEMENT_SPREAD))),
            cake_from=float(chance.uniform(*CAKE_FROM)),
            swells=float(chance.uniform(*SWELLS)),
        )

    def _rise(self, made: _Made, dust: Floats) -> Floats:
        """The rise as a share of that at capacity."""

        def raw(filled: Any) -> Any:
            cake = TURN * np.logaddexp(0.0, (filled - made.cake_from) / TURN)
            return BEFORE_CAKE * filled + AFTER_CAKE * cake

        return np.asarray((raw(dust / made.capacity) - raw(0.0)) / (raw(1.0) - raw(0.0)))

    def _medium_pa(self, element: Element, dust: Floats, damp: Any) -> Floats:
        made: _Made = element.made
        rise_pa = self.rise_pa * self._rise(made, dust)
        wet_pa = made.swells * damp * (0.25 * made.fibres_pa + rise_pa)
        return np.asarray(element.resists * (made.fibres_pa + rise_pa + wet_pa))

    def dry_pa(self, element: Element, dust: Floats) -> Floats:
        return self.duct_pa + self._medium_pa(element, dust, 0.0)

    def full_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        return self.duct_pa + self._medium_pa(element, dust, self.damp[rows])

    def met_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        flow = self.flow[rows]
        return np.asarray(
            self.duct_pa * flow**DUCT_POWER + self._medium_pa(element, dust, self.damp[rows]) * flow
        )


class Generator:
    """The pen."""

    name = "estuary"

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._air: dict[Span, _Air] = {}

    def draft(self, number: int, of: int, span: Span, chance: np.random.Generator) -> Draft:
        """A machine: kind and proxy by number, the rest drawn."""
        del of
        air = self._air.setdefault(span, _air_of(span, np.random.default_rng([self.seed, 23])))
        kind, proxy = KINDS[number % len(KINDS)], PROXIES[number % len(PROXIES)]
        has_rest = kind not in GENSETS or chance.random() < 0.5
        at_s, running = rows_of(_spans(kind, span, chance), span.interval_s, lead_s=60.0 if has_rest else 0.0)
        if not has_rest:  # the monitor is fed by the set itself
            at_s, running = at_s[running], running[running]
        hour = ((at_s - span.start_s) / HOUR_S).astype(np.int64)
        speed, load = _work(kind, at_s, running, span.interval_s, chance)
        unloaded = chance.uniform(*UNLOADED)
        flow = np.where(running, speed * (unloaded + (1 - unloaded) * load**0.85), 0.0)
        value, unit, limit_pa = LIMITS[int(chance.integers(len(LIMITS)))]
        life_h = float(np.exp(chance.uniform(*np.log(LIFE_H))))
        dust_per_h = _dust(kind, at_s, running, flow, hour, air, life_h, span, chance)
        worked = worked_of(at_s, running, dust_per_h, span.interval_s, span.end_s)
        clean_pa = limit_pa * chance.uniform(*CLEAN_SHARE)
        duct_pa = clean_pa * chance.uniform(*DUCT_SHARE)
        physics = _DepthThenCake(
            duct_pa=duct_pa,
            fibres_pa=clean_pa - duct_pa,
            rise_pa=limit_pa - clean_pa,
            capacity=life_h * worked.dust[-1] / worked.hours[-1],
            flow=flow,
            damp=air.damp[hour],
        )
        rows = slice(0, worked.end)
        rated = ReferenceFlow(quantity="engine_speed", value=RATED_R_MIN[kind], unit="r/min")
        rated_kg_s = chance.uniform(0.18, 0.5)
        if proxy is Proxy.MASS_FLOW:
            rated = ReferenceFlow(quantity="air_mass_flow", value=round(rated_kg_s, 3), unit="kg/s")
        bus = _bus(
            kind, proxy, speed[rows], load[rows], flow[rows], running[rows], worked.hours[rows], chance
        )
        if proxy is Proxy.MASS_FLOW:
            kg_s = flow[rows] * rated_kg_s * (1 + 0.04 * chance.normal())
            bus["air_mass_flow"] = (np.round(kg_s * (1 + 0.03 * chance.normal(size=worked.end)), 4), "kg/s")
        outside = air.air_c[hour[rows]], air.pressure_pa[hour[rows]]
        if proxy is Proxy.BOOST or chance.random() < 0.4:
            bus["intake_temperature"] = (np.round(outside[0] + 6 + 5 * load[rows]), "Cel")
        is_pair = chance.random() < PAIRS
        gauges, unit_of = _gauges(*outside, is_pair, chance)
        return Draft(
            name=f"{kind}-{number + 1:02d}",
            kind=kind,
            proxy=proxy,
            is_constant_speed=kind in GENSETS,
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
            has_rest=has_rest,
            notes={"clean_pa": clean_pa, "highest_flow": float(flow.max())},
        )


# ---------------------------------------------------------------- air


def _air_of(span: Span, chance: np.random.Generator) -> _Air:
    n = span.all_days * 24 + 72
    hours = np.arange(n)
    spell = smooth_noise(n, 84, chance)  # sea wind and land wind take turns of some days
    daily = np.cos(
        2 * np.pi * (hours - 9) / 24
    )  # dampest before dawn; the sites lie some hours west of Greenwich
    humidity = np.clip(0.77 + 0.09 * spell + 0.08 * daily + 0.02 * chance.normal(size=n), 0.35, 1.0)
    wanted = np.clip((humidity - DAMP_FROM) / (DAMP_FULL - DAMP_FROM), 0.0, 1.0)
    damp = np.zeros(n)
    for i in range(1, n):
        lag_h = DAMPENS_H if wanted[i] > damp[i - 1] else DRIES_H
        damp[i] = damp[i - 1] + (wanted[i] - damp[i - 1]) / lag_h
    days = chance.weibull(1.3, size=n // 24 + 1)  # a day's dust; a shape for skew data, chosen
    return _Air(
        humidity=humidity,
        damp=damp / max(float(np.quantile(damp, 0.97)), 0.2),
        air_c=26 - 4.5 * daily - 1.5 * spell + 0.4 * chance.normal(size=n),
        pressure_pa=101_100 + 350 * smooth_noise(n, 50, chance),
        dust=np.repeat(0.25 + 0.75 * days, 24)[:n],
    )


def _dust(
    kind: str,
    at_s: Floats,
    running: Bools,
    flow: Floats,
    hour: Any,
    air: _Air,
    life_h: float,
    span: Span,
    chance: np.random.Generator,
) -> Floats:
    """Dust that the housing takes in at each row, an hour of work at full flow and mean dust being 1."""
    is_field = kind.startswith("cane")
    salt = np.where(air.humidity[hour] > SALT_FROM, SALT_FACTOR, 1.0) if not is_field else 1.0
    dust = flow * air.dust[hour] * salt * np.exp(0.5 * smooth_noise(len(at_s), 45, chance))
    begin_s = float(at_s[0])
    while (begin_s := begin_s + chance.exponential(BLOCKED_EVERY_DAYS) * DAY_S) < at_s[-1]:
        until_s = begin_s + chance.uniform(*BLOCKED_DAYS) * DAY_S
        dust[slice(*np.searchsorted(at_s, (begin_s, until_s)))] *= BLOCKED_FACTOR
        begin_s = until_s
    if is_field:
        per_row = span.interval_s / HOUR_S
        is_mat = (chance.random(len(at_s)) < per_row / CHAFF_EVERY_H) & running
        mats = chance.uniform(*CHAFF, len(at_s)) * life_h * float(dust[running].mean()) / per_row
        dust = dust + np.where(is_mat, mats, 0.0)
    return np.asarray(dust)


# ---------------------------------------------------------------- work


def _spans(kind: str, span: Span, chance: np.random.Generator) -> list[tuple[float, float]]:
    """When the engine runs: field crews day and night, ships, and sets by night or all day."""
    made: list[tuple[float, float]] = []
    end_s = span.start_s + span.all_days * DAY_S
    at_s = span.start_s + chance.uniform(0, 12) * HOUR_S
    if kind.startswith("cane"):
        while at_s < end_s:  # a crew's work, then fuel and blades
            until_s = at_s + chance.uniform(3.2, 6.0) * HOUR_S
            made.append((at_s, until_s))
            rest_h = chance.uniform(0.5, 1.0) if chance.random() < 0.55 else chance.uniform(4, 9)
            at_s = until_s + (chance.uniform(18, 40) if chance.random() < 0.03 else rest_h) * HOUR_S
    elif kind == "night-genset":
        for day in range(span.all_days):
            start_s = span.start_s + (day * 24 + 22.0 + chance.uniform(-0.4, 0.4)) * HOUR_S
            made.append((start_s, start_s + chance.uniform(10.5, 12.0) * HOUR_S))
    elif kind == "reefer-genset":
        while at_s < end_s:  # runs on for days, stopped for an oil check
            until_s = at_s + chance.uniform(12, 30) * HOUR_S
            made.append((at_s, until_s))
            at_s = until_s + chance.choice([0.5, 7.0, 26.0], p=[0.4, 0.4, 0.2]) * HOUR_S
    else:
        while at_s < end_s:  # a ship at the quay is worked on until it leaves
            leaves_s = at_s + chance.uniform(16, 50) * HOUR_S
            while at_s < leaves_s:
                until_s = at_s + chance.uniform(2.5, 5.0) * HOUR_S
                made.append((at_s, until_s))
                at_s = until_s + chance.uniform(0.4, 1.6) * HOUR_S
            at_s += chance.uniform(5, 44) * HOUR_S
    return made


def _work(
    kind: str, at_s: Floats, running: Bools, interval_s: float, chance: np.random.Generator
) -> tuple[Floats, Floats]:
    """Speed and load as shares, shape (n,). Load is the crop's or the consumers', whatever the speed."""
    n, ease = len(at_s), chance.uniform(*EASE)
    minutes = interval_s / 60
    if kind in GENSETS:
        steps = np.repeat(chance.normal(size=n), 1 + int(35 / minutes))[:n]
        daily = np.cos(2 * np.pi * (at_s % DAY_S - 1 * HOUR_S) / DAY_S)
        load = 0.55 + 0.12 * daily + 0.13 * steps
        speed = 1.0 + 0.0015 * chance.normal(size=n)
    elif kind == "cane-harvester":
        is_turning = smooth_noise(n, 4 / minutes, chance) > 1.0
        load = np.where(is_turning, 0.3, 0.78) + 0.16 * smooth_noise(n, 7 / minutes, chance)
        speed = np.where(smooth_noise(n, 20 / minutes, chance) > 1.5, 0.42, 0.97) + 0.01 * chance.normal(
            size=n
        )
    else:
        lift = smooth_noise(n, 1.5 / minutes if kind != "cane-tractor" else 6 / minutes, chance)
        load = 0.45 + 0.3 * lift
        speed = np.clip(0.66 + 0.22 * smooth_noise(n, 2 / minutes, chance), 0.36, 1.02)
        is_waiting = smooth_noise(n, 9 / minutes, chance) > 0.7
        load, speed = np.where(is_waiting, 0.08, load), np.where(is_waiting, 0.37, speed)
    load = np.clip(load * ease, 0.02, 1.0)
    return np.where(running, speed, 0.0), np.where(running, load, 0.0)


# ---------------------------------------------------------------- what is sent


def _bus(
    kind: str,
    proxy: Proxy,
    speed: Floats,
    load: Floats,
    flow: Floats,
    running: Bools,
    hours: Floats,
    chance: np.random.Generator,
) -> dict[str, tuple[Floats, str]]:
    n = len(speed)
    sent: dict[str, tuple[Floats, str]] = {}
    if proxy is not Proxy.NOTHING:
        r_min = speed * RATED_R_MIN[kind] + np.where(running, chance.normal(0, 6, n), 0.0)
        sent["engine_speed"] = (np.rint(np.maximum(r_min, 0.0)), "r/min")
    if proxy is Proxy.SPEED_AND_LOAD:
        shown = np.clip(load + 0.03 * chance.normal(size=n), 0, 1)
        sent["engine_load"] = (np.round(shown * 100) * running, "%")
    if proxy is Proxy.BOOST:
        top_kpa = chance.uniform(90, 170)
        kpa = top_kpa * (flow / np.maximum(speed, 0.3)) ** 1.3 - 12 + chance.normal(0, 2, n)
        sent["boost_pressure"] = (np.where(running, np.round(np.maximum(kpa, 0)), 0.0), "kPa")
    if chance.random() < 0.7:
        battery_v = 12.5 if kind == "terminal-tractor" else 25.0
        volts = battery_v + 2.8 * running.astype(np.float64) * battery_v / 25
        sent["supply_voltage"] = (np.round(volts + chance.normal(0, 0.15, n), 1), "V")
    if chance.random() < 0.45:
        sent["engine_hours"] = (np.round((hours + chance.uniform(900, 14_000)) * 20) / 20, "h")
    return sent


def _gauges(
    air_c: Floats, pressure_pa: Floats, is_pair: bool, chance: np.random.Generator
) -> tuple[tuple[Sense, ...], dict[str, str]]:
    drift_pa = DRIFT_PA * chance.choice([-1, 1]) * (air_c - 26) / 5
    zero_pa = chance.normal(0, 25)
    if is_pair:

        def pair(shown_pa: Floats, chance: np.random.Generator) -> dict[str, Floats]:
            n = len(shown_pa)
            intake_pa = pressure_pa - shown_pa - zero_pa - drift_pa + chance.normal(0, 15, n)
            ambient_pa = pressure_pa + chance.normal(0, 15, n)
            return {
                "ambient_pressure": np.round(ambient_pa / 100, 1),
                "intake_pressure": np.round(intake_pa / 100, 1),
            }

        return (pair,), {"ambient_pressure": "hPa", "intake_pressure": "hPa"}
    step_pa, unit, unit_pa = (
        (50.0, "kPa", 1000.0),
        (10.0, "mbar", 100.0),
        (12.4544, "inH2O", 249.08891),
    )[int(chance.choice(3, p=[0.3, 0.4, 0.3]))]

    def gauge_of(gain: float, own_pa: float) -> Sense:
        def gauge(shown_pa: Floats, chance: np.random.Generator) -> dict[str, Floats]:
            noise_pa = chance.normal(0, 1, len(shown_pa)) * np.hypot(16.0, 0.006 * shown_pa)
            pa = np.round((gain * shown_pa + own_pa + drift_pa + noise_pa) / step_pa) * step_pa
            pa = np.maximum(pa, 0.0) if step_pa == 50.0 else pa  # J1939 has no sign
            return {"restriction": np.round(pa / unit_pa, 4)}

        return gauge

    gauges = [gauge_of(1.0, zero_pa)]
    if chance.random() < TWO_DEVICES:
        gain = 1 + chance.choice([-1, 1]) * chance.uniform(*DEVICES_DIFFER)
        gauges.append(gauge_of(gain, float(chance.normal(0, 25))))
    return tuple(gauges), {"restriction": unit}
