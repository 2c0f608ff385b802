"""
What a durable append costs beside bare SQLite with the same library, log, sync, rows and commits.

    python -m tests.benchmark.bench_spool_append [--one 1500] [--grouped 300] [--pairs 7]

Each pair goes in turns of ten commits: floor, spool, spool, floor ... The figure is the median of the pairs'
ratios with its range. Goals: one reading a commit 0.85 of the floor, a hundred a commit 0.6.
"""

from __future__ import annotations

import argparse
import statistics
import tempfile
from collections.abc import Sequence
from pathlib import Path

from cleanside.gateway.wire import Reading
from tests.benchmark.gateway_floor import PAIRS, Bare, in_turns, open_spool, recording, rows_of, show

COMMITS_A_TURN = 10


def append_pair(folder: Path, readings: Sequence[Reading], group: int) -> tuple[float, float]:
    """Seconds of the floor and of the spool for the same readings in the same commits."""
    folder.mkdir()
    rows = rows_of(readings)
    bare = Bare(folder / "bare")
    span = group * COMMITS_A_TURN

    def cuts(turn: int) -> range:
        return range(turn * span, min((turn + 1) * span, len(rows)), group)

    with open_spool(folder / "spool") as spool:
        floor_s, ours_s = in_turns(
            [
                lambda turn: [bare.append(rows[i : i + group]) for i in cuts(turn)],
                lambda turn: [spool.append(readings[i : i + group]) for i in cuts(turn)],
            ],
            -(-len(rows) // span),
        )
        assert spool.state().backlog == len(readings)
    bare.connection.close()
    return floor_s, ours_s


def main(arguments: Sequence[str] | None = None) -> None:
    """Measure both, one reading a commit and a hundred."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[1] if __doc__ else None)
    parser.add_argument("--one", type=int, default=1500, help="commits of one reading in each pair")
    parser.add_argument("--grouped", type=int, default=300, help="commits of a hundred in each pair")
    parser.add_argument("--pairs", type=int, default=PAIRS)
    options = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        for group, commits in ((1, options.one), (100, options.grouped)):
            readings = recording(group * commits)
            pairs = [append_pair(Path(folder, f"{group}-{n}"), readings, group) for n in range(options.pairs)]
            rate_per_s = statistics.median(len(readings) / ours_s for _, ours_s in pairs)
            show(f"append, {group} a commit", [floor_s / ours_s for floor_s, ours_s in pairs], rate_per_s)


if __name__ == "__main__":
    main()
