"""
Rows of many threads become one commit.

Promises: numbers follow the order of the commits, without a gap. A call's rows and its source's mark are
written together or not at all. Threads that wait at the same time share one sync.
Leaves to others: the transaction (`gateway.spool.disk`), what a row looks like (`gateway.spool.new_rows`).
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

import apsw

from cleanside.gateway.errors import SpoolDamaged
from cleanside.gateway.spool.checksum import unit_seed
from cleanside.gateway.spool.disk import SpoolDisk
from cleanside.gateway.spool.new_rows import UnwrittenRows, insert_rows
from cleanside.gateway.spool.payload import LAYOUT, UnitSet, read_unit_set, unit_set_of, whole, write_unit_set
from cleanside.gateway.spool.state import StreamRow, last_position, open_stream
from cleanside.gateway.wire import Reading

_LOOK_AGAIN_S: Final = 1.0  # if the committing thread is gone, another one takes over
_MARK_SOURCE = (
    "INSERT INTO source_marks VALUES (?, ?) ON CONFLICT (source) DO UPDATE SET mark = excluded.mark"
)


class UnitSets:
    """The numbers of sets of quantities and units in the open file."""

    def __init__(self) -> None:
        self._numbers: dict[UnitSet, int] = {}
        self._sets: dict[int, UnitSet] = {}
        #: number -> its share of a reading's checksum, for numbers from `numbers`. Never cleared, only
        #: overwritten: a caller may be between reading numbers and reading seeds.
        self.seeds: dict[int, int] = {}
        # Neighbours nearly always share their quantities and units; compared by content, so that a source
        # that changes its units in place is seen.
        self._last: tuple[tuple[str, ...], dict[str, str], int] | None = None

    def forget(self) -> None:
        """Forget all, after another file was opened or a transaction failed."""
        self._numbers, self._sets, self._last = {}, {}, None

    def by_number(self, connection: apsw.Connection) -> Mapping[int, UnitSet]:
        """All of them."""
        if not self._sets:
            rows = whole("unit_sets", connection.execute("SELECT number, units, is_whole FROM unit_sets"))
            self._sets = {number: read_unit_set(units) for number, units in rows}
            self._numbers = {unit_set: number for number, unit_set in self._sets.items()}
        return self._sets

    def numbers(self, disk: SpoolDisk, readings: Sequence[Reading]) -> list[int]:
        """The numbers of all readings of a call, which mostly share one. Raises ReadingRefused."""
        numbers: list[int] = []
        units: Mapping[str, str] | None = None
        names: tuple[str, ...] = ()
        number = 0
        for reading in readings:
            named = tuple(reading.values)
            if reading.units is not units or named != names:
                units, names = reading.units, named
                last = self._last
                if last is not None and last[0] == names and last[1] == units:
                    number = last[2]
                else:
                    number = self._look_up(disk, reading, names)
            numbers.append(number)
        return numbers

    def _look_up(self, disk: SpoolDisk, reading: Reading, names: tuple[str, ...]) -> int:
        """The number for the quantities and units of a reading; a new row if new. Raises ReadingRefused."""
        unit_set = unit_set_of(reading.values, reading.units)
        number = self._numbers.get(unit_set)
        if number is None:
            with disk.lock:
                with disk.transaction() as connection:
                    connection.execute(
                        "INSERT INTO unit_sets (layout, units) VALUES (?, ?) ON CONFLICT DO NOTHING",
                        (LAYOUT, write_unit_set(unit_set)),
                    )
                self._sets = {}
                self.by_number(disk.connection)
                number = self._numbers[unit_set]
        self._last = (names, dict(reading.units), number)
        self.seeds[number] = unit_seed(unit_set)
        return number


@dataclass(slots=True)
class _Ticket:
    """An append that waits for a commit, by its own thread or by another."""

    rows: UnwrittenRows
    #: the file that the rows were made for: numbers of boots and unit sets are its own
    opening: int
    source: str | None
    mark: str | None
    numbers: range | None = None
    error: BaseException | None = None
    #: locked until the ticket is done, or its thread has to commit for all that wait
    turn: threading.Lock = field(default_factory=threading.Lock)

    @property
    def is_done(self) -> bool:
        """A commit was made for it, or failed."""
        return self.numbers is not None or self.error is not None


class Appends:
    """
    The queue of appends that wait for a commit. One caller commits for all that wait, and wakes them.

    Tried and dropped: all threads wait for the disk's lock, and find under it that they are done. Finished
    threads then waited behind the next commit, and on a slow disk commits of one and of many took turns.
    """

    def __init__(self) -> None:
        self._queue: list[_Ticket] = []
        self._queue_lock = threading.Lock()
        self._is_committing = False
        #: of the open stream; None: not asked since it may have changed
        self._stream: StreamRow | None = None
        self._next = 0  # the position of the next reading

    def forget(self) -> None:
        """
        Forget the open stream and the next position: they may have changed. The caller has the disk's lock.
        """
        self._stream = None

    def append(
        self,
        disk: SpoolDisk,
        rows: UnwrittenRows,
        *,
        opening: int,
        source: str | None,
        mark: str | None,
    ) -> range:
        """Write rows; return their numbers once they are on disk. Raises the spool's errors."""
        ticket = _Ticket(rows, opening, source, mark)
        ticket.turn.acquire()
        with self._queue_lock:
            self._queue.append(ticket)
            begins = not self._is_committing
            self._is_committing = True
        while not ticket.is_done:
            if begins or self._begins():
                self._commit(disk)
            else:
                ticket.turn.acquire(timeout=_LOOK_AGAIN_S)
            begins = False
        if ticket.error is not None:
            raise ticket.error
        assert ticket.numbers is not None
        return ticket.numbers

    def _begins(self) -> bool:
        """True for the one caller that commits now."""
        with self._queue_lock:
            begins = bool(self._queue) and not self._is_committing
            self._is_committing = self._is_committing or begins
            return begins

    def _commit(self, disk: SpoolDisk) -> None:
        with disk.lock:  # appends that arrive meanwhile join this commit
            with self._queue_lock:
                tickets, self._queue = self._queue, []
            try:
                disk.check_present()
                self._write(disk, tickets)
            except BaseException as error:
                for ticket in tickets:
                    ticket.error = error
        with self._queue_lock:  # all wake-ups happen under this lock, so a turn passes on once
            self._is_committing = False
            for ticket in (*tickets, *self._queue[:1]):  # and one that arrived meanwhile: it commits next
                if ticket.turn.locked():
                    ticket.turn.release()

    def _write(self, disk: SpoolDisk, tickets: Sequence[_Ticket]) -> None:
        rows = tickets[0].rows if len(tickets) == 1 else UnwrittenRows()
        marks = []
        for ticket in tickets:
            if ticket.opening != disk.opened:
                raise SpoolDamaged("file_replaced", path=disk.path)
            if rows is not ticket.rows:
                rows.extend(ticket.rows)
            if ticket.source is not None and ticket.mark is not None:
                marks.append((ticket.source, ticket.mark))
        count = len(rows.times_us)
        # A row alone is a transaction of its own: one statement instead of three.
        try:
            with disk.reading() if count == 1 and not marks else disk.transaction() as connection:
                if self._stream is None:
                    self._stream, self._next = open_stream(connection), last_position(connection) + 1
                stream, first = self._stream, self._next
                seq = first - stream.first_position + 1
                insert_rows(connection, stream, first, rows)
                for source_mark in marks:
                    connection.execute(_MARK_SOURCE, source_mark)
        except BaseException:
            self.forget()
            raise
        self._next = first + count
        disk.mark.write(stream.stream, seq + count - 1)
        for ticket in tickets:
            after = seq + len(ticket.rows.times_us)
            ticket.numbers = range(seq, after)
            seq = after
