"""Every refusal of a form names its field as the page does, in words, and says its rule in words."""

from __future__ import annotations

import re
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any, get_args

import pytest
from pydantic import BaseModel, ValidationError

from cleanside import ingest
from cleanside.ingest.api.routes.amendments import AmendBody, BothRightBody, DiscardBody
from cleanside.ingest.api.routes.entries import NewEntry
from cleanside.ingest.api.routes.entry_kinds import KINDS
from cleanside.ingest.api.routes.my_messages import MessageWishes
from cleanside.ingest.api.routes.planning_terms import NewTerms
from cleanside.ingest.console import (
    backlog_page,
    keys_page,
    me_page,
    messages_page,
    monitor_move_page,
    monitors_page,
    people_page,
    shop_page,
    transfers_page,
    visit_plan_page,
    webhooks_page,
    work_page,
)
from cleanside.ingest.console.field_faults import FieldFault, field_faults
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import has_words, table

PAGES = (
    *(backlog_page, keys_page, me_page, messages_page, monitors_page, people_page, shop_page),
    *(monitor_move_page, transfers_page, visit_plan_page, webhooks_page, work_page),
)
#: members that no form asks a person for
NOT_ASKED = frozenset(
    {
        "received_since",
        "received_until",
        "after_entry",
        "without",  # a button
        "as_previewed",
        "valid_from",
        "in_service_at",
        "valid_hours",
    }
    | {"from_event", "overlap_hours"}
    | {"same_reading", "done", "version", "seen", "replaces"}  # a way, a button, what was seen, a tick
    | {"accepted_at"}  # a button
)
#: cases that only a program can meet: no form or address of a page leads there
OF_PROGRAMS = frozenset(
    {
        "last_below_first",
        "entries_or_where",
        "event_name_needed",
        "resolution_too_long",
        "export_has_no_pages",
    }
    | {"no_such_quantity", "quantity_not_asked_for", "unit_not_of_quantity"}
    | {"not_lower", "below_highest", "digest_malformed", "digest_differs", "digest_unknown", "cell_faulty"}
)


def label_of(field: str) -> str:
    return FieldFault(field, "").label


def models() -> set[type[BaseModel]]:
    """The bodies that pages read their forms as."""
    found = {one for page in PAGES for one in vars(page).values() if isinstance(one, type)}
    bodies = {one for one in found if issubclass(one, BaseModel) and one is not BaseModel}
    return bodies | {
        NewEntry,
        AmendBody,
        DiscardBody,
        BothRightBody,
        *(kind.content for kind in KINDS.values()),
    }


def members(model: type[BaseModel]) -> Iterator[str]:
    """Names as the body has them, those of its parts too."""
    for name, field in model.model_fields.items():
        yield field.alias or name
        for part in (field.annotation, *get_args(field.annotation)):
            if isinstance(part, type) and issubclass(part, BaseModel):
                yield from members(part)


@pytest.mark.parametrize("model", sorted(models(), key=str))
def test_every_member_of_a_body_that_a_form_stands_for_has_a_label(model: type[BaseModel]) -> None:
    assert [name for name in members(model) if not label_of(name) and name not in NOT_ASKED] == []


def controls() -> Iterator[tuple[str, str]]:
    """Template and name of each control that a person fills in and sends."""
    for place in (files("cleanside.ingest.console") / "templates").iterdir():
        for form in re.findall(r"<form(?![^>]*method=\"get\").*?</form>", place.read_text(), re.DOTALL):
            for control in re.findall(r"<(?:input|select|textarea)\b[^>]*>", form):
                name = re.search(r'name="([^"{]+)', control)
                if name and 'type="hidden"' not in control and 'type="checkbox"' not in control:
                    yield place.name, name[1].strip("/")


def test_every_control_of_a_form_has_a_label_for_its_faults() -> None:
    found = set(controls())
    assert len(found) > 40
    filters = {"q", "text", "state", "who", "username"}
    assert sorted((page, name) for page, name in found if not label_of(name) and name not in filters) == []


def complaints() -> Iterator[tuple[str, str]]:
    """File and code of what a route or a page complains of in a form."""
    root = Path(str(ingest.__file__)).parent
    for room in ("api/routes", "console", "owners", "quarantine"):
        for place in sorted((root / room).rglob("*.py")):
            for code in re.findall(r'Complaint\(\s*[^,]+,\s*"(\w+)"', place.read_text()):
                yield place.name, code


def test_every_complaint_that_a_form_can_meet_is_said_in_words() -> None:
    found = {code: place for place, code in complaints()}
    assert len(found) > 30
    unsaid = {code: place for code, place in found.items() if not has_words(f"field.rule.{code}")}
    assert {code: place for code, place in unsaid.items() if code not in OF_PROGRAMS} == {}
    assert [code for code in OF_PROGRAMS if has_words(f"field.rule.{code}")] == []


def test_the_name_that_a_program_uses_is_never_shown() -> None:
    shown = (files("cleanside.ingest.console") / "templates" / "fault.html").read_text()
    assert re.search(r"fault\.field\b", shown) is None


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_label_has_no_place_for_a_value(language: str) -> None:
    labels = {label_of(name) for model in models() for name in members(model)} - {""}
    assert [key for key in labels if "{" in str(table(language)[key])] == []


def test_a_share_is_named_as_the_form_asks_for_it() -> None:
    with pytest.raises(ValidationError) as raised:
        NewTerms.model_validate({"chance_allowed": 0.6})
    [fault] = field_faults(raised.value)
    assert (fault.code, fault.label) == ("too_large", "visit_plan.chance_percent")
    assert fault.values == {"given": "60", "le": "50"}


@pytest.mark.parametrize("given", [{"zone": 3}, {"quiet_from": ["06:00"]}])
def test_a_finding_of_any_kind_has_words(given: dict[str, Any]) -> None:
    with pytest.raises(ValidationError) as raised:
        MessageWishes.model_validate(given)
    assert all(has_words(f"field.rule.{fault.code}") for fault in field_faults(raised.value))
