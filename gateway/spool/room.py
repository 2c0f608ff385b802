"""
Room on the disk: which readings are deleted first, which are thinned, and how that is declared.

Promises: acknowledged readings are deleted before any other, the oldest first; then readings that a file set
aside has too; then whole files set aside of which no reading waits, the oldest first. When waiting readings
have to be deleted, the whole backlog is thinned evenly in time, interval by interval, and longer intervals
are used only when shorter ones do not help. Readings in flight stay. Every deleted number is declared shed.
Of readings older than the budget's days, acknowledged ones are deleted, and waiting ones are thinned, once,
to what still shows each hour. The work goes in small transactions, a bounded number for each call, so no
append waits long. The budget includes the log and the files set aside, and is never more than the file system
has room for.
Leaves to others: which readings of an interval stay (`gateway.spool.thinning`), which are old
(`gateway.spool.age`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from contextlib import AbstractContextManager
from functools import partial
from typing import Final, TypeVar

import apsw

from cleanside.gateway.errors import SpoolFull
from cleanside.gateway.spool.age import Ages
from cleanside.gateway.spool.carry_back import put_back
from cleanside.gateway.spool.payload import UnitSet
from cleanside.gateway.spool.rows import Row, read_rows
from cleanside.gateway.spool.shed import declare
from cleanside.gateway.spool.state import StreamRow, last_position, stream_rows
from cleanside.gateway.spool.thinning import LEVELS_S, intervals, worth_keeping
from cleanside.gateway.spool.volume import LEAST_TABLES_BYTES, PAGE_BYTES

BUDGET_REASON: Final = "disk_budget"
_AT_ONCE: Final = 2_000  # rows a transaction: some milliseconds, so that no append waits long (chosen)
_LEAST_AT_ONCE: Final = 125  # where the log has no room for more (chosen)
_TURNS: Final = 12  # transactions a call; with a call every 500 readings the thinning outruns the filling
_FILL_TO: Final = 0.95  # of the budget: a pass takes a while, and readings keep arriving (chosen)
_BRING_TO: Final = 0.8  # of the budget: what files set aside have is brought back up to here (chosen)
_OLD_INTERVAL_S: Final = 3_600  # thinned old readings still show each shift (chosen)

T = TypeVar("T")
Transaction = Callable[[], AbstractContextManager[apsw.Connection]]


class SpoolRoom:
    """Keeps the readings of a spool within a budget. The caller has the spool's lock."""

    def __init__(
        self,
        transaction: Transaction,
        unit_sets: Callable[[], Mapping[int, UnitSet]],
        delete_aside: Callable[[apsw.Connection], int],
    ) -> None:
        """delete_aside : deletes a file set aside of which no reading waits; returns its bytes, else 0."""
        self._transaction = transaction
        self._unit_sets = unit_sets
        self._delete_aside = delete_aside
        self._at_once = _AT_ONCE
        self._level = 0
        self._next: int | None = None  # the position at which the pass continues; None: at the oldest
        self._old_next = 0  # the position up to which old waiting readings were thinned

    def make(self, *, tables_bytes: int, in_flight: range) -> None:
        """Free room until the tables take less than that, or the turns of this call are used up."""
        for _ in range(_TURNS):
            freed_bytes = self._in_one(
                partial(self._free_some, tables_bytes=tables_bytes, in_flight=in_flight)
            )
            if freed_bytes is None:
                return
            tables_bytes += freed_bytes

    def _free_some(self, connection: apsw.Connection, *, tables_bytes: int, in_flight: range) -> int | None:
        """One turn. Returns the bytes that it frees beside the tables; None: the tables have room."""
        # Level and place of the pass stay: the next readings are thinned as much as those before them.
        if not is_over(used_bytes(connection), tables_bytes):
            return None
        if self._prune(connection) or put_back(connection, most=self._at_once, in_flight=in_flight):
            self._level, self._next = 0, None
        elif freed_bytes := self._delete_aside(connection):
            return freed_bytes
        else:
            self._thin(connection, in_flight)
        return 0

    def _in_one(self, turn: Callable[[apsw.Connection], T]) -> T:
        """One transaction; of fewer rows where the log of a full disk has no room for so many."""
        self._at_once = _AT_ONCE
        while True:
            before = self._level, self._next, self._old_next
            try:
                with self._transaction() as connection:
                    return turn(connection)
            except SpoolFull:
                self._level, self._next, self._old_next = before
                if self._at_once <= _LEAST_AT_ONCE:
                    raise
                self._at_once //= 4

    def make_by_age(self, old: Callable[[apsw.Connection], Ages | None], *, in_flight: range) -> None:
        """Delete old readings or thin them, until none is left or the turns of this call are used up."""
        for _ in range(_TURNS):
            if not self._in_one(partial(self._free_old, old=old, in_flight=in_flight)):
                return

    def _free_old(
        self, connection: apsw.Connection, *, old: Callable[[apsw.Connection], Ages | None], in_flight: range
    ) -> bool:
        ages = old(connection)
        return ages is not None and (
            self._prune_old(connection, ages) or self._thin_old(connection, ages, in_flight)
        )

    def _prune_old(self, connection: apsw.Connection, ages: Ages) -> bool:
        for row in stream_rows(connection):
            rows = self._old_rows(
                connection, ages, row.first_position, row.position(row.acknowledged_through)
            )
            if rows:
                span = (rows[0][0], rows[-1][0])
                connection.execute("DELETE FROM readings WHERE position BETWEEN ? AND ?", span)
                return True
        return False

    def _thin_old(self, connection: apsw.Connection, ages: Ages, in_flight: range) -> bool:
        if self._old_next > last_position(connection) + 1:  # another file took this one's place
            self._old_next = 0
        for row in stream_rows(connection):
            begin = max(_behind(row, in_flight), self._old_next)
            rows = self._old_rows(connection, ages, begin, row.last_position)
            whole = list(intervals(rows, _OLD_INTERVAL_S))
            # The last interval may continue in rows that are not old yet: left until it is complete.
            if whole and len(rows) < self._at_once:
                whole.pop()
            if whole:
                self._old_next = self._thin_intervals(connection, row, whole)
                return True
        return False

    def cut(self, *, in_flight: range) -> None:
        """Delete the oldest waiting readings, some at once: even thinning has no room for its ranges."""
        self._in_one(partial(self._cut, in_flight=in_flight))

    def prune(self) -> int:
        """Delete the oldest acknowledged readings, some at once. Returns how many."""
        return self._in_one(self._prune)

    def _prune(self, connection: apsw.Connection) -> int:
        for row in stream_rows(connection):
            connection.execute(
                "DELETE FROM readings WHERE position IN (SELECT position FROM readings "
                "WHERE position BETWEEN ? AND ? ORDER BY position LIMIT ?)",
                (row.first_position, row.position(row.acknowledged_through), self._at_once),
            )
            if (deleted := connection.changes()) > 0:
                _forget_shed(connection, row)
                return deleted
        return 0

    def _thin(self, connection: apsw.Connection, in_flight: range) -> None:
        """One turn of a pass over the backlog; a pass that was not enough is followed by a coarser one."""
        for row in stream_rows(connection):
            begin = _behind(row, in_flight)
            begin = max(begin, self._next if self._next is not None else begin)
            rows = read_rows(connection, begin, row.last_position, limit=self._at_once)
            if rows:
                self._thin_rows(connection, row, rows)
                return
        if self._level + 1 < len(LEVELS_S):
            self._level, self._next = self._level + 1, None
        else:
            self._cut(connection, in_flight)

    def _thin_rows(self, connection: apsw.Connection, row: StreamRow, rows: list[Row]) -> None:
        whole = list(intervals(rows, LEVELS_S[self._level]))
        # The last interval may continue in rows not read yet: left for the next turn, unless it is the only
        # one.
        if len(whole) > 1 and len(rows) == self._at_once:
            whole.pop()
        self._next = self._thin_intervals(connection, row, whole)

    def _thin_intervals(
        self, connection: apsw.Connection, row: StreamRow, whole: Sequence[Sequence[Row]]
    ) -> int:
        """
        Delete and declare the least informative readings of each interval; returns the position behind the
        last.
        """
        unit_sets = self._unit_sets()
        for interval in whole:
            keep = worth_keeping(interval, unit_sets)
            _give_up(connection, row, [r[0] for r in interval if r[0] not in keep])
        return whole[-1][-1][0] + 1

    def _cut(self, connection: apsw.Connection, in_flight: range) -> None:
        """Nothing is left to thin: delete the oldest."""
        for row in stream_rows(connection):
            begin = _behind(row, in_flight)
            rows = read_rows(connection, begin, row.last_position, limit=self._at_once)
            if rows:
                _give_up(connection, row, [r[0] for r in rows])
                return

    def _old_rows(self, connection: apsw.Connection, ages: Ages, first: int, last: int) -> list[Row]:
        """Old readings at the beginning of positions first..last, some at once; cheap where none are."""
        if not ages.old(read_rows(connection, first, last, limit=1)):
            return []
        return ages.old(read_rows(connection, first, last, limit=self._at_once))


