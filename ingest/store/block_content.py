"""
A run of readings of one stream and one set of units as bytes, and back: the content of a block. Pure.

Promises: what comes back is what went in, bit for bit: numbers, instants, values as sent, minus zero. A
damaged content raises BlockDamaged and never gives another value: a checksum covers every byte. Unpacking
takes bounded memory, whatever the bytes say. Version 1 is read for ever.
Leaves to others: which readings share a block (`ingest.store.blocks`), the numbers of a column
(`ingest.store.block_columns`), what the columns mean: they stand in the order of the set of units.

Values are those that were sent, not SI: these follow from them, and so do the content hashes. A hash is
stored only where it does not follow, because a person or an anchor changed the reading since.

Layout of version 1, numbers little end first:

    version u8 = 1 | form u8 | readings u16 | columns u8 | flags u8 | body | CRC-32 of all before it, u32

Form 0, up to `FEW` readings: numbers i64, instants i64, received i64, uncertainties f64, values f64 (column
by column), then with flag 2 a bit for each reading whose hash is stored and the hashes i64.
Form 1: the same as columns of `block_columns` (values as floats, uncertainties too, the others whole).
Form 2: form 1 as one zstd frame that states its size.
Flag 1: the values are SI, because no value as sent would give them.
"""

from __future__ import annotations

import struct
import threading
import zlib
from collections.abc import Sequence
from typing import Final, NamedTuple

import numpy as np
import zstandard

from cleanside.gateway.units import counted
from cleanside.ingest.errors import BlockDamaged
from cleanside.ingest.store import block_columns
from cleanside.ingest.store.alike import alike
from cleanside.ingest.store.block_columns import BoolArray, ColumnReader, FloatArray, IntArray

CONTENT_VERSION: Final = 1
FEW: Final = 4  # readings up to which columns take longer and save nothing; measured
MOST_READINGS: Final = (
    8_192  # chosen: twice a full block (`ingest.store.blocks`), for what arrives inside one
)
MOST_COLUMNS: Final = 64  # chosen: twice the quantities there are

FAST_LEVEL: Final = 1  # of zstd, while a request waits
SMALL_LEVEL: Final = 3  # where no request waits

_FEW, _COLUMNS, _COMPRESSED = 0, 1, 2
_IN_SI, _WITH_HASHES = 1, 2
_HEAD = struct.Struct("<BBHBB")  # version, form, readings, columns, flags
_CHECKSUM = struct.Struct("<I")
_OTHER_COLUMNS = 5  # numbers, instants, received, uncertainties, hashes


class BlockContent(NamedTuple):
    """Readings of one stream and one set of units, in order of number; arrays of shape (n,)."""

    #: rising strictly
    seq: IntArray
    at_us: IntArray
    received_us: IntArray
    #: half width [s]; NaN: unknown
    at_uncertainty_s: FloatArray
    #: shape (k, n), in the unit as sent or in SI; NaN: absent
    values: FloatArray
    #: True: the values are SI
    in_si: bool
    #: content hashes that do not follow from the reading, anything elsewhere
    hashes: IntArray
    #: where they are; None: nowhere
    hash_stored: BoolArray | None


class AlikeRuns(NamedTuple):
    """
    Several runs of one shape as they come in: g runs of n readings in k columns, stacked.

    Their numbers have no gap, each was received at one time, and all their hashes follow.
    """

    #: of each run
    first_seq: Sequence[int]
    #: shape (g, n)
    at_us: IntArray
    #: of each run
    received_us: Sequence[int]
    #: half width [s], shape (g, n); NaN, or None for all: unknown
    at_uncertainty_s: FloatArray | None
    #: in the units as sent, shape (g, k, n); NaN: absent
    values: FloatArray

    @property
    def is_packable(self) -> bool:
        """True where `pack_alike` takes them."""
        _, columns, readings = self.values.shape
        return bool(FEW < readings <= MOST_READINGS and columns <= MOST_COLUMNS)


def pack_alike(runs: AlikeRuns, *, level: int = FAST_LEVEL) -> list[bytes]:
    """What `pack_all` gives of them, with fewer arrays, as they are stacked already."""
    many, columns, readings = runs.values.shape
    packed = block_columns.packed_together(runs.at_us, runs.values.reshape(many * columns, readings))
    uncertain = [block_columns.packed_nothing()] * many
    if runs.at_uncertainty_s is not None:
        uncertain = block_columns.packed_values(runs.at_uncertainty_s)
    compress, blocks = _compressor(level).compress, []
    for place, (first, received_us) in enumerate(zip(runs.first_seq, runs.received_us, strict=True)):
        begin = many + place * columns
        body = b"".join(
            (
                block_columns.packed_steps(first, 1),
                packed[place],
                block_columns.packed_steps(received_us, 0),
                uncertain[place],
                *packed[begin : begin + columns],
            )
        )
        blocks.append(_whole_block(body, compress(body), readings, columns, 0))
    return blocks


