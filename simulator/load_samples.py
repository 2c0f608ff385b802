"""
What a machine under load samples: every reading follows from its machine and its number alone.

Promises: pure. The check makes every reading again from the plan of a run, so nothing has to be remembered.
Values are in SI, so what the server holds equals what was sent to the last bit. A reading carries its number
(as engine hours, in seconds) and its machine (as altitude, in metres): one that lands elsewhere says so.
Leaves to others: when a machine samples (`load_patterns.py`), sending (`open_machine.py`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]

#: quantity -> unit, all in SI
UNITS: Final[Mapping[str, str]] = {
    "restriction": "Pa",
    "engine_speed": "rad/s",
    "supply_voltage": "V",
    "engine_hours": "s",
    "altitude": "m",
}
NUMBER: Final = "engine_hours"
MACHINE: Final = "altitude"
RESTRICTION_PA: Final = (1_200, 4_700, 50)  # lowest, highest, step; SAE J1939-71 SPN 107 has 50 Pa a bit
_SPEED_RAD_S: Final = (80.0, 220.0)
_VOLTAGE_V: Final = (26.0, 28.5)


def values_of(machine: int, numbers: IntArray) -> dict[str, FloatArray]:
    """
    The values of readings, quantity -> shape (n,).

    machine : from 0 on. numbers : from 1 on, shape (n,).
    """
    noise = _mixed(numbers.astype(np.uint64) + (np.uint64(machine) << np.uint64(40)))
    lowest, highest, step = RESTRICTION_PA
    levels = np.uint64((highest - lowest) // step + 1)
    return {
        "restriction": lowest + step * (noise % levels).astype(np.float64),
        "engine_speed": _between(_SPEED_RAD_S, noise >> np.uint64(16), decimals=2),
        "supply_voltage": _between(_VOLTAGE_V, noise >> np.uint64(32), decimals=2),
        NUMBER: numbers.astype(np.float64),
        MACHINE: np.full(len(numbers), float(machine)),
    }


def _between(bounds: tuple[float, float], noise: npt.NDArray[np.uint64], *, decimals: int) -> FloatArray:
    """Numbers between two bounds, rounded as a monitor rounds."""
    lowest, highest = bounds
    share = (noise % np.uint64(1_000)).astype(np.float64) / 999.0
    rounded: FloatArray = np.round(lowest + (highest - lowest) * share, decimals)
    return rounded


def _mixed(numbers: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """The finaliser of splitmix64 (Steele, Lea, Flood, 2014): neighbours become unlike each other."""
    mixed = numbers + np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return mixed ^ (mixed >> np.uint64(31))
