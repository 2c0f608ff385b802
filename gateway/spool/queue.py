"""
The durable queue on the machine: it numbers readings and keeps them until the server acknowledges them.

Promises: a reading whose `append` returned is on disk, once, in order, under a number that is never used
again. `peek` returns the same batch until it is acknowledged. No reading is deleted silently: one that is
deleted unsent is declared shed. Threads that append at the same time share one commit.
Leaves to others: the file (`gateway.spool.file`), time (`gateway.timing.placement`), the link
(`gateway.uplink.loop`).

Strategy: one table in the order of arrival, one connection, one lock. Tried and dropped: a row of columns a
batch (4x faster in bulk, but one reading a commit is the common case, and the file is not readable by hand).
"""

from __future__ import annotations

import logging
from collections.abc import Sequence
from functools import cached_property
from itertools import groupby
from typing import Final

import apsw

from cleanside.gateway.errors import CalledWrongly, SpoolDamaged, SpoolFull, UnknownStream
from cleanside.gateway.spool import contradictions
from cleanside.gateway.spool.aside import aside_path
from cleanside.gateway.spool.boots import add_anchor, adds_something, place_waiting
from cleanside.gateway.spool.carry_back import (
    SetAsidePages,
    as_far_as_carried,
    begin,
    carry_piece,
    is_unfinished,
    left_aside,
    next_to_carry,
)
from cleanside.gateway.spool.checksum import unit_seed
from cleanside.gateway.spool.contradictions import read_question
from cleanside.gateway.spool.new_rows import UnwrittenRows, check, insert_rows, new_rows
from cleanside.gateway.spool.pages import Pages, read_pages
from cleanside.gateway.spool.peek import BatchContext, is_sound_in, next_batch, span
from cleanside.gateway.spool.rescue import DAMAGED_REASON as DAMAGED
from cleanside.gateway.spool.rescue import is_read, is_salvaged, salvage, waiting
from cleanside.gateway.spool.rewind import count_held, rewind_stream
from cleanside.gateway.spool.rows import Row, frozen, read_rows
from cleanside.gateway.spool.shed import declare
from cleanside.gateway.spool.spool_entries import SpoolEntries
from cleanside.gateway.spool.spool_events import SpoolEvents
from cleanside.gateway.spool.spool_losses import SpoolLosses
from cleanside.gateway.spool.spool_on_disk import on_a_full_disk
from cleanside.gateway.spool.state import (
    LAST_POSITION,
    BootState,
    SpoolState,
    StreamRow,
    find_stream,
    holds_any,
    last_position,
    open_stream,
    stream_rows,
)
from cleanside.gateway.spool.streams import extent_of, fork_stream
from cleanside.gateway.timing.clock import Anchor
from cleanside.gateway.timing.contradiction import Next, next_of
from cleanside.gateway.wire import BOOT_CONTRADICTED, Batch, Reading

MAX_BATCH_READINGS: Final = 1_000  # chosen: about 15 kB compressed, a few seconds on a poor link
MAX_BATCH_BYTES: Final = 256 * 2**10  # of payload; a quarter of what the contract allows as sent
_CHECK_ROOM_EVERY: Final = 500  # readings between two checks of the budget

#: reason of a number that another spool uses too: its reading has a number of the open stream
MOVED: Final = "moved_to_new_stream"

# Changes no row where there is no such stream, where it never used that number, or where the row is not as it
# was written: its copy must not be made from that.
_ACKNOWLEDGE = f"""UPDATE streams SET acknowledged_through = max(acknowledged_through, ?1),
sent_through = max(sent_through, ?1)
WHERE +stream = ?2 AND first_position + ?1 - 1 <= {LAST_POSITION} AND is_whole"""

__all__ = ["BootState", "Spool", "SpoolState", "check"]


