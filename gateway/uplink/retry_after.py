"""
The wait that a server asks for: Retry-After (RFC 9110 section 10.2.3) and HTTP dates (section 5.6.7).

Promises: both forms, all three date forms. A date is compared with the server's own Date, so a wrong clock
here does not matter. A value that is not understood is None, never a guess.
Leaves to others: the wait (`gateway.uplink.decision`).
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
_DAY = "(?:Mon|Tue|Wed|Thu|Fri|Sat|Sun)"
_LONG_DAY = "(?:Mon|Tues|Wednes|Thurs|Fri|Satur|Sun)day"
_TIME = r"(?P<hour>\d\d):(?P<minute>\d\d):(?P<second>\d\d)"
_FORMS = tuple(
    re.compile(form, re.ASCII)
    for form in (
        rf"{_DAY}, (?P<day>\d\d) (?P<month>\w{{3}}) (?P<year>\d{{4}}) {_TIME} GMT",  # IMF-fixdate
        rf"{_LONG_DAY}, (?P<day>\d\d)-(?P<month>\w{{3}})-(?P<year>\d\d) {_TIME} GMT",  # RFC 850
        rf"{_DAY} (?P<month>\w{{3}}) (?P<day>[ \d]\d) {_TIME} (?P<year>\d{{4}})",  # asctime
    )
)
_FAR_AHEAD = timedelta(days=50 * 365.25)


def parse_http_date(text: str, *, now: datetime) -> datetime | None:
    """
    Read an HTTP date in any of its three forms; None where it is none.

    now : for the two-digit year of the oldest form: more than 50 years ahead means the century before.
    """
    match = next((found for form in _FORMS if (found := form.fullmatch(text.strip()))), None)
    if match is None or match["month"] not in _MONTHS:
        return None
    year = int(match["year"])
    if len(match["year"]) == 2:
        year += now.year // 100 * 100
    try:
        instant = datetime(
            year,
            _MONTHS.index(match["month"]) + 1,
            int(match["day"]),
            int(match["hour"]),
            int(match["minute"]),
            min(int(match["second"]), 59),  # a leap second counts as the second before it
            tzinfo=UTC,
        )
    except ValueError:
        return None
    if len(match["year"]) == 2 and instant - now > _FAR_AHEAD:
        instant = instant.replace(year=year - 100)
    return instant


def retry_after_s(value: str | None, *, date: str | None, now: datetime) -> float | None:
    """
    Seconds to wait. None where the server sent none, or none that can be understood.

    value, date : the Retry-After and Date fields of the answer. now : our own clock, used without a Date.
    """
    if value is None:
        return None
    if re.fullmatch(r"\d{1,9}", value.strip(), re.ASCII):
        return float(value)
    until = parse_http_date(value, now=now)
    if until is None:
        return None
    said = parse_http_date(date, now=now) if date is not None else None
    return max(0.0, (until - (said or now)).total_seconds())
