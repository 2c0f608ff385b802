"""
How answers about quarantine and about what a person does there look, for the OpenAPI description.

Leaves to others: what the values are (`ingest.api.routes.quarantine`, `ingest.api.routes.amendments`).
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from cleanside.ingest.api.routes.described import Described

State = Literal["held", "released", "discarded"]
Next = Field(description="`cursor` of the next page; null: this is the last")


class Reason(Described):
    """Why a reading is not believed, and the repair a person can apply, if one is evident."""

    code: str
    detail: str
    values: dict[str, Any] | None = Field(
        None, description="what detail is about; absent where an earlier release kept the sentence alone"
    )
    suggestion: dict[str, Any] | None = None


class KeptAs(Described):
    """Stream and number of the second of two readings."""

    stream: str
    seq: int


class EntryShown(Described):
    """A reading in quarantine, whole, as sent."""

    entry: int
    device: str
    stream: str
    seq: int
    state: State
    code: str = Field(description="stable; decide by this")
    what_to_do: str | None
    reasons: list[Reason]
    beside_another: bool = Field(description="its number is held by another content")
    content: dict[str, Any] = Field(description="as sent; never touched")
    amended: dict[str, Any] | None = Field(description="what a person made of it; null: nothing")
    kept_as: KeptAs | None = Field(description="where it is stored, as both were right; null: nowhere")
    received_at: str
    checked_again_at: str | None = Field(description="the server looks again by itself then; null: never")


class EntriesAnswer(Described):
    """Readings in quarantine, a page at a time."""

    entries: list[EntryShown]
    next: str | None = Next


class StillHeld(Described):
    """One of the entries that is still not believed."""

    entry: int
    code: str
    detail: str


class OutcomeAnswer(Described):
    """What an amendment did, or, as a preview, would do."""

    amendment_id: int | None = Field(description="null: a preview, nothing was changed")
    entries: int = Field(description="how many this request is about")
    matched: int = Field(
        description="how many match the condition; those beyond `entries` were left as they are"
    )
    next_after: int | None = Field(
        description="give it as `where.after_entry` to go on with the rest; null: nothing is left"
    )
    stored: int
    held: list[StillHeld]
    held_more: int | None = Field(None, description="still held beyond those listed")


class AmendmentShown(Described):
    """What a person did about held or stored readings."""

    amendment: int
    kind: Literal["amend", "discard", "set_aside", "replace", "time_right", "both_right"]
    at: str
    who: str = Field(description="handle of the key")
    asked: dict[str, Any]
    entries: int
    undone_at: str | None


class AmendmentsAnswer(Described):
    """Amendments, discards and ranges set aside, a page at a time."""

    amendments: list[AmendmentShown]
    next: str | None = Next
