"""
The one door to readings at rest: who reads or writes stored readings does it here, and only here.

Readings lie in two places: as rows (`ingest.store.stored_rows`) and as blocks (`ingest.store.stored_blocks`).
Every verb looks at both. New readings become blocks where that form is in use (`ingest.store.store_modes`),
else rows.
Promises: a number of a stream is stored once, with its instant, values and content hash exact to the last
bit, wherever it is stored. What a verb returns is in order of number, if it does not say otherwise.
Leaves to others: what is new and what is believed, locks on streams, the hours (`ingest.store.hours`), exact
instants (`ingest.store.readings`), the archive (`ingest.store.archive`), which asks this door for nothing.

`numbers` is (first, last) or several of them, both ends included. `span_us` is from <= at < until.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.ingest.store import (
    block_runs,
    dialect,
    partitions,
    store_modes,
    stored_blocks,
    stored_rows,
)
from cleanside.ingest.store.at_rest import (
    Arrays,
    FloatArray,
    HourColumns,
    IntArray,
    NewReadings,
    StoredReadingRow,
    StoredTime,
)
from cleanside.ingest.store.block_content import AlikeRuns
from cleanside.ingest.store.block_runs import ReadingRun
from cleanside.ingest.store.block_units import units_of
from cleanside.ingest.store.dialect import EncodedNumbers
from cleanside.ingest.store.marks import Range, Ranges, intersect, ranges_of
from cleanside.ingest.store.stored_blocks import EncodedBlocks
from cleanside.ingest.store.time_steps import TimeSteps
from cleanside.ingest.store.whole_readings import WholeReadings, together

# ---------------------------------------------------------------- write


class AsSent(NamedTuple):
    """New readings as they were sent: what a block stores of them."""

    #: of their set, canonical JSON
    units: str
    #: column -> values in these units, shape (n,); NaN where absent
    values: Mapping[str, FloatArray]
    #: True: the content hashes are those of these instants and values alone
    hashes_follow: bool

    def chosen(self, which: IntArray) -> AsSent:
        """Those at these places."""
        return self._replace(values={name: column[which] for name, column in self.values.items()})


class Encoded(NamedTuple):
    """New readings ready for the driver, in one form or the other."""

    #: how many readings
    many: int
    form: EncodedNumbers | EncodedBlocks
    #: gives them as they were: where they take another form after all
    new: Callable[[], NewReadings]


def encode(new: NewReadings, sent: AsSent | None, *, sqlite: bool) -> Encoded:
    """
    The work of `put` that needs no database.

    new : at least one reading. sent : the same readings as sent, to be stored as blocks; None: as rows.
    """
    [encoded] = encode_all([(new, sent)], sqlite=sqlite)
    return encoded


def encode_all(new: Sequence[tuple[NewReadings, AsSent | None]], *, sqlite: bool) -> list[Encoded]:
    """The same of several: blocks together cost far less than each by itself."""
    runs = [_run(one, sent) for one, sent in new if sent is not None]
    blocks = iter(stored_blocks.encode_all(runs))
    return [
        Encoded(
            len(one.seq),
            stored_rows.encode(one, sqlite=sqlite) if sent is None else next(blocks),
            partial(_same, one),
        )
        for one, sent in new
    ]


def _same(new: NewReadings) -> NewReadings:
    return new


def encode_alike(
    runs: AlikeRuns,
    unit_set_ids: Sequence[int],
    hashes: IntArray,
    new: Sequence[Callable[[], tuple[NewReadings, AsSent | None]]],
) -> list[Encoded]:
    """
    `encode` of batches that came in together, as blocks.

    runs : packable. unit_set_ids : of each. hashes : of their readings, shape (g, n). new : give each of them
    as `encode` takes it, which costs far more.
    """
    rows = block_runs.rows_of_alike(runs, unit_set_ids, hashes)
    many = runs.at_us.shape[1]
    return [
        encode(*make(), sqlite=False)
        if row is None
        else Encoded(many, EncodedBlocks([row], partial(_runs, make)), partial(_new, make))
        for row, make in zip(rows, new, strict=True)
    ]


def _new(make: Callable[[], tuple[NewReadings, AsSent | None]]) -> NewReadings:
    return make()[0]


def _runs(make: Callable[[], tuple[NewReadings, AsSent | None]]) -> list[ReadingRun]:
    new, sent = make()
    assert sent is not None
    return block_runs.arranged([_run(new, sent)])


def _run(new: NewReadings, sent: AsSent) -> ReadingRun:
    return block_runs.of_new(new, units_of(sent.units), sent.values, hashes_follow=sent.hashes_follow)


def put(
    connection: sa.Connection,
    batches: Sequence[tuple[int, Encoded]],
    *,
    beyond: bool = False,
    as_blocks: bool | None = None,
) -> None:
    """
    Store new readings of (stream, encoded).

    Their numbers must be new: the caller has locked the streams and checked. A number in use fails the
    transaction, here or in `refuse_twice`.
    beyond : every number is above all that its stream has stored.
    as_blocks : `writes_blocks`, asked in this transaction; None: it is asked now.
    """
    rows = [(stream_id, one.form) for stream_id, one in batches if isinstance(one.form, EncodedNumbers)]
    runs = [(stream_id, one.form) for stream_id, one in batches if isinstance(one.form, EncodedBlocks)]
    as_blocks = writes_blocks(connection) if runs and as_blocks is None else as_blocks
    if runs and not as_blocks:  # a command has stopped it since they were encoded
        sqlite = dialect.is_sqlite(connection)
        rows = [(stream_id, stored_rows.encode(one.new(), sqlite=sqlite)) for stream_id, one in batches]
        runs = []
    stored_rows.put(connection, rows)
    (stored_blocks.append if beyond else stored_blocks.put)(connection, runs)


def writes_blocks(connection: sa.Connection) -> bool:
    """True where new readings are to become blocks."""
    return store_modes.is_on(connection, store_modes.BLOCKS)


def put_back(connection: sa.Connection, stream_id: int, rows: Sequence[StoredReadingRow]) -> None:
    """Store readings as `remove` gave them, under a stream that has none of their numbers."""
    if rows:
        put_rows = stored_blocks.put_back if writes_blocks(connection) else stored_rows.put_back
        put_rows(connection, stream_id, rows)


def remove(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredReadingRow]:
    """Remove the stored ones of these numbers, and return them: every column of the table `readings`."""
    removed = stored_rows.remove(connection, stream_id, numbers)
    removed += stored_blocks.remove(connection, stream_id, numbers)
    return sorted(removed, key=lambda row: int(row["seq"]))


def replace_times(connection: sa.Connection, stream_id: int, times: Sequence[StoredTime]) -> None:
    """Change the times of stored readings; values, content hash and receipt stay."""
    if times:
        stored_rows.replace_times(connection, stream_id, times)
        stored_blocks.replace_times(connection, stream_id, times)


def give(connection: sa.Connection, old_id: int, new_id: int, numbers: Range) -> None:
    """Move the stored ones of these numbers to a stream that has none of them."""
    stored_rows.give(connection, old_id, new_id, numbers)
    stored_blocks.give(connection, old_id, new_id, numbers)


def refuse_twice(connection: sa.Connection, stream_id: int, numbers: Ranges) -> None:
    """
    Raise RuntimeError where a number just written is stored twice: the transaction must not commit.

    The caller has locked the stream.
    """
    stored_rows.refuse_twice(connection, stream_id, numbers)
    if not stored_blocks.touch(connection, stream_id, numbers):
        return
    stored_blocks.refuse_twice(connection, stream_id, numbers)
    in_rows = ranges_of([time.seq for time in sorted(stored_rows.times(connection, stream_id, numbers))])
    in_blocks = ranges_of([time.seq for time in stored_blocks.times(connection, stream_id, in_rows)])
    if twice := intersect(in_rows, in_blocks):
        text = f"number {twice[0][0]} of stream {stream_id} would stand in a row and in a block"
        raise RuntimeError(f"{text}; nothing is written")


# ---------------------------------------------------------------- read by number


def hashes(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, int]:
    """Number -> content hash (`ingest.store.content_hash`) of the stored ones among these numbers."""
    in_blocks = stored_blocks.hashes(connection, stream_id, numbers)
    return stored_rows.hashes(connection, stream_id, numbers) | in_blocks


def among(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredReadingRow]:
    """The stored ones of these numbers, every column of the table `readings`, in no order."""
    in_rows = stored_rows.among(connection, stream_id, numbers)
    return in_rows + stored_blocks.among(connection, stream_id, numbers)


def ranges(connection: sa.Connection, stream_id: int) -> list[Ranges]:
    """All numbers of a stream in each place, counted from what is stored there."""
    return [stored_rows.ranges(connection, stream_id), stored_blocks.ranges(connection, stream_id)]


def times_near(connection: sa.Connection, stream_id: int, numbers: Range, many: int) -> list[StoredTime]:
    """Times of the stored ones of these numbers and of at least `many` on either side, as they are stored."""
    found = stored_rows.times_near(connection, stream_id, numbers, many)
    return sorted([*found, *stored_blocks.times_near(connection, stream_id, numbers, many)])


def times(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredTime]:
    """Times of the stored ones among these numbers, as they are stored."""
    found = stored_rows.times(connection, stream_id, numbers)
    return sorted([*found, *stored_blocks.times(connection, stream_id, numbers)])


def uncorrected(connection: sa.Connection, stream_id: int, numbers: Range, *, limit: int) -> list[StoredTime]:
    """The first stored ones of these numbers whose time no boot correction has changed."""
    found = stored_rows.uncorrected(connection, stream_id, numbers, limit=limit)
    found += stored_blocks.uncorrected(connection, stream_id, numbers, limit=limit)
    return sorted(found)[:limit]


def received(connection: sa.Connection, stream_id: int, numbers: Sequence[int]) -> dict[int, int]:
    """Number -> when it was received [us since 1970], of the stored ones among these single numbers."""
    in_blocks = stored_blocks.received(connection, stream_id, numbers)
    return stored_rows.received(connection, stream_id, numbers) | in_blocks


def newest(connection: sa.Connection, stream_id: int, many: int, columns: Sequence[str]) -> Arrays:
    """`seq` and these columns of the stored ones with the highest numbers, at most `many`."""
    in_rows = stored_rows.newest(connection, stream_id, many, columns)
    both = _together(in_rows, stored_blocks.newest(connection, stream_id, many, columns))
    return {name: values[-many:] for name, values in both.items()}


# ---------------------------------------------------------------- read by time


def arrays(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, columns: Sequence[str]
) -> Arrays:
    """
    `seq` and these columns of the stored ones of these numbers measured in a span.

    columns : of `at_rest.COLUMNS`.
    """
    in_rows = stored_rows.arrays(connection, stream_id, numbers, span_us, columns)
    return _together(in_rows, stored_blocks.arrays(connection, stream_id, numbers, span_us, columns))


def hour_columns(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, columns: Sequence[str]
) -> list[HourColumns]:
    """As `arrays` of quantity columns and at_us, in parts, in no order, for a great many readings at once."""
    in_rows = stored_rows.hour_columns(connection, stream_id, numbers, span_us, columns)
    in_blocks = stored_blocks.hour_columns(connection, stream_id, numbers, span_us, columns)
    return [part for part in (in_rows, in_blocks) if len(part["at_us"])]


def time_steps(
    connection: sa.Connection,
    stream_id: int,
    numbers: Range,
    span_us: Range,
    columns: Sequence[str],
    resolution_us: int,
) -> list[TimeSteps]:
    """The readings of `arrays` in steps of time, in parts that may have steps in common."""
    wanted = (stream_id, numbers, span_us, columns, resolution_us)
    return [stored_rows.time_steps(connection, *wanted), stored_blocks.time_steps(connection, *wanted)]


def _together(in_rows: Arrays, in_blocks: Arrays) -> Arrays:
    """What both places have, in order of number."""
    both = in_blocks if not len(in_rows["seq"]) else in_rows
    if len(in_rows["seq"]) and len(in_blocks["seq"]):
        both = {name: np.concatenate([values, in_blocks[name]]) for name, values in in_rows.items()}
    seq = both["seq"]
    if bool((seq[1:] > seq[:-1]).all()):
        return both
    order = np.argsort(seq)
    return {name: values[order] for name, values in both.items()}


# ---------------------------------------------------------------- move to the archive


def lowest_before(connection: sa.Connection, before_us: int) -> list[tuple[int, int, int, int]]:
    """
    (stream, device, number, instant) of streams whose lowest number in either place was measured before an
    instant, oldest first. The instant is one of the number's month.
    """
    found = stored_rows.lowest_before(connection, before_us)
    found += stored_blocks.lowest_before(connection, before_us)
    lowest = {row[0]: row for row in sorted(found, key=lambda row: row[2], reverse=True)}
    return sorted(lowest.values(), key=lambda row: (row[3], row[0]))


def whole(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, *, limit: int
) -> WholeReadings:
    """The first stored ones of these numbers measured in a span."""
    in_rows = stored_rows.whole(connection, stream_id, numbers, span_us, limit=limit)
    in_blocks = stored_blocks.whole(connection, stream_id, numbers, span_us, limit=limit)
    return together([in_rows, in_blocks], limit=limit)


def delete(connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range) -> int:
    """Delete the stored ones of these numbers measured in a span. Returns how many there were."""
    deleted = stored_rows.delete(connection, stream_id, numbers, span_us)
    return deleted + stored_blocks.delete(connection, stream_id, numbers, span_us)


def is_empty(connection: sa.Connection, span_us: Range, table: str) -> bool:
    """True where a table by month (`partitions.BY_MONTH`) has nothing that was measured in a whole month."""
    if table == partitions.BLOCKS:
        return stored_blocks.is_empty(connection, span_us)
    return stored_rows.is_empty(connection, span_us)


def count_by_step(
    connection: sa.Connection, stream_id: int, before_us: int, step_us: int
) -> list[tuple[int, int]]:
    """(steps since 1970, readings) of the stored ones measured before an instant, in order."""
    counts = dict(stored_rows.count_by_step(connection, stream_id, before_us, step_us))
    for step, many in stored_blocks.count_by_step(connection, stream_id, before_us, step_us):
        counts[step] = counts.get(step, 0) + many
    return sorted(counts.items())
