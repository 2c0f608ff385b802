"""
How the machines of the moor work: seasons, days, states, operators, and the air that their engines draw.

See `moor` for the sources.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from tests.fleets.making import Span
from tests.fleets.moor_sky import GAS_J_KG_K, LAPSE_K_M, SEA_PA, STATION_M, Sky, standard_pa
from tests.fleets.rows import in_runs, rows_of, smooth_noise
from tests.fleets.truth import DAY_S, HOUR_S, Bools, Floats, Ints
from tests.fleets.upkeep import LEAST_BREAK_S

#: sand by the river, the moor, the pass [m]; the shares of machines that have their home there
SITES_M, AT_HOME = (40.0, STATION_M, 1_350.0), (0.35, 0.45, 0.2)
MOVES = 0.3  # of the machines change site with their task; chosen
MEAN_C = 8.0  # at `STATION_M`: the air at which the limit is meant

KEYED = 0.12  # of the days the key is on for a while without the engine; chosen
KEYED_H = (0.2, 1.5)
REBOOTS = 0.5  # of the machines have a monitor that restarts now and then; chosen
LOSSES = 0.35  # have spells without supply, of which nothing is ever sent; chosen
OPERATOR_DAYS = 24.0  # mean time with one operator; chosen
SPARING = (0.84, 1.0)  # of the speed that an operator uses; chosen

#: air of a turbocharged set at constant speed by load, as shares of full: load tables, from memory
SET_LOAD, SET_AIR = (0.0, 0.25, 0.5, 0.75, 1.0, 1.1), (0.42, 0.52, 0.67, 0.84, 1.0, 1.06)
AFTERCOOLER_K = (8.0, 22.0)  # air of the manifold above the outside, and more by boost; chosen
WARMS_S, COOLS_S = 2_400.0, 7_200.0  # engine bay at work, and with the engine off; chosen
BAY_K = 42.0  # of a warm bay above the outside; chosen

State = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, kw_only=True)
class Task:
    """What a machine does for some days."""

    name: str
    #: how often it is the next task
    share: float
    days: tuple[float, float]
    #: how a day is laid out
    pattern: str
    #: share, mean minutes; speed and load as shares of rated, low and high
    states: tuple[State, ...]
    #: of the days without work, Sundays among them
    off: float = 0.2
    #: in the air beside the mean
    dust: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A kind of machine."""

    name: str
    litres: float
    rated_r_min: float
    #: manifold over ambient pressure at rated speed and load; 1: naturally aspirated
    boost: float
    life_h: float
    tasks: tuple[Task, ...]
    #: of the charge that is exhaust at middle load
    exhaust: float = 0.0
    is_set: bool = False
    has_cyclone: bool = True
    #: what the cooling fan does at the intake at rated speed [Pa]
    fan_pa: float = 0.0


