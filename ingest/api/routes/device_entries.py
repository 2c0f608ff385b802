"""POST /v1/device-entries: what people entered at the machine, by the code on its label; and the list."""

from __future__ import annotations

import json
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends
from pydantic import Field

from cleanside.gateway.wire import MAX_ENTRIES, MAX_ENTRY_BYTES, MAX_INTEGER, instant_text
from cleanside.ingest.api.routes.described_entries import DeviceEntriesAnswer, EntriesTakenAnswer
from cleanside.ingest.api.routes.described_kinds import DeviceEntryContent
from cleanside.ingest.api.routes.devices import Reader, device_for
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.marks import StreamName
from cleanside.ingest.api.routes.paging import P
from cleanside.ingest.api.routes.shared import (
    At,
    Name,
    PathName,
    R,
    Strict,
    needs,
    problems,
    router_of,
    text,
    us,
)
from cleanside.ingest.errors import Complaint, NotValid
from cleanside.ingest.owners.access import require_device
from cleanside.ingest.owners.device_entries import take
from cleanside.ingest.store import device_entries, fleet
from cleanside.ingest.store.device_entries import WAITS, DeviceEntry
from cleanside.ingest.store.keys import Key

router = router_of("devices")


class EntryGiven(Strict):
    """One entry under its number."""

    seq: int = Field(ge=1, le=MAX_INTEGER)
    entry_id: Name = Field(
        description="made by whoever enters it: the same id is the same entry, on a phone and on a gateway",
        examples=["0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c01"],
    )
    at: At
    at_uncertainty_s: float | None = Field(
        None, ge=0, le=4e9, description="how far the time may be off, either way [s]; left out: not known"
    )
    content: DeviceEntryContent = Field(
        description="`what` (new, cleaned, inspected, safety_element), `by` (a name), perhaps `note`. To "
        "take an entry back, an entry of its own: `what` takes_back, `of` the entry_id of the other, `by`. "
        "What cannot be carried out is kept all the same, and blocks none behind it",
        examples=[{"what": "new", "by": "T. Wolny", "note": "seal was dry"}],
    )


class EntriesSent(Strict):
    """The next entries of a device's stream."""

    device: Name
    stream: StreamName
    kept_from: int = Field(ge=1, le=MAX_INTEGER, description="the lowest number that can still be sent")
    entered: list[EntryGiven] = Field(max_length=MAX_ENTRIES, description="empty: asks for the mark alone")


@router.post(
    "/v1/device-entries",
    summary="Send what was entered at the machine",
    description=(
        f"At most {MAX_ENTRIES} entries, in order, of a stream of their own. A gateway sends each until the "
        "mark has passed it; the same id is taken once. An entry made at the machine by the code on the "
        "gateway's label stays a question, and changes no figure, until a person or the readings confirm it. "
        "It is taken back there by an entry of its own (`takes_back`), unless a person stands by it."
    ),
    response_model=EntriesTakenAnswer,
)
@example(
    {
        "device": "{device}",
        "stream": "{stream}",
        "kept_from": 1,
        "entered": [
            {
                "seq": 1,
                "entry_id": "0198c5b2-7d4e-7c11-a1b0-5d2f1a9e4c03",
                "at": "2026-03-01T00:00:00Z",
                "content": {"what": "inspected", "by": "T. Wolny"},
            }
        ],
    },
    plain="entered content entry_id at at_uncertainty_s kept_from seq",
)
def post_device_entries(
    body: EntriesSent, resources: R, key: Annotated[Key, Depends(needs("readings:post"))]
) -> dict[str, Any]:
    """Take entries. The answer comes once they are durable."""
    require_device(key, body.device)
    now_us = resources.clock()
    given = [_entry(entry, body.stream, now_us) for entry in body.entered]
    _refuse_unfit(given)

    def save(connection: sa.Connection) -> int:
        row = fleet.device(connection, key.owner_id, body.device)
        row = row or fleet.keep_device(connection, key.owner_id, body.device)
        return take(connection, key.handle, row, body.stream, body.kept_from, given, now_us)

    mark = resources.writer.call(save)
    server_time = instant_text(resources.clock())
    return {"stream": body.stream, "acknowledged_through": mark, "server_time": server_time}


@router.get(
    "/v1/devices/{device}/entries",
    summary="What was entered at the machine",
    response_model=DeviceEntriesAnswer,
    responses=problems(404),
)
def get_device_entries(device: PathName, resources: R, key: Reader, page: P) -> dict[str, Any]:
    """Entries that came from the gateway, in that order, and what became of each."""
    (after,) = page.after(int) or (0,)
    with resources.reading() as connection:
        row = device_for(connection, key, device)
        found = device_entries.entries_of(connection, row.id, after_id=after, limit=page.limit + 1)
    shown, cursor = page.cut(found, lambda numbered: (numbered[0],))
    return {"device": device, "entries": [_document(entry) for _, entry in shown], "next": cursor}


def _entry(given: EntryGiven, stream: str, now_us: int) -> DeviceEntry:
    at_us = us(given.at)
    assert at_us is not None
    return DeviceEntry(
        entry_id=given.entry_id,
        stream=stream,
        seq=given.seq,
        at_us=at_us,
        at_uncertainty_s=given.at_uncertainty_s,
        content=json.dumps(given.content, ensure_ascii=False),
        received_us=now_us,
        outcome=WAITS,
    )


def _refuse_unfit(given: list[DeviceEntry]) -> None:
    """Raise Refused (422) for what cannot be kept as it is: no gateway of ours sends it."""
    errors = [
        Complaint(f"#/entered/{i}/content", "entry_content_unfit", most=MAX_ENTRY_BYTES)
        for i, entry in enumerate(given)
        if not _fits(entry.content)
    ]
    if errors:
        raise NotValid(*errors)


def _fits(content: str) -> bool:
    try:
        return len(content.encode()) <= MAX_ENTRY_BYTES
    except UnicodeEncodeError:
        return False


def _document(entry: DeviceEntry) -> dict[str, Any]:
    return {
        "entry_id": entry.entry_id,
        "stream": entry.stream,
        "seq": entry.seq,
        "at": text(entry.at_us),
        "at_uncertainty_s": entry.at_uncertainty_s,
        "received_at": text(entry.received_us),
        "content": json.loads(entry.content),
        "outcome": entry.outcome,
    }
