"""
The memory that arrays free stays with the process for the next ones.

The C library (glibc) gives what is freed at the end of its heap back to the system once it is more than some
hundred kilobytes, and larger pieces at once; then the next batch gets the same memory page by page, each
filled with zeros, which takes as long as a fifth of the work on it. Another C library goes on as it does.

Source: GNU C library manual, "Malloc Tunable Parameters" (M_TRIM_THRESHOLD, M_MMAP_THRESHOLD); their numbers
are those of its malloc.h.
"""

from __future__ import annotations

import ctypes

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3
KEPT_BYTES = 8 * 2**20  # at the end of the heap; chosen: the arrays of a few pieces of work
HEAP_BELOW_BYTES = 2**20  # larger pieces come from the system one by one; chosen: no array of batches is


def keep_freed() -> bool:
    """Keep it from now on. False: this C library cannot be told."""
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError):
        return False
    return bool(mallopt(_M_TRIM_THRESHOLD, KEPT_BYTES)) and bool(mallopt(_M_MMAP_THRESHOLD, HEAP_BELOW_BYTES))
