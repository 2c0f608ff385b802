"""Hours of readings, for tests of what is said of one."""

from __future__ import annotations

from cleanside.ingest.restriction import HourSummary, Readings, summarise_hours


def summarise_hour(readings: Readings) -> HourSummary:
    """The summary of the one UTC hour that all readings lie in."""
    [only] = summarise_hours(readings)
    return only
