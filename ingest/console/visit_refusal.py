"""An entry of a visit that was refused: what is wrong with it, and what its form had, to be corrected."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from fastapi.exceptions import RequestValidationError

from cleanside.ingest.console.field_faults import FieldFault, field_faults
from cleanside.ingest.errors import Refused


@dataclass(frozen=True, slots=True)
class RefusedEntry:
    """Why an entry was not taken, and what was in its form."""

    status: int
    fields: tuple[FieldFault, ...]
    given: Mapping[str, str]


def refused_entry(error: Exception, given: Mapping[str, str]) -> RefusedEntry | None:
    """What the page says of an entry that can be corrected on it; None: its form could not help."""
    if isinstance(error, RequestValidationError):
        return RefusedEntry(422, field_faults(error), given)
    if isinstance(error, Refused) and error.status in (409, 422):
        return RefusedEntry(error.status, field_faults(error), given)
    return None
