"""
What was sampled against what the server holds, reading by reading.

Promises: pure, and on its own feet: it knows neither the server's tables nor what the senders heard. What was
sampled is made again from the plan; what the server holds is what it shows over HTTP (`held_rows.py`).
- lost: sampled, and the server does not show it;
- doubled: it shows a number of a machine more than once;
- misplaced: a reading of another machine, of another stream, or one that was never sampled;
- changed: another value, or another instant, than was sampled;
- reordered: it shows a stream's readings in another order than they were sampled.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from cleanside.gateway.units import counted
from cleanside.simulator.load_patterns import LoadPlan
from cleanside.simulator.load_samples import MACHINE, FloatArray, IntArray, values_of

KINDS: Final = ("lost", "doubled", "reordered", "misplaced", "changed")
SHOWN_AT_MOST: Final = 5  # numbers named in a finding


@dataclass(frozen=True, slots=True)
class HeldRows:
    """Readings of a machine as the server shows them, in its order; arrays of shape (n,)."""

    stream: Sequence[str]
    seq: IntArray
    at_us: IntArray
    #: quantity -> SI, NaN where it shows none
    values: Mapping[str, FloatArray]


@dataclass(frozen=True, slots=True)
class HeldWrongly:
    """Something that does not hold, of one machine."""

    kind: str
    device: str
    readings: int
    detail: str


def findings_of(plan: LoadPlan, machine: int, sampled: int, held: HeldRows) -> list[HeldWrongly]:
    """Everything about one machine that does not hold. sampled : how many readings it took."""
    device = plan.device(machine)
    return [
        HeldWrongly(kind, device, many, detail)
        for kind, many, detail in _found(plan, machine, sampled, held)
        if many
    ]


def _found(plan: LoadPlan, machine: int, sampled: int, held: HeldRows) -> Iterator[tuple[str, int, str]]:
    own = np.array([stream == plan.stream(machine) for stream in held.stream], dtype=np.bool_)
    known = own & (held.seq >= 1) & (held.seq <= sampled)
    known &= held.values[MACHINE] == machine
    yield "misplaced", int((~known).sum()), f"shown here, not sampled here: {_some(held.seq[~known])}"
    seq = held.seq[known]
    counts = np.bincount(seq, minlength=sampled + 1)[1:]
    lost, doubled = np.flatnonzero(counts == 0) + 1, np.flatnonzero(counts > 1) + 1
    yield "lost", len(lost), f"not shown: {_some(lost)}"
    yield "doubled", len(doubled), f"shown more than once: {_some(doubled)}"
    changed = _changed(plan, machine, seq, held, known)
    yield "changed", int(changed.sum()), f"not as sampled: {_some(seq[changed])}"
    falls = np.flatnonzero(np.diff(seq) < 0) + 1
    yield "reordered", len(falls), f"shown after a later one: {_some(seq[falls])}"


def _changed(
    plan: LoadPlan, machine: int, seq: IntArray, held: HeldRows, known: npt.NDArray[np.bool_]
) -> npt.NDArray[np.bool_]:
    """True where an instant or a value is not bit for bit as it was sampled; shape of `seq`."""
    other: npt.NDArray[np.bool_] = held.at_us[known] != plan.at_us(machine, seq)
    for name, expected in values_of(machine, seq).items():
        other |= held.values[name][known] != expected
    return other


def _some(numbers: IntArray) -> str:
    shown = ", ".join(map(str, numbers[:SHOWN_AT_MOST].tolist()))
    more = len(numbers) - SHOWN_AT_MOST
    return shown + (f" and {counted(more, 'more reading')}" if more > 0 else "")
