"""
The command `analyse` as a process that writes down which housing it works on, from its begin to its end.

    python -m tests.support.recorded_analysis FILE [--hang-at N] [flags of analyse]

Each line of FILE is `begin HOUSING` or `end HOUSING`, with the time of the machine's monotonic clock [ns].
hang-at : it stops itself (SIGSTOP) as it begins with its Nth housing, like a process that hangs.
"""

from __future__ import annotations

import argparse
import os
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple

from cleanside.ingest import cli
from cleanside.ingest.analysis import summarising
from cleanside.ingest.store import hours


class Span(NamedTuple):
    """Work of one process on one housing. until_ns : None, it did not come to its end."""

    housing_id: int
    from_ns: int
    until_ns: int | None


def spans(file: Path) -> list[Span]:
    """What a process wrote so far."""
    begun: dict[int, int] = {}
    found: list[Span] = []
    for line in file.read_text().splitlines() if file.exists() else ():
        word, housing_id, at_ns = line.split()
        if word == "begin":
            begun[int(housing_id)] = int(at_ns)
        else:
            found.append(Span(int(housing_id), begun.pop(int(housing_id)), int(at_ns)))
    return found + [Span(housing_id, at_ns, None) for housing_id, at_ns in begun.items()]


def overlaps(one: Sequence[Span], other: Sequence[Span], *, end_ns: int) -> Iterator[tuple[Span, Span]]:
    """Spans of two processes on one housing at one time. end_ns : of work without an end."""
    for a in one:
        for b in other:
            together = a.from_ns < (b.until_ns or end_ns) and b.from_ns < (a.until_ns or end_ns)
            if a.housing_id == b.housing_id and together:
                yield a, b


def main(words: Sequence[str]) -> int:
    """Run it."""
    parser = argparse.ArgumentParser()
    parser.add_argument("file")
    parser.add_argument("--hang-at", type=int, default=0)
    given, rest = parser.parse_known_args(words)
    _record(os.open(given.file, os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o600), given.hang_at)
    return cli.main(["analyse", *rest])


def _record(out: int, hang_at: int) -> None:
    working: list[int] = []
    begun = 0
    summarise, mark_analysed = summarising.summarise, hours.mark_analysed

    def say(word: str, housing_id: int) -> None:
        os.write(out, f"{word} {housing_id} {time.monotonic_ns()}\n".encode())

    def recorded(connection: Any, housing_id: int, wanted: Any) -> Any:
        nonlocal begun
        begun += 1
        working.append(housing_id)
        say("begin", housing_id)
        if begun == hang_at:
            os.kill(os.getpid(), signal.SIGSTOP)
        return summarise(connection, housing_id, wanted)

    def marked(connection: Any, done: Any) -> None:
        mark_analysed(connection, done)
        while working:
            say("end", working.pop())

    summarising.summarise = recorded
    hours.mark_analysed = marked


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
