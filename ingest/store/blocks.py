"""
The table `blocks`: its statements, and readings put in among others.

Promises: the ranges of numbers of a stream never overlap. A number that falls into the range of a block goes
into that block, or the block is cut around it. The caller has locked the stream.
Leaves to others: what a reader asks for (`ingest.store.stored_blocks`), the runs (`ingest.store.block_runs`).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.ingest.errors import BlockDamaged
from cleanside.ingest.store import block_runs, dialect
from cleanside.ingest.store.at_rest import ALWAYS, HIGHEST
from cleanside.ingest.store.block_content import FAST_LEVEL, unpack
from cleanside.ingest.store.block_runs import ReadingRun
from cleanside.ingest.store.block_units import units_of
from cleanside.ingest.store.marks import Range, Ranges, intersect

SMALL = 2_048  # a block with fewer readings is joined with its neighbours, up to
TARGET = 4_096  # readings: an hour at one a second; measured: more gains nothing
READ_AT_ONCE = 64  # blocks of a piece of a long read: 260 000 readings; chosen


class BlockHead(NamedTuple):
    """What a row of `blocks` says without its content."""

    first_seq: int
    last_seq: int
    first_us: int
    last_us: int
    readings: int
    unit_set_id: int
    first_received_us: int
    last_received_us: int
    digest: int

    @property
    def numbers(self) -> Range:
        """Lowest and highest number."""
        return self.first_seq, self.last_seq

    @property
    def is_whole(self) -> bool:
        """True where no number between is missing."""
        return self.readings == self.last_seq - self.first_seq + 1


class BlockRow(NamedTuple):
    """A row of `blocks` with its units."""

    head: BlockHead
    stream_id: int
    units: str
    content: bytes

    @property
    def run(self) -> ReadingRun:
        """Its readings. Raises BlockDamaged where they cannot be read."""
        content = unpack(self.content, block=f"{self.stream_id}/{self.head.first_seq}")
        return ReadingRun(self.head.unit_set_id, units_of(self.units), content)


# ---------------------------------------------------------------- read

_HEAD = ", ".join(f"b.{name}" for name in BlockHead._fields)
_ROW = f"SELECT {_HEAD}, b.stream_id, u.units, b.content"
_FROM = "FROM blocks b JOIN unit_sets u ON u.id = b.unit_set_id WHERE b.stream_id = ?"
# The block before the first may reach into it; ranges do not overlap, so no earlier one does.
_TOUCHES = """
AND b.first_seq <= ? AND b.last_seq >= ? AND b.first_seq >= coalesce(
    (SELECT max(o.first_seq) FROM blocks o WHERE o.stream_id = ? AND o.first_seq <= ?), ?)
