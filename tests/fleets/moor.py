"""
The moor: peat, pumps, sets and a light railway between a river, a moor and a pass. What sound machines do.

Half of what a monitor shows here that looks like a fault or another element is neither. A fleet to tune on;
whoever wrote it had read none of the analysis. At least a third of its machines have nothing wrong and every
change entered on the day (`is_spared`), so that whatever is said of them is false.

Sources; "memory" means that the figure was not looked up again:
- Air of engines: displacement, volumetric efficiency, boost, charge temperature: Heywood, "Internal
  Combustion Engine Fundamentals" (1988) ch. 2 and 6, memory. A natural aspirate's air follows speed alone.
- Sets: air by load steps as makers' load tables have it, memory. A monthly run of 30 minutes: NFPA 110
  section 8.4.2; that shops do it without load is common practice.
- Altitude: ISO 2533 (1975). Density is p / (R T); viscosity of air goes with T^0.7, memory.
- Duct, bends and cyclone lose with density and the square of flow (Idelchik; Crane TP-410; memory), clean
  media lose with viscosity and flow (Darcy). A clean cleaner takes 0.5 to 4 kPa: common practice. ISO 5011
  (SAE J726 before it) defines restriction and loading. A fan's pressure goes with the square of its speed
  (fan laws).
- Loading to terminal restriction bends upward (dust capacity curves of ISO 5011, memory). The resistance of
  a cake rises with velocity, so that its drop has a power of flow above 1: Saleem, Krammer, Tahir, Powder
  Technology 228 (2012) 100. Cyclones separate less at low flow: textbooks, memory.
- Damp: dust that is not hygroscopic makes a cake of less resistance in humid air: Gupta, Novick, Biswas,
  Monson, Aerosol Science and Technology 19 (1993) 94, memory. Cellulose swells when wet: common practice.
- Zero by temperature: 0.2 % of span in 10 K is usual by the notes of sensor makers. 50 Pa steps: SAE
  J1939-71, the parameter of air filter differential pressure, memory; so are the steps of the other values.
All other figures were chosen by sense, before anything was scored, and no score has changed one.

What sound machines do here, with magnitudes:
- duty: weeks of hard work and weeks of light work, 15 minutes a day beside 20 hours a day, a new operator
  every 24 days on average (speed down to 0.84), overrun at speed without load, sets on load steps, tests
  without load;
- air: turbo wear (-1.5 to -6 %), retuned (-4 to +6 %), injectors (+1.5 to 4.5 %), valves (-1.5 to -4.5 %),
  derated (-6 to -12 %), on half of the machines; another site (40, 320, 1350 m) with the task on 30 %;
- intake: a duct that is moved (x 0.82 to 1.3, a fifth), a pre-cleaner that clogs (to +50 % of the duct's
  loss) and is cleared every 30 to 150 h, frost on cold mornings (to +60 %, gone in an hour or two), the fan
  (to 60 Pa either way), wind at the intake, engine on or off (tens of Pa);
- damp: mist and rain of hours on the medium (+4 to 15 %), a rain of a week in its depth (+8 to 35 %), a cake
  that resists up to 14 % less in humid air;
- elements: three makes, a clean one at 0.76, 1 and 1.26 of the usual restriction, two of them on half of the
  machines; one in eight was washed and reads 5 to 12 % lower; the first hours of a new one read up to 12 %
  higher or lower; 3 to 20 % of the dust falls off after a stop, and is drawn on again within 4 to 30 h;
- monitors: steps of 1 to 250 Pa, no value below zero, noise with a long memory (to 45 Pa), a zero that
  follows the bay (to 2 Pa/K), a response of minutes, holes, restarts, spells without supply, two gauges that
  differ by a few per cent, counters of hours that jump, count the key or whole hours.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from scipy.signal import lfilter

from tests.fleets.making import Draft, Span
from tests.fleets.moor_gauges import SENSORS, gauges_for, stepped
from tests.fleets.moor_sky import Sky, damp_of
from tests.fleets.moor_work import KINDS, Engine, Rows, engine_for, rows_for
from tests.fleets.rows import smooth_noise
from tests.fleets.truth import DAY_S, HOUR_S, Floats, Proxy, ReferenceFlow
from tests.fleets.upkeep import Element, Worked

PROXIES = (
    *(Proxy.SPEED, Proxy.SPEED_AND_LOAD, Proxy.NOTHING, Proxy.BOOST, Proxy.SPEED, Proxy.MASS_FLOW),
    *(Proxy.NOTHING, Proxy.SPEED_AND_LOAD, Proxy.SPEED, Proxy.BOOST, Proxy.NOTHING),
)
#: a limit as the papers have it, its unit, Pa in it
LIMITS = (
    *((6.2, "kPa", 1_000.0), (25.0, "inH2O", 249.08891), (5.0, "kPa", 1_000.0)),
    *((60.0, "mbar", 100.0), (20.0, "inH2O", 249.08891)),
)
#: machines by number, in fives: nothing wrong and all entered; one fault at most; what is dealt
SPARED, ONE_FAULT = (0, 3), (1,)

CLEAN_SHARE = (0.2, 0.36)  # of the limit, for the usual make
DUCT_SHARE = (0.25, 0.42)  # of the clean restriction
DELIVERY_DAYS = 30.0  # elements of one delivery are alike
CLEAN_SPREAD, CAPACITY_SPREAD = 0.02, 0.13  # of elements, standard deviation of the logarithm
TWO_MAKES, USUAL = 0.5, 0.65  # of the machines have two on the shelf; of their elements are of the first
WASHED, WASHED_CLEAN, WASHED_CAPACITY = 0.12, (0.88, 0.95), 0.7
SETTLES, SETTLES_H = 0.12, (2.0, 10.0)  # of a new medium, either way; how long
SHEDS, SHEDS_AFTER_S = (0.03, 0.2), 1_200.0  # of the dust's drop, at stops as long
SHED_RETURNS_H = (4.0, 30.0)
MOST_SHED = 0.3
VISCOSITY_POWER = 0.7
DRIER_CAKE = 0.14  # less resistance of a cake in humid air
MOVED = 0.2  # of the machines have their intake moved at a service
CLOGS, CLOGS_TO, CLEARED_H = 0.45, (0.1, 0.5), (30.0, 150.0)
FROST_BELOW_C, FROST_TO, FROST_H = -0.5, 0.6, 0.7


@dataclass(frozen=True, kw_only=True)
class Make:
    """A make of element."""

    name: str
    #: restriction of the whole cleaner with a clean one, beside that with the usual make
    clean: float
    capacity: float
    #: of the rise, that which comes in the depth and at once; over how much of the capacity
    at_once: float
    over: float
    #: powers of the rest by dust, and of the cake's drop by flow
    bend: float
    flow_power: float
    #: by damp, beside a usual medium
    damp: float


MAKES = (
    Make(name="plain", clean=1.0, capacity=1.0, at_once=0.25, over=0.12, bend=1.8, flow_power=1.3, damp=1.0),
    Make(name="cheap", clean=1.26, capacity=0.75, at_once=0.35, over=0.2, bend=1.5, flow_power=1.4, damp=1.3),
    Make(name="broad", clean=0.76, capacity=1.25, at_once=0.1, over=0.05, bend=2.3, flow_power=1.2, damp=0.5),
)  # fmt: skip


class Generator:
    """The pen of the moor."""

    name = "moor"

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._skies: dict[Span, Sky] = {}

    def draft(self, number: int, of: int, span: Span, chance: np.random.Generator) -> Draft:
        """A machine: kind, flow measure, sensor and what may go wrong by its number, else drawn."""
        del of
        if span not in self._skies:
            self._skies[span] = Sky.over(span, np.random.default_rng([self.seed, 7_301]))
        sky = self._skies[span]
        kind, proxy = KINDS[(number + self.seed) % len(KINDS)], PROXIES[number % len(PROXIES)]
        sensor = SENSORS[(number + 2 * self.seed) % len(SENSORS)]
        rows = rows_for(kind, sky, span, chance)
        has_rest = number % 17 != 6
        if not has_rest:
            rows = _at_work(rows)
        engine = engine_for(kind, rows, sky, span, chance)
        limit, unit, pa_in_unit = LIMITS[int(chance.integers(len(LIMITS)))]
        physics = _Physics.of(engine, sky, limit * pa_in_unit, self.seed, chance)
        worked = _worked(engine, physics, sky, span, chance)
        bus, units = _bus(proxy, engine, worked, chance)
        gauges, own_units = gauges_for(sensor, engine, worked, chance, two=number % 6 == 4)
        is_spared = number % 5 in SPARED
        return Draft(
            name=f"moor-{kind.name}-{number:02d}",
            kind=kind.name,
            proxy=proxy,
            is_constant_speed=kind.is_set,
            limit_value=limit,
            limit_unit=unit,
            limit_pa=limit * pa_in_unit,
            worked=worked,
            physics=physics,
            gauges=gauges,
            bus={name: values[: worked.end] for name, values in bus.items()},
            units={**units, **own_units},
            rated=_rated(proxy, engine),
            has_pressure_pair=sensor.is_pair,
            has_rest=has_rest,
            most_faults=0 if is_spared else 1 if number % 5 in ONE_FAULT else None,
            is_all_entered=is_spared,
            notes={
                "air": engine.demand.what,
                "air_at_end": float(engine.demand.air[worked.end - 1]),
                "makes": " ".join(make.name for make in physics.shelf),
                "home_m": rows.home_m,
                "duct_at_end": float(physics.duct[worked.end - 1]),
                "sensor_step_pa": sensor.step_pa,
            },
        )


def _at_work(rows: Rows) -> Rows:
    """The rows with the engine running, of a machine that sends no other."""
    on = rows.running
    return replace(
        rows,
        at_s=rows.at_s[on],
        running=on[on],
        hours=rows.hours[on],
        task=rows.task[on],
        altitude_m=rows.altitude_m[on],
    )


def _worked(engine: Engine, physics: _Physics, sky: Sky, span: Span, chance: np.random.Generator) -> Worked:
    """Dust in hours of mean work: by air, cyclone, weather, task, traffic and campaign."""
    rows, flow = engine.rows, engine.flow
    passes = 1 - 0.88 * flow**2 / (flow**2 + 0.06) if engine.kind.has_cyclone else np.ones(len(flow))
    dusty = np.array([task.dust for task in engine.kind.tasks])[rows.task]
    days = ((rows.at_s - span.start_s) // DAY_S).astype(np.int64)
    campaign = np.exp(0.3 * chance.normal(size=span.all_days // 9 + 2))[days // 9]
    behind = np.exp(0.5 * smooth_noise(len(flow), 30 * 60 / span.interval_s, chance))
    air = sky.dust[sky.hours(rows.at_s)]
    rate = flow * passes * (1 + physics.clog) * air * dusty * campaign * behind
    rate /= np.average(rate, weights=rows.step_h)
    return Worked(
        at_s=rows.at_s,
        hours=rows.hours,
        dust=np.cumsum(rate * rows.step_h),
        breaks=rows.starts[1:],
        end=int(np.searchsorted(rows.at_s, span.end_s)),
    )


# ---------------------------------------------------------------- elements


@dataclass(frozen=True, kw_only=True)
class _Made:
    """An element: its make, and how this one differs."""

    make: Make
    #: of the element alone, beside the usual make
    clean: float
    capacity_h: float
    #: what the first hours add to its medium, as a share; since when, and for how long [h]
    settles: float
    since_h: float
    settles_h: float


@dataclass(frozen=True, kw_only=True)
class _Physics:
    """How the elements of one machine resist; pressures in Pa, shape (n,) by row."""

    engine: Engine
    limit_pa: float
    duct_pa: float
    element_pa: float
    life_h: float
    shelf: tuple[Make, ...]
    seed: int
    #: loss of the duct beside its own: moved; clogged, with frost
    duct: Floats
    clog: Floats
    #: rise of a usual medium by damp, as a share, and fall of the cake's resistance
    swells: Floats
    eased: Floats
    #: share of the dust's drop that has fallen off
    shed: Floats
    #: wind and fan at the gauge [Pa]
    blown_pa: Floats

    @classmethod
    def of(
        cls, engine: Engine, sky: Sky, limit_pa: float, seed: int, chance: np.random.Generator
    ) -> _Physics:
        """Drawn for a machine, by its work and weather."""
        clean_pa = limit_pa * chance.uniform(*CLEAN_SHARE)
        duct = chance.uniform(*DUCT_SHARE)
        rows = engine.rows
        works = np.bincount(sky.hours(rows.at_s), weights=rows.step_h, minlength=len(sky.rain))
        damp = damp_of(sky, np.minimum(works, 1.0))
        quick = chance.uniform(0.04, 0.15) * sky.between(damp.quick, rows.at_s)
        slow = chance.uniform(0.08, 0.35) * sky.between(damp.slow, rows.at_s)
        humid = lfilter([1 / 8], [1, -7 / 8], sky.humidity, zi=[sky.humidity[0] * 7 / 8])[0]
        clog = _clog(engine, chance)
        return cls(
            engine=engine,
            limit_pa=limit_pa,
            duct_pa=clean_pa * duct,
            element_pa=clean_pa * (1 - duct),
            life_h=float(engine.kind.life_h * np.exp(chance.normal(0, 0.2))),
            shelf=_shelf(chance),
            seed=seed,
            duct=_moved(rows, chance) + clog + _frost(rows, engine, sky, chance),
            clog=clog,
            swells=quick + slow,
            eased=DRIER_CAKE * np.clip((sky.between(humid, rows.at_s) - 0.5) / 0.4, 0.0, 1.0),
            shed=_shed(rows, chance),
            blown_pa=_blown(engine, sky, chance),
        )

    def new_element(self, at_s: float, chance: np.random.Generator) -> _Made:
        """What was on the shelf. The element with which the record begins settled long ago."""
        make = self.shelf[0] if chance.random() < USUAL else self.shelf[-1]
        delivery = np.random.default_rng([self.seed, MAKES.index(make), int(at_s // (DELIVERY_DAYS * DAY_S))])
        clean = make.clean * np.exp(CLEAN_SPREAD * (delivery.normal() + chance.normal()) / np.sqrt(2))
        capacity = self.life_h * make.capacity * np.exp(CAPACITY_SPREAD * chance.normal())
        settles = float(chance.uniform(-SETTLES, SETTLES))
        is_washed = chance.random() < WASHED
        if is_washed:
            clean, capacity = clean * chance.uniform(*WASHED_CLEAN), capacity * WASHED_CAPACITY
        rows = self.engine.rows
        row = min(int(np.searchsorted(rows.at_s, at_s)), len(rows.at_s) - 1)
        is_first = at_s <= rows.at_s[0]
        whole = (self.duct_pa + self.element_pa) * clean
        return _Made(
            make=make,
            clean=float((whole - self.duct_pa) / self.element_pa),
            capacity_h=float(capacity),
            settles=0.0 if is_first or is_washed else settles,
            since_h=float(rows.hours[row]),
            settles_h=float(chance.uniform(*SETTLES_H)),
        )

    def dry_pa(self, element: Element, dust: Floats) -> Floats:
        """At full flow with the duct as registered, in mean air."""
        made: _Made = element.made
        own = element.resists * (self.element_pa * made.clean + self._cake_pa(made, dust))
        return np.asarray(self.duct_pa + own)

    def full_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        """At full flow in the air, damp and duct of the rows."""
        return self._pa(element, dust, rows, 1.0)

    def met_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        """At the flow of the rows, with wind and fan."""
        return self._pa(element, dust, rows, self.engine.flow[rows]) + self.blown_pa[rows]

    def _pa(self, element: Element, dust: Floats, rows: Any, flow: Any) -> Floats:
        made: _Made = element.made
        make, engine = made.make, self.engine
        dense = engine.dense[rows]
        sticky = ((273.15 + engine.temperature_c[rows]) / 281.15) ** VISCOSITY_POWER
        since_h = np.maximum(engine.rows.hours[rows] - made.since_h, 0.0)
        settles = 1 + made.settles * np.exp(-since_h / made.settles_h)
        # a quarter of an element's own drop is in its end, which is a nozzle
        bare = self.element_pa * made.clean * (0.75 * sticky * flow + 0.25 * dense * flow**2)
        medium = bare * settles * (1 + make.damp * self.swells[rows])
        cake = self._cake_pa(made, dust) * sticky * flow**make.flow_power
        cake = (
            cake * (1 - self.shed[rows]) * (1 - self.eased[rows]) * (1 + 0.5 * make.damp * self.swells[rows])
        )
        duct = self.duct_pa * self.duct[rows] * dense * flow**2
        return np.asarray(duct + element.resists * (medium + cake))

    def _cake_pa(self, made: _Made, dust: Floats) -> Floats:
        """What dust adds at full flow: some at once in the depth, the rest ever faster."""
        make, x = made.make, np.asarray(dust) / made.capacity_h
        at_once = np.expm1(-x / make.over) / np.expm1(-1 / make.over)
        rise_pa = self.limit_pa - self.duct_pa - self.element_pa
        return np.asarray(rise_pa * (make.at_once * at_once + (1 - make.at_once) * x**make.bend))


def _shelf(chance: np.random.Generator) -> tuple[Make, ...]:
    """One make, or the plain one and another, in either order."""
    other = MAKES[int(chance.integers(1, 3))]
    has_two, first = chance.random(2) < (TWO_MAKES, 0.6)
    if not has_two:
        return (MAKES[0],) if first else (other,)
    return (MAKES[0], other) if first else (other, MAKES[0])


def _moved(rows: Rows, chance: np.random.Generator) -> Floats:
    """The duct's own loss beside that at registration: another bend or a higher stack, from a service on."""
    row, factor = int(chance.choice(rows.starts)), chance.uniform(0.82, 1.3)
    is_moved = chance.random() < MOVED
    return np.where((np.arange(len(rows.at_s)) >= row) & is_moved, factor, 1.0)


