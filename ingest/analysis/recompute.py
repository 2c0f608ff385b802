"""
Compute every hour summary again from the readings, stored or archived, and compare or replace the stored one.

Promises: the same code as in the background, so the result equals the stored one to the last bit; a
difference shows an earlier fault. One housing at a time, in bounded memory.
Leaves to others: summarising (`ingest.analysis.summarising`), the command (`ingest.commands.recompute`).
"""

from __future__ import annotations

import multiprocessing
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import partial
from multiprocessing.pool import Pool
from typing import NamedTuple, Protocol, Self

import sqlalchemy as sa

from cleanside.ingest.analysis.summarising import summarise
from cleanside.ingest.store import database, dialect, fleet, hours, raw
from cleanside.ingest.store.fleet import HousingRow
from cleanside.ingest.store.hours import HOUR_US, Kept

PIECE_HOURS = 375  # half a month: 135 000 readings at 10 s, some 10 MB; chosen

#: returns a connection with a view of its own
OpenReader = Callable[[], AbstractContextManager[sa.Connection]]


@dataclass(frozen=True)
class Compared:
    """A housing's stored summaries compared with new ones."""

    housing: HousingRow
    hours: int  # with readings
    missing: int  # computed, not stored
    differing: int
    extra: int  # stored, but without readings
    waiting: int  # changed meanwhile, so left to the background and not compared

    @property
    def is_equal(self) -> bool:
        """Not one hour differs."""
        return not (self.missing or self.differing or self.extra)


def recompute(
    reading: OpenReader,
    housings: Sequence[HousingRow],
    write: Callable[[Callable[[sa.Connection], object]], object] | None,
    *,
    helper: Helper | None = None,
    hours_at_once: int = PIECE_HOURS,
) -> Iterator[Compared]:
    """
    Compute the summaries of these housings again.

    write : runs a function on a writing connection and commits; None: compare only.
    helper : shares the work, where a housing has more than one piece of `hours_at_once` hours.
    """
    for housing in housings:
        with reading() as connection:
            revision = fleet.revision_of(connection, housing.id)
            seats = fleet.assignments_of_housing(connection, housing.id)
            devices = sorted({seat.device_id for seat in seats})
            wanted = hours.hours_of_devices(connection, devices)
            pieces = [Piece(housing.id, tuple(some)) for some in dialect.chunks(wanted, hours_at_once)]
            made = [row for part in _made(connection, pieces, helper) for row in part]
            stored = {row.hour: row for row in hours.every_summary(connection, housing.id)}
            waiting = frozenset(hours.hours_of_devices(connection, devices, only_behind=True))
        compared = _compared(housing, made, stored, waiting)
        if write is not None:
            with_readings = {row.hour for row in made}
            gone = [Kept(hour, None, None) for hour in stored if hour not in with_readings]
            write(_put(housing.id, revision, [*made, *gone]))
        yield compared


def _put(housing_id: int, revision: int, rows: Sequence[Kept]) -> Callable[[sa.Connection], object]:
    return lambda connection: hours.put_summaries(connection, housing_id, revision, rows)


# ---------------------------------------------------------------- the work, shared by two processes


class Piece(NamedTuple):
    """Hours of a housing, in order."""

    housing_id: int
    wanted: tuple[int, ...]


class RecomputedPiece(NamedTuple):
    """The summaries of a piece, and the state of its hours in the view that they were made from."""

    rows: list[Kept]
    state: list[tuple[int, ...]]


class Pending(Protocol):
    """A piece that the helper works on."""

    def ready(self) -> bool: ...

    def get(self) -> RecomputedPiece: ...


class Helper:
    """
    A second process with a connection of its own; it starts at the first piece, and the first process goes
    on meanwhile.

    SQLite's hand-over of numbers one by one takes the time, and one process does that on one core.
    """

    def __init__(self, url: str, archive_folder: str = "") -> None:
        self._opened = partial(database.reading_engine, url, archive=archive_folder)
        self._process: Pool | None = None

    def ask(self, piece: Piece) -> Pending:
        """Begin with a piece."""
        if self._process is None:  # spawned, because neither SQLite nor threads survive a fork
            self._process = multiprocessing.get_context("spawn").Pool(1)
        return self._process.apply_async(_found_elsewhere, (self._opened, piece))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.join()


def _found_elsewhere(opened: Callable[[], sa.Engine], piece: Piece) -> RecomputedPiece:
    engine = opened()
    try:
        with engine.connect() as connection:
            return _found(connection, piece)
    finally:
        engine.dispose()


def _found(connection: sa.Connection, piece: Piece) -> RecomputedPiece:
    """The summaries of a piece that have readings of this housing."""
    rows = [row for row in summarise(connection, *piece).found if row.record is not None]
    return RecomputedPiece(rows, _state(connection, piece))


def _state(connection: sa.Connection, piece: Piece) -> list[tuple[int, ...]]:
    seats = fleet.assignments_of_housing(connection, piece.housing_id)
    span_us = piece.wanted[0] * HOUR_US, (piece.wanted[-1] + 1) * HOUR_US
    return raw.state_of(connection, [raw.DeviceSeat(seat.device_id, *span_us) for seat in seats])


def _made(connection: sa.Connection, pieces: Sequence[Piece], helper: Helper | None) -> list[list[Kept]]:
    """
    The summaries of each piece: this process begins with the first, the helper with the last.

    The helper sees another view; its result counts only if its hours have the same state in ours.
    """
    made: dict[int, list[Kept]] = {}
    asked: tuple[int, Pending] | None = None
    for number in range(len(pieces)):
        if asked is not None and asked[1].ready():
            found = asked[1].get()
            if found.state == _state(connection, pieces[asked[0]]):
                made[asked[0]] = found.rows
            asked = None
        last = max((n for n in range(number, len(pieces)) if n not in made), default=number)
        if helper is not None and asked is None and last > number:
            asked = last, helper.ask(pieces[last])
        if number not in made:
            made[number] = _found(connection, pieces[number]).rows
    return [made[number] for number in range(len(pieces))]


def _compared(
    housing: HousingRow, made: Sequence[Kept], kept: dict[int, Kept], waiting: frozenset[int]
) -> Compared:
    known = {hour for hour, row in kept.items() if row.record is not None} - waiting
    settled = [row for row in made if row.hour not in waiting]
    return Compared(
        housing=housing,
        hours=len(made),
        missing=sum(row.hour not in known for row in settled),
        differing=sum(row.hour in known and _differs(kept[row.hour], row) for row in settled),
        extra=len(known - {row.hour for row in settled}),
        waiting=len(waiting),
    )


def _differs(kept: Kept, made: Kept) -> bool:
    """True where two summaries differ. The previous release wrote none of the devices: that is no fault."""
    return kept != (made if kept.devices is not None else made._replace(devices=None))
