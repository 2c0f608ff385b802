"""
The content of readings as numbers: a hash that distinguishes repeat and conflict, and values in SI.

Promises: equal content as sent gives an equal hash, in either layout and in any column order.
Leaves to others: the hash itself (`ingest.store.content_hash`), handling a repeat or a conflict
(`ingest.checking.repeats`, `ingest.intake.receive`).
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
from cleanside.ingest.store import content_hash

FloatArray = npt.NDArray[np.float64]
HashArray = npt.NDArray[np.int64]


class _Plan(NamedTuple):
    """How to convert columns of these names and units; arrays of shape (k, 1)."""

    #: where the hash of each column begins
    words: npt.NDArray[np.uint64]
    #: rows of known quantities in an accepted unit, and their names in the store; None: all rows
    known: list[int] | None
    #: all rows in the order of their set of units; None: they stand so
    by_units: list[int] | None
    names: tuple[str, ...]
    factors: FloatArray
    offsets: FloatArray


@lru_cache(maxsize=256)
def _plan(names: tuple[str, ...], units: tuple[str | None, ...]) -> _Plan:
    columns = [*zip(names, units, strict=True)]
    rows = [
        (row, QUANTITIES[name], unit)
        for row, (name, unit) in enumerate(columns)
        if unit is not None and name in QUANTITIES and accepts(unit, name)
    ]
    by_units = sorted(range(len(names)), key=names.__getitem__)
    return _Plan(
        words=np.array([[content_hash.word(name, unit)] for name, unit in columns], dtype=np.uint64),
        known=None if len(rows) == len(columns) else [row for row, _, _ in rows],
        by_units=None if by_units == [*range(len(names))] else by_units,
        names=tuple(quantity.column for _, quantity, _ in rows),
        factors=np.array([quantity.units[unit].factor for _, quantity, unit in rows]).reshape(-1, 1),
        offsets=np.array([quantity.units[unit].offset for _, quantity, unit in rows]).reshape(-1, 1),
    )


def _plan_of(batch: Batch) -> _Plan:
    return _plan(*kind_of(batch)[:2])


def kind_of(batch: Batch) -> tuple[tuple[str, ...], tuple[str | None, ...], int]:
    """Its columns, their units, and how many readings: batches of one kind are worked on together."""
    return tuple(batch.columns), tuple(map(batch.units.get, batch.columns)), len(batch)


def as_sent(column: Sequence[float | None]) -> FloatArray:
    """A column as floats, shape (n,), in the unit as sent; NaN where a reading has no value."""
    return np.array(column, dtype=np.float64)


def all_as_sent(batch: Batch) -> FloatArray:
    """The columns of a batch as floats, shape (k, n), in the units as sent; NaN where there is no value."""
    sent: FloatArray = all_as_sent_together([batch])[0]
    return sent


def all_as_sent_together(batches: Sequence[Batch]) -> FloatArray:
    """`all_as_sent` of batches of one kind, shape (g, k, n)."""
    sent = np.empty((len(batches), len(batches[0].columns), len(batches[0])))
    for batch, of_batch in zip(batches, sent, strict=True):
        for column, row in zip(batch.columns.values(), of_batch, strict=True):
            row[:] = column  # as `as_sent` reads it, without another array
    return sent


def extremes(sent: FloatArray) -> FloatArray:
    """Lowest and highest of each column of `all_as_sent_together`, shape (g, k, 2); NaN: it has none."""
    if not sent.size:
        return sent
    return np.stack((np.fmin.reduce(sent, axis=2), np.fmax.reduce(sent, axis=2)), axis=2)


def in_si(batch: Batch, sent: FloatArray) -> dict[str, FloatArray]:
    """Known quantities in an accepted unit, by their column name, in SI, shape (n,); NaN where absent."""
    return by_name(batch, si_together([batch], sent[np.newaxis])[0])


def si_together(batches: Sequence[Batch], sent: FloatArray) -> FloatArray:
    """What `in_si` gives of batches of one kind, shape (g, known, n). sent : `all_as_sent_together`."""
    plan = _plan_of(batches[0])
    with np.errstate(over="ignore"):  # becomes infinite, and the check of ranges then reports it
        return (sent if plan.known is None else sent[:, plan.known]) * plan.factors + plan.offsets


def names_in_si(batch: Batch) -> tuple[str, ...]:
    """The columns of `si_together`."""
    return _plan_of(batch).names


def order_of_units(batch: Batch) -> list[int] | None:
    """Which row of `all_as_sent` is the first, the second ... of its set of units; None: they stand so."""
    return _plan_of(batch).by_units


def by_name(batch: Batch, si: FloatArray) -> dict[str, FloatArray]:
    """The rows of a batch in `si_together`, by their column name."""
    return dict(zip(_plan_of(batch).names, si, strict=True))


def known_as_sent(batch: Batch, sent: FloatArray) -> dict[str, FloatArray]:
    """The columns of `in_si`, in the units as sent, shape (n,) each."""
    plan = _plan_of(batch)
    return dict(zip(plan.names, sent if plan.known is None else sent[plan.known], strict=True))


def hashes_follow(batch: Batch) -> bool:
    """True where `content_hashes` follow from whole microseconds and the columns of `in_si` alone."""
    return not batch.at_text and _plan_of(batch).known is None


def content_hashes(batch: Batch, sent: FloatArray) -> HashArray:
    """
    Hash of each reading over instant, uncertainty, values and units as sent; shape (n,), signed 64 bits.

    sent : `all_as_sent`. The sum over the columns makes their order irrelevant; a value that is absent adds
    nothing.
    """
    at_us = np.array([[us or 0 for us in batch.at_us]], dtype=np.int64)
    hashes: HashArray = hashes_together([batch], at_us, sent[np.newaxis])[0]
    return hashes


def hashes_together(batches: Sequence[Batch], at_us: npt.NDArray[np.int64], sent: FloatArray) -> HashArray:
    """
    `content_hashes` of batches of one kind, shape (g, n). sent : `all_as_sent_together`.

    at_us : instants, shape (g, n); anything where there is a text for one.
    """
    instants, uncertainty = at_us.view(np.uint64), None
    if any(batch.at_text for batch in batches):
        instants = np.array([_instants(*one) for one in zip(batches, instants, strict=True)])
    if any(batch.at_uncertainty_s is not None for batch in batches):
        uncertainty = np.array([uncertainties(batch) for batch in batches])
    return content_hash.hashes(instants, uncertainty, sent, _plan_of(batches[0]).words)


def uncertainties(batch: Batch) -> FloatArray:
    """The uncertainty of each instant, shape (n,) [s]; NaN: unknown."""
    given = batch.at_uncertainty_s
    if isinstance(given, Sequence):
        return as_sent(given)
    return np.full(len(batch), np.nan if given is None else given)


def opaque_hash(content: bytes) -> int:
    """The hash of a record that could not be read."""
    content = content_hash.HASH_VERSION + b"opaque" + content
    return int.from_bytes(hashlib.sha256(content).digest()[:8], "big", signed=True)


def _instants(batch: Batch, whole: content_hash.WordArray) -> content_hash.WordArray:
    instants = whole.copy()
    for index, text in batch.at_text.items():
        instants[index] = content_hash.word("instant", text)
    return instants
