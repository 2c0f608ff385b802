"""
Readings, stored or archived: hashes and times by number, exact instants, unit sets, and the identity of those
without numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from typing import Any, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import archive, dialect, hours, stored
from cleanside.ingest.store.at_rest import HIGHEST, IntArray, NewReadings, StoredTime
from cleanside.ingest.store.block_content import AlikeRuns
from cleanside.ingest.store.marks import Ranges
from cleanside.ingest.store.models import exact_times, instants, unit_sets


class EncodedReadings(NamedTuple):
    """Readings ready to be stored, with the hours they fall into."""

    encoded: stored.Encoded
    spans: list[hours.HourSpan]

    @property
    def many(self) -> int:
        """How many readings."""
        return self.encoded.many


def encode(new: NewReadings, sent: stored.AsSent | None, *, sqlite: bool) -> EncodedReadings:
    """The work of `put` that needs no database; `sent` as `stored.encode` takes it."""
    [encoded] = encode_all([(new, sent)], sqlite=sqlite)
    return encoded


def encode_all(
    new: Sequence[tuple[NewReadings, stored.AsSent | None]], *, sqlite: bool
) -> list[EncodedReadings]:
    """The same of several: together they cost far less than each by itself."""
    spans = hours.spans_of_each([(one.seq, one.at_us) for one, _ in new])
    encoded = stored.encode_all(new, sqlite=sqlite)
    return [EncodedReadings(*pair) for pair in zip(encoded, spans, strict=True)]


def encode_alike(
    runs: AlikeRuns,
    unit_set_ids: Sequence[int],
    hashes: IntArray,
    new: Sequence[Callable[[], tuple[NewReadings, stored.AsSent | None]]],
) -> list[EncodedReadings]:
    """`encode` of batches that came in together, as `stored.encode_alike` takes them."""
    spans = hours.spans_of_alike(runs.first_seq, runs.at_us)
    encoded = stored.encode_alike(runs, unit_set_ids, hashes, new)
    return [EncodedReadings(*pair) for pair in zip(encoded, spans, strict=True)]


def put(
    connection: sa.Connection,
    batches: Sequence[tuple[int, EncodedReadings]],
    *,
    beyond: bool = False,
    as_blocks: bool | None = None,
) -> None:
    """
    Store new readings of (stream, encoded) and count them into their hours, which are then due for analysis.

    Their numbers must be new: the caller has locked the streams and checked.
    beyond, as_blocks : as `stored.put` takes them.
    """
    encoded = [(stream_id, new.encoded) for stream_id, new in batches]
    stored.put(connection, encoded, beyond=beyond, as_blocks=as_blocks)
    hours.touch(connection, [(stream_id, span) for stream_id, new in batches for span in new.spans])


def hashes(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, int]:
    """Number -> content hash of the readings among `numbers` that are stored, or in the archive."""
    return archive.hashes(connection, stream_id, numbers) | stored.hashes(connection, stream_id, numbers)


def among(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[dict[str, Any]]:
    """
    The stored readings of these numbers that are not in the archive, in no order.

    Each with every column, its exact `instant` and its `units`; in few queries, however many numbers.
    """
    found = stored.among(connection, stream_id, numbers)
    units = _units_of(connection, {row["unit_set_id"] for row in found})
    query = sa.select(exact_times.c.seq, exact_times.c.instant).where(exact_times.c.stream_id == stream_id)
    exact: dict[int, str] = {}
    for condition in dialect.among(exact_times.c.seq, numbers):
        exact |= {row.seq: row.instant for row in connection.execute(query.where(condition))}
    return [row | {"units": units[row["unit_set_id"]], "instant": exact.get(row["seq"])} for row in found]


_AS_SENT = """
SELECT seq, at_us, at_uncertainty_s FROM original_times WHERE stream_id = ? AND seq BETWEEN ? AND ?
"""


def times_near(
    connection: sa.Connection, stream_id: int, first: int, last: int, many: int
) -> list[StoredTime]:
    """
    Times as sent of the stored readings first..last and of `many` on either side of them.

    In order of number; archived ones too.
    """
    found = stored.times_near(connection, stream_id, (first, last), many)
    below = [row.seq for row in found if row.seq < first]
    above = [row.seq for row in found if row.seq > last]
    bounds = below[-many] if len(below) >= many else 0, above[many - 1] if len(above) >= many else HIGHEST
    by_number = {row.seq: row for row in found}
    for row in archive.times_near(connection, stream_id, (first, last), bounds, many):
        by_number[row[0]] = StoredTime(*row)
    if by_number:  # where their boot was corrected since
        span = min(by_number), max(by_number)
        corrected = dialect.run(connection, _AS_SENT, (stream_id, *span))
        by_number.update((row[0], StoredTime(*row)) for row in corrected if row[0] in by_number)
    lower = sorted(seq for seq in by_number if seq < first)[-many:]
    upper = sorted(seq for seq in by_number if seq > last)[:many]
    return [by_number[seq] for seq in (*lower, *sorted(s for s in by_number if first <= s <= last), *upper)]


def nearest_below(connection: sa.Connection, stream_id: int, seq: int) -> StoredTime | None:
    """The stored reading with the highest number below one, archived or not; None: there is none."""
    below = [row for row in times_near(connection, stream_id, seq, seq, 1) if row.seq < seq]
    return below[-1] if below else None


def take_out(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[dict[str, Any]]:
    """
    Remove readings from the store or its archive, and return them in order of number.

    Each with every column, its exact `instant` and its `units`. Their hours are due for analysis.
    """
    taken = stored.remove(connection, stream_id, numbers)
    units = _units_of(connection, {row["unit_set_id"] for row in taken})
    exact = _take_exact_times(connection, stream_id, numbers)
    for row in taken:
        row |= {"units": units[row["unit_set_id"]], "instant": exact.get(row["seq"])}
    taken += archive.take_out(connection, stream_id, numbers)
    hours.count_down(connection, stream_id, [row["at_us"] for row in taken])
    return sorted(taken, key=lambda row: int(row["seq"]))


def _take_exact_times(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, str]:
    taken: dict[int, str] = {}
    for first, last in numbers:
        conditions = exact_times.c.stream_id == stream_id, exact_times.c.seq.between(first, last)
        query = sa.select(exact_times.c.seq, exact_times.c.instant).where(*conditions)
        taken |= {row.seq: row.instant for row in connection.execute(query)}
        connection.execute(sa.delete(exact_times).where(*conditions))
    return taken


def put_exact_times(connection: sa.Connection, stream_id: int, texts: Mapping[int, str]) -> None:
    """Number -> exact instant, for the few that are finer than a microsecond."""
    if texts:
        rows = [{"stream_id": stream_id, "seq": seq, "instant": text} for seq, text in texts.items()]
        connection.execute(sa.insert(exact_times), rows)


def numbers_of_instants(connection: sa.Connection, stream_id: int, texts: Sequence[str]) -> dict[str, int]:
    """Instant -> number, where a reading without a number already has the instant."""
    query = sa.select(instants.c.instant, instants.c.seq).where(instants.c.stream_id == stream_id)
    by_instant: dict[str, int] = {}
    for piece in dialect.in_lists(texts):
        by_instant.update(
            (text, seq) for text, seq in connection.execute(query.where(instants.c.instant.in_(piece)))
        )
    return by_instant


def put_instants(connection: sa.Connection, stream_id: int, numbers: Mapping[str, int]) -> None:
    """Write instant -> number. The key of the table refuses a second reading of one instant."""
    if numbers:
        rows = [(stream_id, text, seq) for text, seq in numbers.items()]
        dialect.run(connection, "INSERT INTO instants (stream_id, instant, seq) VALUES (?, ?, ?)", rows)


def _units_of(connection: sa.Connection, unit_set_ids: Collection[int]) -> dict[int, str]:
    query = sa.select(unit_sets.c.id, unit_sets.c.units).where(unit_sets.c.id.in_(unit_set_ids))
    return {row.id: row.units for row in connection.execute(query)}


def unit_set_id(connection: sa.Connection, units: str) -> int | None:
    """The id of a set of units (canonical JSON); None: it is not stored yet."""
    return connection.scalar(sa.select(unit_sets.c.id).where(unit_sets.c.units == units))


def keep_unit_set(connection: sa.Connection, units: str) -> int:
    """The id of a set of units, stored now if it was not."""
    connection.execute(dialect.insert(connection, unit_sets).values(units=units).on_conflict_do_nothing())
    number = unit_set_id(connection, units)
    assert number is not None
    return number
