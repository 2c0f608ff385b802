"""
The quarry: machines between a quarry, a causeway over a fen and a pass. Real elements and engines that leave
the textbook. A fleet to tune on; whoever wrote it had read none of the analysis.

Sources, read as abstracts or short parts, unless said otherwise:
- Pleats: pressure drop grows in a straight line at first, then ever faster, because dust closes the pleats
  and the area falls: Guo and others, Processes 13 (2025) 975; Scientific Reports 12 (2022) 20331.
- Cake: resistance of a compressible cake rises with a power of the pressure on it (0.1 to 0.22 here), so that
  its drop rises with a power of flow and dust above 1: Ruth and Tiller, textbooks of filtration, from memory.
  Depth before cake, and drop by velocity and mass: Hinds, "Aerosol Technology" (1999) ch. 9, from memory.
- Intakes of more than 20 vehicles differ much in how their drop rises: Dziubak, Separations 8 (2021) 71. That
  a cyclone separates less at low flow: textbooks, from memory. The curve of passing here is chosen.
- Mist raises the drop, by how much depends on the fibre, and a nanofibre element stays low: Zhang and others,
  Aerosol and Air Quality Research 22 (2022) 220278. That cellulose swells most is common practice, no source.
  Humidity changes how a cake is built: Atmosphere 13 (2022) 770. That rain leaves a crust is chosen.
- Dust of unpaved roads by silt, weight and rain: US EPA AP-42 section 13.2.2 (2006).
- Air of a turbo diesel by displacement, volumetric efficiency and boost: Heywood, "Internal Combustion
  Engine Fundamentals" (1988), from memory. Air pressure by altitude: ISO 2533 (1975).
- Steps of quantities on the bus: SAE J1939-71, from memory. Figures without a source are chosen.

Where it leaves the textbook, because machines do:
- A dust cake's drop rises faster with flow than the clean medium's: the response to flow changes in a life.
- Idling loads an element more than its air says (a pre-cleaner needs flow), and rain leaves a crust behind.
- Haulers overrun downhill at rated speed without load, excavators work at a fixed speed: speed is no flow.
- A sensor's zero at a cold key-on is not its zero at a warm engine; a mass flow sensor reads low with age.
- Rain stops earthworks and keeps pumps going, so that duty, dust and moisture move together.

Difficulty, fixed before anything was scored: half of the machines have speed or nothing; two kinds of seven
run at constant speed; four makes of element whose lives differ 2.6-fold; one machine in four has a pair of
absolute sensors, one in eight two gauges, one in 24 no reading with the engine off.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from tests.fleets.making import Draft, Sense, Span
from tests.fleets.rows import in_runs, rows_of, smooth_noise, worked_of
from tests.fleets.truth import DAY_S, HOUR_S, Bools, Floats, Ints, Proxy, ReferenceFlow
from tests.fleets.upkeep import Element, Worked

GAS_J_KG_K = 287.05  # of dry air
SEA_PA = 101_325.0
DELIVERY_DAYS = 30.0  # elements of one delivery are alike
MEAN_TEMPERATURE_C = 8.0  # at sea level over the season, for the level at which the limit is meant


@dataclass(frozen=True, kw_only=True)
class Make:
    """A make of element: its share of those on the shelf, and how it differs from a plain one."""

    share: float
    capacity: float
    clean: float
    #: the medium's resistance grows by exp(depth) while dust goes into it, over `into` of the capacity
    depth: float
    into: float
    #: power of the pressure in the cake's resistance
    squeeze: float
    #: share of the area that closed pleats have taken at capacity
    closing: float
    #: rise of a wet medium, as a share
    swells: float


MAKES = (
    Make(share=0.45, capacity=1.0, clean=1.0, depth=0.8, into=0.25, squeeze=0.15, closing=0.2, swells=0.30),
    Make(share=0.25, capacity=0.62, clean=0.92, depth=1.1, into=0.3, squeeze=0.22, closing=0.3, swells=0.42),
    Make(share=0.20, capacity=1.3, clean=1.08, depth=0.12, into=0.05, squeeze=0.1, closing=0.15, swells=0.08),
    Make(share=0.10, capacity=1.6, clean=1.15, depth=0.4, into=0.2, squeeze=0.22, closing=0.3, swells=0.12),
)
USUAL = 0.7  # of a machine's elements are of its usual make


@dataclass(frozen=True, kw_only=True)
class Place:
    """Where machines work."""

    altitude_m: float
    #: rain there beside rain in the valley; mist on mornings, a share of the days
    rains: float
    mist: float
    #: blasting and crushing; watered roads
    is_quarry: bool = False
    is_watered: bool = False


PLACES = (
    Place(altitude_m=420.0, rains=1.0, mist=0.1, is_quarry=True, is_watered=True),
    Place(altitude_m=60.0, rains=1.1, mist=0.45),
    Place(altitude_m=2_350.0, rains=1.5, mist=0.25),
    Place(altitude_m=3_600.0, rains=0.6, mist=0.05, is_quarry=True),
)


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A kind of machine: engine and work."""

    name: str
    litres: float
    rated_r_min: float
    idle: float
    #: absolute boost over ambient at rated speed and load
    boost: float
    life_h: float
    #: states of work: share, minutes, speed and load as shares of rated, low and high
    states: tuple[tuple[float, float, float, float, float, float], ...]
    works_in_rain: float = 0.3
    is_set: bool = False


