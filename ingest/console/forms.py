"""
What a form holds, read as the route of `/v1` reads its body; and what is wrong with it, said on the page.

Leaves to others: the rules (the models of the routes), the words (`words/fault.*.toml`).
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

from fastapi.exceptions import RequestValidationError
from pydantic import BaseModel, ValidationError
from starlette.datastructures import FormData

from cleanside.ingest.console.field_faults import UNITS, FieldFault, WrongFields, field_faults
from cleanside.ingest.errors import Refused, TryAgain

M = TypeVar("M", bound=BaseModel)
T = TypeVar("T")

#: codes of problems that a page says above its form, in words of its own; others get the page of errors
SAID_ON_THE_PAGE = frozenset(
    (
        *("sign_in_refused", "over_quota", "password_not_usable", "invitation_not_valid", "person_suspended"),
        *(
            "bundle_unreadable",
            "bundle_not_authentic",
            "key_not_for_device",
            "unknown_device",
            "public_address_not_set",
            "name_taken",
            "last_admin",
            "last_admin_key",
            "site_not_yours",
            "unknown_site",
            "not_rotatable",
            "not_valid",
        ),
        *("overloaded", "passwords_differ"),
        *("code_not_valid", "not_transferable", "unknown_machine", "planned_since", "change_differs"),
        *("unknown_housing", "device_taken"),
        *(
            "too_many_webhooks",
            "too_many_confirmations",
            "webhook_key_missing",
            "oidc_refused",
            "identity_taken",
        ),
    )
)


#: a number with point or comma, as people write it
NUMBER = re.compile(r"\d{1,9}([.,]\d{1,20})?")
SIGNS = ("-", "\N{MINUS SIGN}")
#: 8,120 is eight thousand to one reader and eight to another; 0.125 groups nothing
GROUPED = re.compile(r"[1-9]\d{0,2}([.,]\d{3})+")
#: 1.234,7 and 1,234.7, as the pages print them: with both marks in it, the last one is the decimal one
_PRINTED = re.compile(r"([1-9]\d{0,2}(?P<mark>[.,])\d{3}(?:(?P=mark)\d{3})*)(?!(?P=mark))[.,](\d{1,20})")


#: what says which fields are wrong
FIELD_FAULTS = (Refused, ValidationError, RequestValidationError, WrongFields)


@dataclass(frozen=True, slots=True)
class FormFault:
    """What is wrong with what was sent."""

    code: str
    status: int
    values: Mapping[str, Any] = field(default_factory=dict)
    #: what is wrong with which field; empty: the code says it all
    fields: tuple[FieldFault, ...] = ()


def text_of_field(fields: FormData, name: str) -> str:
    """The text of a field; "" where it is missing or a file."""
    found = fields.get(name)
    return found if isinstance(found, str) else ""


def is_sure(fields: FormData) -> bool:
    """True where a person confirmed what cannot be undone (`confirm.html`)."""
    return text_of_field(fields, "sure") == "yes"


def trimmed_field(fields: FormData, name: str) -> str:
    """The text of a field without blanks around it; "" where it is missing or a file."""
    return text_of_field(fields, name).strip()


def number_of_field(fields: FormData, name: str) -> float | None:
    """
    The number in a field, with point or comma; None: it is empty.

    Raises Refused (422) for what is no number, for one below zero, and for one that may group thousands.
    """
    text = trimmed_field(fields, name)
    return number_of_text(text, name) if text else None


def number_of_text(text: str, name: str, unit: str = "") -> float:
    """
    A number with point or comma. name : of its field. unit : that may stand behind it; "": that of the field.

    Raises Refused (422) as `number_of_field`.
    """
    text = as_typed(text, unit or UNITS.get(name, ""))
    if GROUPED.fullmatch(text):
        plain = text.replace(",", "").replace(".", "")
        one_mark = len(text) - len(plain) == 1
        decimal = f"{text}0" if one_mark else f"{plain}{text[-4]}5"
        values: dict[str, Any] = {"name": name, "text": text[:40], "plain": plain, "decimal": decimal}
        raise Refused("number_grouped", status=422, code="not_valid", **values)
    if text[:1] in SIGNS and NUMBER.fullmatch(text[1:]):
        raise Refused("number_below_zero", status=422, code="not_valid", name=name, text=text[:40])
    if not NUMBER.fullmatch(text):
        raise Refused("not_a_number", status=422, code="not_valid", name=name, text=text[:40])
    return float(text.replace(",", "."))


def as_typed(text: str, unit: str = "") -> str:
    """A number without the unit behind it, and without groups where it has both marks. unit : "": none."""
    bare = text.strip()
    if unit and bare.endswith(unit):
        bare = bare.removesuffix(unit).rstrip()
    if (found := _PRINTED.fullmatch(bare)) is None:
        return bare
    return f"{found[1].replace(found['mark'], '')}.{found[3]}"


def names_of_field(fields: FormData, name: str) -> list[str]:
    """The names in a field, with commas between; a name may have blanks in it."""
    return [part.strip() for part in text_of_field(fields, name).split(",") if part.strip()]


def int_of_field(fields: FormData, name: str) -> int | None:
    """The whole number in a field; None: it is empty. Raises Refused (422)."""
    text = trimmed_field(fields, name)
    if not text:
        return None
    if not (text.isascii() and text.isdigit() and len(text) < 17):
        raise Refused("not_a_whole_number", status=422, code="not_valid", name=name, text=text[:40])
    return int(text)


def read_form(model: type[M], values: Mapping[str, Any]) -> M:
    """The body that a form stands for. Raises RequestValidationError as a route does."""
    try:
        return model(**values)
    except ValidationError as error:
        found = [{**one, "loc": ("body", *one["loc"])} for one in error.errors(include_url=False)]
        raise RequestValidationError(found) from None


class FormReader:
    """Reads a form field by field, and says of all its fields at once what is wrong with them."""

    def __init__(self) -> None:
        self.wrong: list[FieldFault] = []

    def read(self, read: Callable[[], T]) -> T | None:
        """What `read` gives; None: it is wrong, or it is nothing."""
        try:
            return read()
        except FIELD_FAULTS as error:
            if not (found := field_faults(error)):
                raise
            self.wrong += found
            return None

    def number(self, fields: FormData, name: str) -> float | None:
        """As `number_of_field`."""
        return self.read(lambda: number_of_field(fields, name))

    def whole(self, fields: FormData, name: str) -> int | None:
        """As `int_of_field`."""
        return self.read(lambda: int_of_field(fields, name))

    def body(self, make: Callable[[], M], *, under: str = "") -> M:
        """
        The body of what was read. Raises WrongFields with all that is wrong.

        under : what the form writes before the names of the body, where another form has them too.
        """
        read = len(self.wrong)
        made = self.read(make)
        self.wrong[read:] = [replace(fault, field=under + fault.field) for fault in self.wrong[read:]]
        if self.wrong or made is None:
            # the first of each field, and of each value where it holds several
            known = {(fault.control, fault.place): fault for fault in reversed(self.wrong)}
            raise WrongFields(reversed(known.values()))
        return made


def fault_of(error: Exception) -> FormFault:
    """What a page says of an error. Raises the error again where the page has no words for it."""
    if isinstance(error, RequestValidationError | WrongFields):
        return FormFault("not_valid", 422, fields=field_faults(error))
    if isinstance(error, Refused) and error.code in SAID_ON_THE_PAGE:
        return FormFault(error.code, error.status, error.values, field_faults(error))
    if isinstance(error, TryAgain) and error.code in SAID_ON_THE_PAGE:
        return FormFault(error.code, 503)
    raise error


#: what `fault_of` may say
FAULTS = (Refused, TryAgain, RequestValidationError, WrongFields)
