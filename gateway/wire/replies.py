"""
The server's answers to batches and about streams, written and read strictly.
"""

from __future__ import annotations

import json
import uuid
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, ClassVar

import orjson

from cleanside.gateway.wire.coded import Coded, Sentences
from cleanside.gateway.wire.instants import instant_text, parse_instant
from cleanside.gateway.wire.limits import MAX_LISTED, BatchRefused
from cleanside.gateway.wire.notes import kind_of, shown
from cleanside.gateway.wire.strict_json import load_json


class NotAnAnswer(Coded, ValueError):
    """The body is no answer of the server to this batch: it releases nothing."""

    SENTENCES: ClassVar[Sentences] = {
        "other_streams": "the answer speaks of other streams than were asked",
        "other_stream": "the answer speaks of stream {answered}, sent was {sent}",
        "mark_too_high": "the answer acknowledges through {mark}, the highest number sent is {highest_sent}",
        "other_stream_asked": "the answer speaks of stream {answered}, asked was {asked}",
        "not_an_object": "the answer is not ours: it is {kind}",
        "not_a_count": "the answer is not ours: {key} is {value}",
        "no_server_time": "the answer is not ours: it has no server_time",
        "no_marks": "the answer is not ours: it has no marks of streams",
        "not_json": "the answer is not ours: {why}",
        "gaps_unreadable": "the answer is not ours: gaps is not a list of pairs",
        "notes_unreadable": "the answer is not ours: quarantined is not a list of notes",
    }


@dataclass(frozen=True, kw_only=True, slots=True)
class QuarantineNote:
    """Quarantined readings first..last (numbers, or indexes where the batch had none), and why."""

    first: int
    last: int
    code: str
    detail: str
    #: of a `number_conflict`: where the other reading of the number is ("stored", "quarantined" or
    #: "discarded"); None: it is no conflict, or an older server that does not send it
    other_is: str | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Answer:
    """The server's answer to a batch, once it is durable."""

    #: as in the batch; None where it had none
    stream: str | None = None
    #: every number 1..n is stored, quarantined or declared shed; None where the batch had no stream
    acknowledged_through: int | None = None
    stored: int = 0
    duplicates: int = 0
    gaps: tuple[tuple[int, int], ...] = ()
    quarantined: tuple[QuarantineNote, ...] = ()
    #: entries of `gaps` and `quarantined` beyond those listed
    gaps_more: int = 0
    quarantined_more: int = 0
    server_time_us: int


@dataclass(frozen=True, kw_only=True, slots=True)
class StreamAtServer:
    """The state of a stream at the server."""

    stream: str
    device: str
    acknowledged_through: int
    #: the highest number seen
    highest: int
    gaps: tuple[tuple[int, int], ...] = ()
    gaps_more: int = 0
    server_time_us: int


@dataclass(frozen=True, kw_only=True, slots=True)
class AskedStream:
    """A stream in a gateway's question for its mark."""

    stream: str
    #: the server's last mark
    acknowledged_through: int
    #: the highest number appended so far
    appended_through: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """The server's mark of a stream; 0 for one that it does not know."""

    acknowledged_through: int = 0
    highest: int = 0


def encode_marks_question(device: str, streams: Sequence[AskedStream]) -> bytes:
    """Write the question for the marks of several streams of a device, at most `MAX_STREAMS_ASKED`."""
    return json.dumps({"device": device, "streams": [asdict(asked) for asked in streams]}).encode()


def decode_marks(body: bytes, *, asked: Collection[str]) -> dict[str, Mark | None]:
    """
    Read the answer: stream -> its mark, None for one that the server does not know.

    Raises ValueError where the body is not our answer, or has other streams than the question.
    """
    document = load_answer(body)
    marks: dict[str, Mark | None] = {}
    try:
        for entry in document["streams"]:
            marks[entry["stream"]] = Mark(
                acknowledged_through=count_in(entry, "acknowledged_through"),
                highest=count_in(entry, "highest"),
            )
        marks |= dict.fromkeys(document["unknown"])
    except (KeyError, TypeError, AttributeError):
        raise NotAnAnswer("no_marks") from None
    if marks.keys() != set(asked):
        raise NotAnAnswer("other_streams")
    return marks


