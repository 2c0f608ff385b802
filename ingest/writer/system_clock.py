"""The clock of this machine: read by commands and the server, an argument to all beneath them."""

from __future__ import annotations

import time


def now_us() -> int:
    """Microseconds since 1970 UTC."""
    return time.time_ns() // 1000
