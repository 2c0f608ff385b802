"""
Columns of numbers as bytes, and back. Pure.

Promises: every number comes back bit for bit, of floats too; an absent value is NaN, and any NaN is absent.
Reading takes no more memory than the caller says that there are numbers. Bytes that no column gives raise
ValueError.
Leaves to others: which columns there are, compression, checksum (`ingest.store.block_content`).

A sensor's values are decimals of few digits. Times a power of ten they are whole numbers, which is tried and
checked bit for bit, never assumed. Of whole numbers, or of their differences where these are smaller, the
least is taken off, the common divisor taken out, and the lowest bytes of all stand together, then the next:
what repeats lies side by side for the compressor. A column that is no decimal stores the bits of its floats
in the same way. Published as ALP: Afroozeh, Kuffo, Boncz, ALP: adaptive lossless floating-point compression,
SIGMOD 2023. All arithmetic on whole numbers is modulo 2^64, so no difference can overflow.
"""

from __future__ import annotations

import struct
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from cleanside.gateway.units import counted

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
_Unsigned = npt.NDArray[np.uint64]

POWERS: Final = (0, 3, 6, 9)  # of ten; measured: with fewer, angles of seven decimals are no decimals
_BITS = 255  # in place of a power: the bits of the floats, as they are
_FACTORS = np.array([[[10.0**power]] for power in POWERS])
_SAMPLE = 16  # numbers that tell what need not be tried on all; chosen
_LARGEST = 2.0**53  # whole numbers to here are floats too
_CLOSER = 8  # times closer together than the numbers are differences that are stored; measured

_ABSENT, _PLAIN, _DIFFERENCES = 0, 1, 2
_WITH_HOLES = 0x80  # added: a bit for each number says whether it is there
_HEAD = struct.Struct("<BBB")  # form, power, bytes a number
_SCALE = struct.Struct("<qQ")  # least, divisor
_FIRST = struct.Struct("<q")  # of differences: the number before the first
_PLAIN_HEAD = struct.Struct("<BBBqQ")  # the same in one
_DIFFERENCES_HEAD = struct.Struct("<BBBqqQ")  # the first number behind the head
HEAD_BYTES: Final = _HEAD.size + _SCALE.size + _FIRST.size

_MASK = 2**64 - 1

# ---------------------------------------------------------------- writing


def packed_whole(numbers: IntArray, present: BoolArray | None = None) -> bytes:
    """
    Columns of whole numbers, shape (k, n), n >= 1, one behind the other.

    present : which of each are there, same shape; None: all. The others come back as 0.
    """
    powers = [0] * len(numbers)
    columns = _all_there(numbers, powers) if present is None else _each_with_holes(numbers, powers, present)
    return b"".join(columns)


def packed_steps(first: int, step: int) -> bytes:
    """What `packed_whole` gives for first, first + step, first + 2 step and so on, 3 or more of them."""
    if not step:
        return _PLAIN_HEAD.pack(_PLAIN, 0, 0, first, 1)
    return _DIFFERENCES_HEAD.pack(_DIFFERENCES, 0, 0, first, step, 1)


def packed_nothing() -> bytes:
    """What `packed_values` gives of a column of absent values."""
    return _HEAD.pack(_ABSENT, 0, 0)


def packed_values(values: FloatArray) -> list[bytes]:
    """Each of several columns of floats, shape (k, n), n >= 1; NaN: absent."""
    absent = np.isnan(values)
    if absent.all():
        return [packed_nothing()] * len(values)
    if not absent.any():
        return _all_there(*_as_whole(values))
    whole, powers = _as_whole(np.where(absent, 0.0, values))
    full = np.flatnonzero(~absent.any(axis=1))
    packed = dict(zip(full.tolist(), _all_there(whole[full], [powers[row] for row in full]), strict=True))
    return [
        packed[row] if row in packed else _with_holes(numbers, powers[row], ~gone)
        for row, (numbers, gone) in enumerate(zip(whole, absent, strict=True))
    ]


def packed_together(numbers: IntArray, values: FloatArray) -> list[bytes]:
    """Each of the columns of `packed_whole`, then of `packed_values`: together they cost less."""
    if np.isnan(values).any():
        return [*_all_there(numbers, [0] * len(numbers)), *packed_values(values)]
    whole, powers = _as_whole(values)
    return _all_there(np.concatenate([numbers, whole]), [0] * len(numbers) + powers)


def _each_with_holes(whole: IntArray, powers: Sequence[int], present: BoolArray) -> list[bytes]:
    columns = zip(whole, powers, present, strict=True)
    return [_with_holes(numbers, power, there) for numbers, power, there in columns]


