"""
What is wrong with single fields of a form: value, rule and next step, in the language of who looks.

Promises: a code without words is said in the English of the answer to programs, and marked as English.
Leaves to others: the rules (the models of the routes), the words (`words/field.*.toml`).
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from typing import Any

from fastapi.exceptions import RequestValidationError
from pydantic import ValidationError

from cleanside.gateway.wire import Coded
from cleanside.ingest.api.routes.names import RULES
from cleanside.ingest.console.wording import has_words
from cleanside.ingest.errors import Complaint, Refused

VALUE_SHOWN = 60  # characters of a value; chosen: enough to recognise it
#: values that no page shows again
SECRET = frozenset({"password", "new_password", "again"})
#: refusals of a number, which name its field as `name`
NUMBERS = frozenset({"number_grouped", "not_a_number", "not_a_whole_number"})
#: kind of a finding of pydantic -> code below `field.rule`
_FINDINGS = {
    "missing": "missing",
    "string_too_long": "too_long",
    "string_too_short": "too_short",
    "too_long": "too_long",
    "too_short": "too_short",
    "greater_than_equal": "too_small",
    "less_than_equal": "too_large",
    "greater_than": "not_above",
    "less_than": "not_below",
    "literal_error": "not_of_the_list",
    "string_pattern_mismatch": "other_form",
}


@dataclasses.dataclass(frozen=True, slots=True)
class FieldFault:
    """One thing wrong with a form."""

    #: as the form and the body name it; "": the form as a whole
    field: str
    #: below `field.rule`; "": it has no words there
    code: str
    values: Mapping[str, Any] = dataclasses.field(default_factory=dict)
    #: the sentence of the answer to programs
    detail: str = ""

    @property
    def name(self) -> str:
        """The key of the field's name below `field.name`; "": it has no words."""
        return self.field if has_words(f"field.name.{self.field}") else ""


def field_faults(error: Exception) -> tuple[FieldFault, ...]:
    """Every fault that an error names, field by field; none where it is about no field."""
    if isinstance(error, RequestValidationError | ValidationError):
        return tuple(_of_finding(found) for found in error.errors())
    if isinstance(error, Refused):
        return tuple(_of_complaint(complaint) for complaint in error.errors) or tuple(_of_case(error))
    return ()


def _of_finding(found: Mapping[str, Any]) -> FieldFault:
    name = _last_name(found["loc"])
    detail = str(found["msg"]).removeprefix("Value error, ")
    given = "" if name in SECRET or found["type"] == "missing" else str(found["input"])[:VALUE_SHOWN]
    limits = {limit: value for limit, value in found.get("ctx", {}).items() if limit != "error"}
    cause = found.get("ctx", {}).get("error")
    if isinstance(cause, Coded):
        return FieldFault(name, _with_words(cause.code), {**cause.values, "given": given}, detail)
    code = _FINDINGS.get(found["type"], "")
    code = "not_a_code" if limits.get("pattern") in RULES else code
    return FieldFault(name, _with_words(code), {**limits, "given": given}, detail)


def _of_complaint(complaint: Complaint) -> FieldFault:
    name = _last_name(complaint.pointer.split("/"))
    return FieldFault(name, _with_words(complaint.code), complaint.values, str(complaint))


def _of_case(refused: Refused) -> Iterator[FieldFault]:
    """A refusal that names no place, where there are words for it."""
    if code := _with_words(refused.case):
        name = refused.values["name"] if refused.case in NUMBERS else ""
        yield FieldFault(name, code, refused.values, str(refused))


def _last_name(place: Any) -> str:
    """The last member of a place that is no number and no root."""
    names = [str(part) for part in place if not str(part).isdigit()]
    return names[-1] if names and names[-1] not in ("body", "#") else ""


def _with_words(code: str) -> str:
    return code if has_words(f"field.rule.{code}") else ""