KINDS = (
    Kind(
        name="hauler", litres=15.0, rated_r_min=1900.0, idle=0.37, boost=2.6, life_h=160.0,
        states=((0.3, 6, 0.37, 0.40, 0.05, 0.15), (0.38, 7, 0.86, 1.0, 0.75, 1.0),
                (0.32, 6, 0.88, 1.06, 0.0, 0.1)),
    ),
    Kind(
        name="loader", litres=9.3, rated_r_min=2000.0, idle=0.40, boost=2.3, life_h=140.0,
        states=((0.32, 5, 0.40, 0.42, 0.05, 0.12), (0.68, 12, 0.5, 1.0, 0.1, 1.0)),
    ),
    Kind(
        name="excavator", litres=7.2, rated_r_min=1900.0, idle=0.50, boost=2.2, life_h=180.0,
        states=((0.35, 6, 0.50, 0.52, 0.08, 0.15), (0.25, 60, 0.86, 0.88, 0.15, 0.9),
                (0.4, 80, 0.98, 1.0, 0.2, 1.0)),
    ),
    Kind(
        name="crusher-set", litres=12.5, rated_r_min=1500.0, idle=0.98, boost=2.4, life_h=150.0, is_set=True,
        states=((0.2, 12, 1.0, 1.0, 0.15, 0.3), (0.8, 50, 0.97, 0.99, 0.55, 0.95)), works_in_rain=0.6,
    ),
    Kind(
        name="grader", litres=7.1, rated_r_min=2100.0, idle=0.40, boost=2.1, life_h=135.0,
        states=((0.3, 8, 0.40, 0.42, 0.05, 0.12), (0.7, 20, 0.72, 1.0, 0.35, 1.0)),
    ),
    Kind(
        name="dozer", litres=11.0, rated_r_min=1850.0, idle=0.42, boost=2.4, life_h=120.0,
        states=((0.25, 8, 0.42, 0.45, 0.05, 0.12), (0.5, 9, 0.9, 1.0, 0.7, 1.0),
                (0.25, 3, 0.85, 1.0, 0.15, 0.4)),
    ),
    Kind(
        name="pump-set", litres=4.5, rated_r_min=1500.0, idle=0.98, boost=1.6, life_h=270.0, is_set=True,
        states=((0.3, 120, 0.99, 1.0, 0.3, 0.55), (0.7, 240, 0.97, 0.99, 0.7, 0.95)), works_in_rain=1.0,
    ),
)  # fmt: skip
PROXIES = (
    *(Proxy.SPEED, Proxy.NOTHING, Proxy.SPEED_AND_LOAD, Proxy.BOOST, Proxy.SPEED, Proxy.NOTHING),
    *(Proxy.MASS_FLOW, Proxy.SPEED_AND_LOAD, Proxy.NOTHING, Proxy.SPEED, Proxy.BOOST, Proxy.SPEED_AND_LOAD),
)
#: a limit as the papers have it -> how the monitor sends: unit, Pa in it, step
LIMITS = ((6.2, "kPa", 1_000.0), (25.0, "inH2O", 249.08891), (45.0, "mbar", 100.0), (7.0, "kPa", 1_000.0))


