"""
A server in memory that follows the contract, for tests of clients.

Promises: decodes strictly, stores once, distinguishes repeat and conflict, keeps its mark as a prefix; the
test decides when faults happen. Leaves to others: all further checks of a real server (`ingest`).
"""

from __future__ import annotations

import gzip
import json
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from email.utils import formatdate
from typing import Any

from cleanside.gateway.uplink import asking, declaring, entry_lane
from cleanside.gateway.uplink.transport import NoAnswer, Outcome, Reply, Request
from cleanside.gateway.wire import (
    ANSWER_MEDIA_TYPE,
    DATABASE_HEADER,
    PROBLEM_MEDIA_TYPE,
    Answer,
    Batch,
    BatchRefused,
    QuarantineNote,
    StreamAtServer,
    decode,
    encode_answer,
    encode_stream_state,
    instant_text,
    zstd,
)

#: what happens to the next request: an outcome instead of the server's; "lost": it is done, the reply is lost
Fault = Outcome | str


@dataclass
class FakeStream:
    """One stream at the server."""

    device: str
    installation: str | None = None
    #: number -> content as text, the first that arrived
    held: dict[int, str] = field(default_factory=dict)
    #: number -> later contents of the number
    conflicts: dict[int, list[str]] = field(default_factory=dict)
    shed: set[int] = field(default_factory=set)
    opaque: dict[int, bytes] = field(default_factory=dict)

    @property
    def mark(self) -> int:
        """Every number up to it is stored, quarantined or declared shed."""
        mark = 0
        while mark + 1 in self.held or mark + 1 in self.shed or mark + 1 in self.opaque:
            mark += 1
        return mark

    @property
    def highest(self) -> int:
        """The highest number seen."""
        return max([0, *self.held, *self.shed, *self.opaque])


