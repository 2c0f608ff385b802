"""Quarantine: which readings, and why."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends, Query, Request, Response

from cleanside.ingest.api.routes.described_held import EntriesAnswer
from cleanside.ingest.api.routes.described_kinds import EntryState
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.names import NAME_PATTERN
from cleanside.ingest.api.routes.paging import P, Page, page_answer
from cleanside.ingest.api.routes.shared import At, Name, R, needs, problems, router_of, shown, span_of, text
from cleanside.ingest.checking.checks import CODES
from cleanside.ingest.errors import Complaint, NotFound, NotValid
from cleanside.ingest.owners.access import devices_seen
from cleanside.ingest.quarantine import keep_second, same_reading
from cleanside.ingest.quarantine.keep_second import FirstReading
from cleanside.ingest.store import fleet, quarantine, reasons, second_readings
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.quarantine import QuarantineRow
from cleanside.ingest.writer.resources import Resources

router = router_of("quarantine")


@router.get(
    "/v1/quarantine",
    summary="Quarantined readings",
    responses=shown(EntriesAnswer, tagged=True) | problems(404),
    response_class=Response,
)
@example(query={"device": "{device}"})
def get_quarantine(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(needs("quarantine:read"))],
    page: P,
    code: Annotated[
        str | None, Query(pattern=NAME_PATTERN, description="only entries with this code")
    ] = None,
    device: Annotated[Name | None, Query(description="only readings of this device")] = None,
    state: Annotated[EntryState, Query(description="only entries in this state")] = "held",
    received_since: Annotated[At | None, Query(description="received from this instant on")] = None,
    received_until: Annotated[At | None, Query(description="received before this instant")] = None,
) -> Response:
    """
    Quarantined readings in order of receipt.

    A key that is bound to devices sees those of its devices; a person of some sites those of these sites.
    """
    received_us = span_of(("received_since", received_since), ("received_until", received_until))
    documents, cursor = list_quarantine(
        resources, key, page, code=code, device=device, state=state, received_us=received_us
    )
    if not documents and not page.after(int):
        _require_known(resources, key, code, device)
    return page_answer(request, "entries", documents, cursor)


def _require_known(resources: Resources, key: Key, code: str | None, device: str | None) -> None:
    """
    Raise Refused where nothing can ever match: 422 for a code that no reading is quarantined for, NotFound
    for a device of which nothing is known.
    """
    if code is not None and code not in CODES:
        raise NotValid(no_such_code("query/code", code))
    if device is None:
        return
    seen = devices_seen(key)
    with resources.reading() as connection:
        is_known = fleet.device(connection, key.owner_id, device) is not None
    if not is_known or (seen is not None and device not in seen):
        raise NotFound("device", device)


def no_such_code(pointer: str, code: str) -> Complaint:
    """That no reading is quarantined for a code; it names those that there are."""
    return Complaint(pointer, "code_not_known", given=code, known=", ".join(sorted(CODES)))


def list_quarantine(
    resources: Resources,
    key: Key,
    page: Page,
    *,
    code: str | None = None,
    device: str | None = None,
    state: EntryState = "held",
    received_us: tuple[int | None, int | None] = (None, None),
) -> tuple[list[dict[str, Any]], str | None]:
    """One page of quarantined readings, and the cursor of the next. None: any."""
    (after_id,) = page.after(int) or (0,)
    with resources.reading() as connection:
        wanted = quarantine.WantedRows(
            state=state,
            code=code,
            device=device,
            among_devices=devices_seen(key),
            received_us=received_us,
            after_id=after_id,
        )
        entries = quarantine.list_of(connection, key.owner_id, wanted, limit=page.limit + 1)
        shown, cursor = page.cut(entries, lambda entry: (entry.id,))
        return _documents(connection, key, shown), cursor


def _documents(connection: sa.Connection, key: Key, entries: Sequence[QuarantineRow]) -> list[dict[str, Any]]:
    """Entries for an answer, with what lies beside them."""
    places = second_readings.places_of(connection, [entry.id for entry in entries])
    firsts = keep_second.first_readings(connection, key.owner_id, entries)
    return [document_of(entry, places.get(entry.id), firsts.get(entry.id)) for entry in entries]


def list_sent_twice(
    resources: Resources, key: Key, page: Page, *, device: str
) -> tuple[list[dict[str, Any]], str | None]:
    """
    One page of what attention asks about: readings of a device in conflict that a copied spool sent twice.

    And the cursor of the next page.
    """
    (after_id,) = page.after(int) or (0,)
    seen = devices_seen(key)
    if seen is not None and device not in seen:
        return [], None
    with resources.reading() as connection:
        twice = same_reading.sent_twice(connection, key.owner_id, device)
        shown, cursor = page.cut((one for one in twice if one.id > after_id), lambda one: (one.id,))
        return _documents(connection, key, shown), cursor


def ascii_json(document: Any) -> Response:
    """JSON in ASCII: quarantined texts may have half characters, which UTF-8 cannot represent."""
    return Response(json.dumps(document), media_type="application/json")


def document_of(
    entry: QuarantineRow, kept: tuple[str, int] | None, first: FirstReading | None
) -> dict[str, Any]:
    """
    An entry for an answer.

    kept : stream and number of its reading, where both were right. first : the other reading of its number.
    """
    return {
        "entry": entry.id,
        "device": entry.device,
        "stream": entry.stream,
        "seq": entry.seq,
        "state": entry.state,
        "code": entry.code,
        "what_to_do": CODES.get(entry.code),
        "reasons": [reason.document() for reason in reasons.read(entry.reasons)],
        "beside_another": entry.beside,
        "other_reading": None if first is None else {"state": first.is_, "content": first.content},
        "content": json.loads(entry.content),
        "amended": None if entry.amended is None else json.loads(entry.amended),
        "kept_as": None if kept is None else {"stream": kept[0], "seq": kept[1]},
        "received_at": text(entry.received_us),
        "checked_again_at": text(entry.recheck_us),
    }
