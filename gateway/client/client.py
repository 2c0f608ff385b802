"""
A client of the server for integrators: post readings, and read what became of them.

    from gateway.client.client import Client, Reading

    with Client("https://shop.example:8443", key=Path("device.key").read_text()) as server:
        posted = server.post("grader-07-intake", [Reading(at=now, values=..., units=...)])

Promises: what `post` returned for is durable at the server. A call may be made again after any error: the
same readings are stored once. What will pass (no answer, overload) is tried again with growing random waits,
honouring Retry-After, until `give_up_after_s`; what will not is raised with its code and next step.
Leaves to others: a durable queue for a machine without coverage (`gateway.spool.queue` and
`gateway.uplink.loop`).
"""

from __future__ import annotations

import dataclasses
import gzip
import json
import random
import ssl
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Any, Self, cast
from urllib.parse import quote
from uuid import UUID

import httpx

from cleanside.gateway import wire
from cleanside.gateway.client.batches import Layout, batch_of, body_of, halves, parts
from cleanside.gateway.client.failures import (
    InTheWay,
    KeyRefused,
    NotThere,
    RequestRefused,
    ServerAway,
    ServerNotTrusted,
    ServerSaysNo,
    refusal,
)
from cleanside.gateway.client.typed_answers import (
    Account,
    Device,
    ElementAccount,
    ElementLife,
    HousingSeries,
    HousingState,
    Machine,
    QuarantineEntry,
    StoredReading,
)
from cleanside.gateway.errors import SettingsWrong, why
from cleanside.gateway.private import check_key, hidden
from cleanside.gateway.uplink.decision import full_jitter_s
from cleanside.gateway.uplink.retry_after import retry_after_s
from cleanside.gateway.uplink.tls import verified
from cleanside.gateway.uplink.transport import certificate_fault, check_address
from cleanside.gateway.version import VERSION
from cleanside.gateway.wire import Batch, QuarantineNote, Reading, us_of, zstd

__all__ = [
    "Client",
    "InTheWay",
    "KeyRefused",
    "NotThere",
    "Posted",
    "Reading",
    "RequestRefused",
    "ServerAway",
    "ServerNotTrusted",
    "ServerSaysNo",
]

#: temporary statuses (the contract's table): no link, lost reply, broken or overloaded server
TRANSIENT = frozenset({408, 429, 500, 502, 503, 504})
#: what to do about a certificate that was not accepted, by OpenSSL's code (X509_verify_cert_error_string(3))
_ABOUT_CERTIFICATES: Mapping[int, str] = {
    **dict.fromkeys((9, 10), "check this machine's clock, then the server's certificate"),
    **dict.fromkeys((18, 19, 20, 21), "give ca_file= the certificate of the shop's authority"),
    **dict.fromkeys((62, 64), "the address has another name than the certificate"),
}
COMPRESS_FROM_BYTES = 1024  # below it the coding costs more than it saves; chosen
_CODERS: Mapping[str, Callable[[bytes], bytes]] = (
    {"zstd": partial(zstd.packed, level=3)} if zstd.IS_INSTALLED else {}
) | {"gzip": gzip.compress}


@dataclass(kw_only=True, slots=True)
class Posted:
    """The outcome of a post; all its readings are durable."""

    stored: int = 0
    duplicates: int = 0
    #: understood but not believed; by number, or by index where they had none
    quarantined: list[QuarantineNote] = field(default_factory=list)
    #: quarantined readings beyond those listed
    quarantined_more: int = 0
    #: every number up to it is stored, quarantined or shed; None for readings without numbers
    acknowledged_through: int | None = None
    #: numbers that are missing below the highest seen
    gaps: tuple[tuple[int, int], ...] = ()


