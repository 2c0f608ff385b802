"""
Streams that begin with a plain batch are opened together.

When the gateways of a fleet find their link again, many new streams come at once; each opened by itself costs
a dozen statements.
Promises: the database decides who opens a stream. Where another process was faster, or a batch is not plain,
nothing is opened here, and `ingest.intake.receive.receive` finds or makes the stream.
Leaves to others: what is plain (`ingest.intake.plain_run`), all other streams.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.checking.incoming import Incoming, stream_name
from cleanside.ingest.intake.plain_run import goes_on
from cleanside.ingest.store import fleet, round_trips, store_modes, streams
from cleanside.ingest.store.fleet import DeviceRow
from cleanside.ingest.store.streams import Stream


class NewStreams(NamedTuple):
    """Streams that were opened, each locked as its first batch found it: empty."""

    streams: list[Stream]
    #: `stored.writes_blocks`, asked in this transaction
    as_blocks: bool


def open_streams(connection: sa.Connection, firsts: Sequence[Incoming]) -> NewStreams:
    """
    Open the streams that begin with these batches, as far as these are plain.

    firsts : the first batch of each of some streams that the database has not, in the order of their names.
    """
    devices, as_blocks = _devices(connection, firsts)
    plain: dict[tuple[int, str], Stream] = {}
    for incoming in firsts:
        device = devices.get((incoming.owner_id, incoming.batch.device))
        if device is not None:
            empty = streams.empty(device, stream_name(incoming.batch), incoming.received_us)
            if goes_on(incoming, empty):
                plain[incoming.owner_id, empty.stream] = empty
    if not plain:
        return NewStreams([], as_blocks)
    made = round_trips.ask(connection, streams.opening(connection, list(plain.values())))
    opened = [plain[owner_id, name]._replace(id=number) for rows in made for number, owner_id, name in rows]
    return NewStreams(opened, as_blocks)


def _devices(
    connection: sa.Connection, firsts: Sequence[Incoming]
) -> tuple[dict[tuple[int, str], DeviceRow], bool]:
    """(owner, name) -> device of these batches, and whether new readings are to become blocks."""
    names: dict[int, set[str]] = {}
    for incoming in firsts:
        names.setdefault(incoming.owner_id, set()).add(incoming.batch.device)
    asked = [fleet.asked(connection, owner_id, sorted(names[owner_id])) for owner_id in sorted(names)]
    *found, in_use = round_trips.ask(connection, [*asked, store_modes.asked(store_modes.BLOCKS)])
    devices = [DeviceRow._make(row) for rows in found for row in rows]
    return {(device.owner_id, device.name): device for device in devices}, bool(in_use)
