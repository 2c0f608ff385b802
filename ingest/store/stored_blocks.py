"""
Readings at rest as blocks: what `ingest.store.stored_rows` does with rows, done with blocks.

Promises: the same answers for the same readings, to the last bit.
Leaves to others: the table and its rules (`ingest.store.blocks`), what is new, locks on streams, the hours
(`ingest.store.hours`), exact instants (`ingest.store.readings`). Only `ingest.store.stored` uses this file.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import partial
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
import sqlalchemy as sa

from cleanside.ingest.store import block_runs, block_units, blocks, dialect
from cleanside.ingest.store.archive import ranges_of_array
from cleanside.ingest.store.at_rest import (
    HIGHEST,
    WHOLE,
    Arrays,
    FloatArray,
    HourColumns,
    IntArray,
    NewReadings,
    StoredReadingRow,
    StoredTime,
    is_absent,
)
from cleanside.ingest.store.block_columns import BoolArray
from cleanside.ingest.store.block_runs import ReadingRun, within
from cleanside.ingest.store.block_units import units_of
from cleanside.ingest.store.blocks import BlockRow
from cleanside.ingest.store.marks import Range, Ranges, union
from cleanside.ingest.store.models import exact_times, original_times, unit_sets
from cleanside.ingest.store.time_steps import TimeSteps, bucketed
from cleanside.ingest.store.whole_readings import WholeReadings, none_of, together

# ---------------------------------------------------------------- write


class EncodedBlocks(NamedTuple):
    """New readings as rows of `blocks`."""

    rows: list[tuple[Any, ...]]
    #: gives the runs that they are: where they go in among others, which few do
    runs: Callable[[], list[ReadingRun]]


def encode(
    new: NewReadings,
    units: str,
    sent: Mapping[str, FloatArray] | None = None,
    *,
    hashes_follow: bool = False,
) -> EncodedBlocks:
    """
    The work of an insert that needs no database.

    units : of its set, canonical JSON. sent : column -> values as sent; None: they are found from the SI.
    hashes_follow : the content hashes are those of these instants and values; else that is looked at.
    """
    [encoded] = encode_all([block_runs.of_new(new, units_of(units), sent, hashes_follow=hashes_follow)])
    return encoded


def encode_all(new: Sequence[ReadingRun]) -> list[EncodedBlocks]:
    """The same of several runs of `block_runs.of_new`: together they cost far less than each by itself."""
    arranged = block_runs.arranged_each(new)
    runs = [run for of_one in arranged for run in of_one]
    rows = iter(block_runs.rows_of(runs, [run.content.hashes for run in runs]))
    return [EncodedBlocks([next(rows) for _ in of_one], partial(list, of_one)) for of_one in arranged]


def append(connection: sa.Connection, batches: Sequence[tuple[int, EncodedBlocks]]) -> None:
    """Store new readings of (stream, encoded) that are all above every stored number of their stream."""
    blocks.insert(connection, [(stream_id, *row) for stream_id, encoded in batches for row in encoded.rows])


def put(connection: sa.Connection, batches: Sequence[tuple[int, EncodedBlocks]]) -> None:
    """Store new readings of (stream, encoded), in any order among those that are stored."""
    for stream_id, encoded in batches:
        blocks.put(connection, stream_id, encoded.runs())


def put_back(connection: sa.Connection, stream_id: int, rows: Sequence[StoredReadingRow]) -> None:
    """Store readings as `remove` gave them, under a stream."""
    of_sets = units(connection, {int(row["unit_set_id"]) for row in rows})
    runs = [block_runs.as_sent(run) for run in block_runs.of_rows(rows, of_sets)]
    blocks.put(connection, stream_id, block_runs.arranged(runs))


def units(connection: sa.Connection, ids: set[int]) -> dict[int, block_units.BlockUnits]:
    """Sets of units by their ids."""
    query = sa.select(unit_sets.c.id, unit_sets.c.units).where(unit_sets.c.id.in_(ids))
    return {number: units_of(text) for number, text in connection.execute(query)}


def remove(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredReadingRow]:
    """Take these numbers out, and return what was stored under them."""
    removed: list[StoredReadingRow] = []
    for run in _take(connection, stream_id, numbers):
        removed += block_runs.as_rows(run, stream_id)
    return removed


def _take(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[ReadingRun]:
    """Take these numbers out of their blocks."""
    taken: list[ReadingRun] = []
    for row in list(blocks.among(connection, stream_id, union(numbers))):
        run = row.run
        chosen = within(run.content.seq, union(numbers))
        if chosen.any():
            taken.append(run.chosen(chosen))
            blocks.replace(connection, stream_id, [row], [] if chosen.all() else [run.chosen(~chosen)])
    return taken


def replace_times(connection: sa.Connection, stream_id: int, times: Sequence[StoredTime]) -> None:
    """Change the times of stored readings, and nothing else."""
    if not times:
        return
    ordered = sorted(times)
    seq = np.array([time.seq for time in ordered], np.int64)
    at_us = np.array([time.at_us for time in ordered], np.int64)
    uncertainty = np.array([time.at_uncertainty_s for time in ordered], np.float64)
    for row in list(blocks.among(connection, stream_id, ranges_of_array(seq))):
        run = row.run
        content = run.content
        place, here = _matched(content.seq, seq)
        if not here.any():
            continue
        moved = content._replace(
            at_us=np.where(here, at_us[place], content.at_us),
            at_uncertainty_s=np.where(here, uncertainty[place], content.at_uncertainty_s),
        )
        # The hash is of the time as sent: from now on it is stored.
        after = block_units.with_hashes(moved, run.units, run.hashes)
        blocks.replace(connection, stream_id, [row], [run._replace(content=after)])


def _matched(stored: IntArray, wanted: IntArray) -> tuple[IntArray, BoolArray]:
    """For each stored number its place among the wanted, which rise, and whether it is one; shape (n,)."""
    place = np.minimum(np.searchsorted(wanted, stored), len(wanted) - 1)
    return place, wanted[place] == stored


def give(connection: sa.Connection, old_id: int, new_id: int, numbers: Range) -> None:
    """Move these numbers to a stream that has none of them."""
    for run in _take(connection, old_id, (numbers,)):
        blocks.put(connection, new_id, [run])


def touch(connection: sa.Connection, stream_id: int, numbers: Ranges) -> bool:
    """True where the range of a block touches the range of these numbers."""
    return bool(numbers) and blocks.touch(connection, stream_id, (numbers[0][0], numbers[-1][1]))


def refuse_twice(connection: sa.Connection, stream_id: int, numbers: Ranges) -> None:
    """Raise RuntimeError where a block of these numbers overlaps another: the transaction must not commit."""
    if not numbers:
        return
    for before, after in pairwise(
        blocks.heads_around(connection, stream_id, (numbers[0][0], numbers[-1][1]))
    ):
        if after.first_seq <= before.last_seq:
            text = f"number {after.first_seq} of stream {stream_id} would stand in two blocks"
            raise RuntimeError(f"{text}; nothing is written")


# ---------------------------------------------------------------- read by number


def hashes(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, int]:
    """Number -> content hash of the stored ones among these numbers."""
    by_number: dict[int, int] = {}
    for run in runs_among(connection, stream_id, numbers):
        by_number.update(zip(run.content.seq.tolist(), run.hashes.tolist(), strict=True))
    return by_number


def runs_among(connection: sa.Connection, stream_id: int, numbers: Ranges) -> Iterator[ReadingRun]:
    """The stored ones of these numbers, run by run."""
    wanted = union(numbers)
    for row in blocks.among(connection, stream_id, wanted):
        run = row.run
        yield run.chosen(within(run.content.seq, wanted))


def among(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredReadingRow]:
    """What is stored under these numbers."""
    runs = runs_among(connection, stream_id, numbers)
    return [row for run in runs for row in block_runs.as_rows(run, stream_id)]


def ranges(connection: sa.Connection, stream_id: int) -> Ranges:
    """The stored numbers of a stream; blocks without holes are not unpacked."""
    found: list[Range] = []
    for head in blocks.heads(connection, stream_id, (0, HIGHEST)):
        if head.is_whole:
            found.append(head.numbers)
            continue
        [row] = blocks.touching(connection, stream_id, head.numbers)
        found += ranges_of_array(row.run.content.seq)
    return union(found)


def times_near(connection: sa.Connection, stream_id: int, numbers: Range, many: int) -> list[StoredTime]:
    """Times of the stored ones of these numbers and of at least `many` on either side."""
    first, last = numbers
    runs = {row.head.first_seq: row.run for row in blocks.touching(connection, stream_id, numbers)}
    sides = (
        (blocks.downwards(connection, stream_id, first), (0, first - 1)),
        (blocks.upwards(connection, stream_id, last), (last + 1, HIGHEST)),
    )
    for further, beyond in sides:
        left = many - sum(_count(run, beyond) for run in runs.values())
        for row in further:
            if left <= 0:
                break
            if row.head.first_seq not in runs:
                runs[row.head.first_seq] = run = row.run
                left -= _count(run, beyond)
    return [time for run in runs.values() for time in _times(_near(run, numbers, many))]


def _count(run: ReadingRun, numbers: Range) -> int:
    return int(within(run.content.seq, (numbers,)).sum())


def _near(run: ReadingRun, numbers: Range, many: int) -> ReadingRun:
    """Of a run the readings of these numbers, and `many` on either side."""
    first = int(np.searchsorted(run.content.seq, numbers[0]))
    until = int(np.searchsorted(run.content.seq, numbers[1], side="right"))
    return run.chosen(slice(max(0, first - many), until + many))


def times(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[StoredTime]:
    """Times of the stored ones among these numbers."""
    return [time for run in runs_among(connection, stream_id, numbers) for time in _times(run)]


def _times(run: ReadingRun) -> list[StoredTime]:
    content = run.content
    uncertain = block_runs.with_none(content.at_uncertainty_s)
    rows = zip(content.seq.tolist(), content.at_us.tolist(), uncertain, strict=True)
    return [StoredTime(*row) for row in rows]


def uncorrected(connection: sa.Connection, stream_id: int, numbers: Range, *, limit: int) -> list[StoredTime]:
    """The first stored ones of these numbers that are not in `original_times`."""
    table, found = original_times, list[StoredTime]()
    for row in blocks.touching(connection, stream_id, numbers):
        conditions = table.c.stream_id == stream_id, table.c.seq.between(*row.head.numbers)
        corrected = set(connection.scalars(sa.select(table.c.seq).where(*conditions)))
        run = row.run
        chosen = run.chosen(within(run.content.seq, (numbers,)))
        found += [time for time in _times(chosen) if time.seq not in corrected]
        if len(found) >= limit:
            break
    return found[:limit]


def received(connection: sa.Connection, stream_id: int, numbers: Sequence[int]) -> dict[int, int]:
    """Number -> when it was received [us], of the stored ones."""
    found: dict[int, int] = {}
    for run in runs_among(connection, stream_id, union((number, number) for number in numbers)):
        found.update(zip(run.content.seq.tolist(), run.content.received_us.tolist(), strict=True))
    return found


def newest(connection: sa.Connection, stream_id: int, many: int, columns: Sequence[str]) -> Arrays:
    """Columns of the stored ones with the highest numbers."""
    parts: list[Arrays] = []
    left = many
    for row in blocks.downwards(connection, stream_id, HIGHEST):
        run = row.run
        parts.append(_arrays(run.chosen(slice(max(0, len(run.content.seq) - left), None)), columns))
        left -= len(run.content.seq)
        if left <= 0:
            break
    return _joined(parts[::-1], columns)


# ---------------------------------------------------------------- read by time


def _in_span(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range
) -> Iterator[ReadingRun]:
    """The stored ones of these numbers with from <= at < until, run by run, in order of number."""
    for row in blocks.touching(connection, stream_id, numbers, span_us):
        run = row.run
        chosen = _fits(row, run, numbers, span_us)
        if chosen is None:
            yield run
        elif chosen.any():
            yield run.chosen(chosen)


def _fits(row: BlockRow, run: ReadingRun, numbers: Range, span_us: Range) -> BoolArray | None:
    """Which readings of a block are wanted; None: all, as its head says."""
    head, content = row.head, run.content
    all_numbers = numbers[0] <= head.first_seq and head.last_seq <= numbers[1]
    if all_numbers and span_us[0] <= head.first_us and head.last_us < span_us[1]:
        return None
    return (
        (content.seq >= numbers[0])
        & (content.seq <= numbers[1])
        & (content.at_us >= span_us[0])
        & (content.at_us < span_us[1])
    )


def arrays(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, columns: Sequence[str]
) -> Arrays:
    """Columns of the stored ones of these numbers with from <= at < until."""
    runs = _in_span(connection, stream_id, numbers, span_us)
    return _joined([_arrays(run, columns) for run in runs], columns)


def _arrays(run: ReadingRun, columns: Sequence[str]) -> Arrays:
    content, units = run.content, run.units
    by_name: Arrays = {"seq": content.seq, "at_us": content.at_us, "received_us": content.received_us}
    by_name["at_uncertainty_s"] = content.at_uncertainty_s
    si = block_units.in_si(content, units)
    by_name |= {name: si[place] for place, name in enumerate(units.columns) if name in columns}
    absent = np.full(len(content.seq), np.nan)
    return {name: by_name.get(name, absent) for name in ("seq", *columns)}


def _joined(parts: Sequence[Arrays], columns: Sequence[str]) -> Arrays:
    nothing = {name: np.empty(0, np.int64 if name in WHOLE else np.float64) for name in ("seq", *columns)}
    return {name: np.concatenate([nothing[name], *(part[name] for part in parts)]) for name in nothing}


def hour_columns(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, columns: Sequence[str]
) -> HourColumns:
    """As `arrays`, of the columns that any of the readings has."""
    parts: list[Arrays] = []
    for run in _in_span(connection, stream_id, numbers, span_us):
        found = _arrays(run, ("at_us", *(name for name in run.units.columns if name in columns)))
        parts.append({name: column for name, column in found.items() if not is_absent(column)})
    had = [name for name in columns if any(name in part for part in parts)]
    return {name: _column_of(parts, name) for name in ("at_us", *had)}


def _column_of(parts: Sequence[Arrays], name: str) -> FloatArray:
    pieces = [part[name] if name in part else np.full(len(part["seq"]), np.nan) for part in parts]
    return np.concatenate([np.empty(0), *pieces])


def time_steps(
    connection: sa.Connection,
    stream_id: int,
    numbers: Range,
    span_us: Range,
    columns: Sequence[str],
    resolution_us: int,
) -> TimeSteps:
    """Those that `arrays` would give, in steps of time."""
    found = arrays(connection, stream_id, numbers, span_us, ("at_us", *columns))
    return bucketed(found["at_us"], {name: found[name] for name in columns}, resolution_us)


# ---------------------------------------------------------------- move to the archive

_LOWEST_BEFORE = """
SELECT s.id, s.device_id, b.first_seq, b.first_us FROM streams s
JOIN blocks b ON b.stream_id = s.id
    AND b.first_seq = (SELECT min(lowest.first_seq) FROM blocks lowest WHERE lowest.stream_id = s.id)
