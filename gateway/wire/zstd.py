"""
Zstandard (RFC 8878), also where the package `zstandard` is missing: there is no build of it for 32-bit ARM.

Promises: what `packed` makes, every decoder of the format reads. Without the package it is no smaller than
the content: its blocks are raw (3.1.1.2.2), and `unpacked` reads such frames alone.
Leaves to others: which content coding goes over the link (`gateway.uplink`, `gateway.client`); without the
package that is gzip.
"""

from __future__ import annotations

from collections.abc import Iterator

try:
    import zstandard
except ImportError:
    IS_INSTALLED = False
else:
    IS_INSTALLED = True

_MAGIC = 0xFD2FB528.to_bytes(4, "little")  # 3.1.1
_ONE_SEGMENT_SIZE_IN_4_BYTES = b"\xa0"  # 3.1.1.1.1: no checksum, no dictionary
_HEADER_BYTES = 9
_MOST_IN_BLOCK = 128 * 1024  # 3.1.1.2.4
_LAST, _RAW = 1, 0  # 3.1.1.2


def packed(content: bytes, *, level: int) -> bytes:
    """One frame. level : 1 to 22."""
    if IS_INSTALLED:
        return zstandard.ZstdCompressor(level=level).compress(content)
    return b"".join(_raw_frame(content))


def unpacked(frame: bytes, *, at_most: int) -> bytes:
    """The content of a frame, cut after `at_most` bytes. Raises ValueError where it cannot be read."""
    if not IS_INSTALLED:
        return b"".join(_raw_blocks(frame))[:at_most]
    try:
        # Counted while unpacking: a frame may state a wrong size of itself.
        with zstandard.ZstdDecompressor().stream_reader(frame) as reader:
            return reader.read(at_most)
    except zstandard.ZstdError as error:
        raise ValueError(str(error)) from None


def _raw_frame(content: bytes) -> Iterator[bytes]:
    yield _MAGIC + _ONE_SEGMENT_SIZE_IN_4_BYTES + len(content).to_bytes(4, "little")
    for at in range(0, len(content) or 1, _MOST_IN_BLOCK):
        block = content[at : at + _MOST_IN_BLOCK]
        last = _LAST if at + _MOST_IN_BLOCK >= len(content) else 0
        yield (len(block) << 3 | _RAW << 1 | last).to_bytes(3, "little") + block


def _raw_blocks(frame: bytes) -> Iterator[bytes]:
    if not frame.startswith(_MAGIC + _ONE_SEGMENT_SIZE_IN_4_BYTES):
        raise ValueError("it is compressed: install the package zstandard")
    at, last = _HEADER_BYTES, 0
    while not last:
        header = int.from_bytes(frame[at : at + 3], "little")
        size, last = header >> 3, header & 1
        at += 3 + size
        if header >> 1 & 3 != _RAW or at > len(frame):
            raise ValueError("it is compressed or cut short: install the package zstandard")
        yield frame[at - size : at]
