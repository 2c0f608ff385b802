"""
Ambient pressure of machines near in place in the same hour: barometers a few kilometres apart agree.

Promises: a value, part of the fleet snapshot; equal lists in any order give equal results.
Leaves to others: collecting it (the snapshot), what a misfit means (`suspect`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from cleanside.ingest.restriction.measure.steady import latched, trailing_median
from cleanside.ingest.restriction.measure.summary import BoolArray, FloatArray, Summaries

#: of each housing in the snapshot (chosen: three days tell a sensor fault from weather)
RECENT_HOURS = 72
NEAR_M = 5_000.0  # weather is one within that distance (common practice)
PA_PER_M = 12.0  # of altitude, near the ground (ISO 2533: 12.01 at sea level)
#: of altitude (chosen: beyond, the error of PA_PER_M and of the altitudes is as large as what is looked for)
APART_M = 300.0
OFF_ENTER_PA, OFF_LEAVE_PA = (
    1_500.0,
    1_100.0,
)  # a fair barometer is good to 0.5 kPa, a valley floor within NEAR_M may be 80 m lower (chosen)
ROWS = 12  # hours whose median is judged (chosen: a long shift, six odd ones report nothing)
LEAST_HOURS, LEAST_MACHINES = 5, 2  # beside it (chosen: of two that disagree it is not known which is wrong)
EARTH_M = 6_371_000.0  # mean radius (WGS 84, from memory)


@dataclass(frozen=True)
class Misfit:
    """How far a machine's ambient pressure lies off its neighbours', over how many hours and machines."""

    off_pa: float
    hours: int
    machines: int


@dataclass(frozen=True)
class Nearby:
    """Recent hours with a position and a pressure, of all machines of an owner; arrays of shape (n,)."""

    machines: tuple[str, ...]
    machine: FloatArray  # place in `machines`
    hour_s: FloatArray
    latitude_deg: FloatArray
    longitude_deg: FloatArray
    altitude_m: FloatArray  # NaN = not known
    ambient_pa: FloatArray

    def as_record(self) -> dict[str, Any]:
        """A plain dict for JSON."""
        columns = {name: _plain(getattr(self, name)) for name in _COLUMNS}
        return {"machines": list(self.machines), **columns}

    @classmethod
    def from_record(cls, record: dict[str, Any]) -> Nearby:
        """The inverse of `as_record`."""
        columns = {name: np.array(record[name], dtype=np.float64) for name in _COLUMNS}
        return cls(tuple(record["machines"]), **columns)

    def misfit(self, summaries: Summaries, machine: str) -> Misfit | None:
        """How far a machine is off its neighbours; None where too few can be compared, or it fits."""
        if len(self.machines) < LEAST_MACHINES:
            return None
        mine = _positioned(summaries.tail(RECENT_HOURS))
        offs: list[float] = []
        others: set[float] = set()
        for row in mine.tolist():
            low, high = np.searchsorted(self.hour_s, (row[0], row[0] + 1))
            near = self._near(row, slice(int(low), int(high))) & (
                self.machine[low:high] != self._code(machine)
            )
            if not near.any():
                continue
            risen_m = np.nan_to_num(self.altitude_m[low:high][near] - row[3], nan=0.0)
            offs.append(_least_off(row[4] - (self.ambient_pa[low:high][near] + PA_PER_M * risen_m)))
            others |= set(self.machine[low:high][near].tolist())
        if len(offs) < LEAST_HOURS or len(others) < LEAST_MACHINES:
            return None
        off_pa = trailing_median(np.array(offs), min(len(offs), ROWS))
        said = latched(np.abs(off_pa) > OFF_ENTER_PA, np.abs(off_pa) < OFF_LEAVE_PA)
        return Misfit(float(off_pa[-1]), len(offs), len(others)) if said[-1] else None

    def _code(self, machine: str) -> float:
        return float(self.machines.index(machine)) if machine in self.machines else -1.0

    def _near(self, row: Sequence[float], rows: slice) -> BoolArray:
        """Which of these rows lie near in place and height; flat-earth distance is good to 1 % here."""
        north_m = np.radians(self.latitude_deg[rows] - row[1]) * EARTH_M
        east_m = np.radians(self.longitude_deg[rows] - row[2]) * EARTH_M * np.cos(np.radians(row[1]))
        high_m = np.nan_to_num(np.abs(self.altitude_m[rows] - row[3]), nan=0.0)
        return np.asarray((np.hypot(north_m, east_m) <= NEAR_M) & (high_m <= APART_M))


def _least_off(differences: FloatArray) -> float:
    """The median; between the middle two of an even number, the one in this machine's favour."""
    ordered, half = np.sort(differences), len(differences) // 2
    low, high = float(ordered[(len(ordered) - 1) // 2]), float(ordered[half])
    return 0.0 if low <= 0.0 <= high else low if low > 0 else high


_COLUMNS = ("machine", "hour_s", "latitude_deg", "longitude_deg", "altitude_m", "ambient_pa")
_TAKEN = ("hour_s", "latitude_deg", "longitude_deg", "altitude_m", "ambient_pressure_pa")


def collect_nearby(of_machines: Sequence[tuple[str, Summaries]]) -> Nearby:
    """What machines have recently seen, each with its name; order does not matter."""
    names = tuple(sorted({machine for machine, _ in of_machines}))
    tables = [
        np.column_stack((np.full(len(rows), float(names.index(machine))), rows))
        for machine, summaries in of_machines
        if len(rows := _positioned(summaries.tail(RECENT_HOURS)))
    ]
    table = np.concatenate(tables) if tables else np.empty((0, 1 + len(_TAKEN)))
    table = table[np.lexsort((table[:, 5], table[:, 0], table[:, 1]))]
    return Nearby(names, *(np.ascontiguousarray(table[:, i]) for i in range(1 + len(_TAKEN))))


def _positioned(summaries: Summaries) -> FloatArray:
    """Hours with position and pressure: hour, latitude, longitude, altitude, pressure; shape (n, 5)."""
    table = np.column_stack([summaries.column(name) for name in _TAKEN])
    return np.asarray(table[~np.isnan(table[:, [1, 2, 4]]).any(axis=1)])


def _plain(values: FloatArray) -> list[float | None]:
    return [None if np.isnan(value) else value for value in values.tolist()]
