"""
The memory that arrays free stays with the process for the next ones; holes between what is kept go back.

The C library (glibc) gives what is freed at the end of its heap back to the system once it is more than some
hundred kilobytes, and larger pieces at once; then the next batch gets the same memory page by page, each
filled with zeros, which takes as long as a fifth of the work on it. Another C library goes on as it does.
What is freed between two pieces that stay is used again only for what fits, so such holes grow for hours.
Every few minutes their whole pages go back to the system.

NumPy keeps small arrays that were freed, some of each length, for good. Lengths go by how many readings an
hour has, so for hours another one is kept now and then, between pieces that go. Kept at the start they lie
side by side, and memory grows no more by them.

Source: GNU C library manual, "Malloc Tunable Parameters" (M_TRIM_THRESHOLD, M_MMAP_THRESHOLD); their numbers
are those of its malloc.h. malloc_trim(3): since 2.8 it gives back whole pages in the middle of heaps too.
NumPy's numpy/_core/src/multiarray/alloc.c (NBUCKETS, NCACHE); a test measures that they are these.
"""

from __future__ import annotations

import ctypes
import threading

import numpy as np

_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD = -1, -3
KEPT_BYTES = 8 * 2**20  # at the end of the heap; chosen: the arrays of a few pieces of work
GIVE_BACK_EVERY_S = 120.0  # chosen: a walk over the heaps takes some milliseconds
SMALL_BELOW_BYTES = 1024  # of an array that NumPy keeps
KEPT_OF_A_LENGTH = 7  # by NumPy; so 3.6 MiB in all
HEAP_BELOW_BYTES = 2**20  # larger pieces come from the system one by one; chosen: no array of batches is


def run_long() -> None:
    """Do all of this from now on: for a process that works for weeks."""
    keep_freed()
    keep_small_arrays()
    give_back_now_and_then()


def keep_small_arrays() -> None:
    """Let NumPy keep from now on what it would keep in time: of each length in bytes as many as it takes."""
    for length in range(1, SMALL_BELOW_BYTES):
        _ = [np.empty(length, np.uint8) for _ in range(KEPT_OF_A_LENGTH)]


def keep_freed() -> bool:
    """Keep it from now on. False: this C library cannot be told."""
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (AttributeError, OSError):
        return False
    return bool(mallopt(_M_TRIM_THRESHOLD, KEPT_BYTES)) and bool(mallopt(_M_MMAP_THRESHOLD, HEAP_BELOW_BYTES))


def give_back() -> bool:
    """Give whole pages of holes back to the system. False: this C library cannot be told."""
    try:
        trim = ctypes.CDLL(None).malloc_trim
    except (AttributeError, OSError):
        return False
    trim.argtypes = (ctypes.c_size_t,)
    trim(KEPT_BYTES)
    return True


def give_back_now_and_then() -> None:
    """From now on, in a thread of its own that ends with the process."""
    threading.Thread(target=_give_back_now_and_then, name="holes", daemon=True).start()


def _give_back_now_and_then() -> None:
    never = threading.Event()
    while not never.wait(GIVE_BACK_EVERY_S) and give_back():
        pass
