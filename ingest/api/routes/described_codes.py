"""
How answers about codes, transfers, the audit log and boot corrections look, for the OpenAPI description.

Times are RFC 3339 in UTC; null: not known, or not yet.
Leaves to others: what the values are (the routes of the same nouns).
"""

from __future__ import annotations

from pydantic import Field

from cleanside.ingest.api.routes.described import CautionShown, Described
from cleanside.ingest.api.routes.described_fleet import Next, SeatSpanShown
from cleanside.ingest.api.routes.described_kinds import (
    CodeState,
    ReasonValues,
    TransferDirection,
    TransferState,
)

Code = Field(
    description="the code, shown this once; type it with or without hyphens", examples=["K7M3A-9QTWX-2BDFT"]
)


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
    if_used_now: SeatSpanShown = Field(description="where the device would sit, and what would move")
    cautions: list[CautionShown]


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
    claimed: int
    assigned: SeatSpanShown
    cautions: list[CautionShown]


# ---------------------------------------------------------------- transfers


class TransferShown(Described):
    """An offer of a machine, without its code."""

    transfer: int
    direction: TransferDirection
    machine: str = Field(description="its name at the owner who asks")
    state: TransferState
    note: str
    created_at: str
    expires_at: str
    accepted_at: str | None
    devices: list[str] = Field(description="devices that moved too, by their names at the owner who asks")
    keys_ended: list[str] = Field(description="handles of the former owner's keys; empty for the new one")


class TransferMade(TransferShown):
    """A new offer."""

    code: str = Code
    cautions: list[CautionShown]


class TransferAccepted(TransferShown):
    """A machine that was just taken over."""

    cautions: list[CautionShown]


class TransfersAnswer(Described):
    """Offers made and accepted, newest first, a page at a time."""

    transfers: list[TransferShown]
    next: str | None = Next


# ---------------------------------------------------------------- audit


class AuditEntry(Described):
    """Who did what."""

    entry: int
    at: str
    who: str = Field(description="handle of the key, or command")
    what: str
    detail: str
    values: ReasonValues | None = Field(
        description=(
            "the figures and names that detail is about; null: an earlier release wrote the text alone"
        )
    )


class AuditAnswer(Described):
    """The audit log, newest first, a page at a time."""

    entries: list[AuditEntry]
    next: str | None = Next


class RefusalShown(Described):
    """How often one key was refused for one reason in one hour."""

    hour: str
    reason: str = Field(examples=["role_not_allowed"])
    who: str = Field(description="handle of the key; others: all beyond the bound")
    times: int
    first_at: str
    last_at: str


class RefusalsAnswer(Described):
    """Refused authorisations, newest hour first, a page at a time."""

    refusals: list[RefusalShown]
    next: str | None = Next


# ---------------------------------------------------------------- boots placed better later


class CorrectionShown(Described):
    """A better anchor of a boot that was sent already, and what it moved."""

    correction: int
    device: str
    stream: str
    boot: str
    first: int
    last: int
    shift_s: float = Field(description="added to the times that were sent [s]")
    uncertainty_s: float | None
    anchor: str | None
    readings: int = Field(description="how many have the corrected time now")
    received_at: str
    undone_at: str | None


class CorrectionsAnswer(Described):
    """Corrections, newest first, a page at a time."""

    corrections: list[CorrectionShown]
    next: str | None = Next
