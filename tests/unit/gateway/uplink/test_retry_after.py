"""How long a server asks to be left alone."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from cleanside.gateway.uplink.retry_after import parse_http_date, retry_after_s

NOW = datetime(1994, 11, 6, 8, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    "text",
    [  # RFC 9110 section 5.6.7: one instant in the three forms
        "Sun, 06 Nov 1994 08:49:37 GMT",
        "Sunday, 06-Nov-94 08:49:37 GMT",
        "Sun Nov  6 08:49:37 1994",
    ],
)
def test_the_three_forms_of_a_date_are_one_instant(text: str) -> None:
    read = parse_http_date(text, now=NOW)
    assert read is not None
    assert read.timestamp() == 784111777


def test_the_examples_of_rfc_9110_are_read() -> None:
    # Section 10.2.3: "120", and a date that is 946684799 s after 1970.
    assert retry_after_s("120", date=None, now=NOW) == 120
    until = retry_after_s("Fri, 31 Dec 1999 23:59:59 GMT", date=None, now=NOW)
    assert until == 946684799 - NOW.timestamp()


def test_a_date_is_measured_against_the_servers_own_clock() -> None:
    wrong = datetime(1970, 1, 1, tzinfo=UTC)
    said = retry_after_s("Sun, 06 Nov 1994 08:49:37 GMT", date="Sun, 06 Nov 1994 08:49:07 GMT", now=wrong)
    assert said == 30


def test_a_date_that_has_passed_means_now() -> None:
    assert retry_after_s("Sun Nov  6 07:00:00 1994", date=None, now=NOW) == 0


def test_a_two_digit_year_far_ahead_is_of_the_century_before() -> None:
    # RFC 9110 section 5.6.7: more than 50 years ahead means the most recent past year with these digits.
    read = parse_http_date("Sunday, 06-Nov-94 08:49:37 GMT", now=datetime(2026, 1, 1, tzinfo=UTC))
    assert read is not None
    assert read.year == 1994


@pytest.mark.parametrize(
    "text",
    [
        "",
        "soon",
        "-5",
        "1.5",
        "12 s",
        "Sun, 31 Feb 1994 08:49:37 GMT",
        "Sun, 06 Foo 1994 08:49:37 GMT",
        "١٢٠",
    ],
)
def test_what_is_not_understood_is_no_wait_and_never_a_guess(text: str) -> None:
    assert retry_after_s(text, date=None, now=NOW) is None


def test_without_the_field_there_is_no_wait() -> None:
    assert retry_after_s(None, date=None, now=NOW) is None