class Generator:
    """The pen of the quarry."""

    name = "quarry"

    def __init__(self, seed: int) -> None:
        self.seed = seed
        self._skies: dict[tuple[int, int], _Sky] = {}

    def draft(self, number: int, of: int, span: Span, chance: np.random.Generator) -> Draft:
        """The machine of a number."""
        del of
        kind = KINDS[(number + self.seed) % len(KINDS)]
        proxy = PROXIES[number % len(PROXIES)]
        where = int(chance.choice(len(PLACES), p=(0.4, 0.3, 0.2, 0.1)))
        sky = self._skies.setdefault((where, span.all_days), self._sky(where, span))
        spans = _shifts(kind, sky, span, chance)
        at_s, running = rows_of(spans, span.interval_s, float(chance.uniform(40.0, 150.0)))
        has_rest = number % 24 != 10
        if not has_rest:
            at_s, running = at_s[running], running[running]
        engine = _Engine.run(kind, PLACES[where], sky, at_s, running, span, chance)
        wet = _wetness(sky, engine, span)
        worked = _worked(engine, sky, wet, span, chance)
        limit, unit, pa_in_unit = LIMITS[int(chance.integers(len(LIMITS)))]
        physics = _Physics.of(kind, engine, wet[0], limit * pa_in_unit, self.seed, chance)
        bus, units = _bus(proxy, engine, worked, sky, chance)
        gauges, own_units = _gauges(number, engine, worked, chance)
        return Draft(
            name=f"quarry-{kind.name}-{number:02d}",
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
            has_pressure_pair="intake_pressure" in own_units,
            has_rest=has_rest,
            notes={"altitude_m": PLACES[where].altitude_m, "life_h": physics.life_h},
        )

    def _sky(self, where: int, span: Span) -> _Sky:
        return _Sky.over(PLACES[where], span, np.random.default_rng([self.seed, 4_801, where]), self.seed)


# ---------------------------------------------------------------- weather


