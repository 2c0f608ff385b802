"""
Check quarantined readings again: at their due time, once their device is registered, or after an amendment.

Promises: the same checks as on receipt. A reading that passes is stored under the number and identity that it
had on receipt; one that does not stays quarantined, with the present reasons.
Leaves to others: who may ask for it, and the changes (`ingest.api.routes`).
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from itertools import groupby
from typing import Any

import sqlalchemy as sa

from cleanside.gateway import wire
from cleanside.ingest.checking.checks import Doubts
from cleanside.ingest.checking.doubts import doubts_about, recheck_us
from cleanside.ingest.checking.incoming import known_as, prepare, store_believed, units_text
from cleanside.ingest.checking.neighbours import look_again
from cleanside.ingest.checking.placed import TIME_IS_RIGHT, is_confirmed
from cleanside.ingest.checking.plausible_time import SETTLED_BY_A_PERSON
from cleanside.ingest.store import dialect, fleet, quarantine, readings, streams
from cleanside.ingest.store.quarantine import QuarantineRow

#: doubts that a new release may settle, because it knows more units and quantities
KNOWN_LATER = ("unit_not_accepted", "quantity_unknown")


def after_a_start(connection: sa.Connection, now_us: int) -> int:
    """Mark for a new check what an earlier release may not have known. Returns how many entries."""
    return quarantine.look_again(connection, KNOWN_LATER, now_us)


def reconsider(connection: sa.Connection, entries: Sequence[QuarantineRow], now_us: int) -> int:
    """
    Check quarantined readings again. Returns how many are stored now.

    Unreadable records and second readings of a number need a person: they stay.
    """
    entries = quarantine.locked(connection, entries)  # another process may have stored some since
    quarantined = [entry for entry in entries if entry.state == quarantine.HELD]
    ready = [entry for entry in quarantined if not entry.beside and not _is_unreadable(entry)]
    # A page of what is due has room for so many: these would stand at its head for ever.
    others = {entry.id for entry in quarantined if entry.recheck_us is not None}
    others.difference_update(entry.id for entry in ready)
    quarantine.set_states(connection, sorted(others), quarantine.HELD)
    ready.sort(key=_together)
    batches = (piece for _, group in groupby(ready, key=alike) for piece in _pieces(list(group)))
    return sum(_reconsider(connection, piece, now_us) for piece in batches)


def _is_unreadable(entry: QuarantineRow) -> bool:
    """Also one with a quantity called like a member of its content, which a release before took."""
    document = _document(entry)
    is_named_so = TIME_IS_RIGHT in document and not is_confirmed(document)
    return "opaque" in document or is_named_so or not isinstance(document.get("units", {}), dict)


def _pieces(entries: list[QuarantineRow]) -> Iterator[list[QuarantineRow]]:
    """As many at once as a batch takes."""
    for start in range(0, len(entries), wire.MAX_READINGS):
        yield entries[start : start + wire.MAX_READINGS]


def _document(entry: QuarantineRow) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(entry.amended or entry.content)
    return document


def alike(entry: QuarantineRow) -> tuple[int, int, str]:
    """Entries that make one batch: the same stream, the same receipt, the same units."""
    return entry.stream_id, entry.received_us, json.dumps(_document(entry).get("units", {}), sort_keys=True)


def _together(entry: QuarantineRow) -> tuple[tuple[int, int, str], int]:
    return alike(entry), entry.seq


def _reconsider(connection: sa.Connection, entries: list[QuarantineRow], now_us: int) -> int:
    first = entries[0]
    device = fleet.device(connection, first.owner_id, first.device)
    stream = streams.find(connection, first.owner_id, first.stream, lock=True)
    assert device is not None
    assert stream is not None
    batch = _batch(entries)
    units = units_text(batch)
    incoming = prepare(
        batch,
        owner_id=first.owner_id,
        units=units,
        unit_set_id=readings.keep_unit_set(connection, units),
        received_us=now_us,
        sqlite=dialect.is_sqlite(connection),
    )
    doubts = _unsettled(entries, doubts_about(incoming, device, stream.gateway_built))
    numbers = [entry.seq for entry in entries]
    judged = [index for index, entry in enumerate(entries) if not is_confirmed(_document(entry))]
    look_again(connection, stream, incoming, numbers, judged, doubts)
    as_received = known_as(incoming, [entry.content_hash for entry in entries])._replace(
        received_us=first.received_us
    )
    stored = store_believed(connection, stream.id, as_received, numbers, among=None, doubts=doubts)
    doubted = [
        (entry.id, doubts[index], recheck_us(doubts[index], batch.at_us[index]))
        for index, entry in enumerate(entries)
        if index in doubts
    ]
    quarantine.set_doubts(connection, doubted)
    released = [entry.id for index, entry in enumerate(entries) if index not in doubts]
    quarantine.set_states(connection, released, quarantine.RELEASED)
    return stored


def _unsettled(entries: Sequence[QuarantineRow], doubts: Doubts) -> Doubts:
    """The doubts that are left where a person confirmed the time. doubts : index -> why."""
    left = {
        index: [d for d in found if d.code not in SETTLED_BY_A_PERSON]
        if is_confirmed(_document(entries[index]))
        else found
        for index, found in doubts.items()
    }
    return {index: found for index, found in left.items() if found}


def _batch(entries: Sequence[QuarantineRow]) -> wire.Batch:
    """The entries as the batch they came in; in order of number, so that indexes agree."""
    documents = [_document(entry) for entry in entries]
    envelope: dict[str, Any] = {"device": entries[0].device, "units": documents[0].get("units", {})}
    if "seq" in documents[0]:
        envelope["stream"] = entries[0].stream
    ours = ("units", TIME_IS_RIGHT)  # everything else is the reading
    envelope["readings"] = [{k: v for k, v in d.items() if k not in ours} for d in documents]
    return wire.decode(json.dumps(envelope).encode())
