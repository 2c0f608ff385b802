"""
What the monitors of one machine measure through a year: an engine that breathes, an element that loads, a
sensor with faults of its own; and what of it arrives, when, and under which time.

Promises: pure and seeded. Restriction follows mass flow to a power and goes with 1 / density; it is stated at
the machine's full flow in the mean air of its sites, where the element's curve is defined.
Leaves to others: when it works (`work`), how the element loads (`loading`), what is wrong (`causes`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from cleanside.simulator.causes import Cause
from cleanside.simulator.difficulty import DAYS_A_YEAR, Difficulty, Floats, drawn, drawn_count
from cleanside.simulator.loading import Element, dust_at, element_at
from cleanside.simulator.roster import Member, member_random
from cleanside.simulator.weather import SEA_LEVEL_PA, Whereabouts, wander
from cleanside.simulator.work import DAY_S, HOUR_S, Cycles, Engine, run_engine, within

DRY_AIR_J_PER_KG_K = 287.05287  # ISO 2533
CHARGE_K, CHARGE_LOAD_K = 20.0, 15.0  # intake manifold above ambient, idle and full load; common practice
OFF_NOISE_PA = 10.0  # the engine stands still: no vibration, no pulsation
OFF_AT_END_SHARE = 0.5  # key-offs before which the engine stands for one reading
SECOND_CADENCE = 5  # the second monitor reports every fifth time
BOOST_STEP_PA = 2_000.0  # SAE J1939 SPN 102: 2 kPa a bit
VOLTS_RUNNING, VOLTS_OFF = 1.16, 1.01  # of the system's nominal voltage; common practice

Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, slots=True)
class Measured:
    """Readings of one machine in the order they were taken. Columns of shape (n,), SI units."""

    at_s: Floats  # as placed in time, seconds since 1970
    taken_s: Floats  # when it was in truth
    cycle: npt.NDArray[np.int64]  # power cycle it was taken in
    arrived_s: Floats  # when it reached the server
    device: npt.NDArray[np.int8]  # 1 or 2
    columns: dict[str, Floats]  # NaN = absent


@dataclass(frozen=True, kw_only=True, slots=True)
class World:
    """What is true of one machine through the year."""

    member: Member
    difficulty: Difficulty
    seed: int
    start_s: float
    days: int
    cycles: Cycles  # those of the year
    place: Whereabouts
    light: list[tuple[float, float, float]]
    dust: Floats
    wet: Floats
    elements: list[Element]
    causes: list[Cause]


@dataclass(frozen=True, kw_only=True, slots=True)
class Link:
    """Spans [s] without coverage, and spans in which nothing was recorded."""

    gaps: list[tuple[float, float]]
    unseen: list[tuple[float, float]]


def make_link(member: Member, difficulty: Difficulty, *, start_s: float, days: int, seed: int) -> Link:
    """When the machine has no coverage, and when its monitor records nothing."""
    random = member_random(seed, member.number, "link")
    link = difficulty["link"]

    def spans(count: list[int], lasts_days: list[float]) -> list[tuple[float, float]]:
        times = random.binomial(drawn_count(random, count), min(1.0, days / DAYS_A_YEAR))
        firsts_s = start_s + random.uniform(0, days, times) * DAY_S
        return sorted((float(s), float(s) + drawn(random, lasts_days) * DAY_S) for s in firsts_s)

    return Link(
        gaps=spans(link["coverage_gaps"], link["coverage_gap_days"]),
        unseen=spans(link["unseen_spans"], link["unseen_days"]),
    )


def full_flow_kg_s(world: World) -> float:
    """Mass flow at full speed and load in the mean air of the machine's sites: where terminal is stated."""
    pressure, kelvin = _mean_air(world)
    one = np.ones(1)
    return float(_mass_flow(world.member, Engine(one, one), one * pressure, one * kelvin)[0])


def site_kg_m3(world: World) -> float:
    """Density of the mean air of the machine's sites."""
    pressure, kelvin = _mean_air(world)
    return pressure / (DRY_AIR_J_PER_KG_K * kelvin)


def _mean_air(world: World) -> tuple[float, float]:
    """Pressure [Pa] and temperature [K], means over the year."""
    return float(np.mean(world.place.pressure_pa)), float(np.mean(world.place.year_k))


