"""
What is wrong with single fields of a form: value, rule and next step, in the language of who looks.

Promises: a code without words is said in the English of the answer to programs, and marked as English.
Leaves to others: the rules (the models of the routes), the words (`words/field.*.toml`).
"""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from fastapi.exceptions import RequestValidationError
from pydantic import ValidationError

from cleanside.gateway.wire import Coded
from cleanside.ingest.api.routes.names import DAY_PATTERN, NEW_NAME_PATTERN, RULES
from cleanside.ingest.console.wording import Sayer, has_words
from cleanside.ingest.errors import Complaint, Refused

VALUE_SHOWN = 60  # characters of a value; chosen: enough to recognise it
#: values that no page shows again
SECRET = frozenset({"password", "new_password", "again"})
#: refusals of a number, which name its field as `name`
NUMBERS = frozenset({"number_grouped", "number_below_zero", "not_a_number", "not_a_whole_number"})
#: case of a refusal that names no place -> the field of the form that it is about
_FIELDS_OF_CASES = {"site_unknown": "sites", "terminal_differs": "value", "crew_unknown": "crew"}
#: end of a place in a body -> the field of the form that it comes from, where their names differ
_FIELDS_OF_PLACES: Mapping[tuple[str, ...], str] = {
    ("gauge", "value"): "gauge",
    ("gauge", "unit"): "gauge_unit",
    ("content", "jpeg"): "photo",
}
#: field -> unit that people may write behind its number
UNITS = dict.fromkeys(("meter_hours", "old_meter_hours", "service_meter_hours", "meter", "old_meter"), "h")
#: kind of a finding of pydantic -> code below `field.rule`
_FINDINGS = {
    "missing": "missing",
    "string_too_long": "too_long",
    "string_too_short": "too_short",
    "too_long": "too_long",
    "too_short": "too_few",
    "greater_than_equal": "too_small",
    "less_than_equal": "too_large",
    "greater_than": "not_above",
    "less_than": "not_below",
    "literal_error": "not_of_the_list",
    "int_parsing": "not_whole",
    "int_type": "not_whole",
    "int_from_float": "not_whole",
    "float_parsing": "not_numeric",
    "float_type": "not_numeric",
}
_CHOICE = re.compile(r"'([^']*)'")
#: of a finding that has no words of its own
OTHER_FORM = "other_form"
#: codes that would quote an empty field
_SAY_NOTHING_OF_NOTHING = frozenset({OTHER_FORM, "not_of_the_list", "not_whole", "not_numeric"})
#: fields whose label stands among the words of their page -> its key
_LABELS = {
    name: f"visit_plan.{name}"
    for name in (
        *("people", "hours_per_day", "change_hours", "stop_price", "km_price", "over_price_per_day"),
        *("move_price", "element_price", "fuel_l_per_h", "fuel_price_per_l"),
    )
} | {"chance_allowed": "visit_plan.chance_percent", "chance_percent": "visit_plan.chance_percent"}
_LABELS |= {
    "working_days": "visit_plan.works_on",
    "days_off": "visit_plan.days_off",
    "plan_note": "machine.plan_note",
}
_LABELS |= {"days": "fleet_changes.days", "moved_days": "fleet_changes.moved_days"}
_LABELS |= {f"order_{name}": f"field.name.{name}" for name in ("site", "part", "pieces", "needed_on")}
#: shares that a form asks for in percent
_IN_PERCENT = frozenset({"chance_allowed"})


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
    #: what the field is of, where a form has it several times: a site, a machine; "": it has it once
    of: str = ""
    #: it is a parameter of an address, and no field that somebody filled in
    is_parameter: bool = False
    #: number of the value, where one field holds several: days off; None: it holds one
    place: int | None = None

    @property
    def control(self) -> str:
        """The name of the control of the form."""
        return f"{self.field}/{self.of}" if self.of else self.field

    @property
    def label(self) -> str:
        """The key of the words that stand at the field; "": it is about no field, or none that a form has."""
        key = _LABELS.get(self.field, f"field.name.{self.field}")
        return key if has_words(key) else ""

    @property
    def parameter(self) -> str:
        """How an address names it, where no words do; "": words do, or it is none."""
        return self.field if self.is_parameter and not self.label else ""


class WrongFields(Exception):
    """Several fields of one form are wrong: found where each was read, said at once."""

    def __init__(self, fields: Iterable[FieldFault]) -> None:
        self.fields = tuple(fields)
        super().__init__("; ".join(f"{fault.field}: {fault.code or fault.detail}" for fault in self.fields))


