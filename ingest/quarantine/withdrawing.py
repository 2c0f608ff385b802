"""
Stored readings go back into quarantine, whole, as they were sent.

Promises: no part of a reading is lost, and it keeps its number and identity. One that was quarantined before
gets the same entry again. A time that a boot correction moved becomes the time as sent, and the correction
applies once more when the reading is stored again.
Leaves to others: why (`ingest.quarantine.amend` for a person, `ingest.checking.neighbours` for a time out of
line).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES, from_si
from cleanside.gateway.wire import Doubt, instant_text
from cleanside.ingest.store import corrections, quarantine, readings
from cleanside.ingest.store.marks import ranges_of
from cleanside.ingest.store.quarantine import NewQuarantineRow
from cleanside.ingest.store.streams import Stream


def withdraw(
    connection: sa.Connection, stream: Stream, reasons: Mapping[int, Doubt], now_us: int
) -> list[int]:
    """Put stored readings into quarantine. reasons : number -> why. Returns the numbers that were stored."""
    wanted = ranges_of(sorted(reasons))
    rows = _uncorrected(connection, stream.id, readings.take_out(connection, stream.id, wanted))
    numbers = [row["seq"] for row in rows]
    again = quarantine.hold_again(connection, stream.id, {seq: reasons[seq] for seq in numbers})
    fresh = [_held(row, reasons[row["seq"]], stream) for row in rows if row["seq"] not in again]
    quarantine.put(connection, stream.id, fresh, now_us)
    return numbers


def _uncorrected(
    connection: sa.Connection, stream_id: int, rows: Sequence[dict[str, Any]]
) -> list[dict[str, Any]]:
    """The rows with their times as sent. rows : in order of number."""
    if not rows:
        return []
    span = rows[0]["seq"], rows[-1]["seq"]
    numbers = {row["seq"] for row in rows}
    originals = corrections.originals(connection, stream_id, span, limit=span[1] - span[0] + 1)
    sent = {original.seq: original for original in originals if original.seq in numbers}
    corrections.forget_originals(connection, stream_id, ranges_of(sorted(sent)))
    return [row | (sent[row["seq"]]._asdict() if row["seq"] in sent else {}) for row in rows]


def _held(row: Mapping[str, Any], doubt: Doubt, stream: Stream) -> NewQuarantineRow:
    content = json.dumps(as_sent(row, numbered=stream.is_numbered))
    return NewQuarantineRow(row["seq"], row["content_hash"], False, (doubt,), content, None)


def as_sent(row: Mapping[str, Any], *, numbered: bool) -> dict[str, Any]:
    """A stored row as the reading that was sent, in its units. Pure."""
    units: dict[str, str] = json.loads(row["units"])
    sent: dict[str, Any] = {"seq": row["seq"]} if numbered else {}
    sent["at"] = row["instant"] or instant_text(row["at_us"])
    if row["at_uncertainty_s"] is not None:
        sent["at_uncertainty_s"] = row["at_uncertainty_s"]
    values = {
        name: from_si(row[quantity.column], units[name], name)
        for name, quantity in QUANTITIES.items()
        if row[quantity.column] is not None and name in units
    }
    return sent | {"units": {name: units[name] for name in values}} | values
