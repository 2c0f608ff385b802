"""The table of fleets on the page Sizing is arithmetic with the table of measurements above it."""

from __future__ import annotations

import re

from tests.benchmark.bench_sizing import Cost, table
from tests.support.house import ROOT

PAGE = (ROOT / "ingest" / "docs" / "reference" / "sizing.md").read_text()
INTERVAL_S = 10.0


def on_postgresql(row: str) -> float:
    """The number in the row's column of PostgreSQL."""
    found = re.search(rf"^\| {re.escape(row)}[^|]*\|[^|]*\| ([\d .]+)", PAGE, re.MULTILINE)
    assert found is not None, row
    return float(found[1].replace(" ", ""))


def test_the_table_of_fleets_follows_from_what_was_measured() -> None:
    cost = Cost(
        processor_us=1e6 / on_postgresql("readings a second and core"),
        disk_bytes=on_postgresql("on disk, in the tables"),
        log_bytes=on_postgresql("in the log"),
        memory_mib=on_postgresql("memory of a server process"),
    )
    assert table(cost, INTERVAL_S) in PAGE