def _clog(engine: Engine, chance: np.random.Generator) -> Floats:
    """What fibres and leaves in a pre-cleaner add to the duct's loss, until somebody clears it in a break."""
    rows = engine.rows
    clog = np.zeros(len(rows.at_s))
    clogs, to = chance.random() < CLOGS, chance.uniform(*CLOGS_TO)
    first = 0
    while clogs and engine.kind.has_cyclone and first < len(clog):
        every_h = chance.uniform(*CLEARED_H)
        wanted = int(np.searchsorted(rows.hours, rows.hours[first] + every_h))
        place = int(np.searchsorted(rows.starts, max(wanted, first + 1)))
        end = int(rows.starts[place]) if place < len(rows.starts) else len(clog)
        share = (rows.hours[first:end] - rows.hours[first]) / CLEARED_H[1]
        clog[first:end] = to * np.minimum(share, 1.2) ** 1.5
        first = end
    return clog


def _frost(rows: Rows, engine: Engine, sky: Sky, chance: np.random.Generator) -> Floats:
    """Rime on the screen after a cold damp night, which the engine bay thaws."""
    frost, heavy = np.zeros(len(rows.at_s)), chance.uniform(0.1, FROST_TO)
    ends = np.r_[rows.starts[1:], len(frost)]
    humidity = sky.humidity[sky.hours(rows.at_s)]
    for first, end in zip(rows.starts, ends, strict=True):
        stood_s = rows.at_s[first] - rows.at_s[first - 1] if first else DAY_S
        if stood_s > 4 * HOUR_S and engine.temperature_c[first] < FROST_BELOW_C and humidity[first] > 0.75:
            since_h = rows.hours[first:end] - rows.hours[first]
            frost[first:end] = heavy * chance.uniform(0.3, 1.0) * np.exp(-since_h / FROST_H)
    return frost