@dataclass(frozen=True, kw_only=True, slots=True)
class DeclaredEvent:
    """An event that is sent until the server confirms it, in the form of a batch."""

    #: its stream; None: unknown, because the spool's disk is dead
    stream: str | None
    #: with `event` and, where known, `at_seq`
    content: Mapping[str, Any]


#: member of an event that comes from an earlier file of the spool, or was declared past it: its `stream` and
#: `at_seq` when it was sent at first, each null if it had none
SENT_FIRST = "sent_first"


def as_sent_first(stream: str, content: Mapping[str, Any]) -> DeclaredEvent:
    """An event of a batch of `stream` as it was sent at first; what does not say so stays as it is."""
    first = content.get(SENT_FIRST)
    if not isinstance(first, Mapping):
        return DeclaredEvent(stream=stream, content=content)
    before, at_seq = first.get("stream"), first.get("at_seq")
    members = {name: value for name, value in content.items() if name not in (SENT_FIRST, "at_seq")}
    numbered = {"at_seq": at_seq} if type(at_seq) is int else {}
    return DeclaredEvent(stream=before if _is_uuid(before) else None, content=numbered | members)


def _is_uuid(text: Any) -> bool:
    try:
        return isinstance(text, str) and str(uuid.UUID(text)) == text
    except ValueError:
        return False


def encode_declared(device: str, events: Sequence[DeclaredEvent]) -> bytes:
    """Write the request that declares events of a device, at most `MAX_EVENTS_DECLARED`."""
    listed = [{"stream": event.stream, "content": dict(event.content)} for event in events]
    return json.dumps({"device": device, "events": listed}).encode()


def decode_confirmed(body: bytes) -> int:
    """Read the answer: how many events are durable. Raises ValueError where the body is no such answer."""
    return count_in(load_answer(body), "confirmed")


def encode_answer(answer: Answer) -> bytes:
    """Write an answer. Lists are cut at `MAX_LISTED`; further entries are counted."""
    numbered = answer.stream is not None
    document: dict[str, Any] = {}
    if numbered:
        document |= {"stream": answer.stream, "acknowledged_through": answer.acknowledged_through}
    document |= {"stored": answer.stored, "duplicates": answer.duplicates}
    if numbered:
        document |= _listed("gaps", [list(gap) for gap in answer.gaps], answer.gaps_more)
    notes = [_note_document(note, "seq" if numbered else "index") for note in answer.quarantined]
    document |= _listed("quarantined", notes, answer.quarantined_more)
    document["server_time"] = instant_text(answer.server_time_us)
    return orjson.dumps(document)


def encode_stream_state(state: StreamAtServer) -> bytes:
    """Write the state of a stream at the server."""
    document: dict[str, Any] = {"stream": state.stream, "device": state.device}
    document |= {"acknowledged_through": state.acknowledged_through, "highest": state.highest}
    document |= _listed("gaps", [list(gap) for gap in state.gaps], state.gaps_more)
    document["server_time"] = instant_text(state.server_time_us)
    return json.dumps(document).encode()


def _listed(key: str, entries: list[Any], more: int) -> dict[str, Any]:
    rest = more + max(0, len(entries) - MAX_LISTED)
    return {key: entries[:MAX_LISTED]} | ({f"{key}_more": rest} if rest else {})


def _note_document(note: QuarantineNote, key: str) -> dict[str, Any]:
    span = {key: note.first} if note.first == note.last else {key: note.first, f"last_{key}": note.last}
    other = {} if note.other_is is None else {"other_is": note.other_is}
    return span | {"code": note.code, "detail": note.detail} | other


