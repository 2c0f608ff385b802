"""
What may be entered away from the shop: each kind is an act that has a route of its own, and is done by it.

Promises: a kind asks for the permission of its act, checks what its act checks, and is noted in the audit as
its act is.
Leaves to others: that each entry is carried out once (`ingest.api.routes.entries`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from fastapi.exceptions import RequestValidationError
from pydantic import ValidationError

from cleanside.ingest.api.routes import (
    acceptance,
    correcting,
    element_changes,
    gauge_readings,
    machines,
    meter_readings,
    plate_photo,
    taking_back,
)
from cleanside.ingest.api.routes.shared import Strict


class EntryKind(NamedTuple):
    """An act that a person may enter away from the shop."""

    permission: str
    content: type[Strict]
    #: (connection, who and when, content) -> what the act gives. Raises Refused, and then wrote nothing.
    carry_out: Callable[..., object]
    #: members that the entry itself gives where its content leaves them out: the id, and when it was made
    id_member: str | None = None
    time_member: str | None = None

    def content_of(self, given: Mapping[str, Any], entry_id: str, made_at: str) -> Strict:
        """The content, checked. Raises RequestValidationError with places below `content`."""
        own = {self.id_member: entry_id, self.time_member: made_at}
        whole = {name: value for name, value in own.items() if name is not None} | dict(given)
        try:
            return self.content.model_validate(whole)
        except ValidationError as error:
            raise RequestValidationError(
                [found | {"loc": ("body", "content", *found["loc"])} for found in error.errors()]
            ) from None


#: kind -> its act
KINDS: Mapping[str, EntryKind] = {
    "element_change": EntryKind(
        "changes:write",
        element_changes.NewChange,
        element_changes.keep_change,
        id_member="entry_id",
        time_member="changed_at",
    ),
    "terminal_restriction": EntryKind("terminals:write", machines.HousingTerminal, machines.keep_limit),
    "second_reading": EntryKind("terminals:write", acceptance.SecondReading, acceptance.keep_second_reading),
    "plate_photo": EntryKind("terminals:write", plate_photo.NewPlatePhoto, plate_photo.keep_plate_photo),
    "hand_comparison": EntryKind("terminals:write", acceptance.ByHand, acceptance.keep_hand_comparison),
    "meter_reading": EntryKind(
        "changes:write",
        meter_readings.NewMeterReading,
        meter_readings.keep_meter,
        id_member="entry_id",
        time_member="at",
    ),
    "gauge_reading": EntryKind(
        "changes:write",
        gauge_readings.NewGaugeReading,
        gauge_readings.keep_gauge,
        id_member="entry_id",
        time_member="at",
    ),
    "correction": EntryKind("changes:write", correcting.CorrectedEntry, correcting.keep_correction),
    "take_back": EntryKind("changes:write", taking_back.TakenBack, taking_back.keep_taken_back),
}
