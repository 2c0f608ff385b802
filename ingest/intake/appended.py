"""
A person lowers the number that a gateway reported as appended: a false report leaves numbers pending for
good.

Promises: the server by itself never lowers it, because reports arrive out of order. A person may lower it to
the highest number seen and no further. The audit log has who, when, why, and the number before.
Leaves to others: who may do it (`ingest.api.routes.streams`, `ingest.commands.appended`).
"""

from __future__ import annotations

import sqlalchemy as sa

from cleanside.ingest.errors import Complaint, NotFound, NotValid
from cleanside.ingest.store import audit, streams
from cleanside.ingest.store.streams import Stream


def lower(
    connection: sa.Connection, owner_id: int, who: str, stream_name: str, to: int, reason: str, now_us: int
) -> Stream:
    """
    Set `appended_through` of a stream to a lower number. Returns the stream as it was before.

    Raises NotFound for a stream that is not this owner's, Refused (422) for a number above the present
    one, or below the highest seen.
    """
    stream = streams.find(connection, owner_id, stream_name, lock=True)
    if stream is None:
        raise NotFound("stream", stream_name[:64])
    if to == stream.appended_through:  # asked again after a lost reply
        return stream
    _refuse_no_lowering(stream, to)
    streams.set_appended(connection, stream.id, to)
    about = {"stream": stream.stream, "from": stream.appended_through, "to": to, "reason": reason}
    audit.note(connection, owner_id, now_us, who, "appended_through_lowered", **about)
    return stream


def _refuse_no_lowering(stream: Stream, to: int) -> None:
    now = stream.appended_through
    if now is None or to > now:
        raise NotValid(Complaint("#/appended_through", "not_lower", number=to, reported=now))
    if to < stream.highest:
        raise NotValid(Complaint("#/appended_through", "below_highest", number=to, highest=stream.highest))
