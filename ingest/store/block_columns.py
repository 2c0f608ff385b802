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

import math
import struct
from typing import Final

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
_Unsigned = npt.NDArray[np.uint64]

POWERS: Final = (0, 3, 6, 9)  # of ten; measured: with fewer, angles of seven decimals are no decimals
_BITS = 255  # in place of a power: the bits of the floats, as they are
_SAMPLE = 16  # values that tell which powers need no try; chosen
_LARGEST = 2.0**53  # whole numbers to here are floats too

_ABSENT, _PLAIN, _DIFFERENCES = 0, 1, 2
_WITH_HOLES = 0x80  # added: a bit for each number says whether it is there
_HEAD = struct.Struct("<BBB")  # form, power, bytes a number
_SCALE = struct.Struct("<qQ")  # least, divisor
_FIRST = struct.Struct("<q")  # of differences: the number before the first
HEAD_BYTES: Final = _HEAD.size + _SCALE.size + _FIRST.size

_MASK = 2**64 - 1

# ---------------------------------------------------------------- writing


def packed_whole(numbers: IntArray, present: BoolArray | None = None, *, power: int = 0) -> bytes:
    """
    A column of whole numbers, shape (n,), n >= 1.

    present : which of them are there, shape (n,); None: all. The others come back as 0.
    """
    if present is None:
        return _shorter(numbers, power, 0)
    if present.all():
        return _shorter(numbers, power, 0)
    if not present.any():
        return _HEAD.pack(_ABSENT, 0, 0)
    holes = np.packbits(present).tobytes()
    return _shorter(numbers[present], power, _WITH_HOLES, holes)


def packed_values(values: FloatArray) -> bytes:
    """Columns of floats, shape (k, n), n >= 1; NaN: absent."""
    absent = np.isnan(values)
    some: BoolArray = np.logical_or.reduce(absent, axis=1)
    powers, whole = _as_whole(np.where(absent, 0.0, values) if some.any() else values)
    return b"".join(
        packed_whole(whole[row], ~absent[row] if some[row] else None, power=power)
        for row, power in enumerate(powers)
    )


def _as_whole(values: FloatArray) -> tuple[list[int], IntArray]:
    """The least power of ten that makes each column whole, and the columns then; shape (k,), (k, n)."""
    bits = values.view(np.int64)
    whole = bits.copy()
    powers = [_BITS] * len(values)
    least = _least_powers(values[:, :_SAMPLE])
    for place, power in enumerate(POWERS):
        rows = [row for row, found in enumerate(powers) if found == _BITS and least[row] <= place]
        if not rows:
            continue
        scaled, fits = _scaled(values[rows], power)
        for row, numbers in zip(
            (r for r, fit in zip(rows, fits, strict=True) if fit), scaled[fits], strict=True
        ):
            whole[row], powers[row] = numbers, power
    return powers, whole


def _least_powers(sample: FloatArray) -> list[int]:
    """For each column the place of the least power that makes the sample whole; none: beyond the last."""
    fits = np.array([_scaled(sample, power)[1] for power in POWERS])
    places: list[int] = np.where(fits.any(axis=0), fits.argmax(axis=0), len(POWERS)).tolist()
    return places


def _scaled(values: FloatArray, power: int) -> tuple[FloatArray, BoolArray]:
    """Values times a power of ten, whole; and which columns that gives back bit for bit."""
    with np.errstate(over="ignore"):  # becomes infinite, which is not small enough
        scaled = np.rint(values * 10.0**power) + 0.0  # + 0.0: minus zero is no whole number
    same = (scaled / 10.0**power).view(np.int64) == values.view(np.int64)
    return scaled, (same & (np.abs(scaled) <= _LARGEST)).all(axis=1)


def _shorter(numbers: IntArray, power: int, holes: int, before: bytes = b"") -> bytes:
    """The numbers or their differences, whichever takes fewer bytes a number."""
    plain = _Shrunk.of(numbers)
    if plain.width and len(numbers) > 2:
        by_step = _Shrunk.of(numbers[1:] - numbers[:-1])
        if by_step.width < plain.width:
            first = _FIRST.pack(int(numbers[0]))
            return _HEAD.pack(_DIFFERENCES | holes, power, by_step.width) + before + first + by_step.bytes
    return _HEAD.pack(_PLAIN | holes, power, plain.width) + before + plain.bytes


class _Shrunk:
    """Whole numbers less the least, over their common divisor."""

    __slots__ = ("_divisor", "_least", "_quotients", "width")

    def __init__(self, least: int, divisor: int, quotients: _Unsigned) -> None:
        self._least, self._divisor, self._quotients = least, divisor, quotients
        #: bytes a number, 0 to 8
        self.width = -(-int(quotients.max()).bit_length() // 8)

    @classmethod
    def of(cls, numbers: IntArray) -> _Shrunk:
        least = int(numbers.min())
        above = numbers.view(np.uint64) - np.uint64(least & _MASK)
        divisor = _common_divisor(above)
        return cls(least, divisor, above if divisor == 1 else above // np.uint64(divisor))

    @property
    def bytes(self) -> bytes:
        """Scale, then the lowest bytes of all numbers, the next lowest, and so on."""
        each = self._quotients.astype("<u8", copy=False).view(np.uint8).reshape(-1, 8)
        return _SCALE.pack(self._least, self._divisor) + each[:, : self.width].T.tobytes()


def _common_divisor(numbers: _Unsigned) -> int:
    """The greatest common divisor, 1 where all are 0. A few numbers nearly always say it."""
    few = math.gcd(*numbers[:_SAMPLE].tolist())
    if few == 1:
        return 1
    if few and not (numbers % np.uint64(few)).any():
        return few
    return int(np.gcd.reduce(numbers)) or 1


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
            raise ValueError(f"form {form} of {many} numbers")
        numbers = np.empty(many, np.int64)
        [numbers[0]] = _FIRST.unpack(self._take(_FIRST.size))
        numbers[1:] = self._shrunk(width, many - 1)
        return np.cumsum(numbers)

    def _shrunk(self, width: int, many: int) -> IntArray:
        least, divisor = _SCALE.unpack(self._take(_SCALE.size))
        if width > 8:
            raise ValueError(f"{width} bytes a number")
        each = np.zeros((many, 8), np.uint8)
        each[:, :width] = np.frombuffer(self._take(width * many), np.uint8).reshape(width, many).T
        numbers = each.view("<u8").ravel() * np.uint64(divisor) + np.uint64(least & _MASK)
        return numbers.astype(np.uint64, copy=False).view(np.int64)
