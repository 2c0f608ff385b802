"""
Readings that change their form: rows into blocks and back, small blocks into larger ones. One step each.

Promises: a step is prepared and compared to the last bit before anything is deleted. Then, in one transaction
under the lock of the stream, it finds what it was prepared from unchanged and puts the other form in its
place; else it changes nothing. Killed at any point, the database has all of a step or none of it.
Leaves to others: which steps and when (`ingest.keeping.merging`).

`hours`, exact instants and times as sent stay as they are: the readings are the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import block_runs, blocks, content_hash, old_rows, stored_blocks, stored_rows
from cleanside.ingest.store.at_rest import StoredReadingRow
from cleanside.ingest.store.block_content import SMALL_LEVEL, unpack
from cleanside.ingest.store.block_runs import ReadingRun
from cleanside.ingest.store.blocks import TARGET, BlockRow
from cleanside.ingest.store.marks import ranges_of

# ---------------------------------------------------------------- small blocks into larger ones


class Joining(NamedTuple):
    """Blocks of a stream, and the rows of `blocks` that take their place."""

    old: list[BlockRow]
    rows: list[tuple[Any, ...]]


def prepare_join(connection: sa.Connection, stream_id: int, firsts: Sequence[int]) -> Joining:
    """
    Read the blocks that begin with these numbers, and join them. No other block lies between them.

    Raises BlockDamaged where one cannot be read, RuntimeError where the joined ones read back differently.
    """
    old = blocks.of_firsts(connection, stream_id, firsts)
    runs = [row.run for row in old]
    rows = [block_runs.row_of(run, level=SMALL_LEVEL) for run in block_runs.arranged(runs, most=TARGET)]
    _require_same(runs, rows)
    _require_equal("digest", content_hash.add(row.head.digest for row in old), _digest_of(rows))
    return Joining(old, rows)


def join(connection: sa.Connection, stream_id: int, prepared: Joining) -> int:
    """Put the joined blocks in place of the old ones. Returns how many of these; 0: they have changed."""
    old_rows.lock(connection, [stream_id])
    firsts = [row.head.first_seq for row in prepared.old]
    if blocks.of_firsts(connection, stream_id, firsts) != prepared.old:
        return 0
    blocks.delete(connection, stream_id, firsts)
    blocks.insert(connection, [(stream_id, *row) for row in prepared.rows])
    return len(firsts)


def _require_same(runs: Sequence[ReadingRun], rows: Sequence[tuple[Any, ...]]) -> None:
    """Raise RuntimeError unless the content of these rows of `blocks` is these readings."""
    units = {run.unit_set_id: run.units for run in runs}
    packed = [_named(row) for row in rows]
    back = [ReadingRun(row.unit_set_id, units[row.unit_set_id], unpack(row.content)) for row in packed]
    if not block_runs.are_same(runs, back):
        raise RuntimeError(f"readings from number {rows[0][0]} read back differently; nothing is changed")


class _Named(NamedTuple):
    unit_set_id: int
    digest: int
    content: bytes


def _named(row: tuple[Any, ...]) -> _Named:
    return _Named(*(row[block_runs.ROW.index(name)] for name in _Named._fields))


def _digest_of(rows: Sequence[tuple[Any, ...]]) -> int:
    return content_hash.add(_named(row).digest for row in rows)


def _require_equal(what: str, before: int, after: int) -> None:
    if before != after:
        raise RuntimeError(f"{what} {before} became {after}; nothing is changed")


# ---------------------------------------------------------------- rows into blocks


class Packing(NamedTuple):
    """Rows of `readings`, and the runs that take their place."""

    rows: list[StoredReadingRow]
    runs: list[ReadingRun]


def prepare_pack(connection: sa.Connection, stream_id: int, *, limit: int = TARGET) -> Packing | None:
    """
    Read the rows of a stream with the lowest numbers, and make runs of them; None: there is none.

    Raises ValueError where a row cannot be part of a block, RuntimeError where the blocks read back
    differently.
    """
    rows = stored_rows.lowest(connection, stream_id, limit=limit)
    if not rows:
        return None
    in_si = _runs_of(connection, rows)
    runs = block_runs.arranged([block_runs.as_sent(run) for run in in_si], most=TARGET)
    packed = [block_runs.row_of(run, level=SMALL_LEVEL) for run in runs]
    _require_same(in_si, packed)
    _require_equal("digest", content_hash.add(row["content_hash"] for row in rows), _digest_of(packed))
    return Packing(rows, runs)


def pack(connection: sa.Connection, stream_id: int, prepared: Packing) -> int:
    """Put the blocks in place of the rows. Returns how many readings; 0: the rows have changed."""
    rows = prepared.rows
    numbers = rows[0]["seq"], rows[-1]["seq"]
    old_rows.lock(connection, [stream_id])
    if stored_rows.lowest(connection, stream_id, limit=len(rows), lock=True) != rows:
        return 0
    removed = stored_rows.remove(connection, stream_id, (numbers,))
    _require_equal("number of rows", len(rows), len(removed))
    blocks.put(connection, stream_id, prepared.runs, level=SMALL_LEVEL)
    # Some may have gone into blocks that were there: what counts is what is read from now on.
    if not block_runs.are_same(_runs_of(connection, rows), _stored_among(connection, stream_id, rows)):
        raise RuntimeError(f"rows of stream {stream_id} from {numbers[0]} read back differently; all stay")
    return len(rows)


def _runs_of(connection: sa.Connection, rows: Sequence[StoredReadingRow]) -> list[ReadingRun]:
    ids = {int(row["unit_set_id"]) for row in rows}
    return block_runs.of_rows(rows, stored_blocks.units(connection, ids))


def _stored_among(
    connection: sa.Connection, stream_id: int, rows: Sequence[StoredReadingRow]
) -> list[ReadingRun]:
    """What is stored in blocks under the numbers of these rows."""
    numbers = ranges_of([row["seq"] for row in rows])
    return [run for run in stored_blocks.runs_among(connection, stream_id, numbers) if len(run.content.seq)]


# ---------------------------------------------------------------- blocks into rows


def unpack_lowest(connection: sa.Connection, stream_id: int) -> int:
    """
    Make rows of the block of a stream with the lowest numbers, in one transaction.

    Returns how many readings; 0: the stream has no block.
    """
    old_rows.lock(connection, [stream_id])
    row = next(blocks.upwards(connection, stream_id, -1), None)
    if row is None:
        return 0
    run = row.run
    rows = block_runs.as_rows(run, stream_id)
    blocks.delete(connection, stream_id, [row.head.first_seq])
    stored_rows.put_back(connection, stream_id, rows)
    back = stored_rows.among(connection, stream_id, ranges_of(run.content.seq.tolist()))
    if not block_runs.are_same([run], _runs_of(connection, back)):
        raise RuntimeError(f"block {stream_id}/{row.head.first_seq} reads back differently; it stays")
    return len(rows)