def decode_answer(body: bytes, *, stream: str | None, highest_sent: int | None) -> Answer:
    """
    Read an answer to a batch.

    stream, highest_sent : of the sent batch. Raises ValueError where the body is not our answer, is for
    another stream, or acknowledges numbers that were never sent: such an answer releases nothing.
    """
    document = load_answer(body)
    if document.get("stream") != stream:
        raise NotAnAnswer("other_stream", answered=shown(document.get("stream")), sent=stream)
    mark = document.get("acknowledged_through")
    if stream is not None and (type(mark) is not int or not 0 <= mark <= (highest_sent or 0)):
        raise NotAnAnswer("mark_too_high", mark=shown(mark), highest_sent=highest_sent)
    key = "seq" if stream is not None else "index"
    return Answer(
        stream=stream,
        acknowledged_through=mark,
        stored=count_in(document, "stored"),
        duplicates=count_in(document, "duplicates"),
        gaps=_gaps(document),
        gaps_more=count_in(document, "gaps_more", 0),
        quarantined=tuple(_read_notes(document, key)),
        quarantined_more=count_in(document, "quarantined_more", 0),
        server_time_us=_server_time(document),
    )


def decode_stream_state(body: bytes, *, stream: str) -> StreamAtServer:
    """Read the state of a stream at the server. Raises ValueError where the body is no such answer."""
    document = load_answer(body)
    if document.get("stream") != stream or not isinstance(document.get("device"), str):
        raise NotAnAnswer("other_stream_asked", answered=shown(document.get("stream")), asked=stream)
    return StreamAtServer(
        stream=stream,
        device=document["device"],
        acknowledged_through=count_in(document, "acknowledged_through"),
        highest=count_in(document, "highest"),
        gaps=_gaps(document),
        gaps_more=count_in(document, "gaps_more", 0),
        server_time_us=_server_time(document),
    )


def load_answer(body: bytes) -> dict[str, Any]:
    """An answer as a JSON object. Raises NotAnAnswer."""
    try:
        document = load_json(body)
    except BatchRefused as error:
        raise NotAnAnswer("not_json", why=str(error)) from None
    if not isinstance(document, dict):
        raise NotAnAnswer("not_an_object", kind=kind_of(document))
    return document


def count_in(document: dict[str, Any], key: str, default: int | None = None) -> int:
    """A whole number from 0 up. default : if it is left out; None: it must be there. Raises NotAnAnswer."""
    value = document.get(key, default)
    if type(value) is not int or value < 0:
        raise NotAnAnswer("not_a_count", key=key, value=shown(value))
    return value


def _gaps(document: dict[str, Any]) -> tuple[tuple[int, int], ...]:
    gaps = document.get("gaps", [] if "stream" not in document else None)
    if not isinstance(gaps, list) or not all(isinstance(gap, list) and _is_span(gap) for gap in gaps):
        raise NotAnAnswer("gaps_unreadable")
    return tuple((first, last) for first, last in gaps)


def _is_span(numbers: Sequence[object]) -> bool:
    """True for a first and a last number, or index, in this order."""
    match numbers:
        case (int(first), int(last)):
            return type(first) is type(last) is int and 0 <= first <= last
    return False


def _read_notes(document: dict[str, Any], key: str) -> Iterable[QuarantineNote]:
    try:
        for entry in document["quarantined"]:
            note = QuarantineNote(
                first=entry[key],
                last=entry.get(f"last_{key}", entry[key]),
                code=entry["code"],
                detail=entry["detail"],
                other_is=entry.get("other_is"),
            )
            if not _is_span((note.first, note.last)) or not _are_texts(note):
                raise TypeError
            yield note
    except (KeyError, TypeError, AttributeError):
        raise NotAnAnswer("notes_unreadable") from None


def _are_texts(note: QuarantineNote) -> bool:
    texts: tuple[object, ...] = (note.code, note.detail, note.other_is or "")
    return all(isinstance(text, str) for text in texts)


def _server_time(document: dict[str, Any]) -> int:
    value = document.get("server_time")
    if not isinstance(value, str):
        raise NotAnAnswer("no_server_time")
    return parse_instant(value).us
