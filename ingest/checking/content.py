"""
The content of readings as numbers: a hash that distinguishes repeat and conflict, and values in SI.

Promises: equal content as sent gives an equal hash, in either layout and in any column order; the hash is
part of what is stored, so it may never change (its version is in the constants below).
Leaves to others: handling a repeat or a conflict (`ingest.checking.repeats`,
`ingest.intake.receive`).

64 bits by mixing, not by a cryptographic hash: it runs over whole columns at once. By chance one comparison
in 1.8e19 is wrong. A sender that forges a repeat harms only its own readings.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from cleanside.gateway.units import QUANTITIES, accepts
from cleanside.gateway.wire import Batch

FloatArray = npt.NDArray[np.float64]
HashArray = npt.NDArray[np.int64]

_VERSION = b"1"
# Finaliser of splitmix64: Steele, Lea, Flood, Fast splittable pseudorandom number generators (2014).
_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_MIX_A = np.uint64(0xBF58476D1CE4E5B9)
_MIX_B = np.uint64(0x94D049BB133111EB)
_30, _27, _31 = np.uint64(30), np.uint64(27), np.uint64(31)


class _Plan(NamedTuple):
    """How to convert columns of these names and units; arrays of shape (k, 1)."""

    #: where the hash of each column begins
    words: npt.NDArray[np.uint64]
    #: rows of known quantities in an accepted unit, and their names in the store; None: all rows
    known: list[int] | None
    names: tuple[str, ...]
    factors: FloatArray
    offsets: FloatArray


@lru_cache(maxsize=256)
def _plan(columns: tuple[tuple[str, str | None], ...]) -> _Plan:
    rows = [
        (row, QUANTITIES[name], unit)
        for row, (name, unit) in enumerate(columns)
        if unit is not None and name in QUANTITIES and accepts(unit, name)
    ]
    return _Plan(
        words=np.array([[_word(name, unit)] for name, unit in columns], dtype=np.uint64),
        known=None if len(rows) == len(columns) else [row for row, _, _ in rows],
        names=tuple(quantity.column for _, quantity, _ in rows),
        factors=np.array([[quantity.units[unit].factor] for _, quantity, unit in rows]),
        offsets=np.array([[quantity.units[unit].offset] for _, quantity, unit in rows]),
    )


def _plan_of(batch: Batch) -> _Plan:
    return _plan(tuple((name, batch.units.get(name)) for name in batch.columns))


def as_sent(column: Sequence[float | None]) -> FloatArray:
    """A column as floats, shape (n,), in the unit as sent; NaN where a reading has no value."""
    return np.array(column, dtype=np.float64)


def all_as_sent(batch: Batch) -> FloatArray:
    """The columns of a batch as floats, shape (k, n), in the units as sent; NaN where there is no value."""
    # All columns at once, here and below: on short batches the number of steps sets the cost.
    return np.array([*batch.columns.values()], dtype=np.float64).reshape(len(batch.columns), len(batch))


def in_si(batch: Batch, sent: FloatArray) -> dict[str, FloatArray]:
    """Known quantities in an accepted unit, by their column name, in SI, shape (n,); NaN where absent."""
    plan = _plan_of(batch)
    if not plan.names:
        return {}
    with np.errstate(over="ignore"):  # becomes infinite, and the check of ranges then reports it
        converted = (sent if plan.known is None else sent[plan.known]) * plan.factors + plan.offsets
    return dict(zip(plan.names, converted, strict=True))


def content_hashes(batch: Batch, sent: FloatArray) -> HashArray:
    """
    Hash of each reading over instant, uncertainty, values and units as sent; shape (n,), signed 64 bits.

    sent : `all_as_sent`. The sum over the columns makes their order irrelevant; a value that is absent adds
    nothing.
    """
    total = _mix(_instants(batch) ^ _word("at", ""))
    uncertainty = batch.at_uncertainty_s
    if uncertainty is not None:  # where unknown it adds nothing, as every absent value
        each = uncertainty if isinstance(uncertainty, Sequence) else [uncertainty]
        total = total + _values(as_sent(each), _word("at_uncertainty_s", "s"))
    if len(sent):
        total = total + _values(sent, _plan_of(batch).words).sum(axis=0, dtype=np.uint64)
    return np.asarray(_mix(total).view(np.int64))


def opaque_hash(content: bytes) -> int:
    """The hash of a record that could not be read."""
    return int.from_bytes(hashlib.sha256(_VERSION + b"opaque" + content).digest()[:8], "big", signed=True)


def _instants(batch: Batch) -> npt.NDArray[np.uint64]:
    if not batch.at_text:
        return np.array(batch.at_us, dtype=np.int64).view(np.uint64)
    whole = np.array([us or 0 for us in batch.at_us], dtype=np.int64).view(np.uint64)
    for index, text in batch.at_text.items():
        whole[index] = _word("instant", text)
    return whole


def _values(columns: FloatArray, words: npt.NDArray[np.uint64] | np.uint64) -> npt.NDArray[np.uint64]:
    mixed = _mix((columns + 0.0).view(np.uint64) ^ words)  # + 0.0: minus zero is zero
    absent = np.isnan(columns)
    if absent.any():
        mixed[absent] = 0
    return mixed


@lru_cache(maxsize=1024)
def _word(name: str, unit: str | None) -> np.uint64:
    # JSON allows half characters; they must hash differently, like all others.
    text = f"{name}\x1f{'' if unit is None else unit}".encode("utf-8", "surrogatepass")
    return np.uint64(int.from_bytes(hashlib.sha256(_VERSION + text).digest()[:8], "big"))


def _mix(words: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    mixed = words + _GOLDEN
    mixed ^= mixed >> _30
    mixed *= _MIX_A
    mixed ^= mixed >> _27
    mixed *= _MIX_B
    mixed ^= mixed >> _31
    return mixed
