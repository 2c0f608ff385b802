"""
Readings at rest become blocks, and small blocks larger ones, in small steps while the server serves.

Promises: one process of a database merges at a time. A step is one transaction of the one writer, whole or
not at all (`ingest.store.block_moves`); what is not done yet is done by the next pass, so a pass may be
killed anywhere. Nothing is merged while a backlog waits for the writer.
Leaves to others: which blocks are joined (`ingest.keeping.merge_choice`), whether blocks are in use
(`ingest.store.store_modes`).

Rows go first: a block that is joined across the numbers of rows would have to be opened for each of them.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from typing import TYPE_CHECKING, Any, TypeVar

import sqlalchemy as sa

from cleanside.ingest.errors import BlockDamaged, IngestError, log_reason
from cleanside.ingest.keeping.merge_choice import next_to_join
from cleanside.ingest.store import block_moves, blocks, store_modes, stored_rows, streams
from cleanside.ingest.writer.lease import Lease
from cleanside.ingest.writer.resources import Merged

if TYPE_CHECKING:
    from cleanside.ingest.writer.resources import Resources

T = TypeVar("T")
log = logging.getLogger("cleanside.ingest")

MERGE_EVERY_S = 60.0  # single posts lie in rows of their own for so long; chosen
LOOKED_AT = 512  # small blocks of a stream in one look; chosen: sixteen times as many as are joined at once
MERGE_PAUSE_S = 0.02  # between steps, so that waiting readings go first; chosen
BUSY_PAUSE_S = 0.2  # while a backlog waits; chosen
MERGE_LEASE = "merging"
MERGE_LEASE_US = 600_000_000  # longer than a pass looks for what is due; a step renews it; chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class MergePlan:
    """The input of a pass."""

    #: returns a connection that sees one unchanging state
    reading: Callable[[], Any]
    #: runs a job in a transaction of the one writer, and returns its result once it is durable
    write: Callable[[Callable[[sa.Connection], Any]], Any]
    now_us: int
    #: True: stop between two steps
    stopping: Callable[[], bool] = lambda: False
    #: called between two steps; returns when the next one may begin
    pause: Callable[[], Any] = lambda: None
    #: (stream, first number) of what no step can change; a pass adds to it, and the next leaves it out
    left_out: set[tuple[int, int]] = field(default_factory=set)


def run_pass(work: MergePlan) -> Merged:
    """Make blocks of all rows, and join small blocks that are due."""
    packed = joined = 0
    for stream_id in _read(work, stored_rows.with_rows):
        while not work.stopping() and (many := _pack(work, stream_id)):
            packed += many
            work.pause()
    for stream_id in _read(work, blocks.with_small):
        joined += _join_all(work, stream_id)
    return Merged(packed, joined, len(_read(work, stored_rows.with_rows)))


def _read(work: MergePlan, query: Callable[[sa.Connection], T]) -> T:
    with work.reading() as connection:
        return query(connection)


def _pack(work: MergePlan, stream_id: int) -> int:
    """Make blocks of the lowest rows of a stream. Returns how many readings."""
    if (stream_id, 0) in work.left_out:
        return 0
    try:
        prepared = _read(work, partial(block_moves.prepare_pack, stream_id=stream_id))
    except ValueError as error:  # they stay rows, which are read as before
        log.error("ingest.rows_stay", extra={"stream_id": stream_id, "reason": str(error)[:200]})
        work.left_out.add((stream_id, 0))
        return 0
    if prepared is None:
        return 0
    return int(work.write(partial(block_moves.pack, stream_id=stream_id, prepared=prepared)))


def _join_all(work: MergePlan, stream_id: int) -> int:
    """Join the blocks of a stream that are due. Returns how many there are fewer."""
    joined, first = 0, 0
    while not work.stopping():
        with work.reading() as connection:
            heads = blocks.small(connection, stream_id, first, LOOKED_AT)
            due = next_to_join(
                heads,
                mark=streams.mark_of(connection, stream_id),
                now_us=work.now_us,
                left_out={number for stream, number in work.left_out if stream == stream_id},
                lies_between=partial(blocks.lies_between, connection, stream_id),
            )
        if due:
            fewer = _join(work, stream_id, [head.first_seq for head in due])
            if fewer is None:
                break
            joined += fewer
            work.pause()
        elif len(heads) < LOOKED_AT:
            break
        else:
            first = heads[len(heads) // 2].first_seq
    return joined


def _join(work: MergePlan, stream_id: int, firsts: list[int]) -> int | None:
    """Join the blocks that begin with these numbers. Returns how many there are fewer; None: they changed."""
    try:
        prepared = _read(work, partial(block_moves.prepare_join, stream_id=stream_id, firsts=firsts))
    except BlockDamaged as error:
        log.error("ingest.block_damaged", extra={"reason": str(error)[:200]})
        fewer = 0
    else:
        fewer = len(prepared.old) - len(prepared.rows)
    if fewer <= 0:  # damaged, or values as sent beside values in SI, which do not go into one
        work.left_out.update((stream_id, number) for number in firsts)
        return 0
    job = partial(block_moves.join, stream_id=stream_id, prepared=prepared)
    return fewer if work.write(job) else None


def unpack_all(work: MergePlan) -> int:
    """Make rows of all blocks. Returns how many readings."""
    unpacked = 0
    for stream_id in _read(work, blocks.with_blocks):
        while not work.stopping() and (
            many := int(work.write(partial(block_moves.unpack_lowest, stream_id=stream_id)))
        ):
            unpacked += many
            work.pause()
    return unpacked


# ---------------------------------------------------------------- on a schedule


class Merger:
    """A thread that makes a pass every `MERGE_EVERY_S`, while blocks are in use."""

    def __init__(self, resources: Resources) -> None:
        self._resources = resources
        self._thread = threading.Thread(target=self._work, name="merger", daemon=True)
        self._left_out: set[tuple[int, int]] = set()

    def start(self) -> None:
        """Begin."""
        self._thread.start()

    def join(self) -> None:
        """Wait for the end, after `resources.stopping` was set."""
        if self._thread.ident is not None:
            self._thread.join()

    def _work(self) -> None:
        resources = self._resources
        while not resources.stopping.wait(MERGE_EVERY_S):
            try:
                merged = merge(resources, self._left_out)
            except (IngestError, OSError) as error:  # no database, or a full disk: the next pass goes on
                log.warning("ingest.merge_waits", extra={"reason": log_reason(error)})
            except Exception:
                log.exception("ingest.merge_failed")
            else:
                if merged is not None:
                    resources.merged = _added(resources.merged, merged)


def _added(before: Merged | None, now: Merged) -> Merged:
    """What all passes did so far."""
    if before is None:
        return now
    return now._replace(packed=before.packed + now.packed, joined=before.joined + now.joined)


def merge(resources: Resources, left_out: set[tuple[int, int]]) -> Merged | None:
    """One pass of a serving process; None where blocks are not in use, or another process makes one."""
    stopping, writer = resources.stopping, resources.writer
    lease = Lease(resources, MERGE_LEASE, MERGE_LEASE_US)

    def write(job: Callable[[sa.Connection], Any]) -> Any:
        """Nothing once a command has stopped it: `blocks unpack` may follow."""
        in_use = partial(store_modes.is_on, mode=store_modes.BLOCKS)
        return lease.write(lambda connection: job(connection) if in_use(connection) else 0)

    def pause() -> None:
        stopping.wait(MERGE_PAUSE_S)
        while writer.bulk_waits and not stopping.wait(BUSY_PAUSE_S):
            pass

    work = MergePlan(
        reading=resources.reading,
        write=write,
        now_us=resources.clock(),
        stopping=stopping.is_set,
        pause=pause,
        left_out=left_out,
    )
    if not _read(work, partial(store_modes.is_on, mode=store_modes.BLOCKS)) or not lease.take():
        return None
    try:
        return run_pass(work)
    finally:
        lease.give_back()
