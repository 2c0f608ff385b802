"""Reasons of quarantine: the sentence of each code, and what is kept of it."""

from __future__ import annotations

import json
from typing import Any

import pytest

from cleanside.gateway.wire import Doubt
from cleanside.ingest.checking.checks import CODES
from cleanside.ingest.store import reasons

WHY = {"text": "2026-03-02T06:00:00"}
AHEAD = (
    "ahead of the server's clock; it is checked again when that time comes, and stored with it if nothing "
    "else is wrong; if your clock is wrong, set it right and send the reading again under the same number "
    'with "replace_quarantined": true'
)

#: code, values -> the sentence
SENTENCES: list[tuple[str, dict[str, Any], str]] = [
    (
        "unit_not_accepted",
        {"quantity": "altitude", "unit": "furlong", "accepted": ["m", "ft"]},
        'unit "furlong" is not accepted for altitude; send one of "m", "ft"',
    ),
    (
        "unit_not_accepted",
        {"quantity": "altitude", "unit": "f t", "accepted": ["m", "ft"], "likely": "ft"},
        'unit "f t" is not accepted for altitude (did you mean "ft"?); send one of "m", "ft"',
    ),
    (
        "unit_undeclared",
        {"quantity": "restriction"},
        "no unit is declared for restriction; add it to units",
    ),
    (
        "quantity_unknown",
        {"quantity": "soot"},
        '"soot" is not a quantity that this server knows; GET /v1/quantities lists them; '
        "the reading is kept as it was sent",
    ),
    (
        "quantity_unknown",
        {"quantity": "restricton"},
        '"restricton" is not a quantity that this server knows (did you mean "restriction"?); '
        "GET /v1/quantities lists them; the reading is kept as it was sent",
    ),
    (
        "time_not_rfc3339",
        {"why": "leap_second", "text": "2026-03-02T06:00:60Z"},
        'at "2026-03-02T06:00:60Z" has a leap second that does not end a UTC month; check the clock',
    ),
    (
        "time_without_offset",
        {"why": "no_offset", **WHY},
        'at "2026-03-02T06:00:00" has no offset from UTC; send one, like "2026-03-02T06:14:07.250Z"',
    ),
    ("time_in_future", {"ahead_s": 13 * 60 + 59}, f"at is 13 min {AHEAD}"),
    ("time_in_future", {"ahead_s": 3 * 3600 + 13 * 60}, f"at is 3 h 13 min {AHEAD}"),
    ("time_in_future", {"ahead_s": 3 * 86_400}, f"at is 3 d {AHEAD}"),
    (
        "time_before_service",
        {"at": "2021-12-31T23:59:59Z", "in_service_at": "2022-01-01T00:00:00Z"},
        "at 2021-12-31T23:59:59Z is before the device entered service at 2022-01-01T00:00:00Z; "
        "check clock and date",
    ),
    (
        "time_before_floor",
        {"at": "1066-10-14T09:00:00Z", "floor": "1970-01-01T00:00:00Z", "may_be_history": False},
        "at 1066-10-14T09:00:00Z is before 1970-01-01T00:00:00Z, the earliest time accepted for this device",
    ),
    (
        "time_before_floor",
        {"at": "2011-06-01T00:00:00Z", "floor": "2025-10-31T00:00:00Z", "may_be_history": True},
        "at 2011-06-01T00:00:00Z is before 2025-10-31T00:00:00Z, the earliest time accepted for "
        "this device; if it is recorded history, have an admin set history_from of the device",
    ),
    (
        "clock_unset",
        {"at": "1970-01-02T00:00:00Z"},
        "at 1970-01-02T00:00:00Z is the start date of a clock that was never set; "
        "connect GPS or network time",
    ),
    (
        "gps_week_rollover",
        {"at": "2007-04-10T21:27:00Z", "weeks": 1024, "likely": "2026-11-24T21:27:00Z"},
        "at 2007-04-10T21:27:00Z is 1024 weeks off, most likely 2026-11-24T21:27:00Z; update the receiver",
    ),
    (
        "time_outlier",
        {"at": "2026-11-24T21:27:00Z"},
        "at 2026-11-24T21:27:00Z is far from the times of the readings before and after it, which agree; "
        "check the clock, shift the time, or confirm that it is right",
    ),
    (
        "out_of_range",
        {"quantity": "restriction", "value": 900.0, "unit": "kPa", "lowest": -10.0, "highest": 50.0},
        "restriction 900 kPa is outside the possible range, -10 to 50 kPa; check sensor and unit",
    ),
    (
        "device_unknown",
        {"device": "d"},
        "device d is not registered; its readings are quarantined until it is",
    ),
    ("set_aside", {"by": "k1", "reason": "wrong machine"}, "set aside by k1: wrong machine"),
    ("opaque", {"number": 7}, "number 7 could not be read as a reading; its bytes are kept"),
    (
        "number_conflict",
        {"number": 7, "other_is": "stored"},
        "another reading has the number 7, which stays; find out which is right, "
        "or keep both (POST /v1/quarantine/both-right)",
    ),
    (
        "number_conflict",
        {"number": 7, "other_is": "discarded"},
        "another reading has the number 7, which a person discarded; find out which is right, "
        "or keep both (POST /v1/quarantine/both-right)",
    ),
    (
        "number_conflict",
        {"number": 7, "other_is": "quarantined"},
        "another reading has the number 7, which is itself in quarantine; to put this one in its "
        'place, send it with "replace_quarantined": true',
    ),
    (
        "number_conflict",
        {"at": "2026-03-02T06:00:00Z", "other_is": "stored"},
        "another reading was measured at 2026-03-02T06:00:00Z, which stays; all quantities measured at one "
        "instant belong in one reading",
    ),
    (
        "number_conflict",
        {"number": 7, "other_is": "stored", "opaque": True},
        "another reading has the number 7, which stays",
    ),
    (
        "number_conflict",
        {"other_is": "new_owner"},
        "the new owner has another reading with this number, which stays; find out which is right",
    ),
]


