"""A planned day that a person is asked about: how a form asks, and says that the day is meant."""

from __future__ import annotations

from collections.abc import Iterable

from starlette.datastructures import FormData

from cleanside.ingest.api.routes.planned_day_asked import DAY_QUESTIONS
from cleanside.ingest.console.field_faults import FieldFault
from cleanside.ingest.console.formats import WrittenDays
from cleanside.ingest.console.forms import trimmed_field
from cleanside.ingest.console.wording import Sayer

#: the field by which a person says which day is meant
MEANT = "plan_meant"


def because(say: Sayer, on: str, fields: FormData, field: str) -> str:
    """What `confirmed_because` says of a day that is meant; "": it is not, or another day was."""
    if not on or trimmed_field(fields, field) != on:
        return ""
    return meant_said(say, on)


def meant_said(say: Sayer, on: str) -> str:
    """What a person says of a day that they mean, ISO 8601: it is kept with the day."""
    return say.plain("machine.plan_meant", on=WrittenDays(say.formats).of(on))


def is_asked_about(faults: Iterable[FieldFault]) -> bool:
    """Was a day refused with a question, so that it can be confirmed."""
    return any(fault.code in DAY_QUESTIONS.values() for fault in faults)
