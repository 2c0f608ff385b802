"""
What the columns of a block mean: a set of units, values as sent and in SI, content hashes. Pure.

Promises: SI of values as sent is the SI that receiving them gave, bit for bit. A value as sent is taken only
where it gives back its SI bit for bit.
Leaves to others: the bytes (`ingest.store.block_content`), the hash (`ingest.store.content_hash`).
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from functools import lru_cache
from typing import NamedTuple

import numpy as np

from cleanside.gateway.units import QUANTITIES, from_si
from cleanside.ingest.store import content_hash
from cleanside.ingest.store.block_columns import POWERS, BoolArray, FloatArray, IntArray
from cleanside.ingest.store.block_content import BlockContent


class BlockUnits(NamedTuple):
    """A set of units, its quantities in the order of its canonical JSON; arrays of shape (k, 1)."""

    names: tuple[str, ...]
    units: tuple[str, ...]
    #: of the table `readings`
    columns: tuple[str, ...]
    factors: FloatArray
    offsets: FloatArray
    #: where the hash of each column begins
    words: content_hash.WordArray


@lru_cache(maxsize=1_024)
def units_of(text: str) -> BlockUnits:
    """The set of units of its canonical JSON (`unit_sets.units`)."""
    pairs: list[tuple[str, str]] = sorted(json.loads(text).items())
    units = [QUANTITIES[name].units[unit] for name, unit in pairs]
    return BlockUnits(
        names=tuple(name for name, _ in pairs),
        units=tuple(unit for _, unit in pairs),
        columns=tuple(QUANTITIES[name].column for name, _ in pairs),
        factors=np.array([unit.factor for unit in units], np.float64).reshape(-1, 1),
        offsets=np.array([unit.offset for unit in units], np.float64).reshape(-1, 1),
        words=np.array([content_hash.word(*pair) for pair in pairs], np.uint64).reshape(-1, 1),
    )


def in_si(content: BlockContent, units: BlockUnits) -> FloatArray:
    """The values in SI, shape (k, n); NaN: absent."""
    return content.values if content.in_si else _si(content.values, units)


def _si(sent: FloatArray, units: BlockUnits) -> FloatArray:
    # The same two operations as on receipt, hence the same bits (`ingest.checking.content`).
    si: FloatArray = sent * units.factors + units.offsets
    return si


def hashes(content: BlockContent, units: BlockUnits) -> IntArray:
    """The content hash of each reading, shape (n,)."""
    if content.hash_stored is None:
        return _follow(content, units)
    if content.hash_stored.all():
        return content.hashes
    return np.where(content.hash_stored, content.hashes, _follow(content, units))


def _follow(content: BlockContent, units: BlockUnits) -> IntArray:
    """The hashes of readings that were received as they are."""
    instants = content.at_us.view(np.uint64)
    return content_hash.hashes(instants, content.at_uncertainty_s, content.values, units.words)


def with_hashes(content: BlockContent, units: BlockUnits, found: IntArray) -> BlockContent:
    """The readings with these content hashes, of which those are stored that do not follow."""
    stored = np.ones(len(found), np.bool_) if content.in_si else _follow(content, units) != found
    return content._replace(hashes=found, hash_stored=stored if stored.any() else None)


def as_sent(si: FloatArray, units: BlockUnits) -> FloatArray | None:
    """
    Values that were sent, from their SI; shape (k, n). None: one of them has no value as sent that gives it.

    First as decimals of few digits, which nearly all are, then as `gateway.units.from_si` finds them.
    """
    with np.errstate(over="ignore"):  # becomes infinite, which gives no SI
        near = (si - units.offsets) / units.factors
        sent, left = np.full(si.shape, np.nan), ~np.isnan(si)
        for tried in _tried(near, si, left, units):
            fits = left & (_si(tried, units).view(np.int64) == si.view(np.int64))
            sent[fits] = tried[fits]
            left &= ~fits
            if not left.any():
                return sent
    return None


def _tried(near: FloatArray, si: FloatArray, left: BoolArray, units: BlockUnits) -> Iterator[FloatArray]:
    """Values that may have been sent. left : those that none gave so far, changed meanwhile."""
    for power in POWERS:
        yield np.rint(near * 10.0**power) / 10.0**power + 0.0
    rounded = near.copy()
    for row, column in zip(*np.nonzero(left), strict=True):
        rounded[row, column] = from_si(float(si[row, column]), units.units[row], units.names[row])
    yield rounded
    yield near