def said_plainly(say: Sayer, faults: Iterable[FieldFault]) -> str:
    """What is wrong, as plain text: the name of each field, then value, rule and next step."""
    return " ".join(_said_plainly(say, fault) for fault in faults)


def _said_plainly(say: Sayer, fault: FieldFault) -> str:
    name = f"{say.plain(fault.label)}{f' ({fault.of})' if fault.of else ''}: " if fault.label else ""
    name = f"{fault.parameter}: " if fault.parameter else name
    return name + (say.plain(f"field.rule.{fault.code}", **fault.values) if fault.code else fault.detail)


def field_faults(error: Exception) -> tuple[FieldFault, ...]:
    """Every fault that an error names, field by field; none where it is about no field."""
    if isinstance(error, WrongFields):
        return error.fields
    if isinstance(error, RequestValidationError | ValidationError):
        return tuple(_of_finding(found) for found in error.errors())
    if isinstance(error, Refused):
        return tuple(_of_complaint(complaint) for complaint in error.errors) or tuple(_of_case(error))
    return ()


def _of_finding(found: Mapping[str, Any]) -> FieldFault:
    name = _last_name(found["loc"])
    place = next((part for part in found["loc"] if isinstance(part, int)), None)
    detail = str(found["msg"]).removeprefix("Value error, ")
    given = "" if name in SECRET or found["type"] == "missing" else _plain(found["input"])[:VALUE_SHOWN]
    limits = {limit: value for limit, value in found.get("ctx", {}).items() if limit != "error"}
    cause = found.get("ctx", {}).get("error")
    if isinstance(cause, Coded):
        code, values = _with_words(cause.code), {**cause.values, "given": given}
        return FieldFault(name, code, values, detail, place=place)
    code = _FINDINGS.get(found["type"], OTHER_FORM)
    is_parameter = found["loc"][0] == "query"
    code = _of_pattern(limits["pattern"], given, code) if "pattern" in limits else code
    if "expected" in limits:  # 'comma' or 'semicolon': the validator's own English
        limits["expected"] = ", ".join(_CHOICE.findall(limits["expected"]))
    code = "not_one_of" if is_parameter and code == "not_of_the_list" else code
    code = "missing" if given == "" and code in _SAY_NOTHING_OF_NOTHING else code
    values = {**limits, "given": given}
    if name in UNITS and "le" in limits:
        values |= {"le": _plain(limits["le"]), "unit": UNITS[name]}
        code = "too_large_of_unit"
    values = _in_percent(values) if name in _IN_PERCENT else values | {"written": given}
    return FieldFault(name, code, values, detail, is_parameter=is_parameter, place=place)


def _plain(value: Any) -> str:
    """A value as it was typed: a whole number became a decimal one on its way."""
    return str(int(value)) if isinstance(value, float) and value.is_integer() else str(value)


def _of_pattern(pattern: str, given: str, code: str) -> str:
    """The code of what does not match a pattern: of a day, of a name that is new or known, else `code`."""
    if pattern == DAY_PATTERN:
        return "not_a_calendar_day" if given else "no_day"
    if pattern not in RULES:
        return code
    return "not_a_code" if pattern == NEW_NAME_PATTERN else "not_a_known_code"


def _in_percent(values: Mapping[str, Any]) -> dict[str, Any]:
    """The value and its limits as the form asks for them."""
    return {name: f"{100 * float(value):g}" for name, value in values.items() if value != ""}


def _of_complaint(complaint: Complaint) -> FieldFault:
    name = _last_name(complaint.pointer.split("/"))
    # A form sends a unit that was not chosen as an empty text.
    code = "missing" if complaint.values.get("unit") == "" else complaint.code
    return FieldFault(name, _with_words(code), complaint.values, str(complaint))


def _of_case(refused: Refused) -> Iterator[FieldFault]:
    """A refusal that names no place, where there are words for it."""
    is_near = refused.values.get("likely") and has_words(f"field.rule.{refused.case}_near")
    if code := _with_words(f"{refused.case}_near" if is_near else refused.case):
        named = refused.values["name"] if refused.case in NUMBERS else _FIELDS_OF_CASES.get(refused.case, "")
        name, _, of = named.partition("/")
        yield FieldFault(name, code, refused.values, str(refused), of)


def _last_name(place: Any) -> str:
    """The field of a form for a place: its last member that is no number and no root."""
    names = [str(part) for part in place if not str(part).isdigit()]
    last = names[-1] if names and names[-1] not in ("body", "#") else ""
    return _FIELDS_OF_PLACES.get(tuple(names[-2:]), last)


def _with_words(code: str) -> str:
    return code if has_words(f"field.rule.{code}") else ""
