"""Answers about what was entered at machines."""

from __future__ import annotations

from pydantic import Field

from cleanside.ingest.api.routes.described import Described
from cleanside.ingest.api.routes.described_fleet import Next
from cleanside.ingest.api.routes.described_kinds import DeviceEntryContent, DeviceEntryOutcome


class EntriesTakenAnswer(Described):
    """The entries are durable."""

    stream: str
    acknowledged_through: int = Field(description="the server has each number up to it, whatever its outcome")
    server_time: str


class DeviceEntryShown(Described):
    """An entry as it came, and what became of it."""

    entry_id: str
    stream: str
    seq: int
    at: str
    at_uncertainty_s: float | None
    received_at: str
    content: DeviceEntryContent = Field(description="as it was sent")
    outcome: DeviceEntryOutcome


class DeviceEntriesAnswer(Described):
    """What came from a device's gateway."""

    device: str
    entries: list[DeviceEntryShown]
    next: str | None = Next
