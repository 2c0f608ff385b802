"""
Who is in the large fleet: machines of the gravel plateau with their papers, monitors and habits.

Promises: pure and seeded; machine number i is the same whatever the size of the fleet.
Leaves to others: what happens to them (`work`, `loading`, `causes`) and what is measured (`monitor`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from cleanside.gateway.units import to_si
from cleanside.simulator.difficulty import Difficulty, Floats, drawn, spread_factor

PROXIES = ("air_mass_flow", "boost", "speed", "nothing")


@dataclass(frozen=True, kw_only=True, slots=True)
class Member:
    """One machine of the fleet."""

    number: int
    name: str
    kind: str
    #: terminal restriction as the papers say it, and in Pa
    terminal: float
    terminal_unit: str
    terminal_pa: float
    #: what its monitor knows of flow, one of PROXIES
    proxy: str
    second_device: bool
    rated_r_min: float
    constant_speed: bool
    #: mass flow at full speed and load [kg/s]
    full_flow_kg_s: float
    #: boost at full speed and load over ambient pressure
    boost_ratio: float
    flow_exponent: float
    #: how long an element of mean size lasts here in mean dust [h]
    life_h: float
    #: mean restriction of a new element [Pa]
    clean_pa: float
    system_v: float
    shift_h: float
    days_a_week: int
    idle_share: float
    load: float


def make_member(number: int, difficulty: Difficulty, seed: int) -> Member:
    """Machine `number` (from 0) of the fleet of this seed."""
    random = member_random(seed, number, "roster")
    kind = _pick(random, {name: k["share"] for name, k in difficulty["kind"].items()})
    of_kind, papers, work = difficulty["kind"][kind], difficulty["terminal"], difficulty["work"]
    which = int(random.choice(len(papers["values"]), p=papers["shares"]))
    value, unit = papers["values"][which], papers["units"][which]
    monitors = difficulty["monitors"]
    level = difficulty["level"]
    return Member(
        number=number,
        name=f"{kind}-{number + 1:03}",
        kind=kind,
        terminal=value,
        terminal_unit=unit,
        terminal_pa=to_si(value, unit, "restriction"),
        proxy=_pick(random, {name: monitors[name] for name in PROXIES}),
        second_device=bool(random.random() < monitors["second_device"]),
        rated_r_min=of_kind["rated_r_min"],
        constant_speed=of_kind["constant_speed"],
        full_flow_kg_s=of_kind["rated_air_kg_s"],
        boost_ratio=drawn(random, work["boost_ratio"]),
        flow_exponent=float(random.normal(level["flow_exponent"], level["flow_exponent_spread"])),
        life_h=of_kind["life_h"] * spread_factor(random, difficulty["loading"]["machine_spread"]),
        clean_pa=drawn(random, of_kind["clean_pa"]),
        system_v=12.0 if random.random() < 0.2 else 24.0,
        shift_h=drawn(random, work["shift_h"]),
        days_a_week=int(random.integers(work["days_a_week"][0], work["days_a_week"][1] + 1)),
        idle_share=drawn(random, work["idle_share"]),
        load=drawn(random, work["load"]),
    )


def member_random(seed: int, number: int, purpose: str) -> np.random.Generator:
    """A generator of its own for each machine and purpose: one more draw here moves nothing elsewhere."""
    return np.random.default_rng([seed, number, *purpose.encode()])


def _pick(random: np.random.Generator, shares: dict[str, float]) -> str:
    weights: Floats = np.array(list(shares.values()))
    return str(random.choice(list(shares), p=weights / weights.sum()))
