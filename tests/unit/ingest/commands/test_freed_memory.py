"""What arrays free is used again, and not given to the system and taken back page by page."""

from __future__ import annotations

import platform
import subprocess
import sys

import pytest

ROUNDS = 50
#: arrays of a piece of work, 400 kB each, in a process of their own: the setting holds for a whole process
SCRIPT = f"""
import resource
import numpy as np
from cleanside.ingest.commands.freed_memory import keep_freed

kept = keep_freed()

def work():
    return [np.ones(50_000) for _ in range(12)]

for _ in range(5):
    work()
before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
for _ in range({ROUNDS}):
    work()
print(kept, resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before)
"""


def test_the_arrays_of_the_next_piece_of_work_get_the_memory_of_the_last() -> None:
    kept, faults = subprocess.run(
        [sys.executable, "-c", SCRIPT], capture_output=True, text=True, check=True
    ).stdout.split()
    if kept == "False":
        pytest.skip("another C library than glibc")
    assert int(faults) < ROUNDS  # a thousand pages a piece of work, where they are given back


#: pieces of half a page, of which each ninth stays: between them are holes of four pages
HOLES = """
from pathlib import Path
from cleanside.ingest.commands.freed_memory import give_back, keep_freed

def resident_kib():
    lines = Path("/proc/self/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))

keep_freed()
pieces = [bytearray(2_000) for _ in range(40_000)]
stay = pieces[::9]
del pieces
before = resident_kib()
told = give_back()
print(told, before - resident_kib(), sum(map(len, stay)))
"""


def test_holes_between_what_stays_go_back_to_the_system() -> None:
    told, less_kib, stay = subprocess.run(
        [sys.executable, "-c", HOLES], capture_output=True, text=True, check=True
    ).stdout.split()
    if told == "False":
        pytest.skip("another C library than glibc")
    assert int(stay) == 2_000 * len(range(0, 40_000, 9))
    assert int(less_kib) > 30_000  # of 70 MB that were freed


#: arrays of every small length, as many as NumPy keeps and more, of which it keeps none that it had not
SMALL = """
import numpy as np
from cleanside.ingest.commands.freed_memory import keep_small_arrays
from tests.benchmark.telling_server import heap_bytes

def work():
    for length in range(1, 1_100):
        arrays = [np.empty(length, np.uint8) for _ in range(12)]

np.empty(2_000, np.uint8)
first = heap_bytes()
keep_small_arrays()
kept = heap_bytes()
work()
print(kept - first, heap_bytes() - kept)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="another C library than glibc")
def test_numpy_keeps_no_more_small_arrays_than_it_was_given_at_the_start() -> None:
    kept, more = subprocess.run(
        [sys.executable, "-c", SMALL], capture_output=True, text=True, check=True
    ).stdout.split()
    assert 3 * 2**20 < int(kept) < 4 * 2**20  # 7 of each length below 1 KiB are 3.5 MiB, and each has a head
    assert (
        int(more) < 2**18
    )  # the C library keeps 7 of 64 sizes for each thread (its malloc.c, tcache): 0.23 MiB
