"""
How answers about quarantine and about what a person does there look, for the OpenAPI description.

Leaves to others: what the values are (`ingest.api.routes.quarantine`, `ingest.api.routes.amendments`).
"""

from __future__ import annotations

from pydantic import Field

from cleanside.ingest.api.routes.described import Described
from cleanside.ingest.api.routes.described_kinds import (
    AmendmentAsked,
    AmendmentKind,
    EntryState,
    OtherReadingState,
    ReadingAsSent,
    ReasonValues,
    SuggestedRepair,
)

Next = Field(description="`cursor` of the next page; null: this is the last")


class Reason(Described):
    """Why a reading is not believed, and the repair a person can apply, if one is evident."""

    code: str
    detail: str
    values: ReasonValues | None = Field(
        None,
        description=(
            "the figures and names that detail is about; left out: an earlier release kept the sentence alone"
        ),
    )
    suggestion: SuggestedRepair | None = None


class KeptAs(Described):
    """Stream and number of the second of two readings."""

    stream: str
    seq: int


class OtherReadingShown(Described):
    """The first reading of a number that another one has too."""

    state: OtherReadingState = Field(description="where it is: stored, or its state in quarantine")
    content: ReadingAsSent | None = Field(
        description="its values, in the units that it was sent in; null: it is in the archive"
    )


class EntryShown(Described):
    """A reading in quarantine, whole, as sent."""

    entry: int
    device: str
    stream: str
    seq: int
    state: EntryState
    code: str = Field(description="why, as a code; stable, decide by this")
    what_to_do: str | None
    reasons: list[Reason]
    beside_another: bool = Field(description="true: another reading has its number")
    other_reading: OtherReadingShown | None = Field(description="that other reading; null: there is none")
    content: ReadingAsSent = Field(description="the reading as it was sent; never touched")
    amended: ReadingAsSent | None = Field(description="the reading as a person changed it; null: not changed")
    kept_as: KeptAs | None = Field(
        description="where it is stored, where both readings were right; null: nowhere"
    )
    received_at: str
    checked_again_at: str | None


class EntriesAnswer(Described):
    """Readings in quarantine, a page at a time."""

    entries: list[EntryShown]
    next: str | None = Next


class StillHeld(Described):
    """One of the entries that is still not believed."""

    entry: int
    code: str
    detail: str


class ChangedReadingShown(Described):
    """A reading before and after an amendment."""

    entry: int
    seq: int
    before: ReadingAsSent = Field(description="with what was amended before")
    after: ReadingAsSent = Field(description="with this change; the reading as sent stays as it is")
    shifted_s: float | None = Field(
        description="how far its time lies from the time as sent then: shifts add up [s]; null: unreadable"
    )


class OutcomeAnswer(Described):
    """What an amendment did, or, as a preview, would do."""

    amendment_id: int | None = Field(
        description="number of the amendment; null: a preview, nothing was changed"
    )
    entries: int = Field(description="how many entries this request is about")
    matched: int = Field(
        description="how many match the condition; those beyond `entries` were left as they are"
    )
    next_after: int | None = Field(
        description="give it as `where.after_entry` to go on with the rest; null: nothing is left"
    )
    selection: str | None = Field(
        description=(
            "stands for exactly these entries as they are: give it as `as_previewed` to act on what was "
            "previewed and on nothing else; null: a range of a stream was set aside"
        )
    )
    stored: int
    held: list[StillHeld]
    held_more: int | None = Field(None, description="still held beyond those listed")
    sample: list[ChangedReadingShown] = Field(
        description="the first of them with their values; empty where no value changes"
    )


class AmendmentShown(Described):
    """What a person did about held or stored readings."""

    amendment: int
    kind: AmendmentKind
    at: str
    who: str = Field(description="handle of the key")
    asked: AmendmentAsked
    entries: int
    undone_at: str | None


class AmendmentsAnswer(Described):
    """Amendments, discards and ranges set aside, a page at a time."""

    amendments: list[AmendmentShown]
    next: str | None = Next
