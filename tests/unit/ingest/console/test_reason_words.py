"""Why a reading is quarantined, from code and values, in both languages."""

from __future__ import annotations

from typing import Any
from zoneinfo import ZoneInfo

import pytest
from babel import Locale

from cleanside.gateway.wire import text_of
from cleanside.ingest.console.formats import Formats
from cleanside.ingest.console.reason_words import reason_said
from cleanside.ingest.console.viewer import LANGUAGES
from cleanside.ingest.console.wording import Sayer
from cleanside.ingest.store.reasons import SENTENCES

AT = "2019-04-06T23:59:42Z"
#: code -> values as they are stored with a reason
VALUES: dict[str, dict[str, Any]] = {
    "unit_not_accepted": {"unit": "kpa", "quantity": "restriction", "accepted": ["kPa"], "likely": "kPa"},
    "unit_undeclared": {"quantity": "restriction"},
    "quantity_unknown": {"quantity": "soot"},
    "time_not_rfc3339": {"why": "form", "text": "soon"},
    "time_without_offset": {"why": "offset", "text": "2026-03-02T06:00:00"},
    "time_in_future": {"ahead_s": 7_260},
    "time_before_service": {"at": AT, "in_service_at": "2026-03-01T00:00:00Z"},
    "time_before_floor": {"at": AT, "floor": "2025-03-01T00:00:00Z", "may_be_history": True},
    "clock_unset": {"at": AT},
    "gps_week_rollover": {"at": AT, "weeks": 1024, "likely": "2038-11-20T23:59:42Z"},
    "time_outlier": {"at": AT},
    "out_of_range": {
        "quantity": "restriction",
        "value": 900.0,
        "unit": "kPa",
        "lowest": -2.0,
        "highest": 60.0,
    },
    "device_unknown": {"device": "<b>"},
    "number_conflict": {"number": 7, "other_is": "quarantined"},
    "set_aside": {"by": "mara", "reason": "<b>"},
    "opaque": {"number": 7},
}


def sayer(language: str) -> Sayer:
    return Sayer(language, Formats(Locale.parse(language), ZoneInfo("UTC"), 1_772_442_000.0))


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("code", list(SENTENCES))
def test_every_reason_has_words_and_its_values_are_text(code: str, language: str) -> None:
    said = reason_said(sayer(language), {"code": code, "values": VALUES[code]})
    assert said is not None
    assert "<b>" not in said


def test_the_samples_are_such_as_are_stored() -> None:
    for code, values in VALUES.items():
        if not code.startswith("time_not") and code != "time_without_offset":
            assert text_of(SENTENCES, code, values)


@pytest.mark.parametrize(
    ("values", "part"),
    [
        ({"other_is": "new_owner", "number": 7}, "The new owner has another reading"),
        (
            {"other_is": "stored", "at": AT},
            f"Another reading was measured on {sayer('en').formats.dated(AT)}.",
        ),
        ({"other_is": "discarded", "number": 7}, "Another reading has the number 7. A person gave"),
    ],
)
def test_a_conflict_says_where_the_other_one_is(values: dict[str, Any], part: str) -> None:
    assert part in str(reason_said(sayer("en"), {"code": "number_conflict", "values": values}))


def test_a_reason_without_values_is_left_to_its_sentence() -> None:
    assert reason_said(sayer("de"), {"code": "opaque", "detail": "of an earlier release"}) is None
