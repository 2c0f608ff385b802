"""What is wrong with a field, from code and values, in both languages."""

from __future__ import annotations

import re
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from babel import Locale
from pydantic import BaseModel, ValidationError

from cleanside.ingest.api.routes.papers import LaidUp
from cleanside.ingest.api.routes.shop import NewPart, NewSite
from cleanside.ingest.api.routes.transfer import NewTransfer
from cleanside.ingest.api.routes.webhooks import NewWebhook
from cleanside.ingest.console.field_faults import FieldFault, field_faults
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.forms import number_of_text
from cleanside.ingest.console.rendering import templates
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.errors import Complaint, NotFound, NotValid, Refused
from cleanside.ingest.owners.passwords import check

NOW_S = 1_772_442_000.0  # 2026-03-02 09:00 UTC


def sayer(language: str) -> Sayer:
    return Sayer(language, Formats(Locale.parse(language), ZoneInfo("UTC"), NOW_S))


def faults_of(model: type[BaseModel], **given: object) -> list[FieldFault]:
    with pytest.raises(ValidationError) as raised:
        model.model_validate(given)
    return list(field_faults(raised.value))


@pytest.mark.parametrize("password", ["short", "aaaabbbbaaaabbbb", "grader\x07 haul crusher"])
@pytest.mark.parametrize("language", LANGUAGES)
def test_each_rule_of_a_password_is_said_in_the_language_of_the_page(password: str, language: str) -> None:
    """A German page said "the password has 4 characters"."""
    with pytest.raises(Refused) as raised:
        check(password, "mara")
    [fault] = field_faults(raised.value)
    assert fault.code
    assert ("the password" in said(fault, language)) is False


@pytest.mark.parametrize(
    ("model", "given", "expected"),
    [
        (NewSite, {"site": "Kies Nord"}, ("site", "not_a_code")),
        (NewSite, {}, ("site", "missing")),
        (NewTransfer, {"machine": "Grader 7"}, ("machine", "not_a_known_code")),
        (NewWebhook, {"url": "https://shop.example", "types": []}, ("types", "too_few")),
        (NewPart, {"part": " KG"}, ("part", "space_at_an_end")),
        (NewPart, {"part": "KG\x07"}, ("part", "not_printable")),
        (NewPart, {"part": "K" * 65}, ("part", "too_long")),
        (NewPart, {"part": "KG", "lead_time_days": -1}, ("lead_time_days", "too_small")),
        (LaidUp, {"from": "2026-13-01"}, ("from", "not_a_calendar_day")),
        (LaidUp, {"from": "soon"}, ("from", "not_a_calendar_day")),
        (LaidUp, {"from": ""}, ("from", "no_day")),
        (NewPart, {"part": "KG", "lead_time_days": "x"}, ("lead_time_days", "not_whole")),
        (NewPart, {"part": "KG", "lead_time_days": ""}, ("lead_time_days", "missing")),
    ],
)
def test_a_finding_of_a_model_is_a_code_with_a_field(
    model: type[BaseModel], given: dict[str, object], expected: tuple[str, str]
) -> None:
    [fault] = faults_of(model, **given)
    assert (fault.field, fault.code) == expected
    for language in LANGUAGES:
        assert said(fault, language)


def said(fault: FieldFault, language: str = "en") -> str:
    """As the page says it."""
    macros = templates().get_template("fault.html").module
    return re.sub(r"<[^>]*>", "", str(macros.field_said(sayer(language), fault)))  # type: ignore[attr-defined]


def test_a_refusal_names_its_field_with_value_rule_and_next_step() -> None:
    values = {"meter_h": 81.0, "other_h": 8120.5, "other_at": "2026-03-02T07:30:00Z"}
    [fault] = field_faults(NotValid(Complaint("#/meter_hours", "meter_lower", **values)))
    assert (fault.field, fault.code) == ("meter_hours", "meter_lower")
    assert "81.0 h are fewer than 8,120.5 h, read" in said(fault)
    assert "8.120,5 h, abgelesen Mo." in said(fault, "de")


def test_a_number_names_the_field_of_the_form_it_stands_in() -> None:
    values: dict[str, Any] = {"name": "gauge", "text": "1.234", "plain": "1234", "decimal": "1.2340"}
    [fault] = field_faults(Refused("number_grouped", status=422, code="not_valid", **values))
    assert (fault.field, fault.code) == ("gauge", "number_grouped")
    for text, offered in (("12.345", ["12345", "12.3450"]), ("1,234,567", ["1234567", "1234567,5"])):
        with pytest.raises(Refused) as refused:
            number_of_text(text, "meter_hours")
        assert [refused.value.values[name] for name in ("plain", "decimal")] == offered
        assert len({number_of_text(one, "meter_hours") for one in offered}) == 2


def test_what_has_no_words_is_said_in_english_and_marked() -> None:
    [fault] = field_faults(NotValid(Complaint("#/entries", "entries_or_where")))
    assert (fault.code, fault.label) == ("", "field.name.entries")
    macros = templates().get_template("fault.html").module
    assert 'lang="en"' in str(macros.field_said(sayer("de"), fault))  # type: ignore[attr-defined]


def test_an_unknown_name_is_said_without_a_field() -> None:
    [fault] = field_faults(NotFound("site", "<b>"))
    assert (fault.field, fault.code) == ("", "unknown_name")
    assert "<b>" not in str(templates().get_template("fault.html").module.field_said(sayer("de"), fault))  # type: ignore[attr-defined]