@pytest.mark.parametrize(("code", "values", "sentence"), SENTENCES)
def test_a_reason_reads_as_earlier_releases_wrote_it(
    code: str, values: dict[str, Any], sentence: str
) -> None:
    suggestion = {"units": {"restriction": "kPa"}}
    [read] = reasons.read(reasons.kept([Doubt(code, values, suggestion)]))
    assert read == reasons.Reason(code, sentence, values, suggestion)


def test_every_code_of_quarantine_has_a_sentence() -> None:
    assert CODES.keys() <= reasons.SENTENCES.keys()
    assert {code for code, _, _ in SENTENCES} == reasons.SENTENCES.keys()


def test_a_sentence_is_made_when_it_is_read() -> None:
    """What the previous release reads beside the values is not what is shown."""
    kept = json.loads(reasons.kept([Doubt("opaque", {"number": 7})]))
    kept[0]["detail"] = "something else"
    [read] = reasons.read(json.dumps(kept))
    assert read.detail == "number 7 could not be read as a reading; its bytes are kept"


def test_values_that_look_like_a_place_in_a_sentence_stay_as_they_are() -> None:
    [read] = reasons.read(reasons.kept([Doubt("set_aside", {"by": "{reason}", "reason": "{0} {by}"})]))
    assert read.detail == "set aside by {reason}: {0} {by}"


def test_a_reason_of_an_earlier_release_reads_as_it_was_written() -> None:
    written = {"code": "opaque", "detail": "number 7 said otherwise", "suggestion": {"at": "x"}}
    [read] = reasons.read(json.dumps([written]))
    assert read == reasons.Reason("opaque", "number 7 said otherwise", None, {"at": "x"})
    assert read.document() == written
