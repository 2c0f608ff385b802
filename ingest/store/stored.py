"""
The one door to readings at rest: who reads or writes stored readings does it here, and only here.

Promises: a number of a stream is stored once, with its instant, values and content hash exact to the last
bit, wherever it is stored. What a verb returns is in order of number.
Leaves to others: what is new and what is believed, locks on streams, the hours (`ingest.store.hours`), exact
instants (`ingest.store.readings`), the archive (`ingest.store.archive`), which asks this door for nothing.

`numbers` is (first, last) or several of them, both ends included. `span_us` is from <= at < until.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.ingest.store import stored_rows
from cleanside.ingest.store.at_rest import (
    Arrays,
    HourColumns,
    NewReadings,
    StoredReadingRow,
    StoredTime,
)
from cleanside.ingest.store.dialect import EncodedNumbers
from cleanside.ingest.store.marks import Range, Ranges
from cleanside.ingest.store.time_steps import TimeSteps

# ---------------------------------------------------------------- write


class Encoded(NamedTuple):
    """New readings ready for the driver."""

    rows: EncodedNumbers

    @property
    def many(self) -> int:
        """How many readings."""
        return self.rows.many


def encode(new: NewReadings, *, sqlite: bool) -> Encoded:
    """The work of `put` that needs no database; new : at least one reading."""
    return Encoded(stored_rows.encode(new, sqlite=sqlite))


def put(connection: sa.Connection, batches: Sequence[tuple[int, Encoded]]) -> None:
    """
    Store new readings of (stream, encoded).

    Their numbers must be new: the caller has locked the streams and checked. A number in use fails the
    transaction, here or in `refuse_twice`.
    """
    stored_rows.put(connection, [(stream_id, encoded.rows) for stream_id, encoded in batches])


def put_back(connection: sa.Connection, stream_id: int, rows: Sequence[StoredReadingRow]) -> None:
    """Store readings as `remove` gave them, under a stream that has none of their numbers."""
    if rows:
        stored_rows.put_back(connection, stream_id, rows)


def remove(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredReadingRow]:
    """Remove the stored ones of these numbers, and return them: every column of the table `readings`."""
    return sorted(stored_rows.remove(connection, stream_id, numbers), key=lambda row: int(row["seq"]))


def replace_times(connection: sa.Connection, stream_id: int, times: Sequence[StoredTime]) -> None:
    """Change the times of stored readings; values, content hash and receipt stay."""
    stored_rows.replace_times(connection, stream_id, times)


def give(connection: sa.Connection, old_id: int, new_id: int, numbers: Range) -> None:
    """Move the stored ones of these numbers to a stream that has none of them."""
    stored_rows.give(connection, old_id, new_id, numbers)


def refuse_twice(connection: sa.Connection, stream_id: int, numbers: Ranges) -> None:
    """
    Raise RuntimeError where a number just written is stored twice: the transaction must not commit.

    The caller has locked the stream.
    """
    stored_rows.refuse_twice(connection, stream_id, numbers)


# ---------------------------------------------------------------- read by number


def hashes(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, int]:
    """Number -> content hash (`ingest.checking.content`) of the stored ones among these numbers."""
    return stored_rows.hashes(connection, stream_id, numbers)


def ranges(connection: sa.Connection, stream_id: int) -> Ranges:
    """All stored numbers of a stream, counted from what is stored."""
    return stored_rows.ranges(connection, stream_id)


def times_near(connection: sa.Connection, stream_id: int, numbers: Range, many: int) -> list[StoredTime]:
    """
    Times of the stored ones of these numbers and of up to `many` on either side, as they are stored.

    More than `many` on a side where that is no dearer.
    """
    return sorted(stored_rows.times_near(connection, stream_id, numbers, many))


def times(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredTime]:
    """Times of the stored ones among these numbers, as they are stored."""
    return sorted(stored_rows.times(connection, stream_id, numbers))


def uncorrected(connection: sa.Connection, stream_id: int, numbers: Range, *, limit: int) -> list[StoredTime]:
    """The first stored ones of these numbers whose time no boot correction has changed."""
    return stored_rows.uncorrected(connection, stream_id, numbers, limit=limit)


def received(connection: sa.Connection, stream_id: int, numbers: Sequence[int]) -> dict[int, int]:
    """Number -> when it was received [us since 1970], of the stored ones among these single numbers."""
    return stored_rows.received(connection, stream_id, numbers)


def newest(connection: sa.Connection, stream_id: int, many: int, columns: Sequence[str]) -> Arrays:
    """`seq` and these columns of the stored ones with the highest numbers, at most `many`."""
    return _in_order(stored_rows.newest(connection, stream_id, many, columns))


# ---------------------------------------------------------------- read by time


def arrays(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, columns: Sequence[str]
) -> Arrays:
    """
    `seq` and these columns of the stored ones of these numbers measured in a span.

    columns : of `at_rest.COLUMNS`.
    """
    return _in_order(stored_rows.arrays(connection, stream_id, numbers, span_us, columns))


def hour_columns(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, columns: Sequence[str]
) -> list[HourColumns]:
    """As `arrays` of quantity columns and at_us, in parts, in no order, for a great many readings at once."""
    return [stored_rows.hour_columns(connection, stream_id, numbers, span_us, columns)]


def time_steps(
    connection: sa.Connection,
    stream_id: int,
    numbers: Range,
    span_us: Range,
    columns: Sequence[str],
    resolution_us: int,
) -> list[TimeSteps]:
    """The readings of `arrays` in steps of time, in parts that may have steps in common."""
    return [stored_rows.time_steps(connection, stream_id, numbers, span_us, columns, resolution_us)]


def _in_order(found: Arrays) -> Arrays:
    seq = found["seq"]
    if bool((seq[1:] > seq[:-1]).all()):
        return found
    order = np.argsort(seq)
    return {name: values[order] for name, values in found.items()}


# ---------------------------------------------------------------- move to the archive


def lowest_before(connection: sa.Connection, before_us: int) -> list[tuple[int, int, int, int]]:
    """
    (stream, device, number, instant) of streams whose lowest number was measured before an instant, oldest
    first.
    """
    return stored_rows.lowest_before(connection, before_us)


def whole(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, *, limit: int
) -> list[Any]:
    """
    The first stored ones of these numbers measured in a span, each in the order of
    `ingest.store.archive_file.ROW`.
    """
    return stored_rows.whole(connection, stream_id, numbers, span_us, limit=limit)


def delete(connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range) -> int:
    """Delete the stored ones of these numbers measured in a span. Returns how many there were."""
    return stored_rows.delete(connection, stream_id, numbers, span_us)


def is_empty(connection: sa.Connection, span_us: Range) -> bool:
    """True where nothing measured in a span is stored; asked of a month that has a table of its own."""
    return stored_rows.is_empty(connection, span_us)


def count_by_step(
    connection: sa.Connection, stream_id: int, before_us: int, step_us: int
) -> list[tuple[int, int]]:
    """(steps since 1970, readings) of the stored ones measured before an instant, in order."""
    return sorted(stored_rows.count_by_step(connection, stream_id, before_us, step_us))