def _shed(rows: Rows, chance: np.random.Generator) -> Floats:
    """Dust that falls off at a stop and lies before the element, until it is drawn on again."""
    shed, now = np.zeros(len(rows.at_s)), 0.0
    often, returns_h = chance.uniform(0.0, 0.5), chance.uniform(*SHED_RETURNS_H)
    ends = np.r_[rows.starts[1:], len(shed)]
    for first, end in zip(rows.starts, ends, strict=True):
        if first:
            now *= np.exp(-(rows.hours[first] - rows.hours[first - 1]) / returns_h)
            stood_s = rows.at_s[first] - rows.at_s[first - 1]
            falls = chance.random() < often and stood_s > SHEDS_AFTER_S
            now = min(now + (chance.uniform(*SHEDS) if falls else 0.0), MOST_SHED)
        shed[first:end] = now * np.exp(-(rows.hours[first:end] - rows.hours[first]) / returns_h)
        now = float(shed[end - 1])
    return shed


def _blown(engine: Engine, sky: Sky, chance: np.random.Generator) -> Floats:
    """Part of the dynamic pressure of the wind, by heading, and the fan once it is warm."""
    rows, n = engine.rows, len(engine.rows.at_s)
    wind = sky.between(sky.wind_m_s, rows.at_s)
    turns = smooth_noise(n, 240 if engine.kind.is_set else 20, chance)
    gusts = np.clip(1 + 0.3 * chance.normal(size=n), 0.0, 2.0)
    wind_pa = 0.6 * wind**2 * chance.uniform(0.05, 0.3) * np.clip(turns, -1.5, 1.5) * gusts
    is_cooling = (engine.temperature_c > 12.0) | (engine.bay_c - engine.temperature_c > 30.0)
    return np.asarray(wind_pa + engine.kind.fan_pa * engine.speed**2 * is_cooling)


