"""
The gauges of the moor and how they err: zero by temperature, noise with a memory, lag, steps and holes.

See `moor` for the sources.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from scipy.signal import lfilter

from tests.fleets.making import Sense
from tests.fleets.moor_work import Engine, Rows
from tests.fleets.rows import smooth_noise
from tests.fleets.truth import HOUR_S, Bools, Floats
from tests.fleets.upkeep import Worked


@dataclass(frozen=True, kw_only=True)
class Sensor:
    """A kind of gauge; pressures in Pa."""

    step_pa: float
    noise_pa: float
    #: with a memory of minutes to days
    drift_pa: float
    #: standard deviation of what the zero moves with the bay [Pa/K]
    per_k: float
    lag_s: float = 0.0
    #: it has no values below zero
    is_floored: bool = False
    is_pair: bool = False


SENSORS = (
    Sensor(step_pa=1.0, noise_pa=8.0, drift_pa=6.0, per_k=0.2),
    Sensor(step_pa=50.0, noise_pa=15.0, drift_pa=10.0, per_k=0.4, is_floored=True),
    Sensor(step_pa=10.0, noise_pa=18.0, drift_pa=45.0, per_k=0.5),
    Sensor(step_pa=10.0, noise_pa=15.0, drift_pa=12.0, per_k=0.4, is_pair=True),
    Sensor(step_pa=5.0, noise_pa=10.0, drift_pa=10.0, per_k=1.4),
    Sensor(step_pa=10.0, noise_pa=6.0, drift_pa=8.0, per_k=0.3, lag_s=240.0),
    Sensor(step_pa=250.0, noise_pa=20.0, drift_pa=10.0, per_k=0.4, is_floored=True),
)
SENT_IN = (("kPa", 1_000.0), ("Pa", 1.0), ("mbar", 100.0), ("inH2O", 249.08891))
MOST_PER_K = 2.0  # 0.02 % of 10 kPa: beyond it a sensor is not within its papers
PULSES = (0.01, 0.03)  # of the drop: the flow of an engine pulses
GAIN, SECOND_GAIN = 0.015, 0.03  # standard deviations; 1 to 3 % of span is common practice


def stepped(values: Floats, step: float) -> Floats:
    """Values as whole steps."""
    return np.asarray(np.round(values / step) * step)


def gauges_for(
    sensor: Sensor, engine: Engine, worked: Worked, chance: np.random.Generator, *, two: bool
) -> tuple[tuple[Sense, ...], Mapping[str, str]]:
    """One gauge, or two that differ by a few per cent, or a pair of absolute sensors."""
    if sensor.is_pair:
        units = {"ambient_pressure": "kPa", "intake_pressure": "kPa"}
        return (_pair(sensor, engine, worked, chance),), units
    unit, pa_in_unit = SENT_IN[int(chance.choice(4, p=(0.55, 0.15, 0.15, 0.15)))]
    gauges = [_gauge(sensor, engine, worked, pa_in_unit, chance.normal(1.0, GAIN), chance)]
    if two:
        gauges.append(_gauge(sensor, engine, worked, pa_in_unit, chance.normal(1.0, SECOND_GAIN), chance))
    return tuple(gauges), {"restriction": unit}


@dataclass(frozen=True, kw_only=True)
class _Errors:
    """How one gauge errs at the rows of the record: zero [Pa], factor of noise, and rows that it sends."""

    zero_pa: Floats
    pulses: float
    has_value: Bools

    @classmethod
    def of(cls, sensor: Sensor, engine: Engine, worked: Worked, chance: np.random.Generator) -> _Errors:
        end = worked.end
        per_k = float(np.clip(chance.normal(0.0, sensor.per_k), -MOST_PER_K, MOST_PER_K))
        # equal parts over minutes, hours and days: the spectrum of 1/f
        pink = sum(smooth_noise(end, rows, chance) for rows in (4, 60, 900, 12_000)) / 2
        holes = chance.uniform(0.0, 0.04) if chance.random() < 0.4 else 0.0
        has_value = chance.random(end) >= holes
        at_s = worked.at_s[:end]
        for _ in range(int(chance.integers(0, 4))):
            begin_s = chance.uniform(at_s[0], at_s[-1])
            has_value &= (at_s < begin_s) | (at_s > begin_s + chance.uniform(0.2, 9.0) * HOUR_S)
        return cls(
            zero_pa=chance.normal(0, 15.0) + per_k * (engine.bay_c[:end] - 25.0) + sensor.drift_pa * pink,
            pulses=float(chance.uniform(*PULSES)),
            has_value=has_value,
        )

    def noise_pa(self, sensor: Sensor, shown_pa: Floats, chance: np.random.Generator) -> Floats:
        spread = np.hypot(sensor.noise_pa, self.pulses * shown_pa)
        return np.asarray(self.zero_pa + spread * chance.normal(size=len(shown_pa)))


def _gauge(
    sensor: Sensor,
    engine: Engine,
    worked: Worked,
    pa_in_unit: float,
    gain: float,
    chance: np.random.Generator,
) -> Sense:
    errors = _Errors.of(sensor, engine, worked, chance)

    def sense(shown_pa: Floats, chance: np.random.Generator) -> Mapping[str, Floats]:
        followed_pa = _followed(shown_pa, engine.rows, sensor.lag_s)
        pa = gain * followed_pa + errors.noise_pa(sensor, followed_pa, chance)
        pa = np.maximum(pa, 0.0) if sensor.is_floored else pa
        return {"restriction": np.where(errors.has_value, stepped(pa, sensor.step_pa) / pa_in_unit, np.nan)}

    return sense


def _pair(sensor: Sensor, engine: Engine, worked: Worked, chance: np.random.Generator) -> Sense:
    """Two absolute sensors, each with its own noise."""
    errors, ambient_pa = _Errors.of(sensor, engine, worked, chance), engine.ambient_pa[: worked.end]

    def sense(shown_pa: Floats, chance: np.random.Generator) -> Mapping[str, Floats]:
        outside = ambient_pa + sensor.noise_pa * chance.normal(size=len(shown_pa))
        intake = ambient_pa - shown_pa - errors.noise_pa(sensor, shown_pa, chance)
        return {
            "ambient_pressure": stepped(outside, sensor.step_pa) / 1_000,
            "intake_pressure": np.where(errors.has_value, stepped(intake, sensor.step_pa) / 1_000, np.nan),
        }

    return sense


def _followed(shown_pa: Floats, rows: Rows, lag_s: float) -> Floats:
    """What a slow gauge shows: a first-order lag that begins anew with each key-on."""
    if lag_s == 0.0:
        return shown_pa
    followed, n = np.empty(len(shown_pa)), len(shown_pa)
    starts = rows.starts[rows.starts < n]
    step_s = float(np.median(np.diff(rows.at_s)))
    share = 1 - np.exp(-step_s / lag_s)
    for first, end in zip(starts, np.r_[starts[1:], n], strict=True):
        part = shown_pa[first:end]
        followed[first:end] = lfilter([share], [1, share - 1], part, zi=[(1 - share) * part[0]])[0]
    return followed
