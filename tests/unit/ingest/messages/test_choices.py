"""
When a person gets messages: quiet hours and digests on the clock of their zone.

Changes of daylight saving: Directive 2000/84/EC (Europe/Vienna: 29 March and 25 October 2026, 01:00 UTC).
Other zones: the IANA time zone database. Addresses: RFC 5321, section 4.1.2.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime

import pytest

from cleanside.ingest.messages.choices import (
    begun_with,
    digest_due,
    is_address,
    next_digest_us,
    not_before_us,
)
from cleanside.ingest.store.message_choices import DAILY, WEEKLY, MessageChoices

QUIET = MessageChoices(person_id=1, zone="Europe/Vienna", quiet_from="22:00", quiet_until="06:00")
DIGEST = MessageChoices(person_id=1, zone="Europe/Vienna", digest=DAILY, digest_at="06:00")


def us(at: str) -> int:
    return round(datetime.fromisoformat(at).timestamp() * 1_000_000)


@pytest.mark.parametrize(
    ("now", "sent"),
    [
        ("2026-03-02T21:59:59+01:00", "2026-03-02T21:59:59+01:00"),
        ("2026-03-02T22:00:00+01:00", "2026-03-03T06:00:00+01:00"),
        ("2026-03-03T05:59:00+01:00", "2026-03-03T06:00:00+01:00"),
        ("2026-03-03T06:00:00+01:00", "2026-03-03T06:00:00+01:00"),
        # the night is an hour shorter, and an hour longer: the clock on the wall says when it ends
        ("2026-03-28T23:00:00+01:00", "2026-03-29T06:00:00+02:00"),
        ("2026-10-24T23:00:00+02:00", "2026-10-25T06:00:00+01:00"),
    ],
)
def test_quiet_hours_end_on_the_clock_of_that_day(now: str, sent: str) -> None:
    assert not_before_us(QUIET, us(now)) == us(sent)


def test_quiet_hours_within_a_day_and_in_another_zone() -> None:
    noon = replace(QUIET, zone="Asia/Kathmandu", quiet_from="12:00", quiet_until="13:30")
    assert not_before_us(noon, us("2026-03-02T12:10:00+05:45")) == us("2026-03-02T13:30:00+05:45")
    assert not_before_us(noon, us("2026-03-02T12:10:00+01:00")) == us("2026-03-02T12:10:00+01:00")


def test_an_end_that_a_change_of_time_leaves_out_or_brings_twice_comes_once() -> None:
    """02:30 is not there on 29 March and twice on 25 October."""
    early = replace(QUIET, quiet_until="02:30")
    assert not_before_us(early, us("2026-03-29T00:30:00+01:00")) == us("2026-03-29T01:30:00+00:00")
    assert not_before_us(early, us("2026-10-25T00:30:00+02:00")) == us("2026-10-25T02:30:00+02:00")
    again = us("2026-10-25T02:10:00+01:00")  # the second 02:10: the first 02:30 has passed
    assert not_before_us(early, again) == again


def test_who_chose_no_quiet_hours_is_told_at_once() -> None:
    assert not_before_us(replace(QUIET, quiet_from=None, quiet_until=None), 5) == 5


@pytest.mark.parametrize(
    ("now", "last", "due"),
    [
        ("2026-03-02T05:59:00+01:00", "2026-03-01", None),
        ("2026-03-02T06:00:00+01:00", "2026-03-01", "2026-03-02"),
        ("2026-03-02T23:00:00+01:00", "2026-03-02", None),
        ("2026-03-05T03:00:00+01:00", "2026-03-01", "2026-03-04"),  # the server was away
        ("2026-10-25T06:00:00+01:00", "2026-10-24", "2026-10-25"),
        ("2026-03-02T06:00:00+01:00", None, "2026-03-02"),
    ],
)
def test_a_daily_digest_is_due_once_a_day(now: str, last: str | None, due: str | None) -> None:
    found = digest_due(replace(DIGEST, digest_day=last), us(now))
    assert found == (None if due is None else date.fromisoformat(due))


@pytest.mark.parametrize(
    ("chosen", "digest", "due"),
    [
        ("2026-03-02T05:59:00+01:00", DAILY, "2026-03-02T06:00:00+01:00"),  # today, in a minute
        ("2026-03-02T06:00:00+01:00", DAILY, "2026-03-03T06:00:00+01:00"),
        ("2026-03-02T05:00:00+01:00", WEEKLY, "2026-03-02T06:00:00+01:00"),  # a Monday
        ("2026-03-02T07:00:00+01:00", WEEKLY, "2026-03-09T06:00:00+01:00"),
        ("2026-03-28T12:00:00+01:00", DAILY, "2026-03-29T06:00:00+02:00"),  # the clock goes forward between
    ],
)
def test_the_first_digest_comes_at_the_next_time_and_is_named(chosen: str, digest: str, due: str) -> None:
    wanted = replace(DIGEST, digest=digest)
    begun = replace(wanted, digest_day=begun_with(wanted, us(chosen)).isoformat())
    assert digest_due(begun, us(chosen)) is None
    assert next_digest_us(begun, us(chosen)) == us(due)
    assert digest_due(begun, us(due) - 1) is None
    assert digest_due(begun, us(due)) is not None
    assert next_digest_us(begun, us(due)) == us(due), "it is due now"


def test_a_digest_at_an_hour_that_comes_twice_is_due_once() -> None:
    twice = replace(DIGEST, digest_at="02:30", digest_day="2026-10-24")
    assert digest_due(twice, us("2026-10-25T02:30:00+02:00")) == date(2026, 10, 25)
    written = replace(twice, digest_day="2026-10-25")
    assert digest_due(written, us("2026-10-25T02:30:00+01:00")) is None


def test_a_digest_at_an_hour_that_does_not_come_is_due_after_it() -> None:
    left_out = replace(DIGEST, digest_at="02:30", digest_day="2026-03-28")
    assert digest_due(left_out, us("2026-03-29T01:59:00+01:00")) is None
    assert digest_due(left_out, us("2026-03-29T03:00:00+02:00")) == date(2026, 3, 29)


def test_a_weekly_digest_is_due_on_mondays_and_later_where_the_server_was_away() -> None:
    weekly = replace(DIGEST, digest=WEEKLY, digest_day="2026-02-25")
    assert digest_due(weekly, us("2026-03-01T12:00:00+01:00")) is None  # Sunday
    assert digest_due(weekly, us("2026-03-02T05:00:00+01:00")) is None
    assert digest_due(weekly, us("2026-03-02T06:00:00+01:00")) == date(2026, 3, 2)
    assert digest_due(weekly, us("2026-03-04T12:00:00+01:00")) == date(2026, 3, 2)


def test_who_chose_no_digest_gets_none() -> None:
    assert digest_due(MessageChoices(person_id=1), us("2026-03-02T06:00:00+01:00")) is None
    assert next_digest_us(MessageChoices(person_id=1), us("2026-03-02T06:00:00+01:00")) is None


@pytest.mark.parametrize("text", ["mara@kargrund.example", "m.l+filters@a.b-c.example", "x@localhost"])
def test_an_address_is_taken(text: str) -> None:
    assert is_address(text)


@pytest.mark.parametrize(
    "text",
    [
        *("", "mara", "@a.example", "a b@c.example", "a@b..example", ".a@b.example", "a..b@c.example"),
        *("a@b.example\r\nBcc: c@d.example", "a@b.example,c@d.example", "<a@b.example>", "ä@b.example"),
        *("a@b.example ", f"{'a' * 65}@b.example", f"a@{'b' * 250}.example"),
    ],
)
def test_what_is_no_address_is_not(text: str) -> None:
    assert not is_address(text)