def _behind(row: StreamRow, in_flight: range) -> int:
    """The first position of a stream that waits and is not in flight."""
    begin = row.position(row.acknowledged_through + 1)
    return in_flight.stop if begin in in_flight else begin


def is_over(used_bytes: int, tables_bytes: int) -> bool:
    """True if the tables take more than their share of the budget."""
    return used_bytes > tables_bytes * _FILL_TO


def fits(size: int, used_bytes: int, tables_bytes: int) -> bool:
    """True if readings of `size` bytes can be brought back without giving up others soon after."""
    return used_bytes + size <= tables_bytes * _BRING_TO


def used_bytes(connection: apsw.Connection) -> int:
    """Room of the tables on disk, without the free part for new readings."""
    return file_bytes(connection) - int(connection.execute("PRAGMA freelist_count").get) * PAGE_BYTES


def file_bytes(connection: apsw.Connection) -> int:
    """Size of the file once the log is written back."""
    return int(connection.execute("PRAGMA page_count").get) * PAGE_BYTES


def tables_bytes(
    budget_bytes: int,
    free_bytes: int | None,
    *,
    log_bytes: int,
    file_bytes: int,
    lacking_bytes: int,
    aside_bytes: int,
) -> int:
    """
    Room that the tables may take: the budget less the log and the files set aside, or the room of the file
    system if that is less.

    free_bytes : of the file system; None: not known. log_bytes : how far the log may grow.
    file_bytes : size of the file; it belongs to the spool, so a full disk alone deletes no reading.
    lacking_bytes : room that log and reserve do not have yet. Never below LEAST_TABLES_BYTES.
    aside_bytes : of files set aside; they take half of the budget at most, so that new readings have room.
    """
    within = budget_bytes - min(log_bytes, budget_bytes // 16) - min(aside_bytes, budget_bytes // 2)
    if free_bytes is not None:
        within = min(within, max(LEAST_TABLES_BYTES, file_bytes + free_bytes - lacking_bytes))
    return within


def _forget_shed(connection: apsw.Connection, row: StreamRow) -> None:
    """
    Delete shed ranges that the server knows, in front of which no reading is left: their number stays
    bounded.

    If a server is restored from before them, the rewind declares all deleted numbers again.
    """
    oldest = connection.execute(
        "SELECT min(position) FROM readings WHERE position BETWEEN ? AND ?",
        (row.first_position, row.position(row.acknowledged_through)),
    ).get
    held_from = row.acknowledged_through + 1 if oldest is None else row.seq(int(oldest))
    connection.execute("DELETE FROM shed WHERE stream = ? AND last < ?", (row.number, held_from))


def _give_up(connection: apsw.Connection, row: StreamRow, positions: list[int]) -> None:
    """Delete readings and declare their numbers, neighbours in one range."""
    connection.executemany("DELETE FROM readings WHERE position = ?", [(position,) for position in positions])
    first = before = None
    for position in positions:
        if first is None or before is None or position != before + 1:
            if first is not None and before is not None:
                declare(connection, row.number, row.seq(first), row.seq(before), BUDGET_REASON)
            first = position
        before = position
    if first is not None and before is not None:
        declare(connection, row.number, row.seq(first), row.seq(before), BUDGET_REASON)
