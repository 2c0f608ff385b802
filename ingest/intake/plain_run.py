"""
The plain case: batches that continue their stream, without a doubt, are written together.

Nearly all batches are plain; together they cost a few statements instead of a few for each.
Promises: where `goes_on` is true, `ingest.intake.receive.receive` would have stored the same.
Leaves to others: every other batch (`ingest.intake.receive`).
"""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.checking.doubts import doubts_about
from cleanside.ingest.checking.incoming import Incoming
from cleanside.ingest.checking.plausible_time import is_back
from cleanside.ingest.checking.repeats import is_elsewhere
from cleanside.ingest.store import declared, gateway_reports, readings, reports, round_trips, streams
from cleanside.ingest.store.fleet import DeviceRow
from cleanside.ingest.store.gateway_reports import GatewayEntry
from cleanside.ingest.store.marks import Marks
from cleanside.ingest.store.streams import Stream


def goes_on(incoming: Incoming, stream: Stream) -> bool:
    """True where a batch brings the next numbers of its stream, all of them believed, and nothing else."""
    batch, report = incoming.batch, incoming.batch.gateway
    if incoming.ready is None or batch.shed or batch.opaque is not None or batch.at_text:
        return False
    if stream.again_mark is not None:
        return False  # its gateway is asked to send again: the answer has another mark
    if not isinstance(batch.seq, range) or batch.seq[0] != stream.mark + 1 or stream.mark != stream.highest:
        return False
    if report is not None and (is_elsewhere(report, stream) or declared.apart(stream.stream, report)[1]):
        return False
    if stream.device != batch.device or stream.device_registered_us is None:
        return False
    is_first = stream.highest == 0
    if not (is_first or stream.tail_is_known):
        return False
    first_us = int(incoming.at_us[0])
    if incoming.falls_back or not (
        is_first or stream.tail_us is None or not is_back(first_us, stream.tail_us)
    ):
        return False  # a time may be out of line: its neighbours have to be checked
    return not doubts_about(incoming, device_of(stream), stream.gateway_built)


class PlainRun:
    """Batches that continue their streams, until they are written together."""

    def __init__(self, *, as_blocks: bool) -> None:
        """as_blocks : `stored.writes_blocks`, asked in this transaction."""
        self._as_blocks = as_blocks
        self._rows: list[tuple[int, readings.EncodedReadings]] = []
        self._changed: dict[int, Stream] = {}
        self._reports: list[GatewayEntry] = []

    def take(self, incoming: Incoming, stream: Stream) -> Stream:
        """The stream after the batch."""
        assert incoming.ready is not None
        assert incoming.batch.seq is not None
        last = incoming.batch.seq[-1]
        moved = {"mark": last, "highest": last, "tail_seq": last, "tail_us": int(incoming.at_us[-1])}
        after = streams.with_report(stream, incoming.batch.gateway, incoming.received_us, **moved)
        self._rows.append((stream.id, incoming.ready))
        self._changed[stream.id] = after
        before = Marks(mark=stream.mark, highest=stream.highest)
        self._reports += gateway_reports.reports_of(
            stream.id, incoming.batch.gateway, incoming.received_us, before=before, resent=False
        )
        return after

    def write(self, connection: sa.Connection) -> None:
        """Write the batches since the last call."""
        if self._rows:
            with round_trips.putting_off(connection):
                readings.put(connection, self._rows, beyond=True, as_blocks=self._as_blocks)
                streams.save_all(connection, list(self._changed.values()))
            reports.put(connection, self._reports)
            self._rows, self._changed, self._reports = [], {}, []


def device_of(stream: Stream) -> DeviceRow:
    """The device of a stream, from the same query."""
    return DeviceRow(
        stream.device_id,
        stream.owner_id,
        stream.device,
        stream.device_registered_us,
        stream.device_in_service_us,
        stream.device_history_from_us,
    )