_IDLE: State = (0.2, 5, 0.38, 0.40, 0.05, 0.12)
KINDS = (
    Kind(
        name="peat-tractor", litres=6.7, rated_r_min=2100.0, boost=2.3, life_h=150.0, exhaust=0.15,
        fan_pa=55.0,
        tasks=(
            Task(name="milling", share=0.4, days=(8, 20), pattern="long", off=0.1, dust=2.4,
                 states=((0.1, 4, 0.4, 0.42, 0.05, 0.12), (0.9, 25, 0.88, 0.96, 0.6, 0.95))),
            Task(name="carting", share=0.4, days=(7, 18), pattern="shift",
                 states=(_IDLE, (0.8, 6, 0.5, 0.9, 0.1, 0.55))),
            Task(name="parked", share=0.2, days=(4, 12), pattern="quick", off=0.8,
                 states=((1.0, 10, 0.4, 0.6, 0.05, 0.2),)),
        ),
    ),
    Kind(
        name="dumper", litres=8.9, rated_r_min=2000.0, boost=2.4, life_h=170.0, exhaust=0.1, fan_pa=-40.0,
        tasks=(
            Task(name="hauling", share=0.6, days=(8, 25), pattern="shift", dust=1.5,
                 states=(_IDLE, (0.5, 6, 0.8, 1.0, 0.6, 1.0), (0.3, 5, 0.7, 1.02, 0.0, 0.15))),
            Task(name="sowing", share=0.4, days=(8, 20), pattern="bits", dust=0.5,
                 states=(_IDLE, (0.8, 8, 0.45, 0.7, 0.1, 0.4))),
        ),
    ),
    Kind(
        name="excavator", litres=7.2, rated_r_min=1900.0, boost=2.2, life_h=190.0, exhaust=0.12,
        tasks=(
            Task(name="breaking", share=0.45, days=(6, 18), pattern="shift", dust=1.8,
                 states=((0.15, 5, 0.5, 0.52, 0.08, 0.15), (0.85, 50, 0.97, 1.0, 0.3, 1.0))),
            Task(name="dressing", share=0.55, days=(8, 24), pattern="shift", dust=0.6,
                 states=((0.3, 6, 0.5, 0.52, 0.08, 0.15), (0.7, 60, 0.7, 0.74, 0.15, 0.6))),
        ),
    ),
    Kind(
        name="prime-set", litres=12.5, rated_r_min=1500.0, boost=2.4, life_h=330.0, is_set=True, fan_pa=35.0,
        tasks=(
            Task(name="works", share=0.5, days=(10, 30), pattern="round", off=0.04,
                 states=((0.2, 90, 0.995, 1.0, 0.2, 0.3), (0.4, 150, 0.99, 1.0, 0.45, 0.6),
                         (0.4, 120, 0.985, 0.995, 0.7, 0.98))),
            Task(name="camp", share=0.5, days=(10, 30), pattern="round", off=0.04, dust=0.6,
                 states=((0.7, 240, 0.995, 1.0, 0.12, 0.3), (0.3, 80, 0.99, 1.0, 0.35, 0.55))),
        ),
    ),
    Kind(
        name="standby-set", litres=15.0, rated_r_min=1500.0, boost=2.5, life_h=260.0, is_set=True,
        has_cyclone=False,
        tasks=(
            Task(name="waiting", share=0.7, days=(12, 30), pattern="test", off=0.0,
                 states=((1.0, 60, 0.998, 1.002, 0.0, 0.03),)),
            Task(name="outage", share=0.3, days=(1, 3), pattern="outage", off=0.0,
                 states=((0.3, 60, 0.99, 1.0, 0.3, 0.5), (0.7, 60, 0.985, 1.0, 0.6, 0.9))),
        ),
    ),
    Kind(
        name="drain-pump", litres=4.4, rated_r_min=1500.0, boost=1.0, life_h=300.0, is_set=True,
        tasks=(
            Task(name="draining", share=0.6, days=(6, 20), pattern="wet", off=0.05,
                 states=((1.0, 200, 0.97, 1.0, 0.6, 0.9),)),
            Task(name="keeping", share=0.4, days=(6, 20), pattern="bits", off=0.15,
                 states=((1.0, 60, 0.98, 1.0, 0.4, 0.7),)),
        ),
    ),
    Kind(
        name="compressor", litres=6.1, rated_r_min=2200.0, boost=2.0, life_h=160.0, fan_pa=60.0,
        tasks=(
            Task(name="drilling", share=0.5, days=(6, 16), pattern="shift", dust=2.2,
                 states=((0.25, 4, 0.62, 0.64, 0.2, 0.3), (0.75, 12, 0.95, 1.0, 0.75, 0.98))),
            Task(name="tools", share=0.5, days=(6, 20), pattern="bits", dust=0.8,
                 states=((0.8, 7, 0.62, 0.64, 0.2, 0.3), (0.2, 3, 0.8, 1.0, 0.5, 0.85))),
        ),
    ),
    Kind(
        name="chipper", litres=4.5, rated_r_min=2400.0, boost=1.0, life_h=120.0, has_cyclone=False,
        fan_pa=25.0,
        tasks=(
            Task(name="clearing", share=0.4, days=(5, 12), pattern="long", off=0.1, dust=1.6,
                 states=((0.2, 4, 0.4, 0.45, 0.05, 0.1), (0.8, 9, 0.9, 1.0, 0.2, 1.0))),
            Task(name="verges", share=0.6, days=(8, 24), pattern="quick", off=0.25,
                 states=((0.3, 4, 0.4, 0.45, 0.05, 0.1), (0.7, 6, 0.8, 0.98, 0.2, 0.8))),
        ),
    ),
    Kind(
        name="shunter", litres=18.0, rated_r_min=1800.0, boost=2.5, life_h=240.0, exhaust=0.08,
        tasks=(
            Task(name="ballast", share=0.45, days=(6, 16), pattern="long", off=0.1, dust=1.7,
                 states=((0.3, 9, 0.36, 0.37, 0.05, 0.1), (0.2, 4, 0.54, 0.56, 0.3, 0.4),
                         (0.2, 5, 0.77, 0.79, 0.55, 0.7), (0.3, 8, 0.98, 1.0, 0.85, 1.0))),
            Task(name="yard", share=0.55, days=(8, 24), pattern="quick", off=0.25,
                 states=((0.5, 5, 0.36, 0.37, 0.05, 0.1), (0.5, 3, 0.54, 0.56, 0.2, 0.4))),
        ),
    ),
)  # fmt: skip


