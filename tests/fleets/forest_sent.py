"""
What the monitors of the forest send: how gauges err, and what follows air flow. See `forest` for the sources.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.fleets.forest_sky import Sky
from tests.fleets.forest_work import Engine
from tests.fleets.making import Sense
from tests.fleets.rows import smooth_noise
from tests.fleets.truth import DAY_S, HOUR_S, Bools, Floats, Proxy, ReferenceFlow
from tests.fleets.upkeep import Worked

SENT_IN, SENT_SHARES = (
    (("kPa", 1_000.0), ("Pa", 1.0), ("mbar", 100.0), ("inH2O", 249.08891)),
    (*(0.55, 0.15, 0.15, 0.15),),
)
GAIN = 0.015  # standard deviation; 1 to 3 % of span is common practice
PULSES, PULSE_NOISE, RESONANCE = (0.0, 0.08), (0.01, 0.03), 0.12  # chosen
WATER, WATER_PA, WATER_H = 0.3, (80.0, 400.0), (0.5, 5.0)  # of the machines; in a tube; how long; chosen
WATER_AT, WATER_CHANCE = 0.9, 0.12  # humidity at a start from which it may come, and how often; chosen
AGAIN_ROWS = 10  # a gauge that sends by change sends at least as often
CRANKS_V = (18.0, 24.0)  # of 24 V nominal, where a reading falls into cranking; common practice
MOST_ZERO_PA = 150.0  # of warmth and supply together: a sensor within its papers; chosen


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """A kind of gauge; pressures in Pa."""

    name: str
    step_pa: float
    noise_pa: float
    #: standard deviations of the zero by the warmth of the bay [Pa/K], its bend [Pa/K2], by supply [Pa/V]
    per_k: float
    per_k2: float = 0.0
    per_v: float = 0.0
    lag_s: float = 0.0
    #: width of the play of a diaphragm
    play_pa: float = 0.0
    #: sends when it has moved by as much; 0: with every reading
    by_change_pa: float = 0.0
    is_floored: bool = False
    is_pair: bool = False


SENSORS = (
    Sensor(name="fine", step_pa=1.0, noise_pa=8.0, per_k=0.2),
    Sensor(name="bus", step_pa=50.0, noise_pa=12.0, per_k=0.4, is_floored=True),
    Sensor(name="diaphragm", step_pa=10.0, noise_pa=6.0, per_k=0.5, play_pa=40.0),
    Sensor(name="pair", step_pa=10.0, noise_pa=15.0, per_k=0.4, is_pair=True),
    Sensor(name="snubbed", step_pa=5.0, noise_pa=4.0, per_k=0.3, lag_s=150.0),
    Sensor(name="by change", step_pa=10.0, noise_pa=8.0, per_k=0.3, by_change_pa=60.0),
    Sensor(name="ratiometric", step_pa=20.0, noise_pa=14.0, per_k=0.8, per_k2=0.012, per_v=4.0),
    Sensor(name="coarse", step_pa=100.0, noise_pa=15.0, per_k=0.4, per_v=3.0, is_floored=True),
)


def volts_of(engine: Engine, chance: np.random.Generator) -> Floats:
    """Supply, shape (n,): batteries that are weak in the cold, cranking now and then, heaters at idle."""
    on, frost = engine.running, np.clip(-engine.temperature_c, 0, 20)
    volts = np.where(on, 27.9, 25.2 - 0.04 * frost)
    volts = np.where(on & (engine.speed < 0.5), volts - 0.05 * frost, volts)
    cranks = np.flatnonzero(on & ~np.r_[False, on[:-1]])
    cranks = cranks[chance.random(len(cranks)) < 0.25]
    volts[cranks] = chance.uniform(*CRANKS_V, len(cranks))
    return np.asarray(volts + 0.1 * chance.normal(size=len(volts)))


def gauges_for(
    sensor: Sensor,
    engine: Engine,
    sky: Sky,
    worked: Worked,
    volts: Floats,
    chance: np.random.Generator,
    *,
    two: bool,
) -> tuple[tuple[Sense, ...], Mapping[str, str]]:
    """One gauge, two of a kind, or a pair of absolute sensors."""
    if sensor.is_pair:
        units = {"ambient_pressure": "kPa", "intake_pressure": "kPa"}
        return (_pair(sensor, _Errors.of(sensor, engine, sky, worked, volts, chance), engine),), units
    unit, pa_in_unit = SENT_IN[int(chance.choice(len(SENT_IN), p=SENT_SHARES))]
    errors = [_Errors.of(sensor, engine, sky, worked, volts, chance) for _ in range(2 if two else 1)]
    return tuple(_gauge(sensor, one, engine, pa_in_unit) for one in errors), {"restriction": unit}


@dataclass(frozen=True, kw_only=True)
class _Errors:
    """How one gauge errs at the rows of the record, shape (end,)."""

    gain: float
    zero_pa: Floats
    #: factor of the drop by what a pulsing flow adds to the mean of its square
    pulsing: Floats
    pulse_noise: float

    @classmethod
    def of(
        cls,
        sensor: Sensor,
        engine: Engine,
        sky: Sky,
        worked: Worked,
        volts: Floats,
        chance: np.random.Generator,
    ) -> _Errors:
        end = worked.end
        warmth, supply = engine.bay_c[:end] - 25.0, volts[:end] - 27.5
        bend, slope, by_supply = chance.normal(size=3) * (sensor.per_k2, sensor.per_k, sensor.per_v)
        moves = slope * warmth + bend * warmth**2 + by_supply * supply
        zero_pa = chance.normal(0, 15.0) + np.clip(moves, -MOST_ZERO_PA, MOST_ZERO_PA)
        zero_pa = zero_pa + 6.0 * smooth_noise(end, 2_000, chance)
        if chance.random() < WATER:
            zero_pa = zero_pa + _water_pa(engine, sky, end, chance)
        at = chance.uniform(0.4, 1.0)
        pulsing = 1 + chance.uniform(*PULSES) * np.exp(-(((engine.speed[:end] - at) / RESONANCE) ** 2))
        return cls(
            gain=float(chance.normal(1.0, GAIN)),
            zero_pa=zero_pa,
            pulsing=pulsing,
            pulse_noise=float(chance.uniform(*PULSE_NOISE)),
        )

    def shown_pa(
        self, sensor: Sensor, true_pa: Floats, engine: Engine, chance: np.random.Generator
    ) -> Floats:
        """What the gauge makes of the pressure at its port, before steps."""
        pa = _followed(true_pa * self.pulsing, engine, sensor.lag_s)
        pa = _with_play(pa, sensor.play_pa)
        spread = np.hypot(sensor.noise_pa, 0.0 if sensor.lag_s else self.pulse_noise * pa)
        return np.asarray(self.gain * pa + self.zero_pa + spread * chance.normal(size=len(pa)))


def _water_pa(engine: Engine, sky: Sky, end: int, chance: np.random.Generator) -> Floats:
    """Water that has condensed in the tube stands in a bend of it for hours, then is blown or dries out."""
    water_pa, at_s = np.zeros(end), engine.at_s[:end]
    sign = chance.choice((-1.0, 1.0), p=(0.3, 0.7))
    starts = np.flatnonzero(engine.since_s[:end] == 0)
    for start in starts:
        hour = sky.hours(at_s[start : start + 1])[0]
        is_damp = sky.humid[hour] > WATER_AT and engine.temperature_c[start] > -3.0
        size_pa, lasts_s = chance.uniform(*WATER_PA), chance.uniform(*WATER_H) * HOUR_S
        if is_damp and chance.random() < WATER_CHANCE:
            rows = slice(start, int(np.searchsorted(at_s, at_s[start] + lasts_s)))
            water_pa[rows] = sign * size_pa * np.exp(-0.7 * (at_s[rows] - at_s[start]) / lasts_s)
    return water_pa


def _followed(pa: Floats, engine: Engine, lag_s: float) -> Floats:
    """A first-order lag that begins again with each key-on."""
    if lag_s == 0.0:
        return pa
    followed = np.empty(len(pa))
    starts = np.flatnonzero(engine.since_s[: len(pa)] == 0)
    share = 1 - np.exp(-float(np.median(np.diff(engine.at_s))) / lag_s)
    for first, end in zip(starts, np.r_[starts[1:], len(pa)], strict=True):
        part = pa[first:end]
        followed[first:end] = lfilter([share], [1, share - 1], part, zi=[(1 - share) * part[0]])[0]
    return followed


def _with_play(pa: Floats, play_pa: float) -> Floats:
    """The play operator: a hand that is pushed from both sides and stays where it is between."""
    if play_pa == 0.0:
        return pa
    shown, now = np.empty(len(pa)), float(pa[0])
    for i, value in enumerate(pa):
        now = min(max(now, value - play_pa / 2), value + play_pa / 2)
        shown[i] = now
    return shown


def _by_change(pa: Floats, by_pa: float) -> Floats:
    """NaN where the value has not moved by as much since the last that was sent, for a few rows at most."""
    if by_pa == 0.0:
        return pa
    sent, last, age = np.full(len(pa), np.nan), np.inf, 0
    for i, value in enumerate(pa):
        age += 1
        if abs(value - last) >= by_pa or age >= AGAIN_ROWS:
            sent[i], last, age = value, value, 0
    return sent


def _stepped(values: Floats, step: float) -> Floats:
    return np.asarray(np.round(values / step) * step)


def _gauge(sensor: Sensor, errors: _Errors, engine: Engine, pa_in_unit: float) -> Sense:
    def sense(true_pa: Floats, chance: np.random.Generator) -> Mapping[str, Floats]:
        pa = errors.shown_pa(sensor, true_pa, engine, chance)
        pa = _stepped(np.maximum(pa, 0.0) if sensor.is_floored else pa, sensor.step_pa)
        return {"restriction": _by_change(pa, sensor.by_change_pa) / pa_in_unit}

    return sense


def _pair(sensor: Sensor, errors: _Errors, engine: Engine) -> Sense:
    """Two absolute sensors, each with its own noise."""

    def sense(true_pa: Floats, chance: np.random.Generator) -> Mapping[str, Floats]:
        ambient_pa = engine.ambient_pa[: len(true_pa)]
        outside = ambient_pa + sensor.noise_pa * chance.normal(size=len(true_pa))
        intake = ambient_pa - errors.shown_pa(sensor, true_pa, engine, chance)
        return {
            "ambient_pressure": _stepped(outside, sensor.step_pa) / 1_000,
            "intake_pressure": _stepped(intake, sensor.step_pa) / 1_000,
        }

    return sense


# ---------------------------------------------------------------- the bus


def bus_for(
    proxy: Proxy, engine: Engine, worked: Worked, volts: Floats, chance: np.random.Generator
) -> tuple[Mapping[str, Floats], Mapping[str, str]]:
    """What follows flow, by its proxy, and what else a machine happens to send."""
    n, on = len(engine.at_s), engine.running
    bus: dict[str, Floats] = {}
    units: dict[str, str] = {}
    has_speed = proxy not in (Proxy.NOTHING, Proxy.MASS_FLOW) or (
        proxy is Proxy.MASS_FLOW and chance.random() < 0.6
    )
    blur = 1 + 0.01 * chance.normal(size=n)  # the bus and the gauge are not read at the same second; chosen
    if has_speed:
        bus["engine_speed"], units["engine_speed"] = _speed(engine, blur, chance), "r/min"
    if proxy is Proxy.SPEED_AND_LOAD or (proxy is Proxy.BOOST and chance.random() < 0.5):
        bus["engine_load"], units["engine_load"] = _load(engine, on, chance), "%"
    if proxy is Proxy.BOOST:
        boost = (engine.manifold_pa - engine.ambient_pa) / 1_000 * blur
        bus["boost_pressure"], units["boost_pressure"] = _stepped(boost, 2.0), "kPa"
        charge_c = engine.charge_c + 1.5 * chance.normal(size=n)
        bus["intake_temperature"], units["intake_temperature"] = _stepped(charge_c, 1.0), "Cel"
    if proxy is Proxy.MASS_FLOW:
        bus["air_mass_flow"], units["air_mass_flow"] = _mass_flow(engine, blur, chance), "kg/h"
    has_hours, has_air, has_volts = chance.random(3) < (0.55, 0.4, 0.4)
    if has_hours:
        counted = worked.hours + chance.uniform(200.0, 12_000.0)
        bus["engine_hours"], units["engine_hours"] = np.floor(counted / 0.05) * 0.05, "h"
    if has_air:
        air_c = engine.temperature_c + 6.0 * engine.warm + 0.5 * chance.normal(size=n)
        bus["air_temperature"], units["air_temperature"] = _stepped(air_c, 0.5), "Cel"
    if has_volts:
        bus["supply_voltage"], units["supply_voltage"] = _stepped(volts, 0.05), "V"
    return bus, units


def _speed(engine: Engine, blur: Floats, chance: np.random.Generator) -> Floats:
    """By the engine control, or on one in four by an alternator: coarse, and its ratio is off."""
    r_min = engine.speed * engine.kind.rated_r_min * blur
    if chance.random() < 0.25:
        return _stepped(r_min * chance.normal(1.0, 0.015), 20.0)
    return _stepped(r_min, 0.125)


def _load(engine: Engine, on: Bools, chance: np.random.Generator) -> Floats:
    """At current speed: beside the torque that the engine has there; friction makes an offset at idle."""
    available = np.clip(1.25 - 0.45 * np.abs(engine.speed - 0.7), 0.5, None)  # torque curve, chosen
    offset = chance.uniform(0.0, 0.15)
    load = offset * (1 - engine.load) + engine.load * 1.1 / available
    return _stepped(np.clip(100 * on * load + 2.0 * on * chance.normal(size=len(on)), 0, 125), 1.0)


def _mass_flow(engine: Engine, blur: Floats, chance: np.random.Generator) -> Floats:
    """Off by some per cent, fouls until it is wiped, and reads pulses at low speed as flow; chosen."""
    days = (engine.at_s - engine.at_s[0]) / DAY_S
    fouls, wiped, turns = chance.uniform(0.0, 0.08), chance.uniform(20.0, 150.0), chance.uniform(0.0, 0.2)
    age = np.where(days < wiped, days + 60.0, days - wiped)
    bias = chance.normal(1.0, 0.05) * (1 - fouls * np.minimum(age / 110.0, 1.0))
    backflow = 1 + turns * np.exp(-(((engine.speed - 0.4) / 0.15) ** 2))
    return np.maximum(_stepped(engine.air * engine.full_kg_s * 3600 * bias * backflow * blur, 0.05), 0.0)


def rated_for(proxy: Proxy, engine: Engine) -> ReferenceFlow | None:
    """Full flow by the papers: rated speed, or the mass flow on the site."""
    if proxy is Proxy.NOTHING:
        return None
    if proxy is Proxy.MASS_FLOW:
        value = float(np.round(engine.full_kg_s * 3600, -1))
        return ReferenceFlow(quantity="air_mass_flow", value=value, unit="kg/h")
    return ReferenceFlow(quantity="engine_speed", value=engine.kind.rated_r_min, unit="r/min")
