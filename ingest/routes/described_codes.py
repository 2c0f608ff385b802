"""
How answers about one-time codes, transfers and the audit log look, for the OpenAPI description.

Times are RFC 3339 in UTC; null: not known, or not yet.
Leaves to others: what the values are (the routes of the same nouns).
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from ingest.routes.described import Described
from ingest.routes.described_fleet import Next

CodeState = Literal["open", "used", "expired", "cancelled"]
Code = Field(description="shown once; type it with or without hyphens", examples=["K7M3A-9QTWX-2BDF4"])


class EnrolmentShown(Described):
    """A code for a device, without the code."""

    enrolment: int
    device: str
    machine: str
    housing: str
    state: CodeState
    note: str
    who: str
    created_at: str
    expires_at: str
    used_at: str | None


class EnrolmentMade(EnrolmentShown):
    """A new code for a device."""

    code: str = Code


class EnrolmentsAnswer(Described):
    """Codes for devices, newest first, a page at a time."""

    enrolments: list[EnrolmentShown]
    next: str | None = Next


class EnrolledAnswer(Described):
    """The key of a device, shown once."""

    key: str
    handle: str
    device: str
    machine: str
    housing: str
    claimed: int = Field(description="readings that were held for the device and are stored now")