@dataclass(frozen=True, kw_only=True)
class _Sky:
    """The weather of a place, hour by hour, shape (hours,)."""

    start_s: float
    rain: Bools
    mist: Bools
    temperature_c: Floats
    #: of the sun, 0 to 1
    sun: Floats
    #: dust in the air beside its mean
    dust: Floats
    pressure_pa: float

    @classmethod
    def over(cls, place: Place, span: Span, chance: np.random.Generator, seed: int) -> _Sky:
        """Rain comes for hours or for days, in the valley and above it at the same times."""
        n = span.all_days * 24
        hour, day = np.arange(n) % 24, np.arange(n) // 24
        spells = in_runs((0.80, 0.13, 0.07), (90, 5, 44), n, np.random.default_rng([seed, 4_800]))
        rain = (spells > 0) & (chance.random(n) < 0.75 * place.rains)
        light = np.clip(np.sin(np.pi * (hour - 5.5) / 13.5), 0, 1)
        season = day / span.all_days
        warm = -5.0 + 24.0 * season + 3.0 * smooth_noise(n, 96, chance)
        temperature = warm - place.altitude_m * 0.0045 + np.where(rain, 1.0, 7.0) * (light - 0.45)
        is_misty = chance.random(span.all_days)[day] < place.mist
        return cls(
            start_s=span.start_s,
            rain=rain,
            mist=is_misty & (hour >= 4) & (hour < 10),
            temperature_c=temperature,
            sun=np.where(rain, 0.1, light),
            dust=_dust_in_the_air(place, rain, light, hour, day, season, chance),
            pressure_pa=SEA_PA * (1 - 2.25577e-5 * place.altitude_m) ** 5.25588,
        )

    def at(self, at_s: Floats) -> Ints:
        """The hour of each instant."""
        return np.clip(((at_s - self.start_s) // HOUR_S).astype(np.int64), 0, len(self.rain) - 1)


def _dust_in_the_air(
    place: Place,
    rain: Bools,
    light: Floats,
    hour: Ints,
    day: Ints,
    season: Floats,
    chance: np.random.Generator,
) -> Floats:
    """Wet ground has none, and dries in the sun; more with wind and season; blasts, and watered roads."""
    wet, ground = np.zeros(len(rain)), 0.0
    for i, is_raining in enumerate(rain):
        ground = min(1.0, ground + 0.35) if is_raining else ground * (1 - 0.02 - 0.1 * light[i])
        wet[i] = ground
    dust = np.exp(-3.5 * wet) * np.exp(0.45 * smooth_noise(len(rain), 15, chance)) * (0.8 + 0.6 * season)
    if place.is_quarry:
        dust *= np.where((hour == 15) & np.isin(day % 7, (1, 3)), 4.0, 1.0)
    if place.is_watered:
        dust *= np.where(np.isin(hour, (9, 13)), 0.45, np.where(np.isin(hour, (10, 14)), 0.75, 1.0))
    return np.asarray(dust)


# ---------------------------------------------------------------- work


def _shifts(kind: Kind, sky: _Sky, span: Span, chance: np.random.Generator) -> list[tuple[float, float]]:
    """Begin and end of each time the engine runs. Sundays off but for pumps; heavy rain stops earthworks."""
    spans: list[tuple[float, float]] = []
    begins_h, busy = float(chance.uniform(5.5, 7.5)), float(chance.uniform(0.82, 0.97))
    for day in range(span.all_days):
        is_wet = sky.rain[day * 24 + 6 : day * 24 + 16].mean() > 0.5
        is_off = day % 7 == 6 and kind.works_in_rain < 1
        if is_off or chance.random() > busy * (kind.works_in_rain if is_wet else 1.0):
            continue
        day_s = span.start_s + day * DAY_S
        for first_h, last_h in _hours_of(kind, begins_h, is_wet=is_wet, chance=chance):
            begin_s, end_s = (day_s + HOUR_S * (h + chance.normal(0, 0.08)) for h in (first_h, last_h))
            if chance.random() < 0.94:
                spans.append((begin_s, end_s))
    return spans


def _hours_of(
    kind: Kind, begins_h: float, *, is_wet: bool, chance: np.random.Generator
) -> Sequence[tuple[float, float]]:
    """The hours of a day; a shift with two breaks, or a set that runs through."""
    if kind.works_in_rain == 1:
        return ((1.0, 11.0), (11.8, 23.2)) if is_wet else ((6.0, 12.0), (12.7, 19.0))
    if kind.is_set:
        return ((begins_h, begins_h + 5.5), (begins_h + 6.1, begins_h + 11.5))
    late = chance.exponential(0.5)
    return (
        (begins_h, begins_h + 2.9),
        (begins_h + 3.3, begins_h + 5.8),
        (begins_h + 6.6, begins_h + 10.2 + min(late, 3.0)),
    )


@dataclass(frozen=True, kw_only=True)
class _Engine:
    """An engine at work, a row a reading, shape (n,). Flows are shares of the full one on its site."""

    kind: Kind
    place: Place
    at_s: Floats
    running: Bools
    speed: Floats
    load: Floats
    #: over ambient, 1 without
    boost: Floats
    mass_kg_s: Floats
    flow: Floats
    #: density of the air that is drawn in beside that at which the limit is meant
    dense: Floats
    temperature_c: Floats
    full_kg_s: float
    pressure_pa: float

    @classmethod
    def run(
        cls,
        kind: Kind,
        place: Place,
        sky: _Sky,
        at_s: Floats,
        running: Bools,
        span: Span,
        chance: np.random.Generator,
    ) -> _Engine:
        """States of work in runs, and speed and load that wander within each."""
        speed, load = _speed_and_load(kind, len(at_s), span.interval_s, chance)
        hours = (at_s - sky.start_s) / HOUR_S
        temperature = np.interp(hours, np.arange(len(sky.rain)), sky.temperature_c)
        boost, mass = _air(kind, sky.pressure_pa, speed, load, temperature)
        mean_c = MEAN_TEMPERATURE_C - place.altitude_m * 0.0045
        _, full = _air(kind, sky.pressure_pa, np.ones(1), np.ones(1), np.array([mean_c]))
        dense = (273.15 + mean_c) / (273.15 + temperature)
        return cls(
            kind=kind,
            place=place,
            at_s=at_s,
            running=running,
            speed=np.where(running, speed, 0.0),
            load=np.where(running, load, 0.0),
            boost=np.where(running, boost, 1.0),
            mass_kg_s=np.where(running, mass, 0.0),
            flow=np.where(running, mass / full[0] / dense, 0.0),
            dense=dense,
            temperature_c=temperature,
            full_kg_s=float(full[0]),
            pressure_pa=sky.pressure_pa,
        )

    @cached_property
    def warm(self) -> Floats:
        """How warm the engine bay is, 0 to 1: by the time since the key was turned."""
        starts = np.r_[0, np.flatnonzero(np.diff(self.at_s) > 600.0) + 1]
        last = np.searchsorted(starts, np.arange(len(self.at_s)), side="right") - 1
        return np.asarray(1 - np.exp(-(self.at_s - self.at_s[starts][last]) / 2_400.0))


def _speed_and_load(
    kind: Kind, n: int, interval_s: float, chance: np.random.Generator
) -> tuple[Floats, Floats]:
    states = np.array(kind.states)
    shares = states[:, 0] * np.exp(chance.normal(0, 0.15, len(states)))
    state = in_runs(list(shares / shares.sum()), list(states[:, 1] * 60 / interval_s), n, chance)
    low_n, high_n, low_l, high_l = states[state, 2:].T
    pace_n, pace_l = (
        _even(smooth_noise(n, rows, chance)) for rows in (3 * 60 / interval_s, 2 * 60 / interval_s)
    )
    hard = np.clip(1 + 0.12 * smooth_noise(n, 600 * 60 / interval_s, chance), 0.6, 1.0)
    return low_n + (high_n - low_n) * pace_n, (low_l + (high_l - low_l) * pace_l) * hard


def _even(noise: Floats) -> Floats:
    """Gaussian noise as shares from 0 to 1, nearly even, with a little at both ends."""
    return np.asarray(np.clip(0.5 + 0.36 * noise, 0.0, 1.0))


def _air(
    kind: Kind, pressure_pa: float, speed: Floats, load: Floats, temperature_c: Floats
) -> tuple[Floats, Floats]:
    """Boost over ambient, and kg/s: displacement, volumetric efficiency, boost. Thin air, faster turbine."""
    thin = min((SEA_PA / pressure_pa) ** 0.35, 1.18)
    boost = 1 + (kind.boost * thin - 1) * speed**1.3 * (0.06 + 0.94 * load**1.15)
    filling = 0.92 - 0.3 * (speed - 0.75) ** 2
    charge_k = 273.15 + temperature_c + 28.0 + 30.0 * load
    per_s = kind.litres * 1e-3 * speed * kind.rated_r_min / 120.0
    return boost, filling * per_s * boost * pressure_pa / (GAS_J_KG_K * charge_k)


def _wetness(sky: _Sky, engine: _Engine, span: Span) -> tuple[Floats, Floats]:
    """
    How wet the medium is at each row, 0 to 1, and what has dried by then.

    Rain and mist are drawn in at work. The medium dries in hours at work and in days when it stands, sooner
    in the sun.
    """
    hours = sky.at(engine.at_s)
    works = np.bincount(hours[engine.running], minlength=len(sky.rain)) * span.interval_s / HOUR_S
    wet, dried, now, gone = np.zeros(len(works)), np.zeros(len(works)), 0.0, 0.0
    for i, work in enumerate(np.minimum(works, 1.0)):
        takes = (0.3 * sky.rain[i] + 0.1 * sky.mist[i]) * work + 0.02 * sky.rain[i]
        dries = 0.0 if sky.rain[i] else now * (0.16 * work + 0.012 + 0.05 * sky.sun[i])
        now, gone = now + takes * (1 - now) - dries, gone + dries
        wet[i], dried[i] = now, gone
    place = (engine.at_s - sky.start_s) / HOUR_S - 1.0
    return np.interp(place, np.arange(len(wet)), wet), np.interp(place, np.arange(len(wet)), dried)


def _worked(
    engine: _Engine, sky: _Sky, wet: tuple[Floats, Floats], span: Span, chance: np.random.Generator
) -> Worked:
    """Dust in hours of mean work: what the pre-cleaner passes, by campaigns and behind others; crust."""
    n = len(engine.at_s)
    passes = 1 - 0.88 * engine.flow / (engine.flow + 0.1)
    days = ((engine.at_s - span.start_s) // DAY_S).astype(np.int64)
    campaign = np.exp(0.4 * chance.normal(size=span.all_days // 11 + 2))[days // 11]
    behind = np.exp(0.6 * smooth_noise(n, 25 * 60 / span.interval_s, chance))
    rate = engine.flow * passes * sky.dust[sky.at(engine.at_s)] * campaign * behind
    rate /= rate[engine.running].mean()
    crust = np.diff(wet[1], prepend=wet[1][0]) * HOUR_S / span.interval_s * chance.uniform(1.0, 6.0)
    return worked_of(engine.at_s, engine.running, rate + crust, span.interval_s, span.end_s)


# ---------------------------------------------------------------- elements


@dataclass(frozen=True, kw_only=True)
class _Made:
    """An element: its make, and how this one differs."""

    make: Make
    capacity_h: float
    clean: float


@dataclass(frozen=True, kw_only=True)
class _Physics:
    """How the elements of one machine resist; pressures in Pa."""

    engine: _Engine
    wet: Floats
    limit_pa: float
    housing_pa: float
    medium_pa: float
    life_h: float
    usual: Make
    seed: int

    @classmethod
    def of(
        cls, kind: Kind, engine: _Engine, wet: Floats, limit_pa: float, seed: int, chance: np.random.Generator
    ) -> _Physics:
        """The housing takes a third to a half of a clean element's drop."""
        clean_pa = limit_pa * chance.uniform(0.22, 0.38)
        housing = chance.uniform(0.3, 0.5)
        return cls(
            engine=engine,
            wet=wet,
            limit_pa=limit_pa,
            housing_pa=clean_pa * housing,
            medium_pa=clean_pa * (1 - housing),
            life_h=float(kind.life_h * np.exp(chance.normal(0, 0.25))),
            usual=_drawn(chance),
            seed=seed,
        )

    def new_element(self, at_s: float, chance: np.random.Generator) -> _Made:
        """Of the usual make or what was on the shelf; elements of one delivery are alike."""
        make = self.usual if chance.random() < USUAL else _drawn(chance)
        delivery = np.random.default_rng([self.seed, MAKES.index(make), int(at_s // (DELIVERY_DAYS * DAY_S))])
        spread = 0.15 * delivery.normal() + 0.13 * chance.normal()
        return _Made(
            make=make,
            capacity_h=float(self.life_h * make.capacity * np.exp(spread)),
            clean=float(make.clean * np.exp(0.04 * delivery.normal() + 0.02 * chance.normal())),
        )

    def dry_pa(self, element: Element, dust: Floats) -> Floats:
        """At full flow and mean density."""
        return self._pa(element, dust, 1.0, 1.0, 0.0)

    def full_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        """At full flow in the air and moisture of the rows."""
        return self._pa(element, dust, 1.0, self.engine.dense[rows], self.wet[rows])

    def met_pa(self, element: Element, dust: Floats, rows: Any) -> Floats:
        """At the flow of the rows."""
        return self._pa(element, dust, self.engine.flow[rows], self.engine.dense[rows], self.wet[rows])

    def _pa(self, element: Element, dust: Floats, flow: Any, dense: Any, wet: Any) -> Floats:
        """Housing, medium with dust in its depth, and a compressible cake on an area that closes."""
        made: _Made = element.made
        make, x = made.make, np.asarray(dust) * element.resists / made.capacity_h
        thick = dense**-0.7  # viscosity falls with the cold that makes air dense
        into = 1 - np.exp(-x / make.into)
        open_ = _open(make, x)
        medium = self.medium_pa * made.clean * np.exp(make.depth * into) / open_ * flow * thick
        cake = self._squeezed(make, _cake(make, x) / open_ * flow * thick)
        swollen = 1 + make.swells * wet * (0.5 + 0.5 * np.minimum(x, 1.0))
        return np.asarray(self.housing_pa * dense * flow**1.9 + element.resists * swollen * (medium + cake))

    def _squeezed(self, make: Make, load: Any) -> Any:
        """A cake's drop rises with a power of mass and flow; a plain element is at the limit at capacity."""
        one = np.ones(1)
        at_one = _cake(make, one) / _open(make, one)
        medium = (
            self.medium_pa * make.clean * np.exp(make.depth * (1 - np.exp(-1 / make.into))) / _open(make, one)
        )
        rest_pa = max(float((self.limit_pa - self.housing_pa - medium)[0]), 0.15 * self.limit_pa)
        return rest_pa * (load / at_one) ** (1 / (1 - make.squeeze))


def _drawn(chance: np.random.Generator) -> Make:
    return MAKES[int(chance.choice(len(MAKES), p=[make.share for make in MAKES]))]


def _open(make: Make, x: Floats) -> Floats:
    """The share of the area that dust between the pleats leaves."""
    return np.asarray(1 - make.closing * np.minimum(x, 1.2) ** 2)


def _cake(make: Make, x: Floats) -> Floats:
    """Dust on the surface: all that no longer goes into the depth."""
    return np.asarray(np.maximum(x - make.into * (1 - np.exp(-x / make.into)), 0.0))


# ---------------------------------------------------------------- what is sent


def _stepped(values: Floats, step: float) -> Floats:
    return np.asarray(np.round(values / step) * step)


def _bus(
    proxy: Proxy, engine: _Engine, worked: Worked, sky: _Sky, chance: np.random.Generator
) -> tuple[Mapping[str, Floats], Mapping[str, str]]:
    """What follows flow, by its proxy, and what else a machine happens to send."""
    n, kind, on = len(engine.at_s), engine.kind, engine.running
    blur = 1 + 0.012 * chance.normal(size=n)  # the bus and the gauge are not read at the same second
    speed = _stepped(np.where(on, engine.speed * kind.rated_r_min * blur, 0.0), 0.125)
    load = _stepped(np.clip(100 * engine.load + 2.0 * on * chance.normal(size=n), 0, 125), 1.0)
    bus: dict[str, Floats] = {}
    units: dict[str, str] = {}
    if proxy is not Proxy.NOTHING:
        bus["engine_speed"], units["engine_speed"] = speed, "r/min"
    if proxy is Proxy.SPEED_AND_LOAD or (proxy is Proxy.BOOST and chance.random() < 0.5):
        bus["engine_load"], units["engine_load"] = load, "%"
    if proxy is Proxy.BOOST:
        boost = (engine.boost - 1) * engine.pressure_pa / 1_000 * blur
        bus["boost_pressure"], units["boost_pressure"] = _stepped(boost, 2.0), "kPa"
        charge = engine.temperature_c + 28.0 + 30.0 * engine.load + 1.5 * chance.normal(size=n)
        bus["intake_temperature"], units["intake_temperature"] = _stepped(charge, 1.0), "Cel"
    if proxy is Proxy.MASS_FLOW:
        fouled = 1 - chance.uniform(0.0, 0.06) * (engine.at_s - sky.start_s) / (110 * DAY_S)
        flow = (
            engine.mass_kg_s * 3600 * chance.normal(1.0, 0.02) * fouled * (1 + 0.02 * chance.normal(size=n))
        )
        bus["air_mass_flow"], units["air_mass_flow"] = np.maximum(_stepped(flow, 0.05), 0.0), "kg/h"
    has_hours, has_air, has_volts = chance.random(3) < (0.6, 0.35, 0.5)
    if has_hours:
        hours = worked.hours + chance.uniform(300.0, 14_000.0)
        bus["engine_hours"], units["engine_hours"] = np.floor(hours / 0.05) * 0.05, "h"
    if has_air:
        air = engine.temperature_c + 4.0 * engine.warm + 0.5 * chance.normal(size=n)
        bus["air_temperature"], units["air_temperature"] = _stepped(air, 0.5), "Cel"
    if has_volts:
        volts = np.where(on, 27.7, 25.2) + 0.15 * chance.normal(size=n)
        bus["supply_voltage"], units["supply_voltage"] = _stepped(volts, 0.05), "V"
    return bus, units


def _gauges(
    number: int, engine: _Engine, worked: Worked, chance: np.random.Generator
) -> tuple[tuple[Sense, ...], Mapping[str, str]]:
    """A pair of absolute sensors on one machine in four, two gauges on one in eight, else one gauge."""
    if number % 4 == 1:
        return (_pair(engine, worked, chance),), {"ambient_pressure": "kPa", "intake_pressure": "kPa"}
    unit, pa_in_unit = (("kPa", 1_000.0), ("Pa", 1.0), ("mbar", 100.0), ("inH2O", 249.08891))[
        int(chance.choice(4, p=(0.55, 0.15, 0.15, 0.15)))
    ]
    count = 2 if number % 8 == 3 else 1
    made = tuple(_gauge(engine, worked, pa_in_unit, chance) for _ in range(count))
    return made, {"restriction": unit}


def _error_pa(engine: _Engine, worked: Worked, chance: np.random.Generator) -> Floats:
    """Of zero: with the warmth of the engine bay, and slowly over the season."""
    bay_c = engine.temperature_c + 35.0 * engine.warm
    thermal = chance.normal(0, 0.4) * (bay_c - 25.0)
    drift = chance.normal(0, 20.0) * (engine.at_s - engine.at_s[0]) / (110 * DAY_S)
    return np.asarray((thermal + drift + chance.normal(0, 15.0))[: worked.end])


def _gauge(engine: _Engine, worked: Worked, pa_in_unit: float, chance: np.random.Generator) -> Sense:
    """Noise in proportion to the drop (the flow pulses), and steps of 5 or 50 Pa."""
    error, gain = _error_pa(engine, worked, chance), chance.normal(1.0, 0.015)
    noise, pulses, step_pa = chance.uniform(6.0, 25.0), chance.uniform(0.01, 0.03), chance.choice((5.0, 50.0))

    def sense(shown_pa: Floats, chance: np.random.Generator) -> Mapping[str, Floats]:
        spread = np.hypot(noise, pulses * shown_pa)
        pa = gain * shown_pa + error + spread * chance.normal(size=len(shown_pa))
        return {"restriction": _stepped(pa, step_pa) / pa_in_unit}

    return sense


def _pair(engine: _Engine, worked: Worked, chance: np.random.Generator) -> Sense:
    """Two absolute sensors: weather moves both, each has its own noise, steps of 10 Pa."""
    error = _error_pa(engine, worked, chance)
    days = (engine.at_s[: worked.end] - engine.at_s[0]) / DAY_S
    phase, noise = chance.uniform(0, 2 * np.pi), chance.uniform(10.0, 25.0)
    ambient = engine.pressure_pa + 700 * np.sin(2 * np.pi * days / 9.3 + phase) + 300 * np.sin(days)

    def sense(shown_pa: Floats, chance: np.random.Generator) -> Mapping[str, Floats]:
        n = len(shown_pa)
        intake = ambient - shown_pa - error + noise * chance.normal(size=n)
        return {
            "ambient_pressure": _stepped(ambient + noise * chance.normal(size=n), 10.0) / 1_000,
            "intake_pressure": _stepped(intake, 10.0) / 1_000,
        }

    return sense


def _rated(proxy: Proxy, engine: _Engine) -> ReferenceFlow | None:
    """Full flow by the papers: rated speed, or the mass flow on the site."""
    if proxy is Proxy.NOTHING:
        return None
    if proxy is Proxy.MASS_FLOW:
        value = float(np.round(engine.full_kg_s * 3600, -1))
        return ReferenceFlow(quantity="air_mass_flow", value=value, unit="kg/h")
    return ReferenceFlow(quantity="engine_speed", value=engine.kind.rated_r_min, unit="r/min")
