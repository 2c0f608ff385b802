"""The version that a gateway reports is the one that was installed."""

from __future__ import annotations

from importlib.metadata import version

from cleanside.gateway.version import BUILT, VERSION
from cleanside.gateway.wire import parse_instant


def test_the_version_is_that_of_the_distribution() -> None:
    assert version("cleanside") == VERSION


def test_the_build_day_is_a_day() -> None:
    assert parse_instant(f"{BUILT}T00:00:00Z").us > 0