# ---------------------------------------------------------------- what is sent


def _bus(
    proxy: Proxy, engine: Engine, worked: Worked, chance: np.random.Generator
) -> tuple[Mapping[str, Floats], Mapping[str, str]]:
    """What follows flow, by its proxy, and what else a machine happens to send."""
    kind, rows = engine.kind, engine.rows
    n, on = len(rows.at_s), rows.running
    blur = 1 + 0.01 * chance.normal(size=n)  # the bus and the gauge are not read at the same second
    bus: dict[str, Floats] = {}
    units: dict[str, str] = {}
    has_load, has_hours, has_air, has_volts, has_holes = chance.random(5) < (0.5, 0.65, 0.4, 0.4, 0.3)
    if proxy is not Proxy.NOTHING:
        bus["engine_speed"], units["engine_speed"] = (
            stepped(engine.speed * kind.rated_r_min * blur, 0.125),
            "r/min",
        )
    if proxy is Proxy.SPEED_AND_LOAD or (proxy is Proxy.BOOST and has_load):
        shown = np.clip(100 * engine.load + 2.0 * on * chance.normal(size=n), 0.0, 125.0)
        bus["engine_load"], units["engine_load"] = stepped(shown, 1.0), "%"
    if proxy is Proxy.BOOST:
        gauge = (engine.boost - 1) * engine.ambient_pa / 1_000 * blur
        bus["boost_pressure"], units["boost_pressure"] = stepped(gauge, 2.0), "kPa"
        charge = engine.temperature_c + 8.0 + 22.0 * (engine.boost - 1) + 1.5 * chance.normal(size=n)
        bus["intake_temperature"], units["intake_temperature"] = stepped(charge, 1.0), "Cel"
    if proxy is Proxy.MASS_FLOW:
        fouled = 1 - chance.uniform(0.0, 0.05) * (rows.at_s - rows.at_s[0]) / (110 * DAY_S)
        own = chance.normal(1.0, 0.02) * fouled * (1 + 0.02 * chance.normal(size=n))
        bus["air_mass_flow"], units["air_mass_flow"] = (
            np.maximum(stepped(engine.mass_kg_s * 3600 * own, 0.05), 0.0),
            "kg/h",
        )
    if has_hours:
        bus["engine_hours"], units["engine_hours"] = _counter(rows, worked, chance), "h"
    if has_air:
        air = engine.temperature_c + 0.1 * (engine.bay_c - engine.temperature_c) + 0.5 * chance.normal(size=n)
        bus["air_temperature"], units["air_temperature"] = stepped(air, 0.5), "Cel"
    if has_volts:
        volts = np.where(on, 27.8, 25.0) + 0.15 * chance.normal(size=n)
        bus["supply_voltage"], units["supply_voltage"] = stepped(volts, 0.05), "V"
    if has_holes:
        is_heard = chance.random(n) > 0.02
        bus = {name: np.where(is_heard, values, np.nan) for name, values in bus.items()}
    return bus, units