class FakeServer:
    """A `Transport` with the server at its end."""

    def __init__(self, *, now_us: Callable[[], int], previous_release: bool = False) -> None:
        """previous_release : refusals have no server time; a `Date` is made once a second at most."""
        self.streams: dict[str, FakeStream] = {}
        #: used one a request, in order
        self.faults: deque[Fault] = deque()
        #: reading content -> True: a batch that has it is refused with 422
        self.refuses: Callable[[str], bool] = lambda _: False
        self.requests: list[Request] = []
        self.batches: list[Batch] = []
        #: events that were declared by themselves, each once
        self.declared: list[dict[str, Any]] = []
        #: stream of entries -> (number, entry as it came) in the order in which they were taken
        self.entries: dict[str, list[tuple[int, dict[str, Any]]]] = {}
        self.closed = False
        self._now_us = now_us
        self._previous_release = previous_release
        #: id of the database; None: as the previous release, which does not send one
        self.database: str | None = None if previous_release else "database-1"
        #: age of the `Date` of a server of the previous release
        self.date_lag_us = 0

    def send(self, request: Request) -> Outcome:
        """Answer by the contract, unless a fault is due."""
        self.requests.append(request)
        fault = self.faults.popleft() if self.faults else None
        if isinstance(fault, (Reply, NoAnswer)):
            return fault
        reply = self._reply(request)
        if fault == "lost":
            return NoAnswer("the reply was lost")
        # RFC 9110 section 6.6.1: an origin server with a clock sends a Date, cut to the second.
        date = formatdate((self._now_us() - self.date_lag_us) // 1_000_000, usegmt=True)
        headers = {**reply.headers, "date": date}
        if (request_id := request.headers.get("Request-Id")) is not None:
            headers["request-id"] = request_id
        if self.database is not None:
            headers[DATABASE_HEADER.lower()] = self.database
        return replace(self._with_time(reply), headers=headers)

    def _reply(self, request: Request) -> Reply:
        if request.method == "GET":
            return self._get(request)
        if request.path == declaring.DECLARING_PATH:
            return self._declared(request)
        if request.path == entry_lane.ENTRIES_PATH:
            return self._enter(request)
        return self._marks(request) if request.path == asking.PATH else self._post(request)

    def _enter(self, request: Request) -> Reply:
        if self._previous_release:
            return problem(404, "not_found")
        said = json.loads(request.body)
        held = self.entries.setdefault(said["stream"], [])
        mark = max(len(held) and held[-1][0], said["kept_from"] - 1)
        for entry in said["entered"]:
            if entry["seq"] == mark + 1:
                mark = entry["seq"]
                held.append((mark, entry))
        document = {"stream": said["stream"], "acknowledged_through": mark, "refused": []}
        return _ok(json.dumps({**document, "server_time": instant_text(self._now_us())}).encode())

    def _declared(self, request: Request) -> Reply:
        if self._previous_release:
            return problem(404, "no_such_address")
        events = json.loads(request.body)["events"]
        self.declared += [event for event in events if event not in self.declared]
        document = {"confirmed": len(events), "server_time": instant_text(self._now_us())}
        return _ok(json.dumps(document).encode())

    def _marks(self, request: Request) -> Reply:
        if self._previous_release:
            return problem(405, "method_not_allowed")
        names = [asked["stream"] for asked in json.loads(request.body)["streams"]]
        streams = {name: self.streams[name] for name in names if name in self.streams}
        document = {
            "streams": [
                {"stream": name, "acknowledged_through": stream.mark, "highest": stream.highest}
                for name, stream in streams.items()
            ],
            "unknown": [name for name in names if name not in streams],
            "server_time": instant_text(self._now_us()),
        }
        return _ok(json.dumps(document).encode())

    def _with_time(self, reply: Reply) -> Reply:
        """A refusal with the server time, which every answer has."""
        if self._previous_release or reply.media_type != PROBLEM_MEDIA_TYPE:
            return reply
        document = json.loads(reply.body) | {"server_time": instant_text(self._now_us())}
        return replace(reply, body=json.dumps(document).encode())

    def close(self) -> None:
        """Record that it was closed."""
        self.closed = True

    def _get(self, request: Request) -> Reply:
        name = request.path.rpartition("/")[2]
        stream = self.streams.get(name)
        if stream is None:
            return problem(404, "unknown_stream")
        state = StreamAtServer(
            stream=name,
            device=stream.device,
            acknowledged_through=stream.mark,
            highest=stream.highest,
            server_time_us=self._now_us(),
        )
        return _ok(encode_stream_state(state))

    def _post(self, request: Request) -> Reply:
        try:
            batch = decode(unpacked(request))
        except BatchRefused as error:
            return problem(error.status, "batch_refused", str(error))
        contents = [json.dumps(batch.as_sent(i), sort_keys=True) for i in range(len(batch))]
        if any(map(self.refuses, contents)):
            return problem(422, "batch_refused", "the test refuses a reading of it")
        assert batch.stream is not None
        stream = self.streams.setdefault(batch.stream, FakeStream(batch.device))
        if (code := self._clash(stream, batch, contents)) is not None:
            return problem(409, code)
        self.batches.append(batch)
        return _ok(encode_answer(self._take(stream, batch, contents)))

    def _clash(self, stream: FakeStream, batch: Batch, contents: list[str]) -> str | None:
        if stream.device != batch.device:
            return "stream_bound"
        report, sent = batch.gateway, zip(batch.seq or (), contents, strict=True)
        if report is None or (contents and all(stream.held.get(seq) == content for seq, content in sent)):
            return None
        stream.installation = stream.installation or report.installation
        if stream.installation != report.installation or stream.highest > (report.appended_through or 0):
            return "stream_forked"
        return None

    def _take(self, stream: FakeStream, batch: Batch, contents: list[str]) -> Answer:
        stored = duplicates = 0
        notes = []
        for seq, content in zip(batch.seq or (), contents, strict=True):
            first = stream.held.setdefault(seq, content)
            if seq in stream.held and first is content:
                stored += 1
            elif first == content:
                duplicates += 1
            else:
                stream.conflicts.setdefault(seq, []).append(content)
                notes.append(QuarantineNote(first=seq, last=seq, code="number_conflict", detail="taken"))
        for entry in batch.shed:
            stream.shed |= set(range(entry.first, entry.last + 1)) - stream.held.keys()
        if batch.opaque is not None:
            stream.opaque[batch.opaque.seq] = batch.opaque.content
        return Answer(
            stream=batch.stream,
            acknowledged_through=stream.mark,
            stored=stored,
            duplicates=duplicates,
            quarantined=tuple(notes),
            server_time_us=self._now_us(),
        )


def unpacked(request: Request) -> bytes:
    """The body of a request without its content coding."""
    coding = request.headers.get("Content-Encoding", "identity")
    if coding == "zstd":
        return zstd.unpacked(request.body, at_most=8 * 2**20)
    return gzip.decompress(request.body) if coding == "gzip" else request.body


def problem(status: int, code: str, detail: str = "", **headers: str) -> Reply:
    """A problem report as the server writes it. headers : names with `_` for `-`."""
    body = json.dumps({"type": f"/docs/problems/{code}", "code": code, "status": status, "detail": detail})
    fields = {name.replace("_", "-"): value for name, value in headers.items()}
    return Reply(
        status=status, headers={"content-type": PROBLEM_MEDIA_TYPE} | fields, body=body.encode(), trusted=True
    )


def _ok(body: bytes) -> Reply:
    return Reply(status=200, headers={"content-type": ANSWER_MEDIA_TYPE}, body=body, trusted=True)