# ---------------------------------------------------------------- days


@dataclass(frozen=True, kw_only=True)
class Rows:
    """When the key is on, a row a reading, shape (n,)."""

    at_s: Floats
    running: Bools
    #: operating hours by each row, those without readings included
    hours: Floats
    #: place of the task in those of the kind; site [m]
    task: Ints
    altitude_m: Floats
    home_m: float

    @cached_property
    def step_h(self) -> Floats:
        """Operating hours since the row before."""
        return np.diff(self.hours, prepend=0.0)

    @cached_property
    def starts(self) -> Ints:
        """First rows after the key was off for long, the very first included."""
        return np.r_[0, np.flatnonzero(np.diff(self.at_s) >= LEAST_BREAK_S) + 1].astype(np.int64)


@dataclass(frozen=True, kw_only=True)
class _Spell:
    begin_s: float
    end_s: float
    task: int
    altitude_m: float
    runs: bool = True


def rows_for(kind: Kind, sky: Sky, span: Span, chance: np.random.Generator) -> Rows:
    """The rows of a machine over the record and after."""
    home_m = float(chance.choice(SITES_M, p=AT_HOME))
    spells = _apart(list(_spells(kind, sky, span, home_m, chance)), span)
    lead_s = float(chance.uniform(40.0, 240.0))
    at_s, running = rows_of([(s.begin_s, s.end_s) for s in spells], span.interval_s, lead_s)
    begins_s = np.array([s.begin_s for s in spells]) - lead_s
    place = np.clip(np.searchsorted(begins_s, at_s, side="right") - 1, 0, None)
    running &= np.array([s.runs for s in spells])[place]
    hours: Floats = np.cumsum(running, dtype=np.float64) * span.interval_s / HOUR_S
    sent = _sent(at_s, span, chance)
    return Rows(
        at_s=at_s[sent],
        running=running[sent],
        hours=hours[sent],
        task=np.array([s.task for s in spells])[place][sent],
        altitude_m=np.array([s.altitude_m for s in spells])[place][sent],
        home_m=home_m,
    )


