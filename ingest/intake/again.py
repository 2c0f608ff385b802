"""
A person asks a gateway to send again from a number on: delivered with the next answer that it gets.

A mark says "everything up to here is at the shop", and a gateway that hears a lower mark than it knows sends
again from there (`gateway.uplink.decision`). So the server answers with a lower mark until the gateway has
sent all up to where it stood when it was asked. Every release of the gateway understands it.
Promises: the true mark, and what is stored, never change; what comes again is a duplicate, or, where it was
lost, stored. Readings that the gateway holds no more it declares shed, so that nothing loops.
Leaves to others: who may ask (`ingest.api.routes.streams`), the answers (`ingest.intake.answers`).
"""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.gateway.wire import Batch
from cleanside.ingest.errors import Complaint, NotFound, NotValid, Refused
from cleanside.ingest.store import audit, streams
from cleanside.ingest.store.marks import Ranges, union
from cleanside.ingest.store.streams import Stream


def ask(
    connection: sa.Connection, owner_id: int, who: str, name: str, first: int, reason: str, now_us: int
) -> Stream:
    """
    Ask for number `first` and all after it up to the mark. Returns the stream as it is then.

    Raises NotFound for a stream that is not this owner's, Refused (422) for a number beyond the mark, (409)
    where no gateway would hear of it.
    """
    stream = _found(connection, owner_id, name)
    if not stream.has_gateway:
        raise Refused("resend_without_gateway", status=409, device=stream.device)
    if not 1 <= first <= stream.mark:
        raise NotValid(Complaint("#/first", "beyond_the_mark", first=first, mark=stream.mark))
    streams.set_again(connection, stream.id, mark=first - 1, through=stream.mark)
    about = {"stream": stream.stream, "device": stream.device, "first": first, "last": stream.mark}
    audit.note(connection, owner_id, now_us, who, "resend_asked", **about, reason=reason)
    return _found(connection, owner_id, name)


def take_back(connection: sa.Connection, owner_id: int, who: str, name: str, now_us: int) -> Stream:
    """Ask no longer; what came until then stays. Raises NotFound."""
    stream = _found(connection, owner_id, name)
    if stream.again_mark is not None:
        streams.set_again(connection, stream.id, mark=None, through=None)
        about = {"stream": stream.stream, "device": stream.device}
        audit.note(connection, owner_id, now_us, who, "resend_taken_back", **about)
    return _found(connection, owner_id, name)


def mark_after(stream: Stream, seen_now: Ranges, batch: Batch) -> int | None:
    """How far a stream that was asked has sent again, with this batch. None: it is done. Pure."""
    assert stream.again_mark is not None
    assert stream.again_through is not None
    mark = stream.again_mark
    for first, last in union(seen_now, [(shed.first, shed.last) for shed in batch.shed]):
        if first <= mark + 1:
            mark = max(mark, last)
    return None if mark >= stream.again_through else mark


def _found(connection: sa.Connection, owner_id: int, name: str) -> Stream:
    stream = streams.find(connection, owner_id, name, lock=True)
    if stream is None:
        raise NotFound("stream", name[:64])
    return stream
