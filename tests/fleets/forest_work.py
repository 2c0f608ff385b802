"""
How the machines of the forest work: jobs, operators, days, and the air that their engines draw.

See `forest` for the sources.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from tests.fleets.forest_sky import GAS_J_KG_K, LAPSE_K_M, MEAN_C, SEA_PA, Sky, standard_pa
from tests.fleets.making import Span
from tests.fleets.rows import in_runs, rows_of, smooth_noise
from tests.fleets.truth import DAY_S, HOUR_S, Bools, Floats, Ints

#: the terminal, the valley, the ridge [m]
SITES_M, AT_SITE = (30.0, 340.0, 980.0), (0.35, 0.4, 0.25)
JOB_DAYS, HIRE_DAYS, BETWEEN_DAYS = (
    (12.0, 45.0),
    (5.0, 25.0),
    (0.8, 6.0),
)  # of a job, of a hire, between; chosen
JOB_TILTS, HIRE_TILTS = 0.2, 0.55  # deviation of the log of each state's share with a job; chosen
ECO, ECO_SPEED = 0.35, 0.88  # of the weeks of an operator are driven in the economy mode; chosen
HARD = (0.78, 1.0)  # of the load that an operator asks for; chosen
WAITS, WAITS_LONG = 0.04, 0.3  # of the days idle; of the machines idle for two to four days once; chosen
IDLES_BELOW_C, FAST_BELOW_C = -9.0, -5.0  # breaks are idled through; the idle is raised; chosen
THAW_DAYS, THAW_OFF = (
    (48, 64),
    0.55,
)  # roads closed to heavy loads: common practice in the north; share chosen

EGR, EGR_ABOVE_C, EGR_AFTER_S = 0.2, 0.0, 480.0  # at part load; neither cold intake nor cold engine; chosen
FILTERED, CLEANS_EVERY_H, CLEANS_H = 0.5, (16.0, 35.0), (0.4, 0.75)  # of machines: particle filter; chosen
THROTTLED = 0.72  # of the fresh air while a particle filter is cleaned; chosen
LEAKING, LEAKS, LEAKS_DAYS = 0.2, (0.03, 0.09), (15.0, 50.0)  # of machines: charge air hose; chosen
MOST_RATIO = 1.12  # of the compressor beside that at sea level; beyond it the engine has less; chosen

State = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, kw_only=True)
class Kind:
    """A kind of machine: engine, days, and what it draws in."""

    name: str
    litres: float
    rated_r_min: float
    idle: float
    #: absolute boost over sea level at rated speed and load
    boost: float
    life_h: float
    pattern: str
    #: share, mean minutes; speed and load as shares of rated, low and high; the first is idle
    states: tuple[State, ...]
    #: of its dust that is bark, chips and soot and comes in every season
    debris: float
    is_set: bool = False
    is_hired: bool = False
    stops_in_thaw: bool = False


KINDS = (
    Kind(
        name="harvester", litres=9.0, rated_r_min=1850.0, idle=0.43, boost=2.4, life_h=190.0, pattern="two",
        states=((0.15, 4, 0.43, 0.45, 0.06, 0.14), (0.55, 25, 0.84, 0.9, 0.25, 0.85),
                (0.3, 6, 0.8, 1.0, 0.5, 1.0)), debris=0.75,
    ),
    Kind(
        name="forwarder", litres=7.4, rated_r_min=1900.0, idle=0.42, boost=2.2, life_h=170.0, pattern="two",
        states=((0.15, 5, 0.42, 0.44, 0.06, 0.14), (0.4, 15, 0.62, 0.75, 0.2, 0.6),
                (0.45, 18, 0.75, 1.0, 0.4, 1.0)), debris=0.5, stops_in_thaw=True,
    ),
    Kind(
        name="log-loader", litres=10.5, rated_r_min=1900.0, idle=0.40, boost=2.3, life_h=150.0, pattern="day",
        states=((0.3, 4, 0.40, 0.43, 0.06, 0.15), (0.7, 9, 0.5, 1.0, 0.15, 1.0)), debris=0.5,
    ),
    Kind(
        name="chipper", litres=13.0, rated_r_min=1700.0, idle=0.98, boost=2.7, life_h=95.0, pattern="spells",
        states=((0.2, 5, 0.99, 1.01, 0.08, 0.15), (0.45, 1.5, 0.93, 1.0, 0.85, 1.05),
                (0.35, 2, 0.97, 1.01, 0.3, 0.7)), debris=0.8, is_set=True,
    ),
    Kind(
        name="road-grader", litres=8.7, rated_r_min=2000.0, idle=0.40, boost=2.2, life_h=130.0, pattern="day",
        states=((0.2, 6, 0.40, 0.43, 0.06, 0.13), (0.5, 25, 0.72, 0.95, 0.4, 0.95),
                (0.3, 20, 0.8, 1.0, 0.2, 0.6)), debris=0.2,
    ),
    Kind(
        name="timber-truck", litres=14.0, rated_r_min=1700.0, idle=0.36, boost=2.8, life_h=260.0,
        pattern="road", states=((0.2, 8, 0.36, 0.42, 0.05, 0.2), (0.5, 12, 0.62, 0.8, 0.2, 0.75),
                (0.2, 4, 0.75, 1.0, 0.85, 1.0), (0.1, 4, 0.7, 1.0, 0.0, 0.05)),
        debris=0.3, stops_in_thaw=True,
    ),
    Kind(
        name="kiln-set", litres=12.4, rated_r_min=1500.0, idle=0.99, boost=2.5, life_h=330.0, pattern="set",
        states=((0.12, 90, 0.995, 1.0, 0.1, 0.12), (0.2, 50, 0.99, 1.0, 0.34, 0.36),
                (0.28, 60, 0.985, 0.995, 0.54, 0.56), (0.25, 45, 0.98, 0.99, 0.74, 0.76),
                (0.15, 30, 0.975, 0.985, 0.92, 0.95)), debris=0.85, is_set=True,
    ),
    Kind(
        name="lift-truck", litres=4.4, rated_r_min=2200.0, idle=0.38, boost=1.9, life_h=160.0, pattern="day",
        states=((0.4, 5, 0.38, 0.42, 0.06, 0.16), (0.6, 6, 0.5, 1.0, 0.15, 1.0)), debris=0.4, is_hired=True,
    ),
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class Job:
    """What a machine is used for, from an instant on."""

    start_s: float
    end_s: float
    altitude_m: float
    dust: float
    #: of the states' shares
    tilts: tuple[float, ...]


def jobs_of(kind: Kind, span: Span, chance: np.random.Generator) -> list[Job]:
    """One after the other; a hired machine stands between two."""
    jobs, at_s, altitude_m = [], span.start_s, float(chance.choice(SITES_M, p=AT_SITE))
    while at_s < span.start_s + span.all_days * DAY_S:
        days = chance.uniform(*(HIRE_DAYS if kind.is_hired else JOB_DAYS))
        tilts = np.exp((HIRE_TILTS if kind.is_hired else JOB_TILTS) * chance.normal(size=len(kind.states)))
        job = Job(
            start_s=at_s,
            end_s=at_s + days * DAY_S,
            altitude_m=altitude_m,
            dust=float(np.exp(0.4 * chance.normal())),
            tilts=tuple(tilts),
        )
        jobs.append(job)
        at_s = job.end_s + (chance.uniform(*BETWEEN_DAYS) * DAY_S if kind.is_hired else 0.0)
        if not kind.is_set and chance.random() < 0.5:
            altitude_m = float(chance.choice(SITES_M, p=AT_SITE))
    return jobs


@dataclass(frozen=True, kw_only=True)
class Engine:
    """An engine at work, a row a reading, shape (n,). Air is a share of the full one at the home site."""

    kind: Kind
    at_s: Floats
    running: Bools
    #: since the key was turned [s]
    since_s: Floats
    speed: Floats
    load: Floats
    altitude_m: Floats
    ambient_pa: Floats
    temperature_c: Floats
    #: in the manifold, absolute
    manifold_pa: Floats
    charge_c: Floats
    #: fresh air by mass
    air: Floats
    dust: Floats
    full_kg_s: float
    #: the air at which the limit is meant
    mean_pa: float
    mean_c: float
    notes: dict[str, float]

    @property
    def warm(self) -> Floats:
        """How warm the engine bay is, 0 to 1, by the time since the key was turned; 40 minutes, chosen."""
        return np.asarray(1 - np.exp(-self.since_s / 2_400.0))

    @property
    def bay_c(self) -> Floats:
        """Where the monitor sits; a warm bay is 38 K above the outside, chosen."""
        return np.asarray(self.temperature_c + 38.0 * self.warm)

    @property
    def dense(self) -> Floats:
        """Density of the air that is drawn in beside that at which the limit is meant."""
        return np.asarray(
            self.ambient_pa / self.mean_pa * (273.15 + self.mean_c) / (273.15 + self.temperature_c)
        )


def air_of(
    kind: Kind, speed: Floats, load: Floats, ambient_pa: Floats, temperature_c: Floats, egr: Floats
) -> tuple[Floats, Floats, Floats]:
    """
    Manifold pressure [Pa], charge temperature [degC] and fresh air [kg/s], shape (n,).

    The control holds the manifold's absolute pressure while the compressor can; Heywood's filling.
    """
    ratio = 1 + (kind.boost - 1) * np.clip(speed, 0, 1.05) ** 1.2 * (0.05 + 0.95 * np.clip(load, 0, 1.1))
    drive = np.clip(speed, 0, 1.05) ** 1.2 * (0.1 + 0.9 * np.clip(load, 0, 1.1) ** 0.7)  # chosen
    manifold_pa = np.minimum(ratio * SEA_PA, (1 + (kind.boost * MOST_RATIO - 1) * drive) * ambient_pa)
    charge_c = temperature_c + 16.0 + 22.0 * load * speed + 30.0 * egr
    filling = 0.91 - 0.25 * (speed - 0.7) ** 2
    per_s = kind.litres * 1e-3 * speed * kind.rated_r_min / 120.0
    total = filling * per_s * manifold_pa / (GAS_J_KG_K * (273.15 + charge_c))
    return manifold_pa, charge_c, total * (1 - egr)


def egr_of(speed: Floats, load: Floats) -> Floats:
    """Exhaust that is led back, as a share of the charge: most at part load, little at full; chosen."""
    return np.asarray(EGR * np.clip(np.sin(np.pi * np.clip(load, 0, 1)), 0.15, 1.0) * (speed < 1.02))


def engine_for(kind: Kind, sky: Sky, span: Span, lead_s: float, chance: np.random.Generator) -> Engine:
    """The work of one machine."""
    jobs = jobs_of(kind, span, chance)
    spans, idles = _spans(kind, sky, jobs, span, chance)
    at_s, running = rows_of(spans, span.interval_s, lead_s)
    job = np.clip(np.searchsorted([job.start_s for job in jobs], at_s, side="right") - 1, 0, None)
    altitude_m = np.array([one.altitude_m for one in jobs])[job]
    home_m = float(np.median(altitude_m))
    temperature_c = sky.along(sky.temperature_c, at_s) - LAPSE_K_M * altitude_m
    ambient_pa = standard_pa(altitude_m) + sky.along(sky.synoptic_pa, at_s)
    since_s = _since(at_s)
    is_idle = np.zeros(len(at_s), dtype=np.bool_)
    for begin_s, end_s in idles:
        is_idle |= (at_s >= begin_s) & (at_s < end_s)
    speed, load = _asked(kind, jobs, at_s, job, is_idle, span, chance)
    is_slow = speed < 1.15 * kind.idle
    speed = np.where(is_slow & (temperature_c < FAST_BELOW_C) & ~np.array(kind.is_set), speed * 1.15, speed)
    hours: Floats = np.cumsum(running, dtype=np.float64) * span.interval_s / HOUR_S
    cleans = _cleanings(hours, chance)
    speed = np.where(cleans & is_slow & (not kind.is_set), 0.55, speed)
    egr = egr_of(speed, load) * (temperature_c > EGR_ABOVE_C) * (since_s > EGR_AFTER_S) * ~cleans
    manifold_pa, charge_c, fresh = air_of(kind, speed, load, ambient_pa, temperature_c, egr)
    mean_pa, mean_c = float(standard_pa(np.array([home_m]))[0]), MEAN_C - LAPSE_K_M * home_m
    one = np.ones(1)
    _, _, full = air_of(kind, one, one, mean_pa * one, mean_c * one, egr_of(one, one))
    leak, leaks_at = _leak(at_s, span, chance)
    fresh = fresh * np.where(cleans, THROTTLED, 1.0) * (1 + leak * np.clip(load * speed, 0, 1))
    return Engine(
        kind=kind,
        at_s=at_s,
        running=running,
        since_s=since_s,
        speed=np.where(running, speed, 0.0),
        load=np.where(running, load, 0.0),
        altitude_m=altitude_m,
        ambient_pa=ambient_pa,
        temperature_c=temperature_c,
        manifold_pa=np.where(running, np.maximum(manifold_pa, 0.97 * ambient_pa), ambient_pa),
        charge_c=charge_c,
        air=np.where(running, fresh / full[0], 0.0),
        dust=np.array([one.dust for one in jobs])[job],
        full_kg_s=float(full[0]),
        mean_pa=mean_pa,
        mean_c=mean_c,
        notes={"home_m": home_m, "leaks_at_day": leaks_at, "cleans_share": float(cleans.mean())},
    )


def _since(at_s: Floats) -> Floats:
    starts = np.r_[0, np.flatnonzero(np.diff(at_s) > 600.0) + 1]
    last = np.searchsorted(starts, np.arange(len(at_s)), side="right") - 1
    return np.asarray(at_s - at_s[starts][last])


def _cleanings(hours: Floats, chance: np.random.Generator) -> Bools:
    """Rows at which a particle filter is cleaned by heat, on the machines that have one."""
    cleans, next_h = np.zeros(len(hours), dtype=np.bool_), chance.uniform(0.0, CLEANS_EVERY_H[1])
    has_filter = chance.random() < FILTERED
    while has_filter and next_h < hours[-1]:
        ends_h = next_h + chance.uniform(*CLEANS_H)
        cleans |= (hours >= next_h) & (hours < ends_h)
        next_h = ends_h + chance.uniform(*CLEANS_EVERY_H)
    return cleans


def _leak(at_s: Floats, span: Span, chance: np.random.Generator) -> tuple[Floats, float]:
    """Charge air that is lost behind the compressor, and from which day; -1: never."""
    is_leaking, when = chance.random(2)
    size, days = chance.uniform(*LEAKS), chance.uniform(*LEAKS_DAYS)
    begin_s = span.start_s + when * span.days * DAY_S
    is_now = (at_s >= begin_s) & (at_s < begin_s + days * DAY_S) & (is_leaking < LEAKING)
    return size * is_now, float(when * span.days) if is_now.any() else -1.0


def _asked(
    kind: Kind,
    jobs: Sequence[Job],
    at_s: Floats,
    job: Ints,
    is_idle: Bools,
    span: Span,
    chance: np.random.Generator,
) -> tuple[Floats, Floats]:
    """Speed and load by states, jobs and operators; shape (n,)."""
    rows, states = 60.0 / span.interval_s, np.array(kind.states)
    state = np.zeros(len(at_s), dtype=np.int64)
    for number, one in enumerate(jobs):
        here = np.flatnonzero(job == number)
        if len(here):
            shares = states[:, 0] * np.array(one.tilts)
            state[here] = in_runs(list(shares / shares.sum()), list(states[:, 1] * rows), len(here), chance)
    state[is_idle] = 0
    low_n, high_n, low_l, high_l = states[state, 2:].T
    pace_n, pace_l = (
        np.clip(0.5 + 0.36 * smooth_noise(len(at_s), max(minutes * rows, 1.0), chance), 0, 1)
        for minutes in (3.0, 1.5)
    )
    week = ((at_s - span.start_s) // (7 * DAY_S)).astype(np.int64)
    late = (((at_s - span.start_s) % DAY_S) > 13.7 * HOUR_S).astype(np.int64)
    eco = chance.random((int(week.max()) + 1, 2)) < (0.0 if kind.is_set else ECO)
    hard = chance.uniform(*HARD, size=eco.shape)
    speed, load = low_n + (high_n - low_n) * pace_n, low_l + (high_l - low_l) * pace_l
    works = state > 0
    speed = np.where(works & eco[week, late], np.maximum(speed * ECO_SPEED, kind.idle), speed)
    return speed, np.where(works & (not kind.is_set), load * hard[week, late], load)


# ---------------------------------------------------------------- days

Spells = list[tuple[float, float]]


def _spans(
    kind: Kind, sky: Sky, jobs: Sequence[Job], span: Span, chance: np.random.Generator
) -> tuple[Spells, Spells]:
    """When the engine runs, and when it only idles."""
    begins_h = float(chance.uniform(5.2, 7.2))
    waits_from = int(chance.integers(4, span.days)) if chance.random() < WAITS_LONG else -1
    waits_days = int(chance.integers(2, 5))
    spans: Spells = []
    idles: Spells = []
    for day in range(span.all_days):
        day_s = span.start_s + day * DAY_S
        if not any(job.start_s <= day_s + 8 * HOUR_S < job.end_s for job in jobs):
            continue
        if waits_from <= day < waits_from + waits_days and waits_from >= 0 and not kind.is_set:
            spans.append((day_s + 0.1 * HOUR_S, day_s + 23.5 * HOUR_S))
            idles.append(spans[-1])
            continue
        is_closed = kind.stops_in_thaw and THAW_DAYS[0] <= day < THAW_DAYS[1] and chance.random() < THAW_OFF
        if is_closed or (day % 7 == 6 and kind.pattern != "set") or chance.random() < 0.07:
            continue
        made = [
            (day_s + HOUR_S * (a + chance.normal(0, 0.06)), day_s + HOUR_S * (b + chance.normal(0, 0.06)))
            for a, b in _hours_of(kind.pattern, begins_h, day % 7, chance)
        ]
        if chance.random() < WAITS and not kind.is_set:
            idles.append((made[0][0], made[-1][1]))
        spans += _joined(made, sky, idles)
    return list(_apart(spans)), idles


def _hours_of(
    pattern: str, begins_h: float, weekday: int, chance: np.random.Generator
) -> Sequence[tuple[float, float]]:
    """The hours of a day's runs by its pattern."""
    rest = chance.uniform(0.3, 0.9)
    if pattern == "two":
        return (
            *((begins_h, 9.6), (9.6 + rest, 13.4)),
            *((14.1, 17.8), (17.8 + rest, 22.2)),
        )[: 2 if weekday == 5 else 4]
    if pattern == "road":
        cuts = np.sort(chance.uniform(begins_h + 1.5, 16.5, 3))
        edges = [begins_h - 1.0, *cuts, 17.6]
        return tuple((a + chance.uniform(0.3, 0.6), b) for a, b in pairwise(edges))
    if pattern == "set":
        if weekday == 6:
            return ((10.0, 18.0),) if chance.random() < 0.3 else ()
        stop = chance.uniform(7.0, 15.0)
        return ((0.05, stop), (stop + rest, 23.9)) if chance.random() < 0.6 else ((0.05, 23.9),)
    if pattern == "spells":
        turns = begins_h + 1.0 + np.cumsum(chance.uniform(0.6, 2.4, 8))
        return tuple((turns[i], turns[i + 1]) for i in (0, 2, 4, 6))[: int(chance.integers(2, 5))]
    return (
        *((begins_h, begins_h + 2.6), (begins_h + 2.9, begins_h + 5.6)),
        (begins_h + 5.6 + rest, begins_h + 9.6 + min(chance.exponential(0.6), 3.0)),
    )


def _joined(made: Sequence[tuple[float, float]], sky: Sky, idles: Spells) -> Spells:
    """In hard frost the engine idles through the breaks of the day."""
    spans: Spells = []
    for begin_s, end_s in made:
        is_cold = sky.temperature_c[sky.hours(np.array([begin_s]))[0]] < IDLES_BELOW_C
        if spans and is_cold and 0 < begin_s - spans[-1][1] < 1.2 * HOUR_S:
            idles.append((spans[-1][1], begin_s))
            spans[-1] = (spans[-1][0], end_s)
        else:
            spans.append((begin_s, end_s))
    return spans


def _apart(spans: Spells) -> Iterator[tuple[float, float]]:
    """The runs that are long enough and begin after the one before."""
    last_s = -np.inf
    for begin_s, end_s in sorted(spans):
        if begin_s > last_s + 480.0 and end_s - begin_s > 600.0:
            last_s = end_s
            yield begin_s, end_s
