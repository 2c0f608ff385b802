"""
Numbers with their unit, dates, ages and spans, as a viewer writes them.

Promises: pure; every number that has a unit leaves with it. A time is shown in the viewer's zone, to the
minute; a year only where it is not the present one. Separators and order are those of the locale (CLDR).
Leaves to others: which words stand around them (`wording`).
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time
from decimal import Decimal
from functools import cache, lru_cache
from zoneinfo import ZoneInfo

from babel import Locale
from babel.dates import format_date, format_skeleton, format_time
from babel.numbers import NumberPattern, parse_pattern
from markupsafe import Markup, escape

from cleanside.gateway.units import from_si
from cleanside.gateway.wire import parse_instant

#: unit of a gauge -> decimals at which a 0.05 kPa monitor still shows its steps
GAUGE_DECIMALS = {
    "kPa": 2,
    "inH2O": 1,
    "mbar": 1,
    "hPa": 1,
    "mmH2O": 0,
    "cmH2O": 1,
    "mmHg": 1,
    "psi": 2,
    "inHg": 2,
    "bar": 4,
    "Pa": 0,
}
#: a number as Python writes most of them
_PLAIN = re.compile(r"-?\d{1,15}(\.\d{1,15})?", re.ASCII)
MINUTE_S, HOUR_S, DAY_S = 60, 3_600, 86_400
HARD_SPACE, MINUS = "\N{NO-BREAK SPACE}", "\N{MINUS SIGN}"
#: what has no value
DASH = "\N{EN DASH}"


@dataclass(frozen=True, slots=True)
class Figure:
    """A number and its unit; in a page the unit is the smaller."""

    number: str
    unit: str

    def __str__(self) -> str:
        return f"{self.number}{HARD_SPACE}{self.unit}"

    def __html__(self) -> str:
        return Markup(f'{escape(self.number)}<span class="unit">{HARD_SPACE}{escape(self.unit)}</span>')


ALL_DIGITS = 1e15  # below it Python writes every digit of a whole number (arithmetic: 53 bits)


class Formats:
    """How one viewer writes numbers and times, at one instant."""

    def __init__(self, locale: Locale, zone: ZoneInfo, now_s: float) -> None:
        """now_s : the present, seconds since 1970 UTC; it decides whether a year or a day is said."""
        self._locale = locale
        self._zone = zone
        self._whole = _whole_of(locale)
        self.now_s = now_s
        self._now = self.moment(now_s)

    # ------------------------------------------------------------ numbers

    def number(self, value: float | None, decimals: int = 0) -> str:
        """A number; a dash for None."""
        if value is None or not math.isfinite(value):
            return DASH
        if decimals == 0 and abs(value) < ALL_DIGITS:  # the same as below, a half is written as it is
            return self._whole(round(value))
        return _written_number(_rounded(value, decimals), decimals, self._locale)

    def written(self, value: object) -> str:
        """A number with the decimals that it came with, also one in a text; anything else as it came."""
        text = str(value)
        return self.number(float(text), len(text.partition(".")[2])) if _PLAIN.fullmatch(text) else text

    def restriction(self, level_pa: float | None, unit: str | None = None) -> Figure:
        """A restriction in the unit of the gauge; None: kPa."""
        unit = unit if unit in GAUGE_DECIMALS else "kPa"
        return _figure(self.number(self.in_unit(level_pa, unit), GAUGE_DECIMALS[unit]), unit)

    def in_unit(self, level_pa: float | None, unit: str) -> float | None:
        """A restriction as a number of a unit."""
        return None if level_pa is None else from_si(level_pa, unit, "restriction")

    def percent(self, percent: float | None) -> Figure:
        """A share in per cent, without decimals."""
        return _figure(self.number(percent), "%")

    def hours(self, hours: float | None) -> Figure:
        """Operating hours; below ten with one decimal."""
        return _figure(self.number(hours, 1 if hours and hours < 9.95 else 0), "h")

    def of_unit(self, value: float | None, unit: str, decimals: int = 0) -> Figure:
        """A number of any unit."""
        return _figure(self.number(value, decimals), unit)

    # ------------------------------------------------------------ times

    def moment(self, at: str | float) -> datetime:
        """An instant in the viewer's zone. at : RFC 3339, or seconds since 1970 UTC."""
        if isinstance(at, str):
            return _moment(at, self._zone)
        return datetime.fromtimestamp(at, UTC).astimezone(self._zone)

    def start_of_day(self, at: str | float) -> datetime:
        """When the day of an instant began in the viewer's zone. at : RFC 3339, or seconds since 1970 UTC."""
        return self.moment(at).replace(hour=0, minute=0, second=0, microsecond=0)

    def from_local(self, moment: datetime) -> float:
        """A day and time of the viewer's zone as an instant. [s since 1970 UTC]"""
        return moment.replace(tzinfo=self._zone).timestamp()

    def day(self, at: str | float | None) -> str:
        """A date with its weekday: Fri 4 Dec."""
        return DASH if at is None else self._skeleton("MMMEd", self.moment(at)).replace(",", "", 1)

    def date(self, at: str | float | None) -> str:
        """A date: 4 Dec."""
        return DASH if at is None else self._skeleton("MMMd", self.moment(at))

    def long_day(self, at: str | float) -> str:
        """A date in full: Friday 4 December 2026."""
        return str(format_date(self.moment(at), "full", locale=self._locale))

    def clock(self, at: str | float) -> str:
        """A time of day: 06:39."""
        return _written_clock(self.moment(at).time().replace(second=0, microsecond=0), self._locale)

    def minute(self, at: str | float | None) -> str:
        """An instant to the minute; the day is said unless it is today."""
        if at is None:
            return DASH
        clock, is_today = self.clock(at), self.moment(at).date() == self._now.date()
        return clock if is_today else f"{self.date(at)} {clock}".replace(" ", HARD_SPACE)

    def dated(self, at: str | float) -> str:
        """An instant to the minute with its day, for what may be read on another day."""
        return f"{self.day(at)} {self.clock(at)}".replace(" ", HARD_SPACE)

    def second(self, at: str | float) -> str:
        """An instant to the second with its date, for what lies seconds apart."""
        clock = format_time(self.moment(at), "medium", locale=self._locale)
        return f"{self.date(at)} {clock}".replace(" ", HARD_SPACE)

    def age(self, seconds: float) -> str:
        """How long: 40 s, 12 min, 5 h 20 min, 3 d."""
        seconds = max(0, round(seconds))
        if seconds < 2 * MINUTE_S:
            return f"{seconds}{HARD_SPACE}s"
        if seconds < 2 * HOUR_S:
            return f"{seconds // MINUTE_S}{HARD_SPACE}min"
        if seconds < 2 * DAY_S:
            hours, rest = divmod(seconds // MINUTE_S, 60)
            minutes = f" {rest}{HARD_SPACE}min" if rest else ""
            return f"{hours}{HARD_SPACE}h{minutes}"
        return f"{self.number(seconds // DAY_S)}{HARD_SPACE}d"

    def seconds_ago(self, at: str | float) -> float:
        """How long ago an instant is. [s]"""
        return self.now_s - self.moment(at).timestamp()

    @property
    def zone_key(self) -> str:
        """The viewer's zone by its name in the zone database: Europe/Berlin."""
        return self._zone.key

    @property
    def zone_name(self) -> str:
        """The viewer's zone as people say it: CET, Europe/Berlin."""
        short, long = self._now.tzname() or "", self._zone.key.replace("_", " ")
        return long if short == long or not short.isalpha() else f"{short}, {long}"

    def _skeleton(self, skeleton: str, moment: datetime) -> str:
        year = "" if moment.year == self._now.year else "y"
        return _written_date(year + skeleton, moment.date(), self._locale)


@lru_cache(maxsize=4096)  # a page of a hundred machines says the same few days in every row
def _written_date(skeleton: str, day: date, locale: Locale) -> str:
    return str(format_skeleton(skeleton, datetime.combine(day, time()), locale=locale))


@lru_cache(maxsize=4096)  # the minutes of a day, for two languages
def _written_clock(at: time, locale: Locale) -> str:
    return str(format_time(at, "short", locale=locale))


@lru_cache(maxsize=4096)  # a row says the same few instants in several places
def _moment(at: str, zone: ZoneInfo) -> datetime:
    return datetime.fromtimestamp(parse_instant(at).us / 1e6, UTC).astimezone(zone)


def _rounded(value: float, decimals: int) -> Decimal:
    """As babel rounds: what Python writes of a number, half to even."""
    return Decimal(str(value)).quantize(Decimal(1).scaleb(-decimals))


@lru_cache(maxsize=4096)  # rounded, the numbers of a page are few: shares, hours, levels
def _written_number(value: Decimal, decimals: int, locale: Locale) -> str:
    text = str(_pattern(decimals).apply(value, locale))
    return text.replace("-", MINUS if value else "")  # no minus before nothing


@cache  # the languages are few
def _whole_of(locale: Locale) -> Callable[[int], str]:
    """What writes whole numbers: to hash the locale for each takes longer than to find the number."""

    @lru_cache(maxsize=4096)
    def written(value: int) -> str:
        return _written_number(Decimal(value), 0, locale)

    return written


@lru_cache(maxsize=4096)
def _figure(number: str, unit: str) -> Figure:
    return Figure(number, unit)


@lru_cache(maxsize=8)
def _pattern(decimals: int) -> NumberPattern:
    return parse_pattern("#,##0" + ("." + "0" * decimals if decimals else ""))


def within_whole(percent: float) -> float:
    """
    A share of a whole as it is said to a person.

    What is measured scatters beyond none and all, and the answers of the API have it; nothing can be more
    than all of it.
    """
    return min(max(percent, 0.0), 100.0)


class WrittenDays:
    """Calendar days as the viewer writes them."""

    def __init__(self, formats: Formats) -> None:
        self._formats = formats
        self._zone = formats.moment(formats.now_s).tzinfo
        self._written: dict[str, str] = {}  # a list offers the same few days on every row

    def of(self, day: str) -> str:
        """Fri 4 Dec."""
        if day not in self._written:
            noon = datetime.fromisoformat(day).replace(hour=12, tzinfo=self._zone)
            self._written[day] = self._formats.day(noon.timestamp())
        return self._written[day]

    def in_full(self, day: str) -> str:
        """Friday 4 December 2026."""
        noon = datetime.fromisoformat(day).replace(hour=12, tzinfo=self._zone)
        return self._formats.long_day(noon.timestamp())
