"""
Entries that people made at the machine, as they go to the server: a stream of their own, apart from readings.

Promises: an answer is believed only if it is one, and speaks of the stream that was sent.
Leaves to others: keeping them (`gateway.spool.machine_entries`), taking them
(`ingest.api.routes.device_entries`).
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from cleanside.gateway.wire.instants import instant_text
from cleanside.gateway.wire.replies import NotAnAnswer, count_in, load_answer


@dataclass(frozen=True, kw_only=True, slots=True)
class MachineEntry:
    """One entry under its number."""

    seq: int
    #: made by whoever enters it: the same id is the same entry, on a phone and on a gateway
    entry_id: str
    #: when the work was done [us since 1970]
    at_us: int
    #: half width of what that may be off [s]; None: not known
    at_uncertainty_s: float | None
    #: `what`, `note`, `by`; a newer gateway may say more
    content: Mapping[str, Any]


def encode_entries(*, device: str, stream: str, kept_from: int, entries: Sequence[MachineEntry]) -> bytes:
    """
    Write the request with the next entries of a stream, at most `MAX_ENTRIES`; none: how far it is held.

    kept_from : the lowest number that can still be sent.
    """
    listed = [_document(entry) for entry in entries]
    document = {"device": device, "stream": stream, "kept_from": kept_from, "entered": listed}
    return json.dumps(document, ensure_ascii=False).encode()


def _document(entry: MachineEntry) -> dict[str, Any]:
    document = {"seq": entry.seq, "entry_id": entry.entry_id, "at": instant_text(entry.at_us)}
    doubt_s = {} if entry.at_uncertainty_s is None else {"at_uncertainty_s": entry.at_uncertainty_s}
    return {**document, **doubt_s, "content": dict(entry.content)}


def decode_entries_mark(body: bytes, *, stream: str, last_sent: int | None) -> int:
    """
    Read the answer: how far the server holds the stream.

    last_sent : highest number of the request; None: it was a question. Raises ValueError where the body is
    no answer to it, or holds more than was sent.
    """
    document = load_answer(body)
    if document.get("stream") != stream:
        raise NotAnAnswer("other_stream", answered=repr(document.get("stream"))[:80], sent=stream)
    mark = count_in(document, "acknowledged_through")
    if last_sent is not None and mark > last_sent:
        raise NotAnAnswer("mark_too_high", mark=mark, highest_sent=last_sent)
    return mark