WHERE b.first_us < ? ORDER BY b.first_us, s.id
"""


def lowest_before(connection: sa.Connection, before_us: int) -> list[tuple[int, int, int, int]]:
    """
    (stream, device, number, instant) of streams whose lowest block has a reading from before, oldest first.

    The instant is the lowest of that block, which lies in the month of the number's.
    """
    return [(a, b, c, d) for a, b, c, d in dialect.run(connection, _LOWEST_BEFORE, (before_us,))]


def whole(
    connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range, *, limit: int
) -> WholeReadings:
    """The first of them in order of number."""
    parts, many = [none_of(stream_id)], 0
    for row in blocks.touching(connection, stream_id, numbers, span_us):
        run = row.run
        chosen = _fits(row, run, numbers, span_us)
        parts.append(_whole_of(row, run if chosen is None else run.chosen(chosen)))
        many += parts[-1].many
        if many >= limit:
            break
    found = together(parts, limit=limit)
    return found._replace(instants=_instants(connection, found)) if found.many else found


def _whole_of(row: BlockRow, run: ReadingRun) -> WholeReadings:
    """The readings of a run, without their exact instants."""
    content, si = run.content, block_units.in_si(run.content, run.units)
    return WholeReadings(
        row.stream_id,
        content.seq,
        content.at_us,
        content.received_us,
        content.at_uncertainty_s,
        run.hashes,
        {name: si[place] for place, name in enumerate(run.units.columns)},
        [row.units] * len(content.seq),
        {},
    )


def _instants(connection: sa.Connection, found: WholeReadings) -> dict[int, str]:
    """The exact instants of readings, by number."""
    table, bounds = exact_times, (int(found.seq[0]), int(found.seq[-1]))
    query = sa.select(table.c.seq, table.c.instant).where(
        table.c.stream_id == found.stream_id, table.c.seq.between(*bounds)
    )
    wanted = set(found.seq.tolist())
    return {seq: instant for seq, instant in connection.execute(query) if seq in wanted}


def delete(connection: sa.Connection, stream_id: int, numbers: Range, span_us: Range) -> int:
    """Delete them. Returns how many there were."""
    deleted = 0
    for row in list(blocks.touching(connection, stream_id, numbers, span_us)):
        run = row.run
        chosen = _fits(row, run, numbers, span_us)
        left = [] if chosen is None or chosen.all() else [run.chosen(~chosen)]
        blocks.replace(connection, stream_id, [row], left)
        deleted += row.head.readings if chosen is None else int(chosen.sum())
    return deleted


def is_empty(connection: sa.Connection, span_us: Range) -> bool:
    """True where no block with from <= at < until is stored; asked of whole months."""
    sql = "SELECT 1 FROM blocks WHERE first_us >= ? AND first_us < ? LIMIT 1"
    return dialect.run(connection, sql, span_us).first() is None


def count_by_step(
    connection: sa.Connection, stream_id: int, before_us: int, step_us: int
) -> list[tuple[int, int]]:
    """(steps since 1970, readings) of a stream, of those that were measured before an instant."""
    counts: dict[int, int] = {}
    for run in _in_span(connection, stream_id, (0, HIGHEST), (-HIGHEST, before_us)):
        steps, many = np.unique(run.content.at_us // step_us, return_counts=True)
        for step, count in zip(steps.tolist(), many.tolist(), strict=True):
            counts[step] = counts.get(step, 0) + count
    return list(counts.items())
