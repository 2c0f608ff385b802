"""
What a monitor would measure: an engine that works, an element that loads, a sensor with faults of its own.

Promises: pure and seeded; one power cycle at a time, so that a gateway process can be stopped and started
between them. Values carry the resolution and noise of a real monitor.
Leaves to others: when the machine runs (`schedule.py`), what becomes of the readings (the gateway).

The loading curve is convex, as on open test-bench data: restriction at rated flow rises from clean to
terminal as (exp(k u) - 1) / (exp(k) - 1) of the life used u. Restriction follows flow to the power 1.6
(between media, 1, and ducts, 2; a public intake series gives about 1.6).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

import numpy as np
from numpy.typing import NDArray

from cleanside.gateway.units import to_si
from cleanside.simulator.fleet import MachineSpec
from cleanside.simulator.schedule import PowerCycle

LOADING_CONVEXITY = 2.2  # chosen: half the rise comes in about the last third of the life
FLOW_EXPONENT = 1.6
NOISE_PA = 35.0  # chosen: a few times the noise of the bench series, a machine shakes
RESOLUTION_PA = 50.0  # SAE J1939 SPN 107: 0.05 kPa a bit
IDLE_R_MIN = 800.0
AMBIENT_PA = 88_000.0  # about 1 180 m in the standard atmosphere
MEAN_C, SWING_C = 20.0, 8.0  # a summer day on the plateau: 12 degrees at night, 28 in the afternoon
CRANK_READINGS = 2  # key on, engine not yet running: shows the sensor's zero

#: what the monitor sends, in the units it is set up with
UNITS: Mapping[str, str] = {
    "restriction": "kPa",
    "engine_speed": "r/min",
    "supply_voltage": "V",
    "ambient_pressure": "kPa",
    "air_temperature": "Cel",
    "engine_hours": "h",
}

Floats = NDArray[np.floating[Any]]


@dataclass(frozen=True, slots=True)
class Cycle:
    """The readings of one power cycle and the truth behind them. All arrays have shape (n,)."""

    #: seconds since key-on
    elapsed_s: Floats
    #: quantity -> values in `UNITS`
    columns: Mapping[str, Floats]
    #: restriction at rated flow in the mean air of the site, without noise [Pa]
    true_reference_pa: Floats


class Instrument:
    """The monitor of one machine. The same spec and seed give the same measurements."""

    def __init__(
        self, spec: MachineSpec, cycles: tuple[PowerCycle, ...], *, cadence_s: float, seed: int
    ) -> None:
        self._spec = spec
        self._cycles = cycles
        self._cadence_s = cadence_s
        self._seed = seed
        self._zero_pa = float(self._random("zero", 0).uniform(-40, 60))
        self._hours_before = np.cumsum([0.0, *((c.off_at - c.on_at) / timedelta(hours=1) for c in cycles)])

    def measure(self, index: int) -> Cycle:
        """All readings of power cycle `index`, one every cadence from key-on to key-off."""
        cycle = self._cycles[index]
        random = self._random("cycle", index)
        count = max(CRANK_READINGS + 1, int((cycle.off_at - cycle.on_at).total_seconds() / self._cadence_s))
        elapsed_s = np.arange(count) * self._cadence_s
        speed = self._speed_r_min(count, random)
        hours = self._hours_before[index] + elapsed_s / 3600
        reference_pa = self._reference_pa(hours, cycle)
        temperature_c = self._temperature_c(cycle, elapsed_s)
        # An engine at a given speed draws a volume: only the part above linear goes with the air's density.
        density = (MEAN_C + 273.15) / (temperature_c + 273.15)  # of the site's mean air, at one pressure
        restriction_pa = reference_pa * density ** (FLOW_EXPONENT - 1)
        restriction_pa *= (speed / self._spec.rated_r_min) ** FLOW_EXPONENT
        restriction_pa += self._zero_pa + random.normal(0, NOISE_PA, count)
        running = speed > 0
        system = self._spec.system_v
        columns = {
            "restriction": np.round(restriction_pa / RESOLUTION_PA) * RESOLUTION_PA / 1000,
            "engine_speed": np.round(speed * 8) / 8,  # SPN 190: 0.125 r/min a bit
            "supply_voltage": np.round(
                system * np.where(running, 1.16, 1.01) + random.normal(0, 0.05, count), 2
            ),
            "ambient_pressure": np.full(count, AMBIENT_PA / 1000),
            "air_temperature": np.round(temperature_c),  # SPN 172: 1 degree a bit
            "engine_hours": np.round((3000 + hours) / 0.05) * 0.05,  # SPN 247: 0.05 h a bit
        }
        return Cycle(elapsed_s, {name: np.round(c, 6) for name, c in columns.items()}, reference_pa)

    def life_hours_used(self, hours: Floats, cycle: PowerCycle) -> Floats:
        """Operating hours on the element that is in the housing, at `hours` since the monitor was fitted."""
        before = self._spec.used_at_fitting * self._spec.life_hours
        changed = self.changed_in_cycle()
        if changed is not None and cycle.on_at >= self._cycles[changed].on_at:
            before = -float(self._hours_before[changed])
        used: Floats = hours + before
        return used

    def changed_in_cycle(self) -> int | None:
        """Index of the first power cycle with the new element, or None."""
        day = self._spec.changed_on_day
        if day is None:
            return None
        start = self._cycles[0].on_at.replace(hour=0, minute=0, second=0, microsecond=0)
        return next((i for i, c in enumerate(self._cycles) if c.on_at >= start + timedelta(days=day)), None)

    def _reference_pa(self, hours: Floats, cycle: PowerCycle) -> Floats:
        spec = self._spec
        terminal_pa = to_si(spec.terminal, spec.terminal_unit, "restriction")
        used = self.life_hours_used(hours, cycle) / spec.life_hours
        rise: Floats = np.expm1(LOADING_CONVEXITY * used) / np.expm1(LOADING_CONVEXITY)
        return spec.clean_pa + (terminal_pa - spec.clean_pa) * rise

    def _temperature_c(self, cycle: PowerCycle, elapsed_s: Floats) -> Floats:
        """Over the day, warmest in the afternoon."""
        hour = cycle.on_at.hour + cycle.on_at.minute / 60 + elapsed_s / 3600
        temperature: Floats = MEAN_C + SWING_C * np.sin((hour - 9) / 24 * 2 * np.pi)
        return temperature

    def _speed_r_min(self, count: int, random: np.random.Generator) -> Floats:
        """Speed that dwells at idle, work and full for minutes at a time; zero before the engine starts."""
        rated = self._spec.rated_r_min
        speed: Floats
        if self._spec.constant_speed:
            speed = rated + random.normal(0, 3, count)
        else:
            dwell = max(1, round(300 / self._cadence_s))
            levels = random.choice(
                [IDLE_R_MIN, 0.75 * rated, 0.9 * rated, rated], p=[0.2, 0.3, 0.3, 0.2], size=count
            )
            speed = np.repeat(levels, dwell)[:count] + random.normal(0, 12, count)
        speed[:CRANK_READINGS] = 0.0
        return speed

    def _random(self, purpose: str, index: int) -> np.random.Generator:
        return np.random.default_rng([self._seed, index, *purpose.encode(), *self._spec.name.encode()])