def _spells(kind: Kind, sky: Sky, span: Span, home_m: float, chance: np.random.Generator) -> Iterator[_Spell]:
    moves = bool(chance.random() < MOVES) and kind.name != "standby-set"
    begins_h = float(chance.uniform(5.5, 7.5))
    weights = np.array([task.share for task in kind.tasks])
    task, until, altitude_m = -1, 0.0, home_m
    for day in range(span.all_days):
        if day >= until:
            others = np.where(np.arange(len(weights)) == task, 0.0, weights)
            task = int(chance.choice(len(weights), p=others / others.sum()))
            until = day + chance.uniform(*kind.tasks[task].days)
            altitude_m = float(chance.choice(SITES_M)) if moves else home_m
        day_s = span.start_s + day * DAY_S
        is_wet = bool(sky.rain[day * 24 : day * 24 + 24].mean() > 0.4)
        doing = kind.tasks[task]
        if chance.random() < KEYED:
            begin_s = day_s + chance.uniform(3.0, 22.0) * HOUR_S
            end_s = begin_s + chance.uniform(*KEYED_H) * HOUR_S
            yield _Spell(begin_s=begin_s, end_s=end_s, task=task, altitude_m=altitude_m, runs=False)
        is_off = chance.random() < doing.off or (day % 7 == 6 and doing.pattern in ("shift", "bits"))
        for first_h, last_h in () if is_off else _day(doing.pattern, day, begins_h, chance, is_wet=is_wet):
            begin_s = day_s + first_h * HOUR_S
            yield _Spell(
                begin_s=begin_s,
                end_s=day_s + min(last_h, 23.7) * HOUR_S,
                task=task,
                altitude_m=altitude_m,
            )


def _day(
    pattern: str, day: int, begins_h: float, chance: np.random.Generator, *, is_wet: bool
) -> list[tuple[float, float]]:
    """Hours of the day at which the engine runs."""
    begins_h += chance.normal(0, 0.15)
    if pattern == "round" or (pattern == "wet" and is_wet):
        stops_h = chance.uniform(9.0, 15.0)
        return [(0.3, stops_h), (stops_h + chance.uniform(0.4, 1.2), 23.6)]
    if pattern == "long":
        rests_h = begins_h + chance.uniform(5.5, 8.0)
        return [(3.0, begins_h + 4.0), (begins_h + 4.7, rests_h), (rests_h + 0.6, 23.4)]
    if pattern == "quick":
        first_h = chance.uniform(7.0, 15.0)
        return [(first_h, first_h + chance.uniform(0.15, 0.45))]
    if pattern == "bits":
        at_h = np.sort(chance.uniform(begins_h, 17.0, int(chance.integers(3, 8))))
        return [(float(h), float(h + chance.uniform(0.15, 1.1))) for h in at_h]
    if pattern == "outage":
        first_h = chance.uniform(1.0, 12.0)
        return [(first_h, first_h + chance.uniform(1.5, 11.0))]
    if pattern == "test":
        if day % 28 == 2:  # without load; NFPA 110 asks for 30 minutes a month, with load
            return [(9.0, 9.55)]
        return [(9.0, 9.2)] if day % 7 == 2 else []
    pause_h = begins_h + chance.uniform(3.6, 4.8)
    return [(begins_h, pause_h), (pause_h + chance.uniform(0.4, 0.9), begins_h + chance.uniform(8.6, 10.4))]


def _apart(spells: list[_Spell], span: Span) -> list[_Spell]:
    """In order, none into another, each of two rows at least. Work goes before a key turned on without it."""
    made: list[_Spell] = []
    apart_s = 4 * span.interval_s
    for spell in sorted(spells, key=lambda s: (not s.runs, s.begin_s)):
        is_free = all(
            spell.begin_s >= other.end_s + apart_s or spell.end_s + apart_s <= other.begin_s
            for other in made[-40:] + ([] if spell.runs else made)
        )
        if is_free and spell.begin_s >= span.start_s and spell.end_s - spell.begin_s >= 2 * span.interval_s:
            made.append(spell)
    return sorted(made, key=lambda s: s.begin_s)


def _sent(at_s: Floats, span: Span, chance: np.random.Generator) -> Bools:
    """False for rows at which the monitor restarts or has no supply."""
    sent = np.ones(len(at_s), dtype=bool)
    end_s = span.start_s + span.all_days * DAY_S
    has_reboots, has_losses = chance.random(2) < (REBOOTS, LOSSES)
    lengths_s = [
        *(chance.uniform(120.0, 720.0, 25 if has_reboots else 0)),
        *(chance.uniform(4.0, 50.0, 3 if has_losses else 0) * HOUR_S),
    ]
    for length_s in lengths_s:
        begin_s = chance.uniform(span.start_s + DAY_S, end_s)
        sent &= (at_s < begin_s) | (at_s >= begin_s + length_s)
    return sent


