"""
The content hash of readings, computed from their columns. Pure.

Promises: equal content as sent gives an equal hash, in any column order; the hash is part of what is stored,
so it may never change (its version is in the constants below). An absent value adds nothing.
Leaves to others: where the columns come from (`ingest.checking.content`, `ingest.store.block_units`).

64 bits by mixing, not by a cryptographic hash: it runs over whole columns at once. By chance one comparison
in 1.8e19 is wrong. A sender that forges a repeat harms only its own readings.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from functools import lru_cache
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
HashArray = npt.NDArray[np.int64]
WordArray = npt.NDArray[np.uint64]

HASH_VERSION: Final = b"1"
# Finaliser of splitmix64: Steele, Lea, Flood, Fast splittable pseudorandom number generators (2014).
_GOLDEN = np.uint64(0x9E3779B97F4A7C15)
_MIX_A = np.uint64(0xBF58476D1CE4E5B9)
_MIX_B = np.uint64(0x94D049BB133111EB)
_30, _27, _31 = np.uint64(30), np.uint64(27), np.uint64(31)


def hashes(
    instants: WordArray, at_uncertainty_s: FloatArray | None, sent: FloatArray, words: WordArray
) -> HashArray:
    """
    Hash of each reading over instant, uncertainty, values and units as sent; shape (..., n), signed 64 bits.

    instants : microseconds since 1970, or `word("instant", text)` of a finer one, shape (..., n).
    at_uncertainty_s : shape (..., n) or (1,); NaN or None: unknown. sent : shape (..., k, n), NaN: absent.
    words : `word(name, unit)` of each column, shape (k, 1). The sum over the columns makes their order
    irrelevant.
    """
    # Instants and values in one array: on a batch the number of operations sets the cost.
    *several, columns, many = sent.shape
    mixed = np.empty((*several, 1 + columns, many), np.uint64)
    np.bitwise_xor(instants, word("at", ""), out=mixed[..., 0, :])
    if columns:
        np.bitwise_xor((sent + 0.0).view(np.uint64), words, out=mixed[..., 1:, :])  # + 0.0: no minus zero
    mixed = _mix(mixed)
    _leave_out(mixed[..., 1:, :], sent)
    total = np.add.reduce(mixed, axis=-2, dtype=np.uint64)
    if at_uncertainty_s is not None:  # where unknown it adds nothing, as every absent value
        total += _values(at_uncertainty_s, word("at_uncertainty_s", "s"))
    return np.asarray(_mix(total).view(np.int64))


@lru_cache(maxsize=1024)
def word(name: str, unit: str | None) -> np.uint64:
    """Where the hash of a column begins."""
    # JSON allows half characters; they must hash differently, like all others.
    text = f"{name}\x1f{'' if unit is None else unit}".encode("utf-8", "surrogatepass")
    return np.uint64(int.from_bytes(hashlib.sha256(HASH_VERSION + text).digest()[:8], "big"))


def digests(found: HashArray) -> list[int]:
    """The sum of content hashes modulo 2^64, signed, of each of several runs of one length, shape (g, n)."""
    each: list[int] = found.sum(axis=1, dtype=np.int64).tolist()
    return each


def add(parts: Iterable[int]) -> int:
    """The digest of several runs together, from theirs; of single readings, from their hashes."""
    return (sum(parts) + 2**63) % 2**64 - 2**63


def _values(column: FloatArray, first: np.uint64) -> WordArray:
    mixed = _mix((column + 0.0).view(np.uint64) ^ first)
    _leave_out(mixed, column)
    return mixed


def _leave_out(mixed: WordArray, values: FloatArray) -> None:
    """An absent value adds nothing."""
    absent = np.isnan(values)
    if absent.any():
        mixed[absent] = 0


def _mix(words: WordArray) -> WordArray:
    mixed = words + _GOLDEN
    shifted = mixed >> _30
    mixed ^= shifted
    mixed *= _MIX_A
    mixed ^= np.right_shift(mixed, _27, out=shifted)
    mixed *= _MIX_B
    mixed ^= np.right_shift(mixed, _31, out=shifted)
    return mixed