class Spool(SpoolEntries, SpoolEvents, SpoolLosses):
    """One device's readings on disk, and what is kept beside them. Safe to call from several threads."""

    _unchecked = _CHECK_ROOM_EVERY
    _pages: Pages | None = None  # of the file that is being salvaged

    @cached_property
    def _set_aside(self) -> SetAsidePages:
        """Files set aside, while they are carried back."""
        return SetAsidePages(self.path)

    # ------------------------------------------------------------ append

    @on_a_full_disk
    def append(
        self,
        readings: Sequence[Reading],
        *,
        since_boot_us: Sequence[int] | None = None,
        source: str | None = None,
        mark: str | None = None,
    ) -> range:
        """
        Write readings; return their numbers once they are on disk.

        since_boot_us : when each was measured, on this boot's clock; None: now. Used where `at` is None.
        source, mark : the source's position; written in the same transaction.
        Raises ReadingRefused (nothing of the call is written), SpoolFull, SpoolUnavailable; SpoolDamaged: the
        file was replaced, call again.
        """
        opening = self._disk.opened  # before the rows: they are made for the file that is open now
        measured_us = since_boot_us or [self._clock.since_boot_us()] * len(readings)
        unit_sets = self._unit_sets.numbers(self._disk, readings)
        rows = new_rows(readings, measured_us, unit_sets, self._unit_sets.seeds, boot=self._boot)
        numbers = self._appends.append(self._disk, rows, opening=opening, source=source, mark=mark)
        self._on_append()
        self._unchecked += len(rows)
        if self._unchecked >= _CHECK_ROOM_EVERY:
            self._unchecked = 0
            self.make_room()
        return numbers

    # ------------------------------------------------------------ peek, acknowledge

    def peek(
        self, *, max_readings: int = MAX_BATCH_READINGS, max_bytes: int = MAX_BATCH_BYTES, report: bool = True
    ) -> Batch | None:
        """
        The next unacknowledged readings, in order, as a batch; None: nothing to send now.

        The readings of a boot that is not placed yet have to wait, and so do those behind them in the stream.
        report : add the gateway's report: facts for silence, time and the account.
        """
        self._carry_on()
        while True:
            with self._disk.reading() as connection:
                try:
                    return self._peek(connection, max_readings, max_bytes, report=report)
                except (KeyError, TypeError, ValueError) as error:
                    # A row is not as it was written, by its sum or its content.
                    why = error
            if not self._give_up_unreadable(max_readings):
                with self._disk.reading():
                    raise SpoolDamaged("not_as_written", path=self.path, why=repr(why))

    def _peek(
        self, connection: apsw.Connection, max_readings: int, max_bytes: int, *, report: bool
    ) -> Batch | None:
        for stream in stream_rows(connection):
            batch = next_batch(
                connection,
                stream,
                self._known(connection),
                max_readings=max_readings,
                max_bytes=max_bytes,
                report=report,
            )
            if batch is not None:
                first, last = span(batch)
                self._in_flight = range(stream.position(first), stream.position(last) + 1)
                return batch
        self._in_flight = range(0)
        return None

    def _give_up_unreadable(self, most: int) -> int:
        """Declare the next readings damaged that are not as they were written. Returns how many."""
        given_up = 0
        with self._disk.transaction() as connection:
            context = self._known(connection)
            boots = {None, *(number for (number,) in connection.execute("SELECT number FROM boots"))}
            for stream in stream_rows(connection):
                begin = stream.position(stream.acknowledged_through + 1)
                for row in read_rows(connection, begin, stream.last_position, limit=most):
                    if row[1] not in boots or not is_sound_in(row, stream, context):
                        seq = stream.seq(row[0])
                        given_up += self._shed(connection, stream, seq, seq, DAMAGED)
            if given_up:
                self._events.tell(connection, "readings_damaged", {"count": given_up})
        return given_up

    @on_a_full_disk
    def acknowledge(self, stream: str, through: int, *, again: Sequence[tuple[int, int]] = ()) -> None:
        """
        Acknowledge: every number 1..through of `stream` is durable at the server.

        again : ranges in conflict at the server; they are appended to the open stream under new numbers.
        A mark below the one known changes nothing. Raises UnknownStream, CalledWrongly.
        """
        with self._disk.transaction() as connection:
            connection.execute(_ACKNOWLEDGE, (through, stream))
            if not connection.changes():
                row = self._stream(connection, stream)
                raise CalledWrongly(
                    "acknowledged_beyond",
                    stream=stream,
                    appended_through=row.appended_through,
                    through=through,
                )
            for first, last in again:
                row = self._stream(connection, stream)
                self._append_again(connection, row, first, last)
                # Shed under the old number: a restored server must not get it twice.
                self._shed(connection, row, first, last, MOVED)
            self._traffic.write(connection)
        if again:
            self._write_mark()
        self._in_flight = range(0)

    def _append_again(self, connection: apsw.Connection, stream: StreamRow, first: int, last: int) -> None:
        """
        Append readings of an abandoned stream to the open one, with their times.

        One that is not as it was written gets a number too, declared damaged.
        """
        context, taking = self._known(connection), open_stream(connection)
        position, given_up = last_position(connection) + 1, 0
        rows = read_rows(connection, stream.position(first), stream.position(last))
        for is_sound, group in groupby(rows, lambda row: is_sound_in(row, stream, context)):
            run = list(group)
            if is_sound:
                insert_rows(connection, taking, position, _frozen(run, context))
            else:
                seq = taking.seq(position)
                given_up += declare(connection, taking.number, seq, seq + len(run) - 1, DAMAGED)
            position += len(run)
        self._appends.forget()
        if given_up:
            self._events.tell(connection, "readings_damaged", {"count": given_up})

    # ------------------------------------------------------------ rewind, fork, shed

    @on_a_full_disk
    def rewind(self, stream: str, through: int) -> int:
        """
        Send again from number through + 1 of `stream`, as far back as readings are still stored.

        Deleted numbers are declared shed, reason `pruned_after_ack`. What files set aside have of it follows
        as far as there is room, the rest once the server has that (`peek`). Returns how many are here now.
        """
        with self._disk.transaction() as connection:
            row = self._stream(connection, stream)
            if not begin(connection, row, through):
                return rewind_stream(connection, row, through)
        self._carries = True
        while self._carry_next(stream):
            pass
        with self._disk.reading() as connection:
            return count_held(connection, row, through)

    def _carry_on(self) -> None:
        """Carry back the next piece of what the server lost, once it has the piece before."""
        if not self._carries or self._in_flight:  # a batch in flight is peeked again before any other
            return
        with self._disk.reading() as connection:
            self._carries = is_unfinished(connection)
            row = next_to_carry(connection)
        if row is not None:
            self._carry_next(row.stream)
        if not self._carries:
            self._set_aside.forget()

    def _carry_next(self, stream: str) -> bool:
        """Carry back a piece of a stream. False: that was all, or there is no room: others go first."""
        files = self._set_aside.newest_first()  # slow where they are new: appends continue meanwhile
        self._disk.take_reserve()
        try:
            return self._carry_piece(stream, files)
        except SpoolFull as error:
            self._log("gateway.carry_back_waits", level=logging.WARNING, reason=error, stream=stream)
            return False

    @on_a_full_disk
    def _carry_piece(self, stream: str, files: Sequence[Pages]) -> bool:
        if not self._has_room():
            return False
        with self._disk.transaction() as connection:
            row = self._stream(connection, stream)
            if not left_aside(connection, row):
                return False
            carry_piece(connection, row, files)
            self._forget()
            return True

    @on_a_full_disk
    def fork(self, reason: str, *, move: bool = False) -> str:
        """
        Open a new stream; the open one takes no more readings. Returns the new one.

        move : the old stream is bound to another device: its unacknowledged readings are appended to the new
        one. Otherwise it is sent to its end under its own numbers.
        """
        with self._disk.transaction() as connection:
            old = open_stream(connection)
            stream = self._open_next(connection, old, reason, through=old.appended_through)
            if move:
                self._move_rest(connection, old)
        self._write_mark()
        return stream

    def _write_mark(self) -> None:
        """Set the mark to the last appended number. Called after the transaction: never ahead of the disk."""
        with self._disk.reading() as connection:
            extent = extent_of(connection)
            self._mark.write(extent.stream, extent.through)

    def _open_next(self, connection: apsw.Connection, old: StreamRow, reason: str, *, through: int) -> str:
        stream = self._new_uuid()
        fork_stream(connection, old, stream, through=through)
        self._appends.forget()
        self._events.add(connection, "stream_opened", {"reason": reason, "before": old.stream})
        return stream

    @on_a_full_disk
    def give_over(self, stream: str) -> None:
        """Append the rest of a forked stream to the open one: the server refuses it under its own numbers."""
        with self._disk.transaction() as connection:
            row = self._stream(connection, stream)
            if row.state == "open":
                raise CalledWrongly("stream_open", stream=stream)
            self._move_rest(connection, row)
        self._write_mark()

    def _move_rest(self, connection: apsw.Connection, row: StreamRow) -> None:
        here = as_far_as_carried(connection, row)
        through = max(row.acknowledged_through, here.appended_through)
        self._append_again(connection, row, row.acknowledged_through + 1, through)
        is_whole = through == row.appended_through  # else the rest has yet to be carried back
        state = "closed" if is_whole else row.state
        connection.execute(
            "UPDATE streams SET state = ?, acknowledged_through = ? WHERE number = ?",
            (state, through, row.number),
        )

    @on_a_full_disk
    def shed(self, stream: str, first: int, last: int, *, reason: str) -> int:
        """Delete numbers first..last of `stream` and declare them shed. Returns how many."""
        with self._disk.transaction() as connection:
            row = self._stream(connection, stream)
            if not 1 <= first <= last <= row.appended_through:
                raise CalledWrongly(
                    "range_unknown", first=first, last=last, appended_through=row.appended_through
                )
            return self._shed(connection, row, first, last, reason)

    def _shed(self, connection: apsw.Connection, row: StreamRow, first: int, last: int, reason: str) -> int:
        connection.execute(
            "DELETE FROM readings WHERE position BETWEEN ? AND ?", (row.position(first), row.position(last))
        )
        return declare(connection, row.number, first, last, reason)

    # ------------------------------------------------------------ time

    @on_a_full_disk
    def anchor(self, anchor: Anchor) -> bool:
        """Tie this boot to UTC, and place every boot that can be placed then. False where it adds nothing."""
        with self._disk.reading() as connection:
            placements = self._known(connection).placements
            question = read_question(connection, self._boot)
        running = placements.get(self._boot)
        step = Next.NONE
        if running and anchor.is_possible:
            step = next_of(running[-1][1], anchor, question)
        if step is Next.WAIT or (step is Next.NONE and not adds_something(placements, self._boot, anchor)):
            return False
        with self._disk.transaction() as connection:
            self._take_anchor(connection, anchor, step, is_open=question is not None)
            self._placed = None
        return step in (Next.NONE, Next.SETTLE)

    def _take_anchor(self, connection: apsw.Connection, anchor: Anchor, step: Next, *, is_open: bool) -> None:
        next_position = last_position(connection) + 1
        if step is Next.ASK:
            self._events.tell(
                connection,
                BOOT_CONTRADICTED,
                contradictions.ask(connection, self._boot, anchor, next_position=next_position),
            )
        elif step is Next.BEGIN:
            contradictions.begin_again(connection, anchor)
        elif is_open:
            for said in contradictions.settle(connection, self._boot, anchor, next_position=next_position):
                self._events.correct(connection, said)
        else:
            correction = add_anchor(connection, self._boot, anchor, next_position=next_position)
            if correction is not None:
                self._events.correct(connection, correction)

    # ------------------------------------------------------------ streams

    @property
    def open_stream(self) -> str:
        """The stream that takes new readings."""
        with self._disk.reading() as connection:
            return open_stream(connection).stream

    @property
    def is_placed(self) -> bool:
        """True if the running boot is tied to UTC."""
        with self._disk.reading() as connection:
            return self._boot in self._known(connection).placements

    @property
    def held_streams(self) -> list[str]:
        """The open stream first, and those with readings in the spool: their marks have to be asked for."""
        with self._disk.reading() as connection:
            rows = stream_rows(connection)
            forked = [
                row
                for row in rows
                if row.state == "forked" and (is_salvaged(row) or holds_any(connection, row))
            ]
            return [row.stream for row in [*(row for row in rows if row.state == "open"), *forked]]

    def stream(self, stream: str) -> StreamRow:
        """The state of one stream. Raises UnknownStream."""
        with self._disk.reading() as connection:
            return self._stream(connection, stream)

    # ------------------------------------------------------------ damage

    def salvage(self) -> bool:
        """
        Carry over some readings of a file that was set aside.

        False: nothing is left to do, or there is no room for more until what waits is sent.
        """
        with self._disk.reading() as connection:
            names = waiting(connection)
        if not names:
            self._pages = None
            return False
        aside = aside_path(self.path, names[0])
        if aside is not None and not aside.exists():  # moved away to make room; read once it is put back
            aside = None
        if aside is not None and (self._pages is None or self._pages.path != aside):
            self._pages = read_pages(aside)  # slow: appends continue meanwhile
        self._disk.take_reserve()
        return self._salvage_piece(names[0], None if aside is None else self._pages)

    @on_a_full_disk
    def _salvage_piece(self, name: str, pages: Pages | None) -> bool:
        """pages : None: there is no such file, or the name is not ours: another program changed the note."""
        if not self._has_room():
            return False
        with self._disk.transaction() as connection:
            if pages is None:
                is_read(connection, name)
            elif name in waiting(connection) and not salvage(connection, pages):
                is_read(connection, name)
                place_waiting(connection)
                self._events.tell(connection, "spool_salvaged", {"kept_as": name})
            self._forget()
        return True

    # ------------------------------------------------------------ helpers

    def _stream(self, connection: apsw.Connection, stream: str) -> StreamRow:
        if (row := find_stream(connection, stream)) is not None:
            return row
        raise UnknownStream("unknown_stream", path=self.path, stream=stream)


def _frozen(rows: Sequence[Row], known: BatchContext) -> UnwrittenRows:
    """Sound rows to write again, with their present times."""
    written = UnwrittenRows()
    for row in rows:
        boot, time_us, uncertainty_s = frozen(row, known.placements, known.unit_sets)
        written.add(boot, time_us, uncertainty_s, row[4], row[5], seed=unit_seed(known.unit_sets[row[4]]))
    return written
