"""
Elements that load with the dust they meet: one after the other in a housing, each to its end.

The curve is the one seen on the open test bench: of the span from clean to terminal, the share of life used
to a power. Life is counted in dust met, so a wet week or a quiet site stretches it.
Promises: pure and seeded; the truth is known beyond the year, so that an element changed early, or still
running, has its hours to terminal too.
Leaves to others: noise, weather in the media and faults (`monitor`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cleanside.simulator.difficulty import Difficulty, Floats, drawn, spread_factor
from cleanside.simulator.roster import Member, member_random

MAX_USED_AT_FITTING = 0.8  # share of its life the first element has behind it when the monitor comes; chosen
MAX_USED = 1.6  # no element is driven further; keeps the curve within a sensor's range


@dataclass(frozen=True, kw_only=True, slots=True)
class Element:
    """What was in the housing from one opening to the next. Hours are operating hours of the machine."""

    start_h: float
    end_h: float
    began: str  # "running" (it was in when the monitor came), "new" or "cleaned"
    ended: str  # "terminal", "early", "cleaned" or "running" (at the end of what was simulated)
    clean_pa: float
    power: float
    #: share of life used at the start, and dust met by the machine until then [h of mean dust]
    used_at_start: float
    dust_at_start: float
    #: dust from new to terminal [h of mean dust]
    length: float
    #: operating hours of the machine at which terminal is reached; NaN: not within what was simulated
    terminal_h: float

    def used(self, dust: Floats) -> Floats:
        """Share of life used when the machine has met so much dust; any shape."""
        return np.clip(self.used_at_start + (dust - self.dust_at_start) / self.length, 0.0, MAX_USED)

    def level_pa(self, dust: Floats, terminal_pa: float) -> Floats:
        """Restriction at full flow in the mean air of the machine's sites. [Pa]"""
        return np.asarray(self.clean_pa + (terminal_pa - self.clean_pa) * self.used(dust) ** self.power)


def make_elements(
    member: Member, difficulty: Difficulty, *, dust: Floats, openings_h: Floats, seed: int
) -> list[Element]:
    """
    All elements of one machine, in order.

    dust : dust met after each operating hour, shape (hours + 1,), from 0. [h of mean dust]
    openings_h : operating hours at which the engine stands, rising; an element is changed at one of them.
    """
    random = member_random(seed, member.number, "elements")
    elements: list[Element] = []
    start_h = 0.0
    while start_h < openings_h[-1]:
        elements.append(_next_element(member, difficulty, random, dust, openings_h, start_h, elements))
        start_h = elements[-1].end_h
    return elements


def dust_at(dust: Floats, hours: Floats) -> Floats:
    """Dust met at any operating hour, by straight lines between whole hours."""
    return np.interp(hours, np.arange(len(dust), dtype=np.float64), dust)


def element_at(elements: Sequence[Element], hours: Floats) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    """Number of the element in the housing at each operating hour."""
    starts = np.array([element.start_h for element in elements])
    return np.maximum(np.searchsorted(starts, hours, side="right") - 1, 0)


def _next_element(
    member: Member,
    difficulty: Difficulty,
    random: np.random.Generator,
    dust: Floats,
    openings_h: Floats,
    start_h: float,
    before: Sequence[Element],
) -> Element:
    change, loading = difficulty["change"], difficulty["loading"]
    met = float(dust_at(dust, np.array([start_h]))[0])
    clean_pa = member.clean_pa * spread_factor(random, loading["clean_spread"])
    power = loading["power"] * spread_factor(random, loading["power_spread"])
    length = member.life_h * spread_factor(random, loading["life_spread"])
    used, began = 0.0, "new"
    if not before:
        used, began = float(random.uniform(0.0, MAX_USED_AT_FITTING)), "running"
    elif before[-1].ended == "cleaned":
        last = before[-1]
        clean_pa, power, length = (
            last.clean_pa,
            last.power,
            last.length / drawn(random, change["cleaned_pace"]),
        )
        left = float(last.used(np.array([met]))[0]) ** power * drawn(random, change["cleaned_left"])
        used, began = left ** (1 / power), "cleaned"
    ended, used_at_end, late_h = _way_out(random, change, power, used)
    hours = np.arange(len(dust), dtype=np.float64)
    wanted = met + (used_at_end - used) * length
    out_h = float(np.interp(wanted, dust, hours, right=np.inf)) + late_h
    opening = int(np.searchsorted(openings_h, max(out_h, start_h + 1e-6)))
    if opening >= len(openings_h) - 1:
        ended, end_h = "running", float(openings_h[-1])
    else:
        end_h = float(openings_h[opening])
    return Element(
        start_h=start_h,
        end_h=end_h,
        began=began,
        ended=ended,
        clean_pa=clean_pa,
        power=power,
        used_at_start=used,
        dust_at_start=met,
        length=length,
        terminal_h=float(np.interp(met + (1.0 - used) * length, dust, hours, right=np.nan)),
    )


def _way_out(
    random: np.random.Generator, change: dict[str, Any], power: float, used: float
) -> tuple[str, float, float]:
    """How an element ends, at which share of life, and how many operating hours after that."""
    draws = random.random(2)
    late_h = drawn(random, change["late_h"])
    cleaned, early = (drawn(random, change[name]) for name in ("cleaned_share", "early_share"))
    if draws[0] < change["cleaned"]:
        return "cleaned", max(cleaned ** (1 / power), used + 0.1), 0.0
    if draws[1] < change["at_terminal"]:
        return "terminal", 1.0, late_h
    return "early", max(early ** (1 / power), used + 0.1), 0.0
