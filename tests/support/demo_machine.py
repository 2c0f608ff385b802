"""A machine of the demo as its monitor would measure it, without gateways and server."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime

import numpy as np

from cleanside.gateway.units import to_si
from cleanside.ingest.restriction import Readings
from cleanside.simulator.fleet import FLEET, MachineSpec
from cleanside.simulator.instrument import UNITS, Instrument
from cleanside.simulator.schedule import make_schedule

START_AT = datetime(2026, 5, 4, tzinfo=UTC)
CADENCE_S, SEED, DAYS = 30.0, 7, 21  # as of the demo

Factor = Callable[[np.ndarray], np.ndarray]


def spec_of(name: str) -> MachineSpec:
    """A machine of the demo by name."""
    return next(spec for spec in FLEET if spec.name == name)


def terminal_pa_of(spec: MachineSpec) -> float:
    """Its limit. [Pa]"""
    return to_si(spec.terminal, spec.terminal_unit, "restriction")


def changed_at_s(spec: MachineSpec, *, days: int = DAYS, seed: int = SEED) -> float:
    """When its first power cycle with the new element began, seconds since 1970."""
    cycles = make_schedule(spec, start_at=START_AT, days=days, seed=seed).cycles
    changed = Instrument(spec, cycles, cadence_s=CADENCE_S, seed=seed).changed_in_cycle()
    assert changed is not None
    return cycles[changed].on_at.timestamp()


def demo_readings(
    spec: MachineSpec, *, days: int = DAYS, seed: int = SEED, factor: Factor | None = None
) -> Readings:
    """
    All readings of a machine, in SI.

    factor : of the restriction at each instant, shape (n,) of seconds since 1970; None = 1.
    """
    cycles = make_schedule(spec, start_at=START_AT, days=days, seed=seed).cycles
    instrument = Instrument(spec, cycles, cadence_s=CADENCE_S, seed=seed)
    measured = [instrument.measure(index) for index in range(len(cycles))]
    parts = [cycle.on_at.timestamp() + m.elapsed_s for cycle, m in zip(cycles, measured, strict=True)]
    at_s = np.concatenate(parts)
    columns = {name: np.concatenate([m.columns[name] for m in measured]) for name in UNITS}
    si = {name: to_si(1.0, unit, name) * columns[name] for name, unit in UNITS.items() if unit != "Cel"}
    return Readings(
        at_s=at_s,
        restriction_pa=si["restriction"] * (1.0 if factor is None else factor(at_s)),
        engine_speed_rad_s=si["engine_speed"],
        supply_voltage_v=si["supply_voltage"],
        ambient_pressure_pa=si["ambient_pressure"],
    )
