"""
The last hour of readings in memory, and what the checks say of it.

Promises: bounded, however fast a source is; taking a reading costs microseconds and never fails, so that
the spool waits for nothing here. Times are of the boot's clock: readings count as they came.
Leaves to others: the checks themselves (`gateway.spot_checks`), showing them (`gateway.beside.spot_page`).
"""

from __future__ import annotations

import threading
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

from cleanside.gateway import spot_checks
from cleanside.gateway.spot_checks import (
    AT_LEAST,
    HIGH_OVER_IDLE,
    IDLE_RAD_S,
    RUNNING_RAD_S,
    Check,
    RestSpan,
    first_of_latest,
)
from cleanside.gateway.units import QUANTITIES, to_si
from cleanside.gateway.wire import Reading

MOST_ROWS: Final = 3_600  # an hour at one a second, 0.5 MB; what comes faster is thinned to that (chosen)
_EVERY_S: Final = 0.9  # between two rows that are kept; a little less, so that each of one a second is
_SHOWN_SIGNAL_S: Final = 600.0  # to compare two places for the monitor (chosen)


class LastValue(NamedTuple):
    """The newest value of one quantity, as it was sent."""

    quantity: str
    value: float
    unit: str
    age_s: float


@dataclass(frozen=True, kw_only=True, slots=True)
class Around:
    """What is known beside the readings."""

    #: readings that the server acknowledged since this process began
    acknowledged: int
    #: times that power went and came back, as the spool has seen boots
    power_cycles: int
    #: how well this boot's time is known [s]; None: not yet
    clock_uncertainty_s: float | None
    anchor: str | None


class _Sample(NamedTuple):
    """What the checks look at, in SI; None: not measured."""

    at_s: float
    restriction_pa: float | None
    speed_rad_s: float | None
    supply_v: float | None


class Watch:
    """Written by the sources' threads, read by the page."""

    def __init__(self, now_us: Callable[[], int]) -> None:
        """now_us : since boot."""
        self._now_us = now_us
        self._lock = threading.Lock()
        self._rows: deque[_Sample] = deque(maxlen=MOST_ROWS)
        self._rest = RestSpan()
        self._last: dict[str, tuple[float, str, int]] = {}  # quantity -> value, unit, when
        self._signal: deque[tuple[int, float]] = deque(maxlen=MOST_ROWS)

    def take(self, readings: Sequence[Reading], measured_us: int) -> None:
        """Readings that the spool takes, measured at that time since boot."""
        with self._lock:
            for reading in readings:
                for quantity, value in reading.values.items():
                    if quantity in QUANTITIES:  # whatever else is sent: the memory stays bounded
                        self._last[quantity] = (value, reading.units[quantity], measured_us)
                self._keep(_row(reading, measured_us / 1e6))

    def _keep(self, row: _Sample) -> None:
        if row.speed_rad_s is not None:
            self._rest.add(row.at_s, at_rest=row.speed_rad_s <= RUNNING_RAD_S)
        if self._rows and row.at_s - self._rows[-1].at_s < _EVERY_S:
            return
        self._rows.append(row)
        if "signal_strength" in self._last:
            value, unit, at_us = self._last["signal_strength"]
            if not self._signal or self._signal[-1][0] != at_us:
                self._signal.append((at_us, to_si(value, unit, "signal_strength")))

    def values(self) -> list[LastValue]:
        """The newest value of each quantity, restriction first."""
        now_us = self._now_us()
        with self._lock:
            found = [
                LastValue(quantity, value, unit, max(0.0, (now_us - at_us) / 1e6))
                for quantity, (value, unit, at_us) in self._last.items()
            ]
        order = list(QUANTITIES)
        return sorted(found, key=lambda last: order.index(last.quantity))

    def signal_dbm(self) -> list[tuple[float, float]]:
        """Signal of the last minutes: how long ago [s], level [dBm]; oldest first."""
        now_us = self._now_us()
        with self._lock:
            found = [((now_us - at_us) / 1e6, level) for at_us, level in self._signal]
        return [(ago_s, level) for ago_s, level in found if ago_s <= _SHOWN_SIGNAL_S]

    def checks(self, around: Around) -> tuple[Check, ...]:
        """What can be judged on the spot, in the order in which a technician meets it."""
        with self._lock:
            rows, stayed_s = list(self._rows), self._rest.longest_s
        return (
            _supply(rows),
            spot_checks.key_off(stayed_s=stayed_s, power_cycles=around.power_cycles),
            spot_checks.clock(uncertainty_s=around.clock_uncertainty_s, anchor=around.anchor),
            spot_checks.link(acknowledged=around.acknowledged, missing=0),
            spot_checks.zero(_restriction(rows, lambda speed: speed <= RUNNING_RAD_S)),
            _answer(rows),
        )


def _row(reading: Reading, at_s: float) -> _Sample:
    def si(quantity: str) -> float | None:
        value = reading.values.get(quantity)
        return None if value is None else to_si(value, reading.units[quantity], quantity)

    restriction, ambient, intake = si("restriction"), si("ambient_pressure"), si("intake_pressure")
    if restriction is None and ambient is not None and intake is not None:
        restriction = ambient - intake
    return _Sample(at_s, restriction, si("engine_speed"), si("supply_voltage"))


def _latest(rows: Sequence[_Sample]) -> Sequence[_Sample]:
    return rows[first_of_latest([row.at_s for row in rows]) :]


def _supply(rows: Sequence[_Sample]) -> Check:
    known = [row for row in rows if row.supply_v is not None]
    running = [row for row in known if row.speed_rad_s is not None and row.speed_rad_s > RUNNING_RAD_S]
    volts = [row.supply_v for row in _latest(running or known) if row.supply_v is not None]
    return spot_checks.supply(volts, while_running=bool(running))


def _restriction(rows: Sequence[_Sample], wanted: Callable[[float], bool]) -> list[float]:
    """Restriction of the latest rows at a wanted engine speed. [Pa]"""
    found = [
        row
        for row in rows
        if row.restriction_pa is not None and row.speed_rad_s is not None and wanted(row.speed_rad_s)
    ]
    return [row.restriction_pa for row in _latest(found) if row.restriction_pa is not None]


def _answer(rows: Sequence[_Sample]) -> Check:
    running = [row for row in rows if row.speed_rad_s is not None and row.speed_rad_s > RUNNING_RAD_S]
    idle_pa = _restriction(rows, lambda speed: RUNNING_RAD_S < speed <= IDLE_RAD_S)
    if len(idle_pa) < AT_LEAST and _has_one_speed(running):
        rest_pa = _restriction(rows, lambda speed: speed <= RUNNING_RAD_S)
        return spot_checks.answer_at_one_speed(
            rest_pa, _restriction(rows, lambda speed: speed > RUNNING_RAD_S)
        )
    return spot_checks.answer(idle_pa, _restriction(rows, lambda speed: speed >= HIGH_OVER_IDLE * IDLE_RAD_S))


def _has_one_speed(running: Sequence[_Sample]) -> bool:
    speeds = [row.speed_rad_s for row in running if row.speed_rad_s is not None]
    return bool(speeds) and spot_checks.is_one_speed(speeds, span_s=running[-1].at_s - running[0].at_s)