class Client:
    """One server, one key. Not to be shared between threads; make one for each."""

    def __init__(
        self,
        server: str,
        *,
        key: str,
        ca_file: Path | str | None = None,
        timeout_s: float = 30.0,
        give_up_after_s: float = 300.0,
        transport: httpx.BaseTransport | None = None,
        sleep: Callable[[float], None] = time.sleep,
        monotonic_s: Callable[[], float] = time.monotonic,
        jitter: Callable[[], float] = random.random,
    ) -> None:
        """
        server : HTTPS, or HTTP to loopback. key : as the server showed it, once; of several lines the first.
            Raises SettingsWrong, without the key, for one that HTTP cannot carry.
        ca_file : certificates to trust, and no others, as of an authority of your own; None: those of the
            system and of the package certifi (the file that the environment names in SSL_CERT_FILE takes the
            place of the system's).
        timeout_s : to connect, and for the next part of a request or reply.
        give_up_after_s : of a call with all its tries; 0: one try.
        transport, sleep, monotonic_s, jitter : the world, for tests.
        """
        self._give_up_after_s = give_up_after_s
        self._sleep, self._monotonic_s, self._jitter = sleep, monotonic_s, jitter
        self._codings = list(_CODERS)
        #: which database answered last; another one than before: the server was restored, ask `marks`.
        #: None: none answered yet
        self.database_id: str | None = None
        address = check_address(server)
        verify = _trusted(ca_file) if address.startswith("https") and transport is None else True
        self._http = httpx.Client(
            base_url=address,
            verify=verify,
            headers={"Authorization": f"Bearer {_first(key)}", "User-Agent": f"cleanside-client/{VERSION}"},
            timeout=timeout_s,
            follow_redirects=False,
            trust_env=False,  # a proxy from the environment would see the key
            transport=transport,
        )

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the connection."""
        self._http.close()

    # ------------------------------------------------------------ post

    def post(
        self,
        device: str,
        readings: Iterable[Reading],
        *,
        stream: str | None = None,
        first_seq: int = 1,
        layout: Layout = "columns",
        replace_quarantined: bool = False,
    ) -> Posted:
        """
        Post readings of one device, in as many batches as it takes. Returns once all are durable.

        stream : your own numbering, a UUID; the readings are numbered from `first_seq` on in their order.
            None: one instant, one reading.
        replace_quarantined : a reading takes the place of one with its number (without numbers: its instant)
            that is in quarantine; never of a stored one.
        layout : `columns` is several times smaller; `readings` is easier to read on the wire.
        Raises RequestRefused where a batch will never be taken, ServerAway where time was up; batches before
        it are durable, and all may be posted again. Raises ValueError for a reading without a time.
        """
        posted = Posted()
        for seq, part in parts(readings, first_seq):
            batch = batch_of(device, part, stream=stream, first_seq=seq)
            batch = dataclasses.replace(batch, replace_quarantined=replace_quarantined)
            self._post(batch, layout, posted, index=seq - first_seq)
        return posted

    def _post(self, batch: Batch, layout: Layout, posted: Posted, *, index: int) -> None:
        try:
            reply = self._post_body(body_of(batch, layout))
        except RequestRefused as refused:
            if refused.status != 413 or len(batch) < 2:
                raise
            for half, moved in halves(batch):
                self._post(half, layout, posted, index=index + moved)
            return
        try:
            # The mark may be above these numbers: later batches of the stream may be stored already.
            answer = wire.decode_answer(reply.content, stream=batch.stream, highest_sent=wire.MAX_INTEGER)
        except ValueError as error:
            raise ServerAway(f"the answer is not the server's: {error}") from error
        posted.stored += answer.stored
        posted.duplicates += answer.duplicates
        moved = index if batch.seq is None else 0
        posted.quarantined += [
            dataclasses.replace(n, first=n.first + moved, last=n.last + moved) for n in answer.quarantined
        ]
        posted.quarantined_more += answer.quarantined_more
        posted.acknowledged_through, posted.gaps = answer.acknowledged_through, answer.gaps

    def _post_body(self, body: bytes) -> httpx.Response:
        while True:
            coding = self._codings[0] if self._codings and len(body) >= COMPRESS_FROM_BYTES else None
            headers = {"Content-Type": wire.BATCH_MEDIA_TYPE} | (
                {"Content-Encoding": coding} if coding else {}
            )
            content = _CODERS[coding](body) if coding else body
            try:
                return self._ask("POST", "/v1/readings", content=content, headers=headers)
            except RequestRefused as refused:
                if refused.status != 415 or coding is None:
                    raise
                self._codings.pop(0)  # this server does not take it; the next one, at last none

    def marks(self, device: str, streams: Mapping[str, tuple[int, int]]) -> dict[str, int]:
        """
        Ask how far each of your streams is whole at the server now. Returns the mark of each, by stream.

        streams : stream -> the mark that you were answered last, and the highest number that you gave.
        A mark that is lower than yours means that the server was restored from a backup: post again what is
        above it. 0: the server knows nothing of that stream.
        """
        lines = [
            {"stream": str(UUID(stream)), "acknowledged_through": mark, "appended_through": appended}
            for stream, (mark, appended) in streams.items()
        ]
        found: dict[str, int] = {}
        for first in range(0, len(lines), wire.MAX_STREAMS_ASKED):
            asked = {"device": device, "streams": lines[first : first + wire.MAX_STREAMS_ASKED]}
            answer = self._json("POST", "/v1/streams/marks", asked)
            found |= {line["stream"]: line["acknowledged_through"] for line in answer["streams"]}
        return {stream: found.get(str(UUID(stream)), 0) for stream in streams}

    # ------------------------------------------------------------ register

    def register_machine(
        self, machine: str, *, kind: str | None = None, housings: Sequence[Mapping[str, Any]] = ()
    ) -> Machine:
        """
        Register a machine; the same call again changes nothing.

        housings : `{"housing": "main", "terminal_restriction": {"value": 25, "unit": "inH2O"}}`; the limit
            comes from the engine maker, in the unit printed there.
        """
        body: dict[str, Any] = {"machine": machine, "housings": list(housings)}
        return cast(Machine, self._json("POST", "/v1/machines", body | ({"kind": kind} if kind else {})))

    def register_device(self, device: str, *, machine: str | None = None, housing: str = "main") -> Device:
        """Register a device, on a machine if that is known; the same call again changes nothing."""
        body = {"device": device} | ({"machine": machine, "housing": housing} if machine else {})
        return cast(Device, self._json("POST", "/v1/devices", body))

    # ------------------------------------------------------------ read

    def machines(self) -> Iterator[Machine]:
        """Machines that the key may see, by name."""
        return cast(Iterator[Machine], self.pages("/v1/machines", "machines"))

    def machine(self, machine: str) -> Machine:
        """One machine with its housings, limits and devices."""
        return cast(Machine, self._json("GET", f"/v1/machines/{quote(machine)}"))

    def devices(self) -> Iterator[Device]:
        """Devices that the key may see, by name."""
        return cast(Iterator[Device], self.pages("/v1/devices", "devices"))

    def restriction(
        self, machine: str, *, housing: str = "main", since: datetime | None = None
    ) -> HousingSeries:
        """What is known of one housing now, with its series; since : aware."""
        asked = {"housing": housing} | ({"since": _text(since)} if since is not None else {})
        path = f"/v1/machines/{quote(machine)}/restriction"
        return cast(HousingSeries, self._json("GET", path, params=asked))

    def fleet(self) -> Iterator[HousingState]:
        """What is known of every housing, most urgent first."""
        return cast(Iterator[HousingState], self.pages("/v1/fleet", "housings"))

    def lives(self, machine: str, *, housing: str = "main") -> list[ElementLife]:
        """The element lives of a housing in time order, the running one last."""
        path = f"/v1/machines/{quote(machine)}/lives"
        return cast(list[ElementLife], self._json("GET", path, params={"housing": housing})["lives"])

    def elements(self, machine: str, *, housing: str = "main") -> list[ElementAccount]:
        """The elements of a housing with their cleanings, and what each gave back, in time order."""
        path = f"/v1/machines/{quote(machine)}/lives"
        return cast(list[ElementAccount], self._json("GET", path, params={"housing": housing})["elements"])

    def readings(
        self,
        device: str,
        *,
        since: datetime | None = None,
        until: datetime | None = None,
        units: Mapping[str, str] | None = None,
    ) -> Iterator[StoredReading]:
        """
        Stored readings of a device in order of time, page after page as they are needed.

        since, until : aware; from the one on, before the other. units : quantity -> unit wanted, these
            quantities only; None: all, in SI.
        """
        span = {"since": since, "until": until}
        asked: dict[str, str | Sequence[str]] = {n: _text(at) for n, at in span.items() if at is not None}
        if units:
            asked |= {"quantity": list(units), "unit": [f"{name}:{unit}" for name, unit in units.items()]}
        path = f"/v1/devices/{quote(device)}/readings"
        return cast(Iterator[StoredReading], self.pages(path, "readings", asked))

    def quarantine(
        self, *, code: str | None = None, device: str | None = None, state: str = "held"
    ) -> Iterator[QuarantineEntry]:
        """Quarantined readings, in order of receipt."""
        asked = {"code": code, "device": device, "state": state}
        return cast(Iterator[QuarantineEntry], self.pages("/v1/quarantine", "entries", asked))

    def account(self) -> Account:
        """Where every number of every stream is."""
        return cast(Account, self._json("GET", "/v1/account"))

    def pages(
        self, path: str, name: str, asked: Mapping[str, str | Sequence[str] | None] | None = None
    ) -> Iterator[dict[str, Any]]:
        """The entries of a list, page after page as they are needed."""
        params: dict[str, str | Sequence[str]] = {k: v for k, v in (asked or {}).items() if v is not None}
        while True:
            page = self._json("GET", path, params=params)
            yield from page[name]
            if page.get("next") is None:
                return
            params["cursor"] = page["next"]

    # ------------------------------------------------------------ one question

    def _json(
        self,
        method: str,
        path: str,
        body: Any = None,
        *,
        params: Mapping[str, str | Sequence[str]] | None = None,
    ) -> dict[str, Any]:
        content = None if body is None else json.dumps(body).encode()
        headers = {} if body is None else {"Content-Type": "application/json"}
        reply = self._ask(method, path, content=content, headers=headers, params=params)
        document: dict[str, Any] = reply.json()
        return document

    def _ask(self, method: str, path: str, **more: Any) -> httpx.Response:
        """Ask until there is an answer that will not pass. Raises RequestRefused or ServerAway."""
        until_s = self._monotonic_s() + self._give_up_after_s
        failures = 0
        while True:
            away, wait_s = self._try(method, path, more, failures)
            if isinstance(away, httpx.Response):
                return away
            if self._monotonic_s() + wait_s > until_s:
                raise away
            self._sleep(wait_s)
            failures += 1

    def _try(
        self, method: str, path: str, more: Mapping[str, Any], failures: int
    ) -> tuple[httpx.Response | ServerAway, float]:
        """The answer, or why there is none and how long to wait."""
        wait_s = full_jitter_s(failures, self._jitter())
        try:
            reply = self._http.request(method, path, **more)
        except httpx.RequestError as error:
            if (fault := certificate_fault(error)) is not None:
                next_step = _ABOUT_CERTIFICATES.get(fault, "check the address and ca_file")
                reason = f"its certificate was not accepted: {why(error)}"
                raise ServerNotTrusted(f"{reason}; {next_step}", next_step=next_step) from error
            return ServerAway(f"no answer: {why(error)}"), wait_s
        problem = _problem(reply)
        ours = bool(problem) or (reply.is_success and _media_type(reply) == wire.ANSWER_MEDIA_TYPE)
        if reply.status_code in TRANSIENT or not ours:
            asked_s = retry_after_s(
                reply.headers.get("Retry-After"), date=reply.headers.get("Date"), now=datetime.now(UTC)
            )
            away = ServerAway(
                str(problem.get("detail", f"status {reply.status_code}, not from the server")),
                code=str(problem.get("code", "")),
                next_step=str(problem.get("next_step", "")),
                status=reply.status_code,
            )
            return away, asked_s if asked_s is not None else wait_s
        self.database_id = reply.headers.get(wire.DATABASE_HEADER, self.database_id)
        if problem:
            raise refusal(reply.status_code, problem)
        return reply, 0.0


def _trusted(ca_file: Path | str | None) -> ssl.SSLContext:
    """Raises SettingsWrong for a file that cannot be used."""
    if ca_file is None:
        context = httpx.create_ssl_context(trust_env=False)  # those of certifi
        context.load_default_certs()
        return context
    return verified(
        ca_file=Path(ca_file),
        certificate_file=None,
        certificate_key_file=None,
        where="Client(ca_file=...)",
    )


def _first(key: str) -> str:
    line, *below = key.removeprefix("\ufeff").strip().splitlines() or [""]
    if below:
        raise SettingsWrong("secret_more_than_one_line", file="the key", check="Client(key=...)")
    return check_key(line, where="Client(key=...)")


def _problem(reply: httpx.Response) -> dict[str, Any]:
    """The problem report of our server; empty where the reply is none."""
    if _media_type(reply) != wire.PROBLEM_MEDIA_TYPE:
        return {}
    try:
        document = json.loads(hidden(reply.text))  # a server may repeat the key; our errors never do
    except (ValueError, RecursionError):
        return {}
    return document if isinstance(document, dict) and document.get("code") else {}


def _media_type(reply: httpx.Response) -> str:
    return str(reply.headers.get("Content-Type", "")).partition(";")[0].strip().lower()


def _text(at: datetime) -> str:
    return wire.instant_text(us_of(at))
