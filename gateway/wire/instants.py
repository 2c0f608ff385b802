"""
Instants of the contract: RFC 3339 with an offset, nothing looser; leap seconds stay distinct.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any

from cleanside.gateway.wire.coded import Coded, Sentences, Values, text_of

MICRO = 1_000_000
_RFC3339 = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:([Zz])|([+-])(\d\d):(\d\d))", re.ASCII
)
_PLAIN = re.compile(
    r"\d{4}-\d\d-\d\dT(?:[01]\d|2[0-3]):[0-5]\d:[0-5]\d(?:\.\d{1,6})?(?:Z|[+-](?:[01]\d|2[0-3]):[0-5]\d)",
    re.ASCII,
)
_IN_UTC = re.compile(r"0000-00-00T00:00:00(?:\.0{1,6})?Z", re.ASCII)  # each digit written as zero
_TO_ZERO = str.maketrans("123456789", "0" * 9)
_NO_OFFSET = re.compile(r"\d{4}-\d\d-\d\d[Tt ]\d\d:\d\d(?::\d\d(?:\.\d+)?)?", re.ASCII)
_EPOCH_DAY = date(1970, 1, 1).toordinal()
_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


#: why a text is no instant -> sentence
_SENTENCES: Sentences = {
    "no_offset": '"{text}" has no offset from UTC; send one, like "2026-03-02T06:14:07.250Z"',
    "not_rfc3339": '"{text}" is not an RFC 3339 date-time; send it like "2026-03-02T06:14:07.250Z"',
    "offset_too_large": '"{text}" has an offset beyond 23:59; send the time in UTC, ending in Z',
    "beyond_years_in_utc": '"{text}" is before the year 1 or behind 9999 in UTC; check the clock',
    "no_such_day": '"{text}" names a day that does not exist ({why_no_day}); check the clock',
    "no_such_time": '"{text}" is beyond 23:59:60; hours run 00 to 23, minutes 00 to 59',
    "leap_second": '"{text}" has a leap second that does not end a UTC month; check the clock',
    "no_zone": "{text} has no zone; give an aware datetime, for example in UTC",
    "beyond_years": "{us} us since 1970 lies outside the years 0001 to 9999",
}


class NotAnInstant(Coded, ValueError):
    """A text that is no RFC 3339 date-time with an offset, or an instant that cannot be written as one."""

    SENTENCES = _SENTENCES


def instant_sentence(code: str, values: Values) -> str:
    """The sentence of a `NotAnInstant`, from its stored code and values."""
    return text_of(_SENTENCES, code, values)


@dataclass(frozen=True, slots=True)
class Instant:
    """
    An instant as sent.

    us : microseconds since 1970-01-01T00:00:00Z, leap seconds not counted; finer digits are cut, not rounded.
    exact : its RFC 3339 text in UTC where another instant has the same `us`
    (a leap second, digits finer than a microsecond); None where `us` is exact.
    """

    us: int
    exact: str | None = None


def parse_instant(text: str) -> Instant:
    """
    Read an RFC 3339 date-time with an offset, section 5.6, and nothing looser.

    A leap second is accepted at the end of a UTC month; its `us` is that of the next second, `exact` differs.
    Raises NotAnInstant, a ValueError; the message has the value, the rule and the next step.
    """
    if _PLAIN.fullmatch(text):  # nearly all; the pattern is stricter than fromisoformat
        with suppress(ValueError):  # a day that does not exist gets a better error below
            us = us_of(datetime.fromisoformat(text))
            if is_datable(us):
                return Instant(us)
    match = _RFC3339.fullmatch(text)
    if match is None:
        raise NotAnInstant("no_offset" if _NO_OFFSET.fullmatch(text) else "not_rfc3339", text=text[:40])
    year, month, day, hour, minute, second = map(int, match.groups()[:6])
    fraction = (match[7] or "").rstrip("0")
    offset_minutes = 0
    if match[8] is None:
        offset_minutes = int(match[10]) * 60 + int(match[11])
        if int(match[10]) > 23 or int(match[11]) > 59:
            raise NotAnInstant("offset_too_large", text=text[:40])
        offset_minutes *= -1 if match[9] == "-" else 1
    try:
        days = date(year, month, day).toordinal() - _EPOCH_DAY
    except ValueError as error:
        raise NotAnInstant("no_such_day", text=text[:40], why_no_day=str(error)) from None
    if hour > 23 or minute > 59 or second > 60:
        raise NotAnInstant("no_such_time", text=text[:40])
    seconds = days * 86_400 + hour * 3_600 + minute * 60 + second - offset_minutes * 60
    if not is_datable((seconds - (second == 60)) * MICRO):  # by its offset
        raise NotAnInstant("beyond_years_in_utc", text=text[:40])
    if second == 60 and not _ends_a_month(seconds):
        raise NotAnInstant("leap_second", text=text[:40])
    us = seconds * MICRO + int(fraction[:6].ljust(6, "0"))
    if second == 60 or len(fraction) > 6:
        return Instant(us, _exact_text(seconds, fraction, leap=second == 60))
    return Instant(us)


def _ends_a_month(next_second: int) -> bool:
    if next_second % 86_400:
        return False
    ordinal = next_second // 86_400 + _EPOCH_DAY
    return 1 <= ordinal <= date.max.toordinal() and date.fromordinal(ordinal).day == 1


def _exact_text(seconds: int, fraction: str, *, leap: bool) -> str:
    whole = instant_text((seconds - leap) * MICRO)[:-1]
    if leap:
        whole = whole[:-2] + "60"
    return whole + (f".{fraction}" if fraction else "") + "Z"


def instant_text(us: int) -> str:
    """Write microseconds since 1970 as RFC 3339 in UTC: no fraction where it is zero, else 3 or 6 digits."""
    seconds, micros = divmod(us, MICRO)
    days, in_day = divmod(seconds, 86_400)
    try:
        day = date.fromordinal(days + _EPOCH_DAY).isoformat()
    except (ValueError, OverflowError):
        raise NotAnInstant("beyond_years", us=us) from None
    fraction = "" if not micros else f".{micros // 1000:03d}" if micros % 1000 == 0 else f".{micros:06d}"
    return f"{day}T{in_day // 3600:02d}:{in_day // 60 % 60:02d}:{in_day % 60:02d}{fraction}Z"


def us_of(instant: datetime) -> int:
    """Microseconds since 1970 of an aware datetime. Raises NotAnInstant for a naive one."""
    try:  # for every appended reading: checking the zone first costs as much as the rest
        since = instant - _EPOCH
    except TypeError:
        raise NotAnInstant("no_zone", text=instant.isoformat()) from None
    return (since.days * 86_400 + since.seconds) * MICRO + since.microseconds


def us_of_many(instants: Iterable[datetime]) -> list[int]:
    """`us_of` for many aware datetimes, without a call for each."""
    since = [instant - _EPOCH for instant in instants]
    return [(d.days * 86_400 + d.seconds) * MICRO + d.microseconds for d in since]


def datetime_of(us: int) -> datetime:
    """The aware UTC datetime of microseconds since 1970."""
    return _EPOCH + timedelta(microseconds=us)


def plain_instants(texts: Sequence[Any]) -> list[int] | None:
    """Microseconds since 1970 of texts that all look like "2026-03-02T06:14:07.250Z"; None: look closer."""
    if set(map(type, texts)) != {str}:
        return None
    shapes = set("\n".join(texts).translate(_TO_ZERO).split("\n"))
    if not all(map(_IN_UTC.fullmatch, shapes)) or any(text[11:13] == "24" for text in texts):
        return None
    try:
        return us_of_many(map(datetime.fromisoformat, texts))
    except ValueError:  # the 31st of April, a leap second
        return None


def is_datable(us: int) -> bool:
    return 1 <= us // (86_400 * MICRO) + _EPOCH_DAY <= date.max.toordinal()