# ---------------------------------------------------------------- engine


@dataclass(frozen=True, kw_only=True)
class Demand:
    """How an engine's air differs from its papers, shape (n,) each, 1 where it does not."""

    what: str
    air: Floats
    #: how much of it the boost shows
    in_boost: bool = False


def demand_of(kind: Kind, rows: Rows, span: Span, chance: np.random.Generator) -> Demand:
    """A change of a few per cent on half of the machines: slowly, or at a service."""
    n = len(rows.at_s)
    share = np.clip((rows.at_s - span.start_s) / (span.days * DAY_S), 0.0, 1.5)
    row = int(chance.choice(rows.starts))
    after = (np.arange(n) >= row).astype(np.float64)
    draw, size = chance.random(2)
    if draw < 0.15 and kind.boost > 1:
        return Demand(what="turbo wear", air=1 - (0.015 + 0.045 * size) * share, in_boost=True)
    if draw < 0.25 and kind.boost > 1:
        return Demand(what="retuned", air=1 + (0.10 * size - 0.04) * after, in_boost=True)
    if draw < 0.35:
        return Demand(what="injectors", air=1 + (0.015 + 0.03 * size) * after)
    if draw < 0.45:
        return Demand(what="valves", air=1 - (0.015 + 0.03 * size) * share)
    if draw < 0.52:
        return Demand(what="derated", air=np.where(after > 0, 0.88 + 0.06 * size, 1.0), in_boost=True)
    return Demand(what="as new", air=np.ones(n))


@dataclass(frozen=True, kw_only=True)
class Engine:
    """An engine at work, shape (n,) each; 0 with the engine off."""

    kind: Kind
    rows: Rows
    speed: Floats
    load: Floats
    #: over ambient, 1 without
    boost: Floats
    #: by volume, as a share of full flow at home
    flow: Floats
    mass_kg_s: Floats
    temperature_c: Floats
    ambient_pa: Floats
    #: density beside that at which the limit is meant
    dense: Floats
    full_kg_s: float
    demand: Demand

    @cached_property
    def bay_c(self) -> Floats:
        """The engine bay: warms at work, and is still warm after a short break."""
        warm, left = np.zeros(len(self.rows.at_s)), 0.0
        ends = np.r_[self.rows.starts[1:], len(warm)]
        for first, end in zip(self.rows.starts, ends, strict=True):
            if first:
                left = warm[first - 1] * np.exp(
                    -(self.rows.at_s[first] - self.rows.at_s[first - 1]) / COOLS_S
                )
            since_s = self.rows.at_s[first:end] - self.rows.at_s[first]
            gone = np.exp(-since_s / WARMS_S)
            aim = 0.45 + 0.55 * self.load[first:end].mean() if self.rows.running[first:end].any() else 0.0
            warm[first:end] = aim + (left - aim) * gone
        return np.asarray(self.temperature_c + BAY_K * warm)


def engine_for(kind: Kind, rows: Rows, sky: Sky, span: Span, chance: np.random.Generator) -> Engine:
    """States in runs, an operator who spares or does not, and the air that follows."""
    speed, load = _speed_and_load(kind, rows, span.interval_s, chance)
    speed, load = np.where(rows.running, speed, 0.0), np.where(rows.running, load, 0.0)
    temperature = sky.between(sky.temperature_c, rows.at_s) - LAPSE_K_M * (rows.altitude_m - STATION_M)
    ambient_pa = standard_pa(rows.altitude_m) + sky.between(sky.weather_pa, rows.at_s)
    home_c, home_pa = MEAN_C - LAPSE_K_M * (rows.home_m - STATION_M), standard_pa(np.array([rows.home_m]))
    demand = demand_of(kind, rows, span, chance)
    boost, per_s = air_of(kind, speed, load, temperature, ambient_pa)
    one = np.ones(1)
    _, full_per_s = air_of(kind, one, one, np.array([home_c]), home_pa)
    density = ambient_pa / (GAS_J_KG_K * (273.15 + temperature))
    home_density = float(home_pa[0]) / (GAS_J_KG_K * (273.15 + home_c))
    per_s = np.where(rows.running, per_s * demand.air, 0.0)
    return Engine(
        kind=kind,
        rows=rows,
        speed=speed,
        load=load,
        boost=np.where(rows.running, np.maximum(boost * (demand.air if demand.in_boost else 1.0), 1.0), 1.0),
        flow=per_s / full_per_s[0],
        mass_kg_s=per_s * density,
        temperature_c=temperature,
        ambient_pa=ambient_pa,
        dense=density / home_density,
        full_kg_s=float(full_per_s[0]) * home_density,
        demand=demand,
    )


