"""POST /v1/declared-events: a gateway declares losses and damage, with or without readings behind them."""

from __future__ import annotations

from typing import Annotated, Any

import sqlalchemy as sa
from fastapi import Depends
from pydantic import Field

from cleanside.gateway.wire import MAX_EVENTS_DECLARED, MAX_NAME_LENGTH, DeclaredEvent, instant_text
from cleanside.ingest.api.routes.described import ConfirmedAnswer
from cleanside.ingest.api.routes.described_kinds import DeclaredContent
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.marks import StreamName
from cleanside.ingest.api.routes.shared import Name, R, Strict, needs, router_of, text
from cleanside.ingest.errors import Complaint, Refused
from cleanside.ingest.owners.access import require_device
from cleanside.ingest.store import declared
from cleanside.ingest.store.declared import DeclaredLine
from cleanside.ingest.store.keys import Key

router = router_of("streams")


class EventGiven(Strict):
    """One event, in the form of a batch."""

    stream: StreamName | None = Field(None, description="stream that it belongs to; left out: not known")
    content: DeclaredContent = Field(
        description="a member `event` with its name; kept as it is",
        examples=[{"at_seq": 181, "event": "readings_lost", "source": "ndjson-1", "count": 600}],
    )


class EventsGiven(Strict):
    """Events of one device."""

    device: Name
    events: list[EventGiven] = Field(min_length=1, max_length=MAX_EVENTS_DECLARED)


@router.post(
    "/v1/declared-events",
    summary="Declare losses and damage",
    description=(
        f"At most {MAX_EVENTS_DECLARED} events of a device. A gateway sends them until they are confirmed, "
        "whether readings follow or not. The same event, here or with a batch, is kept once."
    ),
    response_model=ConfirmedAnswer,
)
@example(
    {
        "device": "{device}",
        "events": [{"stream": "{stream}", "content": {"event": "readings_lost", "count": 6}}],
    },
    plain="events content",
)
def post_declared_events(
    body: EventsGiven, resources: R, key: Annotated[Key, Depends(needs("readings:post"))]
) -> dict[str, Any]:
    """Store the events. The answer is sent once they are durable."""
    require_device(key, body.device)
    _refuse_nameless(body.events)
    given = [DeclaredEvent(stream=event.stream, content=event.content) for event in body.events]

    def keep(connection: sa.Connection) -> None:
        declared.keep(connection, key.owner_id, body.device, given, resources.clock())

    resources.writer.call(keep)
    return {"confirmed": len(given), "server_time": instant_text(resources.clock())}


def _refuse_nameless(events: list[EventGiven]) -> None:
    errors = [
        Complaint(f"#/events/{i}/content/event", "event_name_needed")
        for i, event in enumerate(events)
        if not _is_event_name(event.content.get("event"))
    ]
    if errors:
        raise Refused("event_nameless", status=422, code="not_valid", errors=errors)


def _is_event_name(name: object) -> bool:
    return isinstance(name, str) and 0 < len(name) <= MAX_NAME_LENGTH and name.isprintable()


def line_document(line: DeclaredLine) -> dict[str, Any]:
    """The declarations under one name, for an answer."""
    return {
        "device": line.device,
        "stream": line.stream,
        "event": line.event,
        "times": line.times,
        "readings": line.lost,
        "first_at": text(line.first_us),
        "last_at": text(line.last_us),
    }
