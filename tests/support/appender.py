"""
Appends readings 1, 2, 3 ... (restriction in Pa) to a spool and says on standard output what is on disk.

A process to be killed: `python -m tests.support.appender SPOOL DEVICE FIRST`. Each line it prints is a number
whose `append` has returned.
"""

from __future__ import annotations

import os
import sys
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

from cleanside.gateway import Reading, Spool, SystemClock

BEGIN_AT = datetime(2026, 3, 2, 6, 0, tzinfo=UTC)


def main() -> None:
    """Append until killed: sometimes one reading a commit, sometimes many."""
    path, device, first = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
    spool = Spool(path, device=device, clock=SystemClock())
    number = first
    for turn in count():
        group = range(number, number + (1 if turn % 3 else 40))
        spool.append([reading(n) for n in group])
        number = group.stop
        os.write(1, f"{group[-1]}\n".encode())


def reading(number: int) -> Reading:
    """The reading that carries its own number."""
    at = BEGIN_AT + timedelta(milliseconds=100 * number)
    return Reading(
        at=at, at_uncertainty_s=0.0, values={"restriction": number / 10}, units={"restriction": "Pa"}
    )


if __name__ == "__main__":
    main()