def _with_holes(numbers: IntArray, power: int, there: BoolArray) -> bytes:
    if not there.any():
        return packed_nothing()
    [packed] = _all_there(numbers[there].reshape(1, -1), [power])
    if there.all():
        return packed
    form, _, width = _HEAD.unpack_from(packed)
    return _HEAD.pack(form | _WITH_HOLES, power, width) + np.packbits(there).tobytes() + packed[_HEAD.size :]


def _as_whole(values: FloatArray) -> tuple[IntArray, list[int]]:
    """Columns times the least power of ten that makes each whole, and the powers; shape (k, n), (k,)."""
    with np.errstate(over="ignore"):  # becomes infinite, which is not small enough
        # A few values tell which powers need no try.
        fits = _scaled(values[:, :_SAMPLE], _FACTORS)[1]
        least = np.where(fits.any(axis=0), fits.argmax(axis=0), len(POWERS)).tolist()
        # Nearly always they are right for all values.
        scaled, exact = _scaled(values, _FACTORS[[min(place, len(POWERS) - 1) for place in least], 0])
        if exact.all():
            return scaled.astype(np.int64), [POWERS[place] for place in least]
        whole, powers = values.view(np.int64).copy(), [_BITS] * len(values)
        whole[exact] = scaled[exact]
        for row, place in enumerate(least):
            if exact[row]:
                powers[row] = POWERS[place]
            elif (found := _tried(values[row], place + 1)) is not None:
                whole[row], powers[row] = found
        return whole, powers


def _tried(values: FloatArray, first: int) -> tuple[FloatArray, int] | None:
    """A column times the first power of ten that makes it whole, and the power. first : place to begin at."""
    for place in range(first, len(POWERS)):
        scaled, exact = _scaled(values, _FACTORS[place, 0])
        if exact:
            return scaled, POWERS[place]
    return None


def _scaled(values: FloatArray, factors: FloatArray) -> tuple[FloatArray, BoolArray]:
    """
    Values times powers of ten, whole; and which columns that gives back bit for bit.

    values : shape (k, n) or (n,). factors : shape (k, 1), or (1,), or (p, 1, 1) for p tries. Returns
    (..., k, n) and (..., k).
    """
    scaled = np.rint(values * factors)
    scaled += 0.0  # minus zero is no whole number
    same = (scaled / factors).view(np.int64) == values.view(np.int64)
    same &= np.abs(scaled) <= _LARGEST
    exact: BoolArray = np.logical_and.reduce(same, axis=-1)
    return scaled, exact


