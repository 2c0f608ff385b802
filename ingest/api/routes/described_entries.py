"""Answers about what was entered at machines."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from cleanside.ingest.api.routes.described import Described
from cleanside.ingest.api.routes.described_fleet import Next


class EntriesTakenAnswer(Described):
    """The entries are durable."""

    stream: str
    acknowledged_through: int = Field(description="each number up to it is held, whatever became of it")
    server_time: str


class DeviceEntryShown(Described):
    """An entry as it came, and what became of it."""

    entry_id: str
    stream: str
    seq: int
    at: str
    at_uncertainty_s: float | None
    received_at: str
    content: dict[str, Any] = Field(description="as it was sent")
    outcome: Literal["taken", "same_entry", "no_housing", "not_valid", "differs"] = Field(
        description="taken: it is an element change, and a question until it is confirmed. same_entry: the "
        "same id was entered before. no_housing: the device sat nowhere then; tried again when it is "
        "seated. not_valid: it says nothing that can be entered. differs: another entry has its id"
    )


class DeviceEntriesAnswer(Described):
    """What came from a device's gateway."""

    device: str
    entries: list[DeviceEntryShown]
    next: str | None = Next
