"""
Every hour summary made anew from the readings, stored or archived: compared with what is kept, or put in its
place.

Promises: made by the same code as in the background, so what is made equals what is kept to the last bit; a
difference is a fault of the past. One housing at a time, in bounded memory.
Leaves to others: summarising (`ingest.analysis`), the command (`ingest.commands.recompute`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass

import sqlalchemy as sa

from ingest.analysis import summarise
from ingest.store import dialect, fleet, hours
from ingest.store.fleet import Housing
from ingest.store.hours import Kept

HOURS_AT_ONCE = 750  # a month: 270 000 readings at 10 s, some 20 MB; chosen

#: gives a connection with a view of its own
Reading = Callable[[], AbstractContextManager[sa.Connection]]


@dataclass(frozen=True)
class Compared:
    """A housing's summaries as kept and as made anew."""

    housing: Housing
    hours: int  # with readings
    missing: int  # made anew, not kept
    differing: int
    extra: int  # kept, but without readings
    waiting: int  # changed since, and left to the background: not compared

    @property
    def is_equal(self) -> bool:
        """Not one hour differs."""
        return not (self.missing or self.differing or self.extra)


def recompute(
    reading: Reading,
    housings: Sequence[Housing],
    write: Callable[[Callable[[sa.Connection], object]], object] | None,
) -> Iterator[Compared]:
    """
    Make the summaries of these housings anew.

    write : runs a function on a writing connection and commits; None: compare only.
    """
    for housing in housings:
        with reading() as connection:
            revision = fleet.revision_of(connection, housing.id)
            seats = fleet.assignments_of_housing(connection, housing.id)
            devices = sorted({seat.device_id for seat in seats})
            made = list(_made(connection, housing.id, hours.hours_of_devices(connection, devices)))
            kept = {row.hour: row for row in hours.every_summary(connection, housing.id)}
            waiting = frozenset(hours.hours_of_devices(connection, devices, only_behind=True))
        compared = _compared(housing, made, kept, waiting)
        if write is not None:
            with_readings = {row.hour for row in made}
            gone = [Kept(hour, None, None) for hour in kept if hour not in with_readings]
            write(_put(housing.id, revision, [*made, *gone]))
        yield compared


def _put(housing_id: int, revision: int, rows: Sequence[Kept]) -> Callable[[sa.Connection], object]:
    return lambda connection: hours.put_summaries(connection, housing_id, revision, rows)


def _made(connection: sa.Connection, housing_id: int, wanted: Sequence[int]) -> Iterator[Kept]:
    """The summaries of those hours that have readings which count here."""
    for piece in dialect.chunks(wanted, HOURS_AT_ONCE):
        yield from (row for row in summarise(connection, housing_id, piece).found if row.record is not None)


def _compared(
    housing: Housing, made: Sequence[Kept], kept: dict[int, Kept], waiting: frozenset[int]
) -> Compared:
    known = {hour for hour, row in kept.items() if row.record is not None} - waiting
    settled = [row for row in made if row.hour not in waiting]
    return Compared(
        housing=housing,
        hours=len(made),
        missing=sum(row.hour not in known for row in settled),
        differing=sum(row.hour in known and kept[row.hour] != row for row in settled),
        extra=len(known - {row.hour for row in settled}),
        waiting=len(waiting),
    )