def measure(world: World, link: Link, *, cadence_s: float) -> Measured:
    """All readings of the year that ever arrive, with the faults of sensor, link and clock."""
    member, difficulty = world.member, world.difficulty
    random = member_random(world.seed, member.number, "monitor")
    at_s, cycle, running = _instants(world.cycles, cadence_s, random)
    hours = world.cycles.hours_before[cycle] + (at_s - world.cycles.on_s[cycle]) / HOUR_S
    engine = run_engine(member, difficulty, at_s, light=world.light, seed=world.seed)
    day = world.place.day(at_s)
    kelvin, pressure = world.place.temperature_k(at_s), world.place.pressure_pa[day]
    flow = np.where(running, _mass_flow(member, engine, pressure, kelvin), 0.0)
    density = pressure / (DRY_AIR_J_PER_KG_K * kelvin) / site_kg_m3(world)
    answer = (flow / full_flow_kg_s(world)) ** member.flow_exponent / density
    level, clean = _level(world, hours, at_s, random)
    common = _engine_columns(world, engine, running, pressure, kelvin, flow, random)
    common["ambient_pressure_pa"] = common["ambient_pressure_pa"] + _steps(world.causes, "ambient", hours)
    common["altitude_m"] = np.round(world.place.altitude_m[day] + random.normal(0.0, 4.0, len(at_s)))
    placed_s, lost = _clock(difficulty, at_s, cycle, len(world.cycles.on_s), random)
    arrived_s = _arrival(at_s, link)
    seen = ~lost
    for from_s, until_s in link.unseen:
        seen &= ~within(at_s, from_s, until_s)
    devices = []
    for device in (1, 2) if member.second_device else (1,):
        keep = seen if device == 1 else seen & (np.arange(len(at_s)) % SECOND_CADENCE == 0)
        sensed = _sensed(world, device, hours, level, clean, answer, running, random)
        devices.append((np.full(int(keep.sum()), device, dtype=np.int8), keep, sensed[keep]))
    rows = np.concatenate([np.flatnonzero(keep) for _, keep, _ in devices])
    columns = {name: column[rows] for name, column in common.items()}
    columns["restriction_pa"] = np.concatenate([sensed for _, _, sensed in devices])
    return Measured(
        at_s=placed_s[rows],
        taken_s=at_s[rows],
        cycle=cycle[rows],
        arrived_s=arrived_s[rows],
        device=np.concatenate([number for number, _, _ in devices]),
        columns=columns,
    )


def _instants(
    cycles: Cycles, cadence_s: float, random: np.random.Generator
) -> tuple[Floats, npt.NDArray[np.int64], Flags]:
    """When readings are taken, in which power cycle, and does the engine run; at key-on it does not yet."""
    counts = np.maximum(3, ((cycles.off_s - cycles.on_s) / cadence_s).astype(np.int64))
    cycle = np.repeat(np.arange(len(counts)), counts)
    row = np.arange(len(cycle)) - np.repeat(np.cumsum(counts) - counts, counts)
    running = row > 0
    stands = random.random(len(counts)) < OFF_AT_END_SHARE
    running &= ~((row == counts[cycle] - 1) & stands[cycle])
    return cycles.on_s[cycle] + row * cadence_s, cycle, running


def _mass_flow(member: Member, engine: Engine, pressure_pa: Floats, kelvin: Floats) -> Floats:
    """Air the engine draws: displacement times density in the manifold. [kg/s]"""
    boost = (1.0 + member.boost_ratio * engine.load * engine.speed) / (1.0 + member.boost_ratio)
    manifold_k = kelvin + CHARGE_K + CHARGE_LOAD_K * engine.load
    reference_k = 288.15 + CHARGE_K + CHARGE_LOAD_K
    return np.asarray(
        member.full_flow_kg_s * engine.speed * boost * pressure_pa / SEA_LEVEL_PA * reference_k / manifold_k
    )


def _level(world: World, hours: Floats, at_s: Floats, random: np.random.Generator) -> tuple[Floats, Floats]:
    """Restriction at full flow in the mean air with wander and water, and the element's clean one. [Pa]"""
    noise = world.difficulty["level"]
    dust = dust_at(world.dust, hours)
    number = element_at(world.elements, hours)
    level, clean = np.empty(len(hours)), np.empty(len(hours))
    for i in np.unique(number):
        mine = number == i
        element = world.elements[i]
        level[mine] = element.level_pa(dust[mine], world.member.terminal_pa)
        clean[mine] = element.clean_pa
    rows = int(hours.max()) + 1 if len(hours) else 0
    moving = wander(random, rows, noise["fast"], noise["fast_h"])
    moving += wander(random, rows, noise["slow"], noise["slow_h"])
    moving += random.normal(0.0, noise["white"], rows) if noise["white"] else 0.0
    hour = hours.astype(np.int64)
    swing = noise["day_swing"] * np.sin(at_s / DAY_S * 2 * np.pi + random.uniform(0, 2 * np.pi))
    factor = np.exp(moving[hour] + swing) * (1.0 + world.wet[hour])
    return level * factor, clean * factor