def air_of(
    kind: Kind, speed: Floats, load: Floats, temperature_c: Floats, ambient_pa: Floats
) -> tuple[Floats, Floats]:
    """
    Boost over ambient, and air that is drawn in [m3/s at the intake], shape (n,).

    Displacement, volumetric efficiency, and density of the charge over that outside: Heywood (1988) ch. 2, 6.
    Thin air turns a turbocharger faster, up to 15 % more boost here.
    """
    thin = np.minimum((SEA_PA / ambient_pa) ** 0.3, 1.15)
    if kind.is_set and kind.boost > 1:
        full = np.interp(load, SET_LOAD, SET_AIR) / SET_AIR[0] - 1
        boost = 1 + (kind.boost - 1) * thin * full / (1 / SET_AIR[0] - 1)
    else:
        boost = 1 + (kind.boost - 1) * thin * speed**1.2 * (0.08 + 0.92 * load**1.05)
    filling = 0.93 - 0.25 * (speed - 0.7) ** 2
    outside_k = 273.15 + temperature_c
    charge = boost * outside_k / (outside_k + AFTERCOOLER_K[0] + AFTERCOOLER_K[1] * (boost - 1))
    exhaust = kind.exhaust * 4 * load * np.clip(1 - load, 0.0, 1.0) * (temperature_c > 2.0)
    swept = kind.litres * 1e-3 * speed * kind.rated_r_min / 120.0
    return boost, filling * swept * charge * (1 - exhaust)


def _speed_and_load(
    kind: Kind, rows: Rows, interval_s: float, chance: np.random.Generator
) -> tuple[Floats, Floats]:
    n = len(rows.at_s)
    speed, load = np.zeros(n), np.zeros(n)
    pace, push = (_even(smooth_noise(n, minutes * 60 / interval_s, chance)) for minutes in (3, 2))
    for place, task in enumerate(kind.tasks):
        states = np.array(task.states)
        shares = states[:, 0] * np.exp(chance.normal(0, 0.12, len(states)))
        state = in_runs(list(shares / shares.sum()), list(states[:, 1] * 60 / interval_s), n, chance)
        low_n, high_n, low_l, high_l = states[state, 2:].T
        here = rows.task == place
        speed[here] = (low_n + (high_n - low_n) * pace)[here]
        load[here] = (low_l + (high_l - low_l) * push)[here]
    if kind.is_set:
        return speed, load
    spares = _operators(rows, chance)
    return np.where(speed > 0.45, np.maximum(speed * spares, 0.42), speed), load * (0.5 + 0.5 * spares)


def _operators(rows: Rows, chance: np.random.Generator) -> Floats:
    """How fast the operator of each row drives, as a share of what the task has."""
    days = (rows.at_s - rows.at_s[0]) / DAY_S
    begins = np.cumsum(chance.exponential(OPERATOR_DAYS, 40))
    return np.asarray(chance.uniform(*SPARING, 41)[np.searchsorted(begins, days)])


def _even(noise: Floats) -> Floats:
    """Gaussian noise as shares from 0 to 1, nearly even."""
    return np.asarray(np.clip(0.5 + 0.36 * noise, 0.0, 1.0))
