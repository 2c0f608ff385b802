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

import json
import logging
import os
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict
from functools import wraps
from itertools import groupby
from pathlib import Path
from typing import Any, Concatenate, Final, ParamSpec, TypeVar

import apsw

from cleanside.gateway.errors import CalledWrongly, SpoolDamaged, SpoolFull, TryAgain, UnknownStream
from cleanside.gateway.log import Log, unheard
from cleanside.gateway.spool.age import Ages, ages
from cleanside.gateway.spool.append import Appends, UnitSets
from cleanside.gateway.spool.aside import aside_bytes, aside_path
from cleanside.gateway.spool.boots import (
    Placements,
    add_anchor,
    adds_something,
    load_placements,
    place_waiting,
)
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
from cleanside.gateway.spool.disk import SpoolDisk
from cleanside.gateway.spool.done_aside import DoneAside
from cleanside.gateway.spool.events import Events
from cleanside.gateway.spool.file_notes import read_note, set_note
from cleanside.gateway.spool.high_mark import Extent, HighMark, LossNote
from cleanside.gateway.spool.host import FindTraits, traits_of
from cleanside.gateway.spool.identity import RandomBytes, uuid7
from cleanside.gateway.spool.losses import LOST, Losses
from cleanside.gateway.spool.machine_entries import (
    EntriesToSend,
    KeptEntry,
    add_entry,
    count_waiting_entries,
    entry_streams_to_ask,
    last_entries,
    next_entries,
    set_entry_mark,
)
from cleanside.gateway.spool.new_rows import UnwrittenRows, check, insert_rows, new_rows
from cleanside.gateway.spool.opening import Opening
from cleanside.gateway.spool.pages import Pages, read_pages
from cleanside.gateway.spool.payload import whole
from cleanside.gateway.spool.peek import BatchContext, is_sound_in, next_batch, span
from cleanside.gateway.spool.rescue import DAMAGED_REASON as DAMAGED
from cleanside.gateway.spool.rescue import (
    PIECE_BYTES,
    is_read,
    is_salvaged,
    salvage,
    waiting,
)
from cleanside.gateway.spool.rewind import count_held, rewind_stream
from cleanside.gateway.spool.room import (
    SpoolRoom,
    file_bytes,
    fits,
    is_over,
    tables_bytes,
    used_bytes,
)
from cleanside.gateway.spool.rows import Row, frozen, read_rows
from cleanside.gateway.spool.shed import declare
from cleanside.gateway.spool.state import (
    LAST_POSITION,
    WARN_SHARE,
    BootState,
    SpoolState,
    StreamRow,
    find_stream,
    holds_any,
    last_position,
    open_stream,
    read_state,
    stream_rows,
)
from cleanside.gateway.spool.streams import extent_of, fork_stream
from cleanside.gateway.spool.traffic import Traffic
from cleanside.gateway.spool.unconfirmed import (
    Unconfirmed,
    confirm,
    unconfirmed,
)
from cleanside.gateway.spool.volume import (
    LEAST_LOG_BYTES,
    LEAST_TABLES_BYTES,
    SystemVolume,
    Unlimited,
    Volume,
)
from cleanside.gateway.timing.clock import Anchor, Clock
from cleanside.gateway.wire import Batch, Reading

DEFAULT_BUDGET_BYTES: Final = 256 * 2**20  # two months at a reading a second of 45 B each; chosen
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

P = ParamSpec("P")
T = TypeVar("T")

__all__ = ["BootState", "Spool", "SpoolState", "check"]


def _on_a_full_disk(verb: Callable[Concatenate[Spool, P], T]) -> Callable[Concatenate[Spool, P], T]:
    """
    Try the verb again with the log written back; then with fewer rows and the room of the reserve, where the
    file does not grow; and once more without a file set aside that is not needed, or where the reserve is
    whole again, because others freed room.
    """

    @wraps(verb)
    def tried(spool: Spool, /, *args: P.args, **kwargs: P.kwargs) -> T:
        try:  # at every append: the usual way comes first
            return verb(spool, *args, **kwargs)
        except SpoolFull:
            spool._disk.write_back_log()
        with suppress(SpoolFull):
            return verb(spool, *args, **kwargs)
        spool._let_go()
        try:
            return verb(spool, *args, **kwargs)
        except SpoolFull:
            has_freed = spool._delete_one_aside()
            if not spool._disk.take_reserve() and not has_freed:
                raise
        return verb(spool, *args, **kwargs)

    return tried


