"""The audit log: the text of each kind of line, as releases before 0022 wrote it."""

from __future__ import annotations

import json
from typing import Any

import pytest

from cleanside.gateway.wire import text_of
from cleanside.ingest.store.audit import SENTENCES

BODY = {"machine": "grader-07", "housings": [{"limit": 6.0, "note": "größer", "small": 1e-7}]}
BODY_TEXT = '{"machine":"grader-07","housings":[{"limit":6.0,"note":"größer","small":1e-7}]}'
AS_JSON = {"stream": "s", "from": 9, "to": 5, "reason": "replaced"}

TEXTS: list[tuple[str, dict[str, Any], str]] = [
    ("machine", {"body": BODY}, BODY_TEXT),
    ("device", {"body": BODY}, BODY_TEXT),
    *(
        (what, {"machine": "grader-07", "body": BODY}, f"grader-07 {BODY_TEXT}")
        for what in (
            "machine_edited",
            "terminal",
            "terminal_confirmed",
            "prices",
            "compared_by_hand",
            "element_change",
            "element_change_confirmed",
        )
    ),
    *((what, {"device": "d", "body": BODY}, f"d {BODY_TEXT}") for what in ("assignment", "device_edited")),
    (
        "element_change_taken_back",
        {
            "machine": "grader-07",
            "housing": "main",
            "changed_at": "2026-03-01T00:00:00Z",
            "work": "new",
            "entered_at": "2026-03-02T00:00:00Z",
            "by": "k1",
            "note": "by hand",
        },
        "grader-07 main 2026-03-01T00:00:00Z new entered 2026-03-02T00:00:00Z by k1: by hand",
    ),
    (
        "element_change_corrected",
        {
            "machine": "grader-07",
            "housing": "main",
            "entry_id": "e-1",
            "changed_at": "2026-03-01T00:00:00Z",
            "work": "new",
            "to_machine": "hauler-12",
            "to_housing": "main",
            "to_changed_at": "2026-02-28T00:00:00Z",
            "entered_at": "2026-03-02T00:00:00Z",
            "by": "k1",
            "note": "",
            "because": "the wrong line",
        },
        "grader-07 main 2026-03-01T00:00:00Z new entered 2026-03-02T00:00:00Z by k1: is of hauler-12 main "
        "2026-02-28T00:00:00Z: the wrong line",
    ),
    (
        "entry_taken_back_at_machine",
        {
            "machine": "grader-07",
            "housing": "main",
            "changed_at": "2026-03-01T00:00:00Z",
            "work": "new",
            "entered_at": "2026-03-02T00:00:00Z",
            "at_device": "grader-07-intake",
            "by": "T. Wolny",
            "note": "seal was dry",
            "taken_back_by": "T. Wolny",
            "because": "wrong machine",
        },
        "grader-07 main 2026-03-01T00:00:00Z new entered 2026-03-02T00:00:00Z at grader-07-intake "
        "by T. Wolny (seal was dry), taken back there by T. Wolny: wrong machine",
    ),
    *(
        (what, {"person": "mara"}, "mara")
        for what in (
            *("me_edited", "password_changed", "person_confirmed", "person_joined"),
            *("person_reset", "person_revoked", "person_suspended", "identity_bound"),
        )
    ),
    *(
        (what, {"person": "mara", "role": "viewer", "sites": ["oberkies"]}, "mara viewer, sites: oberkies")
        for what in ("person_edited", "person_invited")
    ),
    *((what, {"body": BODY}, BODY_TEXT) for what in ("crew", "crew_deleted", "part", "site", "site_deleted")),
    *(
        (what, {"machine": "grader-07", "body": BODY}, f"grader-07 {BODY_TEXT}")
        for what in (
            *("element_change_read", "gauge_reading", "meter_reading", "reading_taken_back"),
            "visit_entry_taken_back",
            *("papers", "planned_change"),
        )
    ),
    ("passkey_made", {"passkey": 2, "name": "phone"}, "2 phone"),
    ("passkey_removed", {"passkey": 2}, "2"),
    ("signed_in", {"address": "127.0.0.1"}, "from 127.0.0.1"),
    ("signed_out", {"session": 7}, "session 7"),
    ("signed_out_everywhere", {"sessions": 2}, "2 sessions"),
    (
        "resend_asked",
        {"stream": "s", "device": "d", "first": 41, "last": 90, "reason": "disk"},
        "d from 41 to 90: disk",
    ),
    ("resend_taken_back", {"stream": "s", "device": "d"}, "d"),
    ("planned_change_taken_back", {"machine": "grader-07", "housing": "main"}, "grader-07 main"),
    (
        "plate_photo",
        {"machine": "grader-07", "housing": "main", "bytes": 1000},
        "grader-07 main, 1000 bytes",
    ),
    (
        "machines_imported",
        {"rows": 3, "changed": 2, "sites": "oberkies", "crews": "late"},
        "3 rows, 2 changed, new sites oberkies, new crews late",
    ),
    (
        "parts_imported",
        {"rows": 3, "changed": 2, "sites": "oberkies"},
        "3 rows, 2 changed, new sites oberkies",
    ),
    ("key", {"key": "k1", "role": "device", "devices": ["a", "b"]}, "k1 device a b"),
    ("key", {"key": "k1", "role": "admin", "devices": []}, "k1 admin"),
    *(
        (what, {"amendment": 3, "body": BODY}, f"3 {BODY_TEXT}")
        for what in ("time_right", "both_right", "second_kept")
    ),
    *((what, {"key": "k1"}, "k1") for what in ("key_revoked", "key_suspended", "key_confirmed")),
    (
        "key_rotated",
        {"key": "k1", "successor": "k2", "ends_at": "2026-03-02T00:00:00Z"},
        "k1 by k2, ends 2026-03-02T00:00:00Z",
    ),
    (
        "enrolment",
        {"enrolment": 3, "device": "d", "machine": "m", "housing": "main"},
        "3 d on m main",
    ),
    ("enrolment_cancelled", {"enrolment": 3}, "3"),
    ("enrolled", {"device": "d", "enrolment": 3, "claimed": 12}, "d with code 3, claimed 12"),
    ("transfer_offered", {"transfer": 4, "body": BODY}, f"4 {BODY_TEXT}"),
    ("transfer_cancelled", {"transfer": 4}, "4"),
    *(
        (what, AS_JSON, json.dumps(AS_JSON))
        for what in (
            "transfer_given",
            "transfer_taken",
            "appended_through_lowered",
            "bundle_begun",
            "bundle",
        )
    ),
    (
        "bundle_refused",
        {"device": "d", "why": "no_key"},
        '{"device": "d", "reason": "no key of device d that this owner has made it, or its first block was '
        'altered"}',
    ),
    (
        "bundle_refused",
        {"device": "d", "why": "key_revoked", "key": "k1", "revoked_at": "2026-03-02T00:00:00Z"},
        '{"device": "d", "reason": "it was made with key k1 of device d, which was revoked at '
        '2026-03-02T00:00:00Z; give the device a new key and export again"}',
    ),
    (
        "restored",
        {"made_at": "2026-03-02T00:00:00Z", "revocations": "complete"},
        "as of 2026-03-02T00:00:00Z: all revocations are known",
    ),
    (
        "restored",
        {"made_at": "2026-03-02T00:00:00Z", "revocations": "no_file"},
        "as of 2026-03-02T00:00:00Z: there is no file of revoked keys",
    ),
    (
        "restored",
        {"made_at": "2026-03-02T00:00:00Z", "revocations": "unreadable", "line": 3},
        "as of 2026-03-02T00:00:00Z: line 3 of the file of revoked keys cannot be read",
    ),
    (
        "restored",
        {"made_at": "2026-03-02T00:00:00Z", "revocations": "begun_later"},
        "as of 2026-03-02T00:00:00Z: the file of revoked keys was begun after the backup",
    ),
    (
        "restored",
        {"made_at": "2026-03-02T00:00:00Z", "revocations": "another", "key": "k1"},
        "as of 2026-03-02T00:00:00Z: the file of revoked keys is of another database or an older copy: it "
        "lacks k1",
    ),
    ("codes_cancelled", {"codes": 1}, "1 code"),
    ("codes_cancelled", {"codes": 2}, "2 codes"),
    *(
        (what, {"amendment": 5, "body": BODY}, f"5 {BODY_TEXT}")
        for what in ("amend", "discard", "set_aside", "misnumbered")
    ),
    ("replace", {"amendment": 5, "body": {"device": "d"}}, '5 {"device": "d"}'),
    ("undo", {"amendment": 5}, "5"),
    (
        "discard",
        {"amendment": 5, "body": BODY, "readings": 3, "streams": [{"stream": "s", "first": 2, "last": 9}]},
        f"5 {BODY_TEXT}; 3 readings: s 2 to 9",
    ),
    ("undo", {"amendment": 5, "readings": 0, "streams": []}, "5; 0 readings"),
    (
        "undo",
        {
            "amendment": 5,
            "readings": 70,
            "streams": [{"stream": "s", "first": 2, "last": 9}],
            "more_streams": 1,
        },
        "5; 70 readings: s 2 to 9, 1 stream more",
    ),
    (
        "boot_corrected",
        {"event": {"event": "boot_corrected", "boot": "b"}},
        '{"boot": "b", "event": "boot_corrected"}',
    ),
    (
        "boot_correction_refused",
        {"correction": 6, "device": "d", "beyond": "after_now"},
        "6 would put readings of d after now",
    ),
    (
        "boot_correction_refused",
        {"correction": 6, "device": "d", "beyond": "before_its_time"},
        "6 would put readings of d before its own time",
    ),
    ("boot_correction_undone", {"correction": 6}, "6"),
    ("webhook", {"webhook": 7, "origin": "https://example.org/"}, "7 https://example.org/"),
    ("webhook_ended", {"webhook": 7}, "7"),
    ("webhook_replay", {"webhook": 7, "body": {"from_event": None}}, '7 {"from_event":null}'),
    ("sheet_taken_back", {"sheet": 4, "back": 3, "stays": 1}, "4: 3 rows back, 1 changed since"),
    ("webhook_trial", {"webhook": 7, "outcome": "name_not_found"}, "7 name_not_found"),
    ("address_confirmed", {"person": "mara.lindt"}, "mara.lindt"),
    ("messages_chosen", {"person": "mara.lindt"}, "mara.lindt"),
    ("messages_left", {"person": "mara.lindt", "kind": "digest"}, "mara.lindt digest"),
    ("trial_message", {"person": "mara.lindt"}, "mara.lindt"),
    ("message_replay", {"message": 7}, "7"),
    ("message_rules", {"body": {"person": None}}, '{"person":null}'),
    ("matter_answered", {"matter": 7}, "7"),
    ("calendar_made", {"calendar": 7}, "7"),
    ("calendar_ended", {"calendar": 7}, "7"),
    ("planning_terms", {"body": BODY}, BODY_TEXT),
    (
        "part_taken",
        {"part": "KG-0715", "site": "oberkies", "pieces": 1, "machine": "grader-07", "housing": "main"},
        "KG-0715 at oberkies: 1 for grader-07 main",
    ),
    (
        "part_given_back",
        {"part": "KG-0715", "site": "oberkies", "pieces": 1, "machine": "grader-07", "housing": "main"},
        "KG-0715 at oberkies: 1 of grader-07 main",
    ),
    ("orders_wanted", {"body": BODY}, BODY_TEXT),
    ("part_ordered", {"order": 8, "pieces": 2, "part": "KG", "order_by": None}, "8: 2 of KG by None"),
    ("part_order", {"order": 7, "done": "came", "pieces": 2, "part": "KG-0715"}, "7: came, 2 of KG-0715"),
    (
        "plan_day",
        {"machine": "grader-07", "housing": "main", "on": "2026-12-04", "before": "-", "by": "-"},
        "grader-07 main: 2026-12-04, before - by -",
    ),
    (
        "visit_plan_accepted",
        {"visits": 9, "changed": 2},
        "9 visits, 2 of them on another day than before",
    ),
    (
        "plan_day_back",
        {"machine": "grader-07", "housing": "main", "before": "2026-12-04", "by": "k1", "on": "2026-12-09"},
        "grader-07 main: 2026-12-09, taken back from 2026-12-04 by k1",
    ),
    (
        "visit_plan_taken_back",
        {"accepted_at": "2026-12-02T06:30:00Z", "changed": 9},
        "9 days of the plan accepted at 2026-12-02T06:30:00Z",
    ),
]


@pytest.mark.parametrize(("what", "values", "text"), TEXTS)
def test_a_line_reads_as_earlier_releases_wrote_it(what: str, values: dict[str, Any], text: str) -> None:
    kept = json.loads(json.dumps(values))
    assert text_of(SENTENCES, what, kept) == text


def test_every_kind_of_line_is_looked_at() -> None:
    assert {what for what, _, _ in TEXTS} == SENTENCES.keys()
