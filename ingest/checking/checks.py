"""
Checks: which readings are believed, and why the others are not.

Promises: pure; nothing is repaired here, only named, with a repair where one is evident. The codes are
stable and each says what to do (`CODES`).
Leaves to others: doubts that need no clock (`gateway.wire`), keeping what is not believed
(`ingest.checking.doubts`).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from functools import lru_cache
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from cleanside.gateway.units import QUANTITIES, from_si
from cleanside.gateway.wire import Batch, Doubt, instant_text
from cleanside.ingest.checking.content import FloatArray

MICRO = 1_000_000
FUTURE_TOLERANCE_US = 300 * MICRO  # the contract: later than the server's clock + 5 min
DAY_US = 86_400 * MICRO
ROLLOVER_WEEKS = 1024  # the week number has 10 bits; gps.gov, GPS week number rollover
ROLLOVER_US = ROLLOVER_WEEKS * 7 * DAY_US  # 619 315 200 s
ROLLOVERS = 3  # 59 years back, to before any receiver; chosen
ROLLOVER_WINDOW_US = 366 * DAY_US  # where the start of service is not known: a year of backlog; chosen
#: Days on which a clock starts that was never set: Unix, FAT file system, GPS, and many clock chips' 2000.
UNSET_DAYS = ("1970-01-01", "1980-01-01", "1980-01-06", "2000-01-01")

#: Every code under which a reading is held, and what to do about it.
CODES: Mapping[str, str] = {
    "unit_not_accepted": "declare an accepted unit; amend the held readings with the unit they are in",
    "unit_undeclared": "declare the unit of each quantity; amend the held readings with the unit they are in",
    "quantity_unknown": "update the server, or leave the quantity out; the rest can be released",
    "time_not_rfc3339": "send RFC 3339 with an offset; amend the held readings with their time",
    "time_without_offset": "send the offset from UTC; amend the held readings with the machine's zone",
    "time_in_future": "check the machine's clock; the server looks again by itself when that time has come",
    "time_before_service": "check the machine's clock, or the date from which the device was in service",
    "clock_unset": "the clock was never set; give the machine a time source, amend by a time shift",
    "gps_week_rollover": "the receiver counts weeks wrongly; apply the suggested shift, update the receiver",
    "out_of_range": "look at sensor, wiring and unit; discard the readings if they are wrong",
    "device_unknown": "register the device; its held readings are checked and stored then",
    "number_conflict": "the number is taken by another content; find out which of the two is right",
    "set_aside": "a person took it out of the store; amend it, put it back, or discard it",
    "opaque": "the gateway could not get this record through; read it with its maker's help",
}


class Service(NamedTuple):
    """What the server knows of the device and its gateway that bears on time."""

    #: before this instant the device was not in service [us]; None: not known
    in_service_us: int | None = None
    #: date on which the gateway's program was built; a clock that shows it was never set
    built: str | None = None


Doubts = dict[int, list[Doubt]]


def believe(batch: Batch, si: Mapping[str, FloatArray], *, now_us: int, service: Service) -> Doubts:
    """
    The doubts about each reading, by index; a reading that is believed has none.

    si : column name -> values in SI, shape (n,), NaN where absent. now_us : the server's clock.
    """
    doubts = doubts_of_values(batch, si)
    at_us, known = instants_of(batch)
    add_doubts_of_times(batch, at_us, known, doubts, now_us=now_us, service=service)
    return doubts


def doubts_of_values(batch: Batch, si: Mapping[str, FloatArray]) -> Doubts:
    """The doubts that rest on the reading alone: those of the decoder, and values beyond the possible."""
    doubts: Doubts = {index: list(found) for index, found in batch.doubts.items()}
    _check_ranges(batch, si, doubts)
    return doubts


def instants_of(batch: Batch) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.bool_] | None]:
    """Instants [us], shape (n,), 0 where not understood; and which are understood, None meaning all."""
    try:
        return np.array(batch.at_us, dtype=np.int64), None
    except TypeError:  # None among them: a time that was not understood
        known = np.array([us is not None for us in batch.at_us])
        return np.array([us or 0 for us in batch.at_us], dtype=np.int64), known


@lru_cache(maxsize=256)
def _bounds(columns: tuple[str, ...]) -> tuple[FloatArray, FloatArray]:
    """Lowest and highest possible value of each column, shape (k, 1) each."""
    by_column = {quantity.column: quantity for quantity in QUANTITIES.values()}
    found = [by_column[column] for column in columns]
    return np.array([[q.lowest] for q in found]), np.array([[q.highest] for q in found])


def _check_ranges(batch: Batch, si: Mapping[str, FloatArray], doubts: Doubts) -> None:
    if not si:
        return
    lowest, highest = _bounds(tuple(si))
    table = np.array([*si.values()])
    if not ((table < lowest) | (table > highest)).any():  # all columns at once: nearly always none
        return
    for name in batch.columns:
        quantity = QUANTITIES.get(name)
        if quantity is None or (column := si.get(quantity.column)) is None:
            continue
        # NaN compares false: an absent value is never out of range.
        beyond = (column < quantity.lowest) | (column > quantity.highest)
        if not beyond.any():
            continue
        unit = batch.units[name]
        low, high = (from_si(bound, unit, name) for bound in (quantity.lowest, quantity.highest))
        possible = f"{low:g} to {high:g} {unit}"
        for index in np.flatnonzero(beyond).tolist():
            sent = batch.columns[name][index]
            detail = f"{name} {sent:g} {unit} is beyond what is possible, {possible}; look at sensor and unit"
            doubts.setdefault(index, []).append(Doubt("out_of_range", detail))


def add_doubts_of_times(
    batch: Batch,
    at_us: npt.NDArray[np.int64],
    known: npt.NDArray[np.bool_] | None,
    doubts: Doubts,
    *,
    now_us: int,
    service: Service,
) -> None:
    """Add the doubts about instants (`instants_of`) by the server's clock and what is known of the device."""
    if known is None and _all_plain(at_us, now_us, service):
        return
    odd = (at_us > now_us + FUTURE_TOLERANCE_US) | (at_us < _look_before_us(now_us, service))
    if (built_us := _day_us(service.built)) is not None:
        odd |= (at_us >= built_us) & (at_us < built_us + DAY_US)
    if known is not None:
        odd &= known
    for index in np.flatnonzero(odd).tolist():
        # A gateway that states an uncertainty has placed the time by an anchor: its clock was set.
        built = service.built if batch.uncertainty_s(index) is None else None
        doubt = doubt_of_time(int(at_us[index]), now_us=now_us, service=service._replace(built=built))
        if doubt is not None:
            doubts.setdefault(index, []).append(doubt)


