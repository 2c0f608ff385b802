"""The version that a gateway reports is the one that was installed."""

from __future__ import annotations

import tomllib
from pathlib import Path

from cleanside.gateway.version import BUILT, VERSION
from cleanside.gateway.wire import parse_instant


def test_the_version_is_that_of_the_distribution() -> None:
    project = tomllib.loads((Path(__file__).parents[3] / "pyproject.toml").read_text())
    assert project["project"]["version"] == VERSION


def test_the_build_day_is_a_day() -> None:
    assert parse_instant(f"{BUILT}T00:00:00Z").us > 0