def _counter(rows: Rows, worked: Worked, chance: np.random.Generator) -> Floats:
    """A counter of hours: of the engine, of the key, in whole hours, or exchanged with its controller."""
    begins_h, draw = chance.uniform(300.0, 14_000.0), chance.random()
    hours = worked.hours + begins_h
    if draw < 0.15:
        since_s = np.minimum(np.diff(rows.at_s, prepend=rows.at_s[0]), 600.0)
        hours = begins_h + np.cumsum(since_s) / HOUR_S
    elif draw < 0.3:
        row = int(chance.choice(rows.starts))
        jump = chance.choice((-begins_h, chance.uniform(-250.0, 2_000.0)))
        hours = hours + jump * (np.arange(len(hours)) >= row)
    step = 1.0 if draw > 0.85 else 0.05
    return np.asarray(np.floor(hours / step) * step)


def _rated(proxy: Proxy, engine: Engine) -> ReferenceFlow | None:
    """Full flow by the papers: rated speed, or the mass flow at home."""
    if proxy is Proxy.NOTHING:
        return None
    if proxy is Proxy.MASS_FLOW:
        value = float(np.round(engine.full_kg_s * 3600, -1))
        return ReferenceFlow(quantity="air_mass_flow", value=value, unit="kg/h")
    return ReferenceFlow(quantity="engine_speed", value=engine.kind.rated_r_min, unit="r/min")
