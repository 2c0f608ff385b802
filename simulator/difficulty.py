"""
How hard the simulated fleet is: `difficulty.toml`, read once and handed down.

Promises: the file beside this module is the only source of these numbers.
Leaves to others: what the numbers do (`roster`, `work`, `weather`, `loading`, `causes`, `monitor`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
#: section -> name -> number; the names are explained in the file
Difficulty = dict[str, Any]

FILE = Path(__file__).with_name("difficulty.toml")
DAYS_A_YEAR = 365.0


def read_difficulty(file: Path = FILE) -> Difficulty:
    """The sections of the difficulty file."""
    with file.open("rb") as opened:
        return tomllib.load(opened)


def drawn(random: np.random.Generator, low_high: Sequence[float]) -> float:
    """One number, evenly between the pair of the file."""
    return float(random.uniform(low_high[0], low_high[1]))


def drawn_count(random: np.random.Generator, low_high: Sequence[int]) -> int:
    """One whole number of the pair's range, both ends included."""
    return int(random.integers(low_high[0], low_high[1] + 1))


def spread_factor(random: np.random.Generator, spread: float) -> float:
    """A factor whose logarithm has that standard deviation, 1 in the mean."""
    return float(np.exp(random.normal(0.0, spread) - spread**2 / 2))
