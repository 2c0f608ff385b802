"""
Unique names: of streams (UUIDv7, RFC 9562 section 5.7) and installations.

Promises: 74 random bits each, so two are never equal even where a clock was never set. Their order means
nothing: a machine without a clock makes early ones.
Leaves to others: which stream is open (`gateway.spool.queue`).
"""

from __future__ import annotations

from collections.abc import Callable
from uuid import UUID

#: n -> n random bytes, for example os.urandom
RandomBytes = Callable[[int], bytes]


def uuid7(*, unix_ms: int, random: RandomBytes) -> str:
    """A UUIDv7: 48 bits of Unix time [ms], version and variant, 74 random bits."""
    if not 0 <= unix_ms < 2**48:
        raise ValueError(f"{unix_ms} ms does not fit 48 bits; give milliseconds since 1970")
    noise = int.from_bytes(random(10), "big")
    rand_a, rand_b = noise >> 68, noise & (2**62 - 1)
    return str(UUID(int=unix_ms << 80 | 7 << 76 | rand_a << 64 | 2 << 62 | rand_b))
