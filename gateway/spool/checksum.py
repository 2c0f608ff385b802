"""
The checksum of a reading on disk: over values, time, units and number. Pure.

SQLite has no checksum over the pages of its file, and damage in the log is written back like sound pages. So
each row has a sum over its content, the text of its unit set, the name of its stream and its number: every
read notices a row that changed, moved, or is read under another name.

Promises: a change of any one bit of any part changes the sum; of other changes one in 2^30 goes unnoticed.
Leaves to others: handling a changed row (`gateway.spool.queue`, `gateway.spool.rescue`).

Tried: a sum over each page (SQLite's cksumvfs, in apsw's wheels). It costs next to nothing, but is made when
the log is written back, so it covers damage in the log too; a bad page takes sixty readings with it; and it
is an extra library that a build from source lacks. blake2b costs three times as much as crc32.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Final
from zlib import crc32

from cleanside.gateway.spool.payload import UnitSet, write_unit_set

# Prime: no power of two is a multiple of it, so that each bit of a whole number counts. The largest below
# 2^30, the size up to which Python divides by one digit: that is half the time.
PRIME: Final = 1_073_741_789
_BOOT, _ANY_BOOT = 2_654_435_761, 1_540_483_477  # odd numbers without a pattern (chosen)
NUMBER_STEP: Final = 2_246_822_519  # what the sum's start grows by from one number to the next
OFFSET: Final = 2**31  # the sum is kept signed: SQLite then needs four bytes for it


@lru_cache(maxsize=256)
def unit_seed(unit_set: UnitSet) -> int:
    """The share of the quantities and units."""
    return crc32(write_unit_set(unit_set).encode())


@lru_cache(maxsize=256)
def stream_seed(stream: str) -> int:
    """The share of the stream's name."""
    return crc32(stream.encode())


@lru_cache(maxsize=256)
def doubt_share(uncertainty_s: float) -> int:
    """The share of the uncertainty of a time, where there is one."""
    return crc32(repr(float(uncertainty_s)).encode())


def boot_share(boot: int) -> int:
    """The share of the boot's number, where there is one."""
    return boot * _BOOT + _ANY_BOOT


def reading_share(boot: int | None, time_us: int, uncertainty_s: float | None, seed: int) -> int:
    """The share of a reading apart from its payload and position. seed : of its unit set."""
    share = seed + time_us
    if boot is not None:
        share += boot_share(boot)
    if uncertainty_s is not None:
        share += doubt_share(uncertainty_s)
    return share


def number_share(stream: str, seq: int) -> int:
    """The share of the stream and the number."""
    return stream_seed(stream) + seq * NUMBER_STEP


def row_sum(payload: str, share: int) -> int:
    """The sum of a row. share : of its reading and of its number, added."""
    return crc32(payload.encode(), share % PRIME) - OFFSET


def row_sums(payloads: Sequence[str], shares: Sequence[int], first: int) -> list[int]:
    """The sums of neighbours. shares : of each reading. first : the share of the first one's number."""
    numbers = range(first, first + len(payloads) * NUMBER_STEP, NUMBER_STEP)
    rows = zip(payloads, shares, numbers, strict=True)
    return [crc32(payload.encode(), (share + number) % PRIME) - OFFSET for payload, share, number in rows]