def _sensed(
    world: World,
    device: int,
    hours: Floats,
    level: Floats,
    clean: Floats,
    answer: Floats,
    running: Flags,
    random: np.random.Generator,
) -> Floats:
    """What one of the monitors reads, with its zero, noise, faults and resolution. [Pa]"""
    sensor = world.difficulty["sensor"]
    level = level.copy()
    gain = np.ones(len(level))
    at_tap = answer * level
    mine = [cause for cause in world.causes if cause.device in (0, device)]
    for cause in mine:
        now = (hours >= cause.from_h) & (hours < cause.until_h)
        if cause.cause == "below_clean":
            at_tap[now] = answer[now] * clean[now] * cause.size
        elif cause.cause == "flat":
            stuck = cause.held * float(np.median(level[now])) if now.any() else 0.0
            at_tap[now] = stuck + cause.size * (at_tap[now] - stuck)
        elif cause.cause == "devices_disagree":
            gain[now] = cause.size
    zero = drawn(random, sensor["zero_pa"]) + sensor["zero_wander_pa"] * np.sin(
        hours / 400.0 + random.uniform(0, 6)
    )
    noise = random.normal(0.0, 1.0, len(level)) * np.where(running, sensor["noise_pa"], OFF_NOISE_PA)
    read = gain * at_tap + zero + noise + _steps(mine, "zero_moved", hours)
    return np.asarray(np.round(read / sensor["step_pa"]) * sensor["step_pa"])


def _steps(causes: Sequence[Cause], name: str, hours: Floats) -> Floats:
    """What causes of one name add at each operating hour."""
    added = np.zeros(len(hours))
    for cause in causes:
        if cause.cause == name:
            added[(hours >= cause.from_h) & (hours < cause.until_h)] += cause.size
    return added


def _engine_columns(
    world: World,
    engine: Engine,
    running: Flags,
    pressure_pa: Floats,
    kelvin: Floats,
    flow: Floats,
    random: np.random.Generator,
) -> dict[str, Floats]:
    """The other values on the machine's bus, in SI units and the bus's resolution."""
    member, n = world.member, len(running)
    noise = 1.0 + random.normal(0.0, world.difficulty["work"]["proxy_noise"], n)
    volts = member.system_v * np.where(running, VOLTS_RUNNING, VOLTS_OFF) + random.normal(0.0, 0.05, n)
    columns: dict[str, Floats] = {
        "supply_voltage_v": np.round(volts / 0.05) * 0.05,  # SPN 168: 0.05 V a bit
        "air_temperature_k": np.round(kelvin - 273.15) + 273.15,  # SPN 171 and 172: in whole degrees here
        "ambient_pressure_pa": np.round(pressure_pa / 500.0) * 500.0,  # SPN 108: 0.5 kPa a bit
    }
    if member.proxy == "nothing":
        return columns
    speed = np.where(running, engine.speed * member.rated_r_min + random.normal(0.0, 5.0, n), 0.0)
    columns["engine_speed_rad_s"] = np.asarray(np.round(speed) * (2 * np.pi / 60.0), dtype=np.float64)
    if member.proxy == "air_mass_flow":
        columns["air_mass_flow_kg_s"] = np.round(flow * noise, 4)
    if member.proxy == "boost":
        boost = np.where(running, pressure_pa * member.boost_ratio * engine.load * engine.speed * noise, 0.0)
        columns["boost_pressure_pa"] = np.round(boost / BOOST_STEP_PA) * BOOST_STEP_PA
        manifold_k = kelvin + np.where(running, CHARGE_K + CHARGE_LOAD_K * engine.load, 0.0)
        columns["intake_temperature_k"] = np.round(manifold_k - 273.15) + 273.15  # SPN 105: 1 degree a bit
    return columns


def _clock(
    difficulty: Difficulty,
    at_s: Floats,
    cycle: npt.NDArray[np.int64],
    cycles: int,
    random: np.random.Generator,
) -> tuple[Floats, Flags]:
    """Times as placed, and which readings can never be placed."""
    link = difficulty["link"]
    fate = random.random(cycles)
    off_s = random.uniform(-link["clock_off_s"], link["clock_off_s"], cycles)
    lost = fate < link["clock_lost_share"]
    off = ~lost & (fate < link["clock_lost_share"] + link["clock_off_share"])
    return at_s + np.where(off, off_s, 0.0)[cycle], lost[cycle]


def _arrival(at_s: Floats, link: Link) -> Floats:
    """When each reading reaches the server: at once, or at the end of the coverage gap it was taken in."""
    arrived = at_s.copy()
    for from_s, until_s in link.gaps:
        inside = within(at_s, from_s, until_s)
        arrived[inside] = np.maximum(arrived[inside], until_s)
    return arrived
