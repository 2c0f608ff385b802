"""
What a housing takes in the memory of a server process: its hours, what judging works out of them, the study.

    python -m tests.benchmark.bench_housing_memory [--machines 3] [--days 365] [--step-s 600]

Machines at work around the clock, every hour summarised, each judged once, as the page Fleet does. Counted
are the bytes that Python and numpy allocate for it and keep (tracemalloc), not what the system gives the
process.
How many housings are kept at once: `MAX_SUMMARIES` and `MAX_STUDIES` of `ingest.analysis.memory`.
Prints what it found, and JSON at the end.
"""

from __future__ import annotations

import argparse
import gc
import json
import sys
import tempfile
import tracemalloc
from collections.abc import Sequence
from pathlib import Path

import sqlalchemy as sa

from cleanside.ingest.analysis.assessment import Judge
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.store import fleet
from tests.benchmark.bench_workers import send_backlog
from tests.support.databases import migrated_sqlite
from tests.support.serving import Api, in_process

KIB = 1024


def measured(machines: int, days: float, step_s: float) -> dict[str, float]:
    """KiB a housing: of `hours` alone, of `judged` (with what is worked out of them), of its `study`."""
    devices = [f"truck-{number:02d}-intake" for number in range(machines)]
    with (
        tempfile.TemporaryDirectory() as folder,
        in_process(migrated_sqlite(Path(folder)), devices=devices) as api,
    ):
        send_backlog(api, devices, days=days, step_s=step_s)
        api.analyse()
        api.get("/v1/fleet").raise_for_status()  # loads what is loaded once
        with api.resources.reading() as connection:
            return _measured(api, connection)


def _measured(api: Api, connection: sa.Connection) -> dict[str, float]:
    owner_id, *_ = fleet.every_owner(connection)
    housings = fleet.housings_in_use(connection, owner_id)
    memory = Memory()
    tracemalloc.start()
    try:
        nothing = _kept_bytes()
        for housing in housings:
            memory.summaries(connection, housing)
        hours = _kept_bytes() - nothing
        Judge(connection, api.resources, memory, api.services.snapshots.of(connection, owner_id)).views(
            housings, whole_owner=True
        )
        both = _kept_bytes()
        memory._summaries.clear()
        studies = _kept_bytes()
        memory._studies.clear()
        left = _kept_bytes()
    finally:
        tracemalloc.stop()
    kib = {"hours": hours, "judged": both - studies, "study": studies - left}
    return {name: count / len(housings) / KIB for name, count in kib.items()}


def _kept_bytes() -> int:
    gc.collect()
    return tracemalloc.get_traced_memory()[0]


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--machines", type=int, default=3)
    parser.add_argument("--days", type=float, default=365.0)
    parser.add_argument("--step-s", type=float, default=600.0)
    given = parser.parse_args(arguments)
    found = measured(given.machines, given.days, given.step_s)
    print(
        f"a housing with {24 * given.days:,.0f} hours: {found['hours']:,.0f} KiB of summaries, "
        f"{found['judged']:,.0f} KiB with what judging works out of them, {found['study']:,.0f} KiB of study"
    )
    print(json.dumps(found))
    return 0


if __name__ == "__main__":
    sys.exit(main())