def _all_there(whole: IntArray, powers: Sequence[int]) -> list[bytes]:
    """Each column as its numbers, or as their differences where these lie closer together."""
    # All columns at once: on short runs the number of steps sets the cost.
    least, spans = _least(whole)
    firsts: dict[int, int] = {}  # row -> first number, where differences are stored
    if whole.shape[1] > 2:
        steps = whole[:, 1:] - whole[:, :-1]
        of_steps, step_spans = _least(steps)
        for row, (near, far) in enumerate(zip(step_spans, spans, strict=True)):
            if near * _CLOSER <= far and far:
                whole = whole if firsts else whole.copy()
                firsts[row] = int(whole[row, 0])
                whole[row, 1:], whole[row, 0] = steps[row], steps[row, 0]  # the first is no difference
                least[row], spans[row] = of_steps[row], near
    divisors, quotients = _divided((whole - least).view(np.uint64))
    many, lowest = whole.shape[1], quotients.astype(np.uint8).tobytes()
    return [
        _packed(
            (power, least_of_row, span // divisor, divisor),
            lowest[row * many : (row + 1) * many],
            quotients[row],
            firsts.get(row),
        )
        for row, (power, [least_of_row], span, divisor) in enumerate(
            zip(powers, least.tolist(), spans, divisors, strict=True)
        )
    ]


def _least(numbers: IntArray) -> tuple[IntArray, list[int]]:
    """The least of each column, shape (k, 1), and how far above it the greatest lies."""
    # The operation itself: its method takes as long again on a short run.
    least = np.minimum.reduce(numbers, axis=1, keepdims=True)
    most = np.maximum.reduce(numbers, axis=1, keepdims=True)
    span = (most.view(np.uint64) - least.view(np.uint64)).ravel()
    spans: list[int] = span.tolist()
    return least, spans


def _divided(above: _Unsigned) -> tuple[list[int], _Unsigned]:
    """The common divisor of each column, and the numbers over it."""
    # A few of the numbers nearly always say the divisor; it is 0 where these are all 0.
    by = np.gcd.reduce(above[:, :_SAMPLE], axis=1, keepdims=True)
    quotients = above // np.maximum(by, 1)
    if (wrong := (quotients * by != above).any(axis=1)).any():
        for row in np.flatnonzero(wrong).tolist():
            by[row] = np.gcd.reduce(above[row])
            quotients[row] = above[row] // np.maximum(by[row], 1)
    divisors: list[int] = by.ravel().tolist()
    return [divisor or 1 for divisor in divisors], quotients


def _packed(
    scale: tuple[int, int, int, int], lowest: bytes, quotients: _Unsigned, first: int | None
) -> bytes:
    """
    A column: its head, then the lowest bytes of all numbers, the next lowest, and so on.

    scale : power, least, greatest quotient, divisor. lowest : the lowest byte of each quotient. first : the
    first number, where the others are differences; its place in the quotients says nothing.
    """
    power, least, top, divisor = scale
    width = -(-top.bit_length() // 8)  # bytes a number, 0 to 8
    if first is None:
        head = _PLAIN_HEAD.pack(_PLAIN, power, width, least, divisor)
    else:
        head = _DIFFERENCES_HEAD.pack(_DIFFERENCES, power, width, first, least, divisor)
        lowest, quotients = lowest[1:], quotients[1:]
    if width <= 1:
        return head + lowest * width
    each = quotients.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8)
    return head + lowest + each[:, 1:width].T.tobytes()


# ---------------------------------------------------------------- reading


class ColumnReader:
    """Reads columns one after the other, `many` numbers each."""

    def __init__(self, packed: bytes, many: int) -> None:
        self._left = memoryview(packed)
        self._many = many

    def _take(self, size: int) -> memoryview:
        if size > len(self._left):
            raise ValueError(f"{size} bytes wanted, {len(self._left)} left")
        taken, self._left = self._left[:size], self._left[size:]
        return taken

    def end(self) -> None:
        """Raise ValueError where there is more."""
        if len(self._left):
            raise ValueError(f"{len(self._left)} bytes too many")

    def whole(self) -> tuple[IntArray, BoolArray | None]:
        """Whole numbers, 0 where absent, and which are there; None: all. Shape (n,)."""
        numbers, present, power = self._column()
        if power:
            raise ValueError(f"power {power} of whole numbers")
        return numbers, present

    def values(self) -> FloatArray:
        """Floats, NaN where absent; shape (n,)."""
        whole, present, power = self._column()
        if power == _BITS:
            column = whole.view(np.float64)
        elif power in POWERS:
            column = whole / 10.0**power
        else:
            raise ValueError(f"power {power}")
        if present is not None:
            column[~present] = np.nan
        return column

    def _column(self) -> tuple[IntArray, BoolArray | None, int]:
        form, power, width = _HEAD.unpack(self._take(_HEAD.size))
        if form == _ABSENT:
            return np.zeros(self._many, np.int64), np.zeros(self._many, np.bool_), 0
        present = self._present() if form & _WITH_HOLES else None
        many = self._many if present is None else int(present.sum())
        numbers = self._numbers(form & ~_WITH_HOLES, width, many)
        if present is None:
            return numbers, None, power
        whole = np.zeros(self._many, np.int64)
        whole[present] = numbers
        return whole, present, power

    def _present(self) -> BoolArray:
        packed = np.frombuffer(self._take(-(-self._many // 8)), np.uint8)
        return np.unpackbits(packed, count=self._many).view(np.bool_)

    def _numbers(self, form: int, width: int, many: int) -> IntArray:
        if form == _PLAIN:
            return self._shrunk(width, many)
        if form != _DIFFERENCES or not many:
            raise ValueError(f"form {form} of {counted(many, 'number')}")
        numbers = np.empty(many, np.int64)
        [numbers[0]] = _FIRST.unpack(self._take(_FIRST.size))
        numbers[1:] = self._shrunk(width, many - 1)
        return np.cumsum(numbers)

    def _shrunk(self, width: int, many: int) -> IntArray:
        least, divisor = _SCALE.unpack(self._take(_SCALE.size))
        if width > 8:
            raise ValueError(f"{width} bytes a number")
        planes = np.frombuffer(self._take(width * many), np.uint8).reshape(width, many)
        if width <= 1:
            numbers = planes[0].astype(np.uint64) if width else np.zeros(many, np.uint64)
        else:
            each = np.zeros((many, 8), np.uint8)
            each[:, :width] = planes.T
            numbers = each.view("<u8").ravel().astype(np.uint64, copy=False)
        if divisor != 1:
            numbers *= np.uint64(divisor)
        numbers += np.uint64(least & _MASK)
        return numbers.view(np.int64)
