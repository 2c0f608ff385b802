"""
One machine of the large fleet through a year, put together: work, weather, elements, faults, readings.

Promises: pure and seeded: the same number, seed and length give the same year, to the last bit.
Leaves to others: writing it down (`truth`), sending it (`fleet_live`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cleanside.simulator.causes import make_causes
from cleanside.simulator.difficulty import Difficulty, Floats
from cleanside.simulator.loading import dust_at, element_at, make_elements
from cleanside.simulator.monitor import Link, Measured, World, make_link, measure
from cleanside.simulator.roster import Member, make_member
from cleanside.simulator.weather import make_place, wet_rise
from cleanside.simulator.work import DAY_S, Cycles, light_spans, make_cycles

BEYOND_DAYS = 240  # simulated beyond the end, so that the last elements have a truth too


@dataclass(frozen=True, kw_only=True, slots=True)
class Year:
    """One machine: what is true, and what was measured."""

    world: World
    #: power cycles of the year and of the time beyond it
    every_cycle: Cycles
    wet_spells: list[tuple[float, float, float]]
    link: Link
    measured: Measured

    @property
    def member(self) -> Member:
        """Whose year it is."""
        return self.world.member


@dataclass(frozen=True, kw_only=True, slots=True)
class TrueHours:
    """Truth at each operating hour and at each key-off. Arrays, shape (n,)."""

    at_s: Floats
    operating_h: Floats
    #: index of the element in the housing
    element: np.ndarray[tuple[int], np.dtype[np.int64]]
    level_pa: Floats
    #: operating hours until terminal; below 0: beyond it; NaN: later than what was simulated
    hours_left: Floats


def live(
    number: int, difficulty: Difficulty, *, start_s: float, days: int, seed: int, cadence_s: float
) -> Year:
    """Machine `number` from `start_s`, a midnight in seconds since 1970, for `days`."""
    member = make_member(number, difficulty, seed)
    every = make_cycles(member, difficulty, start_s=start_s, days=days + BEYOND_DAYS, seed=seed)
    in_year = int(np.searchsorted(every.on_s, start_s + days * DAY_S))
    cycles = Cycles(every.on_s[:in_year], every.off_s[:in_year])
    place = make_place(member, difficulty, start_s=start_s, days=days + BEYOND_DAYS, seed=seed)
    before = every.hours_before
    whole_hours = np.arange(int(before[-1]) + 2, dtype=np.float64)
    pace = place.dust[place.day(every.at_hours(whole_hours[:-1]))]
    dust = np.concatenate(([0.0], np.cumsum(pace)))
    elements = make_elements(member, difficulty, dust=dust, openings_h=before, seed=seed)
    hours = float(cycles.hours_before[-1])
    wet, spells = wet_rise(member, difficulty, hours=int(hours) + 2, days=days, seed=seed)
    world = World(
        member=member,
        difficulty=difficulty,
        seed=seed,
        start_s=start_s,
        days=days,
        cycles=cycles,
        place=place,
        light=light_spans(member, difficulty, start_s=start_s, days=days, seed=seed),
        dust=dust,
        wet=wet,
        elements=elements,
        causes=make_causes(member, difficulty, elements, hours=hours, days=days, seed=seed),
    )
    link = make_link(member, difficulty, start_s=start_s, days=days, seed=seed)
    measured = measure(world, link, cadence_s=cadence_s)
    return Year(world=world, every_cycle=every, wet_spells=spells, link=link, measured=measured)


def true_hours(year: Year) -> TrueHours:
    """What is true at each whole operating hour and at each key-off of the year."""
    world = year.world
    before = world.cycles.hours_before
    hours = np.unique(np.concatenate((np.arange(int(before[-1]) + 1, dtype=np.float64), before[1:] - 1e-6)))
    element = element_at(world.elements, hours)
    dust = dust_at(world.dust, hours)
    level, left = np.empty(len(hours)), np.empty(len(hours))
    for i in np.unique(element):
        mine = element == i
        level[mine] = world.elements[i].level_pa(dust[mine], world.member.terminal_pa)
        left[mine] = world.elements[i].terminal_h - hours[mine]
    at_s = world.cycles.at_hours(hours)
    return TrueHours(at_s=at_s, operating_h=hours, element=element, level_pa=level, hours_left=left)