def _whole_block(body: bytes, smaller: bytes, readings: int, columns: int, flags: int) -> bytes:
    """A block of columns. smaller : the same compressed, which is taken where it is smaller."""
    form = _COLUMNS
    if len(smaller) < len(body):
        form, body = _COMPRESSED, smaller
    return _sealed(_HEAD.pack(CONTENT_VERSION, form, readings, columns, flags), body)


def _sealed(head: bytes, body: bytes) -> bytes:
    return b"".join((head, body, _CHECKSUM.pack(zlib.crc32(body, zlib.crc32(head)))))


def pack(content: BlockContent, *, level: int = FAST_LEVEL) -> bytes:
    """
    The bytes of a run of 1 to `MOST_READINGS` readings.

    level : of zstd. Raises ValueError where there are too many readings or columns, or none.
    """
    [packed] = pack_all([content], level=level)
    return packed


def pack_all(contents: Sequence[BlockContent], *, level: int = FAST_LEVEL) -> list[bytes]:
    """The same of several: those of one shape together cost far less than each by itself."""
    packed = [b""] * len(contents)
    for places in alike(content.values.shape for content in contents):
        for place, one in zip(
            places, _pack_of_one_shape([contents[place] for place in places], level), strict=True
        ):
            packed[place] = one
    return packed


def _pack_of_one_shape(contents: Sequence[BlockContent], level: int) -> list[bytes]:
    """The bytes of runs of one shape."""
    columns, readings = contents[0].values.shape
    if not (1 <= readings <= MOST_READINGS and columns <= MOST_COLUMNS):
        size = f"{counted(readings, 'reading')} of {counted(columns, 'column')}"
        raise ValueError(f"{size} do not fit into a block; cut them")
    packed = []
    compress, is_few = _compressor(level).compress, readings <= FEW
    for content, body in zip(contents, (_few if is_few else _as_columns)(contents), strict=True):
        flags = _IN_SI * content.in_si | _WITH_HASHES * (content.hash_stored is not None)
        if is_few:
            packed.append(_sealed(_HEAD.pack(CONTENT_VERSION, _FEW, readings, columns, flags), body))
        else:
            packed.append(_whole_block(body, compress(body), readings, columns, flags))
    return packed


def _few(contents: Sequence[BlockContent]) -> list[bytes]:
    """The bodies of runs of one shape."""
    whole = np.array([(c.seq, c.at_us, c.received_us) for c in contents]).astype("<i8", copy=False)
    values = np.array([(c.at_uncertainty_s, *c.values) for c in contents]).astype("<f8", copy=False)
    bodies = [one.tobytes() + more.tobytes() for one, more in zip(whole, values, strict=True)]
    for place, content in enumerate(contents):
        if content.hash_stored is not None:
            marks = np.packbits(content.hash_stored).tobytes()
            bodies[place] += marks + content.hashes.astype("<i8", copy=False).tobytes()
    return bodies


def _as_columns(contents: Sequence[BlockContent]) -> list[bytes]:
    """The bodies of runs of one shape, before they are compressed."""
    many, columns = len(contents), len(contents[0].values)
    at_us = np.array([content.at_us for content in contents])
    values = np.concatenate([content.values for content in contents])
    packed = block_columns.packed_together(at_us, values)
    numbers = _whole(np.array([content.seq for content in contents]), step=1)
    received = _whole(np.array([content.received_us for content in contents]), step=0)
    uncertain = block_columns.packed_values(np.array([content.at_uncertainty_s for content in contents]))
    bodies = []
    for place, content in enumerate(contents):
        first = many + place * columns
        body = [numbers[place], packed[place], received[place], uncertain[place]]
        body += packed[first : first + columns]
        if content.hash_stored is not None:
            hashes, stored = content.hashes.reshape(1, -1), content.hash_stored.reshape(1, -1)
            body.append(block_columns.packed_whole(hashes, stored))
        bodies.append(b"".join(body))
    return bodies


def _whole(numbers: IntArray, *, step: int) -> list[bytes]:
    """Columns of more than `FEW` whole numbers, which nearly always rise by this step; shape (k, n)."""
    rise = np.logical_and.reduce(numbers[:, 1:] - numbers[:, :-1] == step, axis=1).tolist()
    return [
        block_columns.packed_steps(int(column[0]), step)
        if rises
        else block_columns.packed_whole(column.reshape(1, -1))
        for column, rises in zip(numbers, rise, strict=True)
    ]