class Spool:
    """One device's readings on disk. Safe to call from several threads."""

    def __init__(
        self,
        path: Path,
        *,
        device: str,
        clock: Clock,
        random: RandomBytes = os.urandom,
        budget_bytes: int = DEFAULT_BUDGET_BYTES,
        budget_days: float | None = None,
        on_append: Callable[[], object] = lambda: None,
        vfs: str | None = None,
        volume: Volume | None = None,
        log: Log = unheard,
        traits: FindTraits = traits_of,
    ) -> None:
        """
        Open the spool at `path`, or make it.

        budget_bytes : room of tables and log on disk; beyond it the oldest acknowledged readings are deleted
        first. On a file system with less room, that room.
        budget_days : how long readings are kept; older acknowledged ones are deleted, and older waiting ones
        are thinned to what shows each hour, and declared. None: as long as the bytes allow.
        on_append : called after each commit of readings, from the appending thread; must not block.
        vfs : name of a SQLite VFS, for tests that make a disk fail; volume : the file system below it; None:
        the one that `path` lies on.
        log : called for damaged, missing or set-aside files.
        traits : of this machine and file; where one differs from the file's note, the file was copied: it
        continues in a new stream, as a new installation.
        A file that is damaged, now or later, is set aside and a new one begun; see `salvage`.
        Raises SpoolInUse, SpoolTooNew, SpoolUnavailable, CalledWrongly (of another device).
        """
        self.path = path
        self.device = device
        self.budget_bytes = budget_bytes
        self.budget_days = budget_days
        self._clock = clock
        self._random = random
        self._on_append = on_append
        self._log = log
        self._unit_sets = UnitSets()
        self._placed: Placements | None = None  # as in the tables; None: not read since they changed
        self._unchecked = _CHECK_ROOM_EVERY
        self._is_near_budget = False
        self._in_flight = range(0)  # positions that `peek` returned and that are not acknowledged
        self._traffic = Traffic()
        self._pages: Pages | None = None  # of the file that is being salvaged
        self._set_aside = SetAsidePages(path)  # while they are carried back
        self._carries = True  # something may have to be carried back; False: nothing has
        self.entries_added = 0  # since this process opened the file
        self._appends = Appends()
        if volume is None:
            volume = SystemVolume(path) if vfs is None else Unlimited()
        self._mark = HighMark(path, vfs=vfs)
        self._losses = Losses(self._mark, self._new_uuid)
        self._events = Events(log)
        self._done_aside = DoneAside(path, self._events)
        self._opening = Opening(
            path,
            device=device,
            clock=clock,
            new_uuid=self._new_uuid,
            traits=traits,
            mark=self._mark,
            losses=self._losses,
            events=self._events,
            aside=self._done_aside,
            log=log,
        )
        self._disk = SpoolDisk(
            path,
            begin=self._begin,
            forget=self._forget,
            volume=volume,
            mark=self._mark,
            on_damage=lambda why: self._log("gateway.spool_set_aside", level=logging.ERROR, reason=why),
            budget_bytes=budget_bytes,
            vfs=vfs,
        )
        self._room = SpoolRoom(
            self._disk.transaction,
            lambda: self._unit_sets.by_number(self._disk.connection),
            self._done_aside.delete_oldest,
        )
        self.make_room()

    # ------------------------------------------------------------ append

    @_on_a_full_disk
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

    @_on_a_full_disk
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

    @_on_a_full_disk
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

    @_on_a_full_disk
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

    @_on_a_full_disk
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

    @_on_a_full_disk
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

    @_on_a_full_disk
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

    # ------------------------------------------------------------ room

    def used_bytes(self) -> int:
        """Room of the tables on disk, without the free part for new readings."""
        with self._disk.reading() as connection:
            return used_bytes(connection)

    def make_room(self) -> None:
        """Keep within the budget: delete acknowledged readings first, thin and declare waiting ones."""
        # A failure here must not fail the append that is already on disk: the next check tries again.
        with self._disk.lock, suppress(TryAgain):
            try:
                self._make_room()
            except SpoolFull:  # a delete needs room in the log first
                self._disk.use_reserve()
                self._make_room_or_cut()
        self._disk.take_reserve()

    def _has_room(self) -> bool:
        """True if there is room for one piece of old readings, without giving up any that waits."""
        while not fits(PIECE_BYTES, self.used_bytes(), self._tables_bytes()):
            if not self._room.prune():
                return self._is_sent()
        return True

    def _is_sent(self) -> bool:
        """True if no reading waits here: old ones take the last of the room then."""
        with self._disk.reading() as connection:
            rows = [as_far_as_carried(connection, row) for row in stream_rows(connection)]
        return all(row.acknowledged_through >= row.appended_through for row in rows)

    def _delete_one_aside(self) -> bool:
        with suppress(TryAgain), self._disk.transaction() as connection:
            return self._done_aside.delete_oldest(connection) > 0
        return False

    def _make_room(self, *, spare_bytes: int = 0) -> None:
        """spare_bytes : room that the tables leave to what comes next."""
        if self.budget_days is not None:
            self._room.make_by_age(self._ages, in_flight=self._in_flight)
        most_bytes = self._tables_bytes()
        most_bytes = max(min(most_bytes, LEAST_TABLES_BYTES), most_bytes - spare_bytes)
        if is_over(self.used_bytes(), most_bytes):  # nearly never: without a transaction then
            self._room.make(tables_bytes=most_bytes, in_flight=self._in_flight)
        self._tell_of_budget()

    def _make_room_or_cut(self, *, spare_bytes: int = 0) -> None:
        try:
            self._make_room(spare_bytes=spare_bytes)
        except SpoolFull:
            self._disk.use_reserve(start_too=True)
            self._room.cut(in_flight=self._in_flight)

    def _tables_bytes(self) -> int:
        with self._disk.reading() as connection:
            return tables_bytes(
                self.budget_bytes,
                self._disk.volume.free_bytes(),
                log_bytes=self._disk.log_bytes,
                file_bytes=file_bytes(connection),
                lacking_bytes=self._disk.lacking_bytes(),
                aside_bytes=aside_bytes(self.path),
            )

    def _let_go(self) -> None:
        """The disk is full: free the reserve, and delete readings that have no room."""
        with self._disk.lock, suppress(TryAgain):
            self._disk.use_reserve()
            self._make_room_or_cut(spare_bytes=LEAST_LOG_BYTES)
            self._disk.write_back_log()

    def _tell_of_budget(self) -> None:
        """Declare to the server when the backlog comes near the budget; again only after it has gone down."""
        share = 0.0
        if self.used_bytes() >= WARN_SHARE * self.budget_bytes:  # else it cannot be near, and is not counted
            share = self.state().waiting_share or 0.0
        was_near, self._is_near_budget = self._is_near_budget, share >= WARN_SHARE
        if self._is_near_budget and not was_near:
            self.event(
                "budget_warning", {"waiting_share": round(share, 2), "budget_bytes": self.budget_bytes}
            )

    def _ages(self, connection: apsw.Connection) -> Ages | None:
        assert self.budget_days is not None
        return ages(
            connection,
            self._known(connection).placements,
            boot=self._boot,
            since_boot_us=self._clock.since_boot_us(),
            most_days=self.budget_days,
        )

    # ------------------------------------------------------------ time

    @_on_a_full_disk
    def anchor(self, anchor: Anchor) -> bool:
        """Tie this boot to UTC, and place every boot that can be placed then. False where it adds nothing."""
        with self._disk.reading() as connection:
            if not adds_something(self._known(connection).placements, self._boot, anchor):
                return False
        with self._disk.transaction() as connection:
            said = add_anchor(connection, self._boot, anchor, next_position=last_position(connection) + 1)
            if said is not None:
                detail = asdict(said)
                # Readings before this stream went under other numbers: they are not corrected.
                first = max(1, open_stream(connection).seq(detail.pop("first_position")))
                self._events.add(connection, "boot_corrected", {**detail, "first_seq": first})
            self._placed = None
        return True

    # ------------------------------------------------------------ small things

    @property
    def events_added(self) -> int:
        """Events since this process opened the file, so that the uplink need not query."""
        return self._events.added

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

    def state(self) -> SpoolState:
        """The state of the spool."""
        with self._disk.reading() as connection:
            return read_state(connection, path=self.path, budget_bytes=self.budget_bytes)

    def mark(self, source: str) -> str | None:
        """The position of `source` with its last append; None: it has not begun."""
        with self._disk.reading() as connection:
            query = "SELECT mark, is_whole FROM source_marks WHERE source = ?"
            for (mark,) in whole("source_marks", connection.execute(query, (source,))):
                return str(mark)
            return None

    @_on_a_full_disk
    def event(self, event: str, detail: Mapping[str, Any] | None = None) -> None:
        """Store an event for the server; it is sent with the next reading."""
        with self._disk.transaction() as connection:
            self._events.add(connection, event, detail or {})

    def unconfirmed(self, database: str | None) -> Unconfirmed:
        """The next events that the server has to confirm. database : its id, if the server sent one."""
        with self._disk.reading() as connection:
            return unconfirmed(connection, database)

    @_on_a_full_disk
    def confirm(self, through: int, database: str | None) -> None:
        """Note that the server's database has every event through that number."""
        with self._disk.transaction() as connection:
            confirm(connection, through, database)

    @_on_a_full_disk
    def enter(self, entry_id: str, content: Mapping[str, Any], *, ago_us: int = 0) -> bool:
        """
        Keep what a person entered; on disk once this returns. False: that id is kept already.

        ago_us : how long ago the work was done. Raises CalledWrongly (too many wait), SpoolFull,
        SpoolUnavailable; SpoolDamaged: the file was replaced, call again.
        """
        with self._disk.transaction() as connection:
            is_new = add_entry(
                connection,
                entry_id,
                content,
                boot=self._boot,
                time_us=self._clock.since_boot_us() - ago_us,
                position=last_position(connection) + 1,
                new_stream=self._new_uuid,
            )
        if is_new:
            self.entries_added += 1
            self._on_append()
        return is_new

    @_on_a_full_disk
    def next_entries(self) -> EntriesToSend | None:
        """The next entries to send, in order; their times are frozen by this. None: there are none now."""
        with self._disk.transaction() as connection:
            return next_entries(connection)

    def entry_streams(self) -> list[EntriesToSend]:
        """The streams of entries that the server may have less of than it said."""
        with self._disk.reading() as connection:
            return entry_streams_to_ask(connection)

    @_on_a_full_disk
    def acknowledge_entries(self, stream: str, through: int) -> None:
        """The server has entries 1..through of `stream`; fewer than it said before: the rest goes again."""
        with self._disk.transaction() as connection:
            set_entry_mark(connection, stream, through)

    def entries_waiting(self) -> int:
        """How many entries the server does not have."""
        with self._disk.reading() as connection:
            return count_waiting_entries(connection)

    def entries(self, *, most: int) -> list[KeptEntry]:
        """The entries made last, the newest first."""
        with self._disk.reading() as connection:
            return last_entries(
                connection,
                most=most,
                boot=self._boot,
                since_boot_us=self._clock.since_boot_us(),
                utc_us=self._clock.utc_us(),
            )

    def count_traffic(self, *, up_bytes: int, down_bytes: int) -> None:
        """Count bytes on the link by day; written with the next acknowledgement, to spare the disk."""
        with self._disk.lock:
            self._traffic.count(self._clock.utc_us(), up_bytes=up_bytes, down_bytes=down_bytes)

    @_on_a_full_disk
    def note(self, name: str, value: object) -> None:
        """Store a note that `status` shows."""
        with self._disk.transaction() as connection:
            set_note(connection, name, value)
            self._traffic.write(connection)

    def noted(self, name: str) -> Any:
        """A note that was stored; None: there is none."""
        with self._disk.reading() as connection:
            text = read_note(connection, name)
        return None if text is None else json.loads(text)

    @_on_a_full_disk
    def declare(self, event: str, content: Mapping[str, Any], *, note: tuple[str, object]) -> None:
        """Store an event for the server, with an id of its own, and a note of the file with it."""
        with self._disk.transaction() as connection:
            self._events.add(connection, event, {**content, "id": self._new_uuid()})
            set_note(connection, *note)
        self._on_append()

    def lose(self, source: str, count: int) -> None:
        """Count readings of a source that are lost; `declare_losses` declares them."""
        with self._disk.lock:
            self._losses.add(source, count)

    @property
    def undeclared(self) -> int:
        """Lost readings that no event declares yet."""
        with self._disk.lock:
            return sum(self._losses.by_source.values())

    def declare_losses(self) -> Mapping[str, int]:
        """
        Declare what is lost; on disk once this returns. Returns source -> how many readings.

        Where the disk takes no event, it may take a note, which the next start declares. Raises SpoolFull,
        SpoolUnavailable; SpoolDamaged: the file was replaced. Call again.
        """
        with self._disk.lock:
            declared = dict(self._losses.by_source)
            try:
                self._write_losses()
            except TryAgain:
                self._losses.note(sum(declared.values()))
                raise
            self._losses.are_declared()
            return declared

    @_on_a_full_disk
    def _write_losses(self) -> None:
        with self._disk.transaction() as connection:
            for detail in self._losses.events():
                self._events.add(connection, LOST, detail)

    def note_losses(self, count: int) -> tuple[LossNote, bool]:
        """
        Note all readings that a stop gives up, with those that no event declares yet.

        Returns the note, and True if it is on disk: then the next start declares it.
        """
        with self._disk.lock:
            return self._losses.note(count)

    def close(self) -> None:
        """Write counters and close the file."""
        try:
            with self._disk.transaction() as connection:
                self._traffic.write(connection)
        finally:
            self._disk.close()

    def __enter__(self) -> Spool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

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

    @_on_a_full_disk
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

    def _begin(self, connection: apsw.Connection) -> Extent:
        """Make the first rows of an opened file, new or not. Returns its last number."""
        self._in_flight = range(0)
        self._carries = True
        self._forget()
        opened = self._opening.begin(connection)
        self.installation, self._boot = opened.installation, opened.boot
        self._unprotected_through = opened.unprotected_through
        return opened.extent

    def _forget(self) -> None:
        self._appends.forget()
        self._unit_sets.forget()
        self._placed = None

    def _new_uuid(self) -> str:
        return uuid7(unix_ms=max(0, self._clock.utc_us() // 1000), random=self._random)

    def _stream(self, connection: apsw.Connection, stream: str) -> StreamRow:
        if (row := find_stream(connection, stream)) is not None:
            return row
        raise UnknownStream("unknown_stream", path=self.path, stream=stream)

    def _known(self, connection: apsw.Connection) -> BatchContext:
        if self._placed is None:
            self._placed = load_placements(connection)
        unit_sets = self._unit_sets.by_number(connection)
        return BatchContext(
            self.device, self.installation, self._placed, unit_sets, self._unprotected_through
        )


def _frozen(rows: Sequence[Row], known: BatchContext) -> UnwrittenRows:
    """Sound rows to write again, with their present times."""
    written = UnwrittenRows()
    for row in rows:
        boot, time_us, uncertainty_s = frozen(row, known.placements, known.unit_sets)
        written.add(boot, time_us, uncertainty_s, row[4], row[5], seed=unit_seed(known.unit_sets[row[4]]))
    return written