def _all_plain(at_us: npt.NDArray[np.int64], now_us: int, service: Service) -> bool:
    """True where the earliest and the latest say that none needs a closer look: nearly always."""
    if not len(at_us):
        return True
    first_us, last_us = int(at_us.min()), int(at_us.max())
    built_us = _day_us(service.built)
    is_apart = built_us is None or last_us < built_us or first_us >= built_us + DAY_US
    is_likely = first_us >= _look_before_us(now_us, service) and last_us <= now_us + FUTURE_TOLERANCE_US
    return is_apart and is_likely


def _look_before_us(now_us: int, service: Service) -> int:
    """Times at or after this need no closer look: no unset clock starts there, no rollover leads there."""
    unset_end = max(_day_us(day) or 0 for day in UNSET_DAYS) + DAY_US
    newest_rollover = now_us + FUTURE_TOLERANCE_US - ROLLOVER_US + 1
    return max(unset_end, newest_rollover, service.in_service_us or 0)


def doubt_of_time(at_us: int, *, now_us: int, service: Service) -> Doubt | None:
    """The doubt about one instant; None if it is believed."""
    if at_us > now_us + FUTURE_TOLERANCE_US:
        ahead = _span_text(at_us - now_us)
        return Doubt(
            "time_in_future", f"at is {ahead} ahead of the server; held and checked again at that time"
        )
    at = instant_text(at_us)
    if _is_unset(at_us, service.built, now_us):
        detail = f"at {at} is where a clock starts that was never set; give the machine a time source"
        return Doubt("clock_unset", detail)
    if (likely := _rolled_over(at_us, now_us, service)) is not None:
        weeks = (likely - at_us) // ROLLOVER_US * ROLLOVER_WEEKS
        detail = f"at {at} is {weeks} weeks off, most likely {instant_text(likely)}; update the receiver"
        suggestion = {"at": instant_text(likely), "shift_s": (likely - at_us) // MICRO}
        return Doubt("gps_week_rollover", detail, suggestion)
    if service.in_service_us is not None and at_us < service.in_service_us:
        since = instant_text(service.in_service_us)
        detail = f"at {at} is before the device entered service at {since}; check clock and date"
        return Doubt("time_before_service", detail)
    return None


def _is_unset(at_us: int, built: str | None, now_us: int) -> bool:
    days = [_day_us(day) for day in UNSET_DAYS]
    built_us = _day_us(built)
    # On the day itself, a machine built today may well be running.
    if built_us is not None and now_us >= built_us + 2 * DAY_US:
        days.append(built_us)
    return any(start is not None and start <= at_us < start + DAY_US for start in days)


def _rolled_over(at_us: int, now_us: int, service: Service) -> int | None:
    """The true instant if `at_us` is a multiple of 1024 weeks behind a time that is likely; else None."""
    start_us = service.in_service_us
    if start_us is not None and at_us >= start_us:
        return None
    earliest_us = now_us - ROLLOVER_WINDOW_US if start_us is None else start_us
    for times in range(1, ROLLOVERS + 1):
        likely = at_us + times * ROLLOVER_US
        if earliest_us <= likely <= now_us + FUTURE_TOLERANCE_US:
            return likely
    return None


@lru_cache(maxsize=256)
def _day_us(text: str | None) -> int | None:
    try:
        return None if text is None else (date.fromisoformat(text) - date(1970, 1, 1)).days * DAY_US
    except ValueError:
        return None  # the gateway may write its build date as it likes; then it says nothing here


def _span_text(span_us: int) -> str:
    minutes, hours, days = span_us // (60 * MICRO), span_us // (3600 * MICRO), span_us // DAY_US
    if days >= 3:
        return f"{days} d"
    return f"{hours} h {minutes % 60} min" if hours else f"{minutes} min"
