"""
What goes wrong, and when: causes for mistrust laid out over a machine's year, one at a time.

Promises: pure and seeded. A cause is within the life of one element and apart from every other, so that
each can be scored by itself.
Leaves to others: what it does to a reading (`monitor`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cleanside.gateway.units import to_si
from cleanside.simulator.difficulty import DAYS_A_YEAR, Difficulty, drawn
from cleanside.simulator.loading import Element
from cleanside.simulator.roster import Member, member_random

FROM_CHANGE_H = 24.0  # nothing goes wrong nearer to a change; chosen
TRIES = 300


@dataclass(frozen=True, kw_only=True, slots=True)
class Cause:
    """One thing that is wrong for a while. Hours are operating hours of the machine."""

    cause: str
    from_h: float
    until_h: float
    #: how it shows; the words of `monitor`
    how: str
    #: level of below_clean, share that answers of flat, step [Pa] of zero and ambient, gain of a device,
    #: terminal [Pa] as entered
    size: float
    #: unit under which a terminal was entered; else ""
    unit: str = ""
    #: what a plugged tap is stuck at, of the restriction at full flow; else 0
    held: float = 0.0
    #: which of two monitors it concerns; 0: both, or neither
    device: int = 0


def make_causes(
    member: Member, difficulty: Difficulty, elements: Sequence[Element], *, hours: float, days: int, seed: int
) -> list[Cause]:
    """The causes of the first `hours` operating hours, in time order."""
    random = member_random(seed, member.number, "causes")
    apart_h = 2 * float(difficulty["scoring"]["tail_h"])
    edges_h = np.array([element.start_h for element in elements[1:]])
    causes: list[Cause] = []
    for name, section in difficulty["cause"].items():
        happens = random.random() < min(1.0, section["per_year"] * days / DAYS_A_YEAR)
        lasts_h = drawn(random, section["hours"])
        starts_h = random.uniform(0.0, max(hours - lasts_h, 0.0), TRIES)
        how = _how(name, section, member, random)
        if not happens or (name == "devices_disagree" and not member.second_device):
            continue
        for from_h in starts_h.tolist():
            until_h = from_h + lasts_h
            crossed = np.any((edges_h > from_h - FROM_CHANGE_H) & (edges_h < until_h + FROM_CHANGE_H))
            near = any(from_h < c.until_h + apart_h and until_h > c.from_h - apart_h for c in causes)
            if not crossed and not near and until_h <= hours:
                causes.append(Cause(cause=name, from_h=from_h, until_h=until_h, **how))
                break
    return sorted(causes, key=lambda cause: cause.from_h)


def _how(name: str, section: dict[str, Any], member: Member, random: np.random.Generator) -> dict[str, Any]:
    """How a cause shows on this machine: the fields of `Cause` beyond its times."""
    sizes: dict[str, list[float]] = {k: v for k, v in section.items() if isinstance(v, list)}
    u, sign = random.random(), 1.0 if random.random() < 0.5 else -1.0
    size, held = random.random(2)

    def between(pair: list[float], at: float) -> float:
        return pair[0] + at * (pair[1] - pair[0])

    if name == "below_clean":
        off = u < section["tube_off_share"]
        how = "tube off" if off else "element torn, missing or not seated"
        return {"how": how, "size": 0.0 if off else between(sizes["level"], size)}
    if name == "flat":
        stuck = {"size": between(sizes["answers"], size), "held": between(sizes["held"], held)}
        return {"how": "tap plugged or tube pinched", "device": 1, **stuck}
    if name in ("zero_moved", "ambient"):
        of_device = 1 if name == "zero_moved" else 0
        return {"how": "sensor off", "size": sign * between(sizes["step_pa"], size), "device": of_device}
    if name == "devices_disagree":
        return {
            "how": "one of two monitors reads low",
            "size": between(sizes["gain"], size),
            "device": 1 if sign > 0 else 2,
        }
    return _wrong_terminal(section, member, u)


def _wrong_terminal(section: dict[str, Any], member: Member, u: float) -> dict[str, Any]:
    """
    The value of the papers under a unit that is not theirs.

    Which mix-up is drawn by its share; where the papers are in another unit, they are read off a double
    scale first (gauges carry two), so that each mix-up can happen to each machine.
    """
    names = ("kpa_as_inh2o", "inh2o_as_kpa", "mbar_as_kpa", "inh2o_as_mbar")
    shares = np.cumsum([float(section[name]) for name in names])
    name = names[int(np.searchsorted(shares, u * shares[-1]))]
    units = {"kpa": "kPa", "inh2o": "inH2O", "mbar": "mbar"}
    meant, entered = (units[word] for word in name.split("_as_"))
    value = round(member.terminal_pa / to_si(1.0, meant, "restriction"), 1)
    return {
        "how": f"{value:g} {meant} entered as {value:g} {entered}",
        "size": to_si(value, entered, "restriction"),
        "unit": entered,
    }
