"""
When an event of a calendar moves: only when its date moves by a day or more.

Promises: pure. A forecast changes with every hour of work; a calendar that followed it would ring each
morning. A day that a person planned is followed at once. A change that is due now stays on the day it came
due.
Leaves to others: the rows (`ingest.store.calendars`), how an event reads (`ingest.console.calendar_page`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, tzinfo

from cleanside.ingest.store.calendars import ShownDay

MICRO = 1_000_000
DAY_US = 86_400 * MICRO


@dataclass(frozen=True, slots=True, kw_only=True)
class WantedDay:
    """When an event should be: on a day that was planned, or about an instant."""

    event: str
    #: ISO 8601, as planned; None: by the forecast
    on: str | None = None
    #: likely date [us]; None beside no day: it is due now
    date_us: int | None = None


def moves_of(
    wanted: Iterable[WantedDay], shown: Mapping[str, ShownDay], zone: tzinfo, now_us: int
) -> dict[str, ShownDay]:
    """Events that are new or move, with the day on which they are from now on."""
    found = ((one.event, _move(one, shown.get(one.event), zone, now_us)) for one in wanted)
    return {event: moved for event, moved in found if moved is not None}


def _move(wanted: WantedDay, shown: ShownDay | None, zone: tzinfo, now_us: int) -> ShownDay | None:
    if shown is not None and not _has_moved(wanted, shown, now_us):
        return None
    date_us = _date_us(wanted, zone, now_us)
    day = wanted.on or datetime.fromtimestamp(date_us / MICRO, UTC).astimezone(zone).date().isoformat()
    return ShownDay(day, date_us, 0 if shown is None else shown.sequence + 1, now_us)


def _has_moved(wanted: WantedDay, shown: ShownDay, now_us: int) -> bool:
    if wanted.on is not None:
        return wanted.on != shown.day
    if wanted.date_us is None:  # due now: an event that lies ahead comes to today, one that has come stays
        return shown.date_us - now_us >= DAY_US
    return abs(wanted.date_us - shown.date_us) >= DAY_US


def _date_us(wanted: WantedDay, zone: tzinfo, now_us: int) -> int:
    if wanted.on is not None:
        noon = datetime.combine(date.fromisoformat(wanted.on), time(12), zone)
        return round(noon.timestamp() * MICRO)
    return now_us if wanted.date_us is None else wanted.date_us