def unpack(packed: bytes, *, block: str = "") -> BlockContent:
    """
    The run again.

    block : which one, for the error. Raises BlockDamaged where the bytes are not those of `pack`.
    """
    if not _is_checked(packed):
        raise BlockDamaged("block_checksum_wrong", block=block, size=len(packed))
    version, form, readings, columns, flags = _HEAD.unpack_from(packed)
    if version != CONTENT_VERSION:
        raise BlockDamaged("block_version_unknown", block=block, version=version, newest=CONTENT_VERSION)
    try:
        return _read(packed[_HEAD.size : -_CHECKSUM.size], form, readings, columns, flags)
    except (ValueError, zstandard.ZstdError) as error:
        raise BlockDamaged("block_unreadable", block=block, why=str(error)) from error


def _is_checked(packed: bytes) -> bool:
    """True where the checksum at the end is that of the bytes before it."""
    whole = len(packed) >= _HEAD.size + _CHECKSUM.size
    return whole and _CHECKSUM.pack(zlib.crc32(packed[: -_CHECKSUM.size])) == packed[-_CHECKSUM.size :]


def _read(body: bytes, form: int, readings: int, columns: int, flags: int) -> BlockContent:
    if not (1 <= readings <= MOST_READINGS and columns <= MOST_COLUMNS):
        raise ValueError(f"{counted(readings, 'reading')} of {counted(columns, 'column')}")
    in_si, with_hashes = bool(flags & _IN_SI), bool(flags & _WITH_HASHES)
    if form == _FEW:
        return _read_few(body, readings, columns, in_si=in_si, with_hashes=with_hashes)
    if form == _COMPRESSED:
        body = _decompressed(body, readings, columns)
    elif form != _COLUMNS:
        raise ValueError(f"form {form}")
    reader = ColumnReader(body, readings)
    (seq, _), (at_us, _), (received_us, _) = (reader.whole() for _ in range(3))
    uncertainty, values = reader.values(), np.empty((columns, readings))
    for row in range(columns):
        values[row] = reader.values()
    hashes, stored = reader.whole() if with_hashes else (np.zeros(readings, np.int64), None)
    reader.end()
    if with_hashes and stored is None:
        stored = np.ones(readings, np.bool_)
    return BlockContent(seq, at_us, received_us, uncertainty, values, in_si, hashes, stored)


def _read_few(body: bytes, readings: int, columns: int, *, in_si: bool, with_hashes: bool) -> BlockContent:
    size = 8 * readings * (3 + 1 + columns)
    mark_bytes = -(-readings // 8)
    if len(body) != size + with_hashes * (mark_bytes + 8 * readings):
        raise ValueError(f"{len(body)} bytes of {counted(readings, 'reading')}")
    whole = np.frombuffer(body, "<i8", 3 * readings).reshape(3, readings).astype(np.int64)
    values = np.frombuffer(body, "<f8", (1 + columns) * readings, 24 * readings).astype(np.float64)
    values = values.reshape(1 + columns, readings)
    hashes, stored = np.zeros(readings, np.int64), None
    if with_hashes:
        marks = np.frombuffer(body, np.uint8, mark_bytes, size)
        stored = np.unpackbits(marks, count=readings).view(np.bool_)
        hashes = np.frombuffer(body, "<i8", readings, size + mark_bytes).astype(np.int64)
    return BlockContent(whole[0], whole[1], whole[2], values[0], values[1:], in_si, hashes, stored)


def _decompressed(frame: bytes, readings: int, columns: int) -> bytes:
    """The body of a frame. Its stated size is bounded before anything of it is decompressed."""
    most = (columns + _OTHER_COLUMNS) * (9 * readings + block_columns.HEAD_BYTES)
    size = zstandard.get_frame_parameters(frame).content_size
    if size > most:  # a frame that states none states the largest of all
        raise ValueError(f"{size} bytes of {counted(readings, 'reading')}, more than {most}")
    return zstandard.ZstdDecompressor().decompress(frame, allow_extra_data=False)


_own = threading.local()  # a compressor serves one thread at a time, and takes longer to make than to use


def _compressor(level: int) -> zstandard.ZstdCompressor:
    by_level: dict[int, zstandard.ZstdCompressor] = _own.__dict__.setdefault("by_level", {})
    if level not in by_level:
        # The checksum of the block covers the frame.
        by_level[level] = zstandard.ZstdCompressor(level=level, write_checksum=False)
    return by_level[level]
