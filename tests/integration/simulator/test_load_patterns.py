"""Every pattern of load ends with everything acknowledged, and the server holds all of it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cleanside.simulator import cli
from cleanside.simulator.load_patterns import PATTERNS

#: pattern -> what the server or a link has to have answered, so that the trouble was real
MET = {"failing-database": "503", "poor-links": "503"}


@pytest.mark.parametrize("pattern", PATTERNS)
def test_a_pattern_loses_nothing(pattern: str, tmp_path: Path) -> None:
    report = tmp_path / "load.json"
    size = ["--machines", "8", "--seconds", "12", "--interval-s", "0.5", "--backlog", "1500"]
    assert cli.main(["load", pattern, *size, "--json", str(report)]) == 0
    found = json.loads(report.read_text())
    assert sum(found["check"].values()) == 0
    assert found["acknowledged"] == found["sampled"] > 0
    if pattern in MET:
        assert found["requests"][MET[pattern]] > 0
    if pattern in ("herd", "outage"):
        assert found["latencies"]["backlog, from when the link came back"]["count"] > 0
