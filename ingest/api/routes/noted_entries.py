"""
What a person entered, noted as an entry whichever way it came, so that it is listed and can be taken back.

Promises: photos are not kept with the entry, they have a place of their own.
Leaves to others: carrying it out (the route of its kind), taking it back (`taking_back`).
"""

from __future__ import annotations

import hashlib
import json
import uuid
from collections.abc import Mapping
from typing import Any

import sqlalchemy as sa

from cleanside.ingest.api.routes.shared import Act, Strict
from cleanside.ingest.store import entries
from cleanside.ingest.store.entries import TakenEntry

PHOTOS = frozenset({"jpeg"})


def entry_of(act: Act, kind: str, entry_id: str, content: Mapping[str, Any]) -> TakenEntry:
    """The entry of an act. content : the body that the route of its kind takes."""
    whole = json.dumps([kind, act.machine, content], sort_keys=True)
    return TakenEntry(
        entry_id=entry_id,
        kind=kind,
        machine=act.machine,
        content_hash=hashlib.sha256(whole.encode()).hexdigest(),
        made_us=act.made_us,
        taken_us=act.now_us,
        who=act.key.handle,
        content=json.dumps({name: value for name, value in content.items() if name not in PHOTOS}),
    )


def note_entry(connection: sa.Connection, act: Act, kind: str, body: Strict) -> None:
    """Note what came by the route of its kind, under an id of the server's own."""
    content = body.model_dump(mode="json", exclude_none=True)
    entries.put(connection, act.key.owner_id, entry_of(act, kind, str(uuid.uuid4()), content))