"""
_IN_SPAN = "AND b.first_us < ? AND b.last_us >= ?"
_HEADS = f"SELECT {_HEAD} FROM blocks b WHERE b.stream_id = ? {_TOUCHES} ORDER BY b.first_seq"
_READ = f"{_ROW} {_FROM} {_TOUCHES} {_IN_SPAN} ORDER BY b.first_seq LIMIT ?"
_OF_FIRSTS = f"{_ROW} {_FROM} AND b.first_seq IN ({{}}) ORDER BY b.first_seq"
_DOWN = f"{_ROW} {_FROM} AND b.first_seq <= ? ORDER BY b.first_seq DESC LIMIT ?"
_UP = f"{_ROW} {_FROM} AND b.first_seq > ? ORDER BY b.first_seq LIMIT ?"


def heads(connection: sa.Connection, stream_id: int, numbers: Range) -> list[BlockHead]:
    """The blocks of a stream whose range touches these numbers, in order."""
    first, last = numbers
    bounds = stream_id, last, first, stream_id, first, first
    return [BlockHead(*row) for row in dialect.run(connection, _HEADS, bounds)]


_TWO_BELOW = """
SELECT min(two.first_seq) FROM (
    SELECT first_seq FROM blocks WHERE stream_id = ? AND first_seq <= ? ORDER BY first_seq DESC LIMIT 2
) AS two
"""


def heads_around(connection: sa.Connection, stream_id: int, numbers: Range) -> list[BlockHead]:
    """The blocks of these numbers, the one before them, and all that begin before they end."""
    low = dialect.run(connection, _TWO_BELOW, (stream_id, numbers[0])).scalar()
    first = numbers[0] if low is None else low
    last = max((head.last_seq for head in heads(connection, stream_id, (first, numbers[1]))), default=first)
    return heads(connection, stream_id, (first, max(last, numbers[1])))


def touch(connection: sa.Connection, stream_id: int, numbers: Range) -> bool:
    """True where the range of a block of a stream touches these numbers."""
    return bool(heads(connection, stream_id, numbers))


def touching(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range = ALWAYS
) -> Iterator[BlockRow]:
    """The blocks whose range touches these numbers, and a span of time, in order; some at a time."""
    (first, last), (from_us, until_us) = numbers, span_us
    while True:
        bounds = stream_id, last, first, stream_id, first, first, until_us, from_us, READ_AT_ONCE
        found = _rows(connection, _READ, bounds)
        yield from found
        if len(found) < READ_AT_ONCE:
            return
        first = found[-1].head.last_seq + 1


def among(connection: sa.Connection, stream_id: int, numbers: Ranges) -> Iterator[BlockRow]:
    """The blocks whose range touches one of these numbers, in order."""
    if not numbers:
        return
    hull = numbers[0][0], numbers[-1][1]
    if len(numbers) == 1:
        yield from touching(connection, stream_id, hull)
        return
    touched = [h for h in heads(connection, stream_id, hull) if intersect((h.numbers,), numbers)]
    for piece in dialect.chunks([head.first_seq for head in touched], READ_AT_ONCE):
        yield from of_firsts(connection, stream_id, piece)


def of_firsts(connection: sa.Connection, stream_id: int, firsts: Sequence[int]) -> list[BlockRow]:
    """The blocks that begin with these numbers."""
    listed = dialect.padded(firsts)
    return _rows(connection, _OF_FIRSTS.format(dialect.marks(listed)), (stream_id, *listed))


_WITH_SMALL = f"""
SELECT stream_id FROM blocks WHERE readings < {SMALL} GROUP BY stream_id HAVING count(*) > 1
ORDER BY stream_id
"""
_SMALL = f"""
SELECT {_HEAD} FROM blocks b WHERE b.stream_id = ? AND b.readings < {SMALL} AND b.first_seq >= ?
ORDER BY b.first_seq LIMIT ?
"""
_BETWEEN = "SELECT 1 FROM blocks WHERE stream_id = ? AND first_seq > ? AND first_seq < ? LIMIT 1"


def with_small(connection: sa.Connection) -> list[int]:
    """The streams that have several small blocks."""
    return [stream_id for (stream_id,) in dialect.run(connection, _WITH_SMALL, ())]


def small(connection: sa.Connection, stream_id: int, first: int, many: int) -> list[BlockHead]:
    """The small blocks of a stream from a number on, at most so many, in order."""
    return [BlockHead(*row) for row in dialect.run(connection, _SMALL, (stream_id, first, many))]


def lies_between(connection: sa.Connection, stream_id: int, before: BlockHead, after: BlockHead) -> bool:
    """True where another block lies between two."""
    bounds = stream_id, before.last_seq, after.first_seq
    return dialect.run(connection, _BETWEEN, bounds).first() is not None


class BlockTotals(NamedTuple):
    """All blocks together."""

    blocks: int
    readings: int
    content_bytes: int


_TOTALS = "SELECT count(*), coalesce(sum(readings), 0), coalesce(sum(length(content)), 0) FROM blocks"


def totals(connection: sa.Connection) -> BlockTotals:
    """Counted over the whole table: for a command, not for a request."""
    return BlockTotals(*map(int, dialect.run(connection, _TOTALS, ()).one()))


_WITH_BLOCKS = (
    "SELECT id FROM streams WHERE EXISTS (SELECT 1 FROM blocks WHERE stream_id = streams.id) ORDER BY id"
)


def with_blocks(connection: sa.Connection) -> list[int]:
    """The streams that have blocks."""
    return [stream_id for (stream_id,) in dialect.run(connection, _WITH_BLOCKS, ())]


def require_sound(connection: sa.Connection) -> None:
    """Raise BlockDamaged where a block cannot be read, or holds other readings than its head says."""
    for stream_id in with_blocks(connection):
        for row in touching(connection, stream_id, (0, HIGHEST)):
            if block_runs.head_of(row.run) != tuple(row.head):
                raise BlockDamaged("block_head_differs", block=f"{stream_id}/{row.head.first_seq}")


def downwards(connection: sa.Connection, stream_id: int, seq: int) -> Iterator[BlockRow]:
    """The blocks that begin at or below a number, the highest first."""
    many = 2
    while found := _rows(connection, _DOWN, (stream_id, seq, many)):
        yield from found
        seq, many = found[-1].head.first_seq - 1, min(2 * many, READ_AT_ONCE)


def upwards(connection: sa.Connection, stream_id: int, seq: int) -> Iterator[BlockRow]:
    """The blocks that begin above a number, the lowest first."""
    many = 2
    while found := _rows(connection, _UP, (stream_id, seq, many)):
        yield from found
        seq, many = found[-1].head.first_seq, min(2 * many, READ_AT_ONCE)


def _rows(connection: sa.Connection, sql: str, parameters: tuple[Any, ...]) -> list[BlockRow]:
    width = len(BlockHead._fields)
    result = dialect.run(connection, sql, parameters)
    found = [BlockRow(BlockHead(*row[:width]), *row[width:]) for row in result.cursor.fetchall()]
    result.close()
    return found


# ---------------------------------------------------------------- write

_INSERT = f"INSERT INTO blocks (stream_id, {', '.join(block_runs.ROW)}) {{}}"
_INSERTED = (*["int8"] * len(block_runs.ROW), "bytea")


def insert(connection: sa.Connection, rows: Sequence[tuple[Any, ...]]) -> None:
    """Insert rows of (stream, *`block_runs.ROW`), whose ranges no block of their stream touches."""
    if rows:
        dialect.run_with_rows(connection, _INSERT, _INSERTED, rows)


def delete(connection: sa.Connection, stream_id: int, firsts: Sequence[int]) -> None:
    """
    Delete the blocks that begin with these numbers.

    Raises RuntimeError where one is gone: who read it had not locked the stream, so nothing may be written.
    """
    deleted = 0
    for piece in dialect.in_lists(firsts):
        sql = f"DELETE FROM blocks WHERE stream_id = ? AND first_seq IN ({dialect.marks(piece)})"
        deleted += dialect.run(connection, sql, (stream_id, *piece)).rowcount
    if deleted != len(firsts):
        text = f"{deleted} of {counted(len(firsts), 'block')} of stream {stream_id} are still there"
        raise RuntimeError(f"{text}; nothing is written")


def put(
    connection: sa.Connection, stream_id: int, runs: Sequence[ReadingRun], *, level: int = FAST_LEVEL
) -> None:
    """
    Put readings in among those of a stream. level : of compression.

    runs : as `block_runs.arranged` gives them. Raises ValueError where a number is stored already.
    """
    for run in runs:
        seq = run.content.seq
        touched = heads(connection, stream_id, (int(seq[0]), int(seq[-1])))
        if not touched:
            insert(connection, [(stream_id, *block_runs.row_of(run, level=level))])
            continue
        places = block_runs.places(seq, tuple(head.numbers for head in touched))
        edges = np.flatnonzero(np.diff(places)) + 1
        for begin, end in pairwise([0, *edges.tolist(), len(seq)]):
            part, (place, inside) = run.chosen(slice(begin, end)), divmod(int(places[begin]), 2)
            old = of_firsts(connection, stream_id, [touched[place].first_seq]) if inside else []
            replace(connection, stream_id, old, [*(row.run for row in old), part], level=level)


def replace(
    connection: sa.Connection,
    stream_id: int,
    old: Sequence[BlockRow],
    runs: Sequence[ReadingRun],
    *,
    level: int = FAST_LEVEL,
) -> None:
    """Write runs in place of blocks; their ranges touch no other block."""
    delete(connection, stream_id, [row.head.first_seq for row in old])
    arranged = block_runs.arranged(runs) if runs else []
    insert(connection, [(stream_id, *block_runs.row_of(run, level=level)) for run in arranged])
