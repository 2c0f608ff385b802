"""
The second of two readings under one number, where a person decided that both are right.

It is stored in a stream that the server made, under a number of that stream, which the row records.
Promises: the account of either stream balances, before and after an undo.
Leaves to others: who decides (`ingest.quarantine.both_right`).
"""

from __future__ import annotations

import dataclasses
import uuid
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import sqlalchemy as sa

from cleanside.ingest.store import dialect, hours, readings, streams
from cleanside.ingest.store.marks import Shed, ranges_of, union
from cleanside.ingest.store.models import second_readings
from cleanside.ingest.store.models import streams as stream_rows
from cleanside.ingest.store.streams import Stream

TAKEN_BACK = "taken_back"  # reason of numbers whose reading is in quarantine again
GIVEN_TO_ANOTHER = "given_to_another_device"  # and of those whose reading belongs to another device
#: a reading was moved by a person, and nothing was lost: the account does not count these numbers as shed
OF_A_PERSON = frozenset({TAKEN_BACK, GIVEN_TO_ANOTHER})


@dataclass(frozen=True, slots=True)
class StoredBeside:
    """Where the reading of a quarantine entry is stored."""

    entry_id: int
    stream_id: int
    seq: int
    #: it was stored already: the gateway had sent it again under another number
    was_there: bool


def stream_name(stream: str, device: str) -> str:
    """
    The stream for a device's second readings of another stream: always the same.

    A UUIDv5 (RFC 9562 section 5.5): gateways make none, theirs are of version 7.
    """
    return str(uuid.uuid5(uuid.NAMESPACE_URL, f"urn:cleanside:second:{device}:{stream}"))


def reason_from_sender(reason: str) -> str:
    """The reason under which a sender sheds; those of a person are the server's own. Pure."""
    return f"sent_{reason}" if reason in OF_A_PERSON else reason


def put(connection: sa.Connection, rows: Sequence[StoredBeside]) -> None:
    """Record where the readings of entries are stored."""
    if rows:
        connection.execute(sa.insert(second_readings), [dataclasses.asdict(row) for row in rows])


def places_of(connection: sa.Connection, entry_ids: Sequence[int]) -> dict[int, tuple[str, int]]:
    """Entry -> stream and number of its reading, for second readings."""
    query = sa.select(second_readings.c.entry_id, stream_rows.c.stream, second_readings.c.seq)
    query = query.join_from(second_readings, stream_rows)
    places: dict[int, tuple[str, int]] = {}
    for piece in dialect.in_lists(entry_ids):
        rows = connection.execute(query.where(second_readings.c.entry_id.in_(piece)))
        places |= {row.entry_id: (row.stream, row.seq) for row in rows}
    return places


def with_content(
    connection: sa.Connection, device_ids: Sequence[int], wanted: Mapping[int, int], *, without: int
) -> dict[int, tuple[int, int]]:
    """
    Content hash -> stream id and number of a stored reading of these devices with that content.

    wanted : hash -> when it was measured [us]. without : id of a stream to leave out.
    """
    by_hash: dict[int, tuple[int, int]] = {}
    spans = hours.numbers_in(connection, device_ids, {at_us // hours.HOUR_US for at_us in wanted.values()})
    for stream_id, ranges in spans.items():
        if stream_id != without:
            stored = readings.hashes(connection, stream_id, union(ranges))
            by_hash |= {digest: (stream_id, seq) for seq, digest in stored.items() if digest in wanted}
    return by_hash


def take_back(connection: sa.Connection, entry_ids: Sequence[int]) -> None:
    """Remove the readings of these entries from their streams; the numbers count as moved."""
    places: list[tuple[int, int]] = []
    query = sa.select(second_readings.c.stream_id, second_readings.c.seq)
    query = query.where(sa.not_(second_readings.c.was_there))
    for piece in dialect.in_lists(entry_ids):
        among = second_readings.c.entry_id.in_(piece)
        places += [(stream_id, seq) for stream_id, seq in connection.execute(query.where(among))]
        connection.execute(sa.delete(second_readings).where(among))
    take_away(connection, places, TAKEN_BACK)


def take_away(connection: sa.Connection, places: Sequence[tuple[int, int]], reason: str) -> None:
    """Remove readings (stream id, number); the numbers count as moved. reason : of OF_A_PERSON."""
    numbers: dict[int, list[int]] = {}
    for stream_id, seq in places:
        numbers.setdefault(stream_id, []).append(seq)
    query = sa.select(stream_rows.c.owner_id, stream_rows.c.stream, stream_rows.c.id)
    query = query.where(stream_rows.c.id.in_(list(numbers))).order_by(stream_rows.c.stream)
    for owner_id, name, stream_id in connection.execute(query).all():
        stream = streams.find(connection, owner_id, name, lock=True)
        assert stream is not None
        _take_out(connection, stream, sorted(numbers[stream_id]), reason)


def _take_out(connection: sa.Connection, stream: Stream, numbers: Sequence[int], reason: str) -> None:
    readings.take_out(connection, stream.id, ranges_of(numbers))
    before = streams.marks_of(connection, stream)
    shed = [*before.shed, *(Shed(first, last, reason) for first, last in ranges_of(numbers))]
    after = dataclasses.replace(before, shed=tuple(sorted(shed, key=lambda entry: entry.first)))
    heard_us = stream.last_heard_us
    streams.save(connection, stream, before, after, None, duplicates=0, conflicts=0, now_us=heard_us)
