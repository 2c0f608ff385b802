"""
A corrected reading replaces one in quarantine, in one request of its sender.

Promises: it never replaces a stored reading, nor one that was stored before. Both contents stay on record. It
is an amendment like a person's, and can be undone. The reading keeps the number and identity that it had on
receipt; a resend of the corrected content is a repeat.
Leaves to others: which readings may be replaced (`ingest.checking.repeats`), who may post
(`ingest.owners.access`), undoing it (`ingest.quarantine.amend`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping

import sqlalchemy as sa

from cleanside.ingest.checking.incoming import Incoming
from cleanside.ingest.quarantine import amend, replay
from cleanside.ingest.quarantine.amend import Who
from cleanside.ingest.store import quarantine, reasons
from cleanside.ingest.store.marks import ranges_of
from cleanside.ingest.store.quarantine import HELD, RELEASED, NewQuarantineRow
from cleanside.ingest.store.streams import Stream


def replace(
    connection: sa.Connection, incoming: Incoming, stream: Stream, corrected: Mapping[int, NewQuarantineRow]
) -> dict[int, tuple[str, str]]:
    """
    Replace the quarantined readings of these numbers by corrected ones.

    corrected : index in the batch -> the reading, which is in quarantine beside the other by now.
    Returns index -> code, detail of corrected readings that are not believed either: they stay in quarantine.
    """
    if not corrected:
        return {}
    numbers = ranges_of(sorted(held.seq for held in corrected.values()))
    aside = quarantine.seen(connection, stream.id, numbers)
    firsts = {seq: next(row.id for row in rows if not row.beside) for seq, rows in aside.items()}
    contents = {(held.seq, held.content_hash) for held in corrected.values()}
    own = [row.id for rows in aside.values() for row in rows if (row.seq, row.content_hash) in contents]
    _write(connection, incoming, stream, {firsts[held.seq]: held.content for held in corrected.values()}, own)
    after = quarantine.by_ids(connection, stream.owner_id, list(firsts.values()))
    doubted = {e.seq: (e.code, reasons.read(e.reasons)[0].detail) for e in after if e.state == HELD}
    return {index: doubted[held.seq] for index, held in corrected.items() if held.seq in doubted}


def _write(
    connection: sa.Connection, incoming: Incoming, stream: Stream, contents: Mapping[int, str], own: list[int]
) -> None:
    """contents : entry -> its corrected content. own : the entries of the corrected readings."""
    now_us, who = incoming.received_us, Who(owner_id=stream.owner_id, handle=incoming.who)
    entries = quarantine.by_ids(connection, stream.owner_id, [*contents, *own])
    detail = json.dumps({"device": stream.device, "stream": stream.stream, "readings": len(contents)})
    amendment_id = amend.begin(connection, who, "replace", now_us, detail, entries)
    quarantine.amend(connection, amendment_id, [*contents.items(), *((entry_id, None) for entry_id in own)])
    quarantine.set_states(connection, own, RELEASED)
    replay.reconsider(connection, quarantine.by_ids(connection, stream.owner_id, list(contents)), now_us)
