"""
Readings sent while their storage changes form: clients with a log of their own, and who compares with it.

The log is independent of the server: each client writes down what it sent and what was acknowledged.
"""

from __future__ import annotations

import itertools
import math
import random
import threading
import time
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

import httpx

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.store import account, database
from tests.support import held
from tests.support.serving import DEVICE, ServerProcess, batch, bearer

PIECES = (1, 1, 1, 2, 7, 25)  # readings of a post
SEND_EVERY_S = 0.03  # so that each round of a run has not many more to unpack than the last; chosen
LOOK_EVERY_S = 0.5
RETRY_AFTER_S = 0.1  # leaves the processor to the server that starts
GIVE_UP_AFTER_S = 180.0
PAGE = 2_000
STEP_US = 10_000_000  # between two readings, as `batch` has it
START_US = parse_instant("2026-03-02T06:00:00Z").us


class NotKept(AssertionError):
    """A reading is missing, there twice, changed, or was never sent."""


class Loader(threading.Thread):
    """A thread whose fault is found by the one that waits for it."""

    def __init__(self) -> None:
        super().__init__(daemon=True)
        self.enough = threading.Event()
        self.fault: BaseException | None = None

    def run(self) -> None:
        """Work until it is enough."""
        try:
            self.work()
        except BaseException as error:
            self.fault = error

    def work(self) -> None:
        """What it does."""
        raise NotImplementedError

    def end(self) -> None:
        """Let it finish. Raises what it found."""
        self.enough.set()
        self.join(2 * GIVE_UP_AFTER_S)
        if self.fault is not None:
            raise self.fault


class MergeClient(Loader):
    """Sends pieces of a stream, each again until it is acknowledged; some out of order, some twice."""

    def __init__(self, servers: Sequence[ServerProcess], client: int, seed: int) -> None:
        super().__init__()
        self._servers, self._client = servers, client
        self._chance = random.Random(1_000 * seed + client)
        self.stream = f"019abc00-7e1a-7c3e-8f03-{client:012d}"
        #: number -> value [kPa], before it is sent
        self.sent: dict[int, float] = {}
        self.acknowledged: set[int] = set()
        self.resent = 0

    def work(self) -> None:
        """Send."""
        headers = bearer(self._servers[0].tokens["device"])
        with httpx.Client(headers=headers, timeout=10.0, trust_env=False) as http:
            for piece in self._pieces():
                self._send(http, piece)
                self.enough.wait(SEND_EVERY_S)

    def _pieces(self) -> Iterator[range]:
        first, late = 1, range(0)
        while not self.enough.is_set():
            piece = range(first, first + self._chance.choice(PIECES))
            first, what = piece.stop, self._chance.random()
            if what < 0.1 and not late:  # it goes after later ones
                late = piece
                continue
            yield piece
            if what > 0.95:  # as if its answer had been lost
                yield piece
            if late and what > 0.6:
                yield late
                late = range(0)
        if late:
            yield late

    def _send(self, http: httpx.Client, piece: range) -> None:
        values = {seq: self._client + 1 + seq % 97 / 100 for seq in piece}
        document = batch(piece.start, list(values.values()), stream=self.stream)
        self.sent = self.sent | values  # another thread goes through it
        give_up_at = time.monotonic() + GIVE_UP_AFTER_S
        for server in itertools.islice(itertools.cycle(self._servers), self._client, None):
            if _posted(http, server, document):
                self.acknowledged = self.acknowledged | values.keys()
                return
            self.resent += 1
            if time.monotonic() > give_up_at:
                raise NotKept(f"client {self._client}: {piece} was not acknowledged for {GIVE_UP_AFTER_S} s")
            time.sleep(RETRY_AFTER_S)


def _posted(http: httpx.Client, server: ServerProcess, document: Mapping[str, Any]) -> bool:
    try:
        response = http.post(f"{server.url}/v1/readings", json=document)
    except httpx.TransportError:
        return False
    if response.status_code not in (200, 503):
        raise NotKept(f"{response.status_code} {response.text}")
    return response.status_code == 200


class MergeWatcher(Loader):
    """Asks for pages of readings, and compares each with what was acknowledged before it was asked for."""

    def __init__(self, servers: Sequence[ServerProcess], clients: Sequence[MergeClient], seed: int) -> None:
        super().__init__()
        self._servers, self._clients = servers, clients
        self._chance = random.Random(seed)
        self.pages = 0

    def work(self) -> None:
        """Ask."""
        headers = bearer(self._servers[0].tokens["admin"])
        with httpx.Client(headers=headers, timeout=30.0, trust_env=False) as http:
            while not self.enough.wait(LOOK_EVERY_S):
                self._look(http)

    def _look(self, http: httpx.Client) -> None:
        before = {client.stream: client.acknowledged for client in self._clients}
        first = self._chance.randrange(1, 2 + max(map(len, before.values())))
        server = self._chance.choice(self._servers)
        query: dict[str, str | int] = {
            "since": _at(first),
            "limit": PAGE,
            "quantity": "restriction",
            "unit": "restriction:kPa",
        }
        try:
            answer = http.get(f"{server.url}/v1/devices/{DEVICE}/readings", params=query)
        except httpx.TransportError:
            return
        if answer.status_code == 503:
            return
        if answer.status_code != 200:
            raise NotKept(f"{answer.status_code} {answer.text}")
        page = answer.json()
        sent = {client.stream: client.sent for client in self._clients}
        compare_page(first, page["readings"], before, sent, is_last=page["next"] is None)
        self.pages += 1


def _at(seq: int) -> str:
    return instant_text(START_US + seq * STEP_US)


def compare_page(
    first: int,
    page: Sequence[Mapping[str, Any]],
    before: Mapping[str, set[int]],
    sent: Mapping[str, Mapping[int, float]],
    *,
    is_last: bool,
) -> None:
    """
    Raise NotKept where a page of readings from number `first` on is not what was sent. Pure.

    before : by stream, what was acknowledged before the page was asked for. sent : until it came.
    """
    found = Counter((reading["stream"], reading["seq"]) for reading in page)
    if twice := [number for number, times in found.items() if times > 1]:
        raise NotKept(f"a page from number {first} on has twice: {twice[:5]}")
    for reading in page:
        value = sent[reading["stream"]].get(reading["seq"], math.nan)
        if reading["at"] != _at(reading["seq"]) or not math.isclose(reading["restriction"], value):
            raise NotKept(f"never sent: {reading}")
    # A page that is not the last may end between the readings of one instant.
    last = math.inf if is_last else page[-1]["seq"] - 1
    for stream, numbers in before.items():
        missing = [seq for seq in numbers if first <= seq <= last and (stream, seq) not in found]
        if missing:
            raise NotKept(f"a page from number {first} on is without {sorted(missing)[:5]} of {stream}")


def compare_all(url: str, clients: Sequence[MergeClient]) -> int:
    """
    Compare everything that is at rest with the logs, at one instant, also while servers run.

    Returns how many readings. Raises NotKept.
    """
    before = {client.stream: client.acknowledged for client in clients}
    engine = database.reading_engine(url)
    with database.view(engine) as connection:
        rows = held.stored(connection)
        unbalanced = [a for a in account.accounts(connection) if not a.balances]
    engine.dispose()
    if unbalanced:
        raise NotKept(f"does not balance: {unbalanced}")
    page = [
        {"stream": row["stream"], "seq": row["seq"], "at": instant_text(row["at_us"])}
        | {"restriction": row["restriction_pa"] / 1000}
        for row in rows
    ]
    compare_page(1, page, before, {client.stream: client.sent for client in clients}, is_last=True)
    return len(rows)
