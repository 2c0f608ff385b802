"""
Real servers for tests: the app in this process with a clock of the test's own, and the command as a process.

Both come with an owner "plateau", one key for each role, and a second owner "quarry" with an admin key.
"""

from __future__ import annotations

import asyncio
import functools
import json
import os
import select
import signal
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
from anyio import create_task_group, to_thread
from anyio.from_thread import BlockingPortal, start_blocking_portal

from cleanside.gateway.wire import instant_text, parse_instant
from cleanside.ingest.analysis.summarising import recheck_due, run_pass
from cleanside.ingest.api.app import create_app
from cleanside.ingest.api.routes.services import Services, ServingApp, services_in
from cleanside.ingest.owners import access
from cleanside.ingest.settings import Settings, load
from cleanside.ingest.store import database, fleet, keys
from cleanside.ingest.writer.writer import Writer
from tests.support import nursery
from tests.support.databases import SQLITE_FILE, closed_file, is_as_migrated, migrated_sqlite, opened

NOW = "2026-03-02T09:00:00Z"
DEVICE = "grader-07-intake"
STREAM = "019abc00-7e1a-7c3e-8f00-5d2b8a9c0d11"
START_WITHIN_S = 60.0


@dataclass
class SettableClock:
    """The server's time, set by the test."""

    now_us: int = field(default_factory=lambda: parse_instant(NOW).us)

    def __call__(self) -> int:
        return self.now_us

    def advance(self, seconds: float) -> None:
        """Let time pass."""
        self.now_us += int(seconds * 1e6)


def make_keys(url: str, devices: Sequence[str]) -> dict[str, str]:
    """
    A key for each role of owner "plateau", bound to `devices` where roles are; two of owner "quarry".

    SQLite files to which nothing was written yet get the same keys.
    """
    path = database.sqlite_path(url)
    if path is None or not is_as_migrated(path):
        return _made_keys(url, devices)
    content, tokens = _with_keys(tuple(devices))
    path.write_bytes(content)
    return dict(tokens)


@functools.lru_cache(maxsize=8)  # a megabyte each
def _with_keys(devices: tuple[str, ...]) -> tuple[bytes, dict[str, str]]:
    """A SQLite file with the newest schema and with keys, and these."""
    with tempfile.TemporaryDirectory() as folder:
        url = migrated_sqlite(Path(folder))
        tokens = _made_keys(url, devices)
        return closed_file(Path(folder) / SQLITE_FILE), tokens


def _made_keys(url: str, devices: Sequence[str]) -> dict[str, str]:
    tokens: dict[str, str] = {}
    with opened(url) as engine, engine.begin() as connection:
        for owner, roles in (("plateau", access.ROLES), ("quarry", ("admin", "device"))):
            owner_id = fleet.keep_owner(connection, owner, 0)
            for role in roles:
                new = access.new_key()
                bound = list(devices) if role in access.BOUND_ROLES else []
                keys.create(
                    connection,
                    handle=new.handle,
                    secret_hash=new.secret_hash,
                    owner_id=owner_id,
                    role=role,
                    note="",
                    devices=bound,
                    now_us=0,
                )
                tokens[role if owner == "plateau" else f"{owner} {role}"] = new.token
    return tokens


def bearer(token: str) -> dict[str, str]:
    """The header of a key."""
    return {"Authorization": f"Bearer {token}"}


# ---------------------------------------------------------------- in this process


def commits_of(writer: Writer) -> list[int]:
    """A list that grows by the number of jobs with each commit from now on; numbers given before stay."""
    made, tell = list[int](), writer.on_commit

    def count(jobs: int, seconds: float) -> None:
        made.append(jobs)
        tell(jobs, seconds)

    writer.on_commit = count
    return made


def summarise_all(resources: Any) -> None:
    """Summarise everything that is due now."""
    while run_pass(resources).hours:
        pass


class Api:
    """The app in this process, over a real database; background work is run when the test says so."""

    def __init__(
        self,
        app: ServingApp,
        portal: BlockingPortal,
        clock: SettableClock,
        tokens: dict[str, str],
        url: str,
        address: str = "127.0.0.1",
    ) -> None:
        self.app = app
        self._portal = portal
        transport = httpx.ASGITransport(app, raise_app_exceptions=False, client=(address, 50_000))
        self._client = httpx.AsyncClient(transport=transport, base_url="http://ingest.test")
        self.clock = clock
        self.tokens = tokens
        self.url = url

    @property
    def services(self) -> Services:
        """What its routes work with."""
        return services_in(self.app)

    @property
    def resources(self) -> Any:
        """What the app opened."""
        return self.services.resources

    def request(self, method: str, path: str, *, key: str | None = "admin", **more: Any) -> httpx.Response:
        """A request with the key of a role; None: without."""
        headers = dict(more.pop("headers", {}))
        if key is not None:
            headers |= bearer(self.tokens[key])
        return self._portal.call(lambda: self._client.request(method, path, headers=headers, **more))

    def from_address(self, address: str) -> Api:
        """The same app, asked from another address."""
        return Api(self.app, self._portal, self.clock, self.tokens, self.url, address)

    def together(
        self, makers: Sequence[Callable[[], tuple[str, str, Mapping[str, str], bytes]]]
    ) -> list[int]:
        """Requests (method, path, headers, body) at the same moment; their statuses."""

        async def ask() -> list[int]:
            made = [make() for make in makers]
            answers = await asyncio.gather(
                *(self._client.request(m, p, headers=h, content=c) for m, p, h, c in made)
            )
            return [answer.status_code for answer in answers]

        return self._portal.call(ask)

    @contextmanager
    def threads_held(self) -> Iterator[None]:
        """Meanwhile every thread that requests share is busy."""
        let_go = threading.Event()

        async def hold_one() -> None:
            await to_thread.run_sync(lambda: let_go.wait())

        async def hold() -> None:
            limiter = to_thread.current_default_thread_limiter()
            async with create_task_group() as holders:
                for _ in range(int(limiter.total_tokens)):
                    holders.start_soon(hold_one)
                while limiter.available_tokens:
                    await asyncio.sleep(0.001)
                held.set()

        held = threading.Event()
        holding = self._portal.start_task_soon(hold)
        try:
            assert held.wait(START_WITHIN_S)
            yield
        finally:
            let_go.set()
            holding.result(START_WITHIN_S)

    def forget_cookies(self) -> None:
        """A test says itself which cookies a request has."""
        self._client.cookies.clear()

    def get(self, path: str, *, key: str | None = "admin", **more: Any) -> httpx.Response:
        """GET."""
        return self.request("GET", path, key=key, **more)

    def post(self, path: str, document: Any, *, key: str | None = "admin", **more: Any) -> httpx.Response:
        """POST a JSON document."""
        headers = {"Content-Type": "application/json"} | dict(more.pop("headers", {}))
        content = json.dumps(document).encode()  # in ASCII, so that half characters can be sent too
        return self.request("POST", path, key=key, content=content, headers=headers, **more)

    def send(self, document: Mapping[str, Any], *, key: str = "device") -> dict[str, Any]:
        """Post a batch that is expected to be taken."""
        response = self.post("/v1/readings", document, key=key)
        assert response.status_code == 200, response.text
        answer: dict[str, Any] = response.json()
        return answer

    def undo(self, amendment: int, expect: int = 200) -> dict[str, Any]:
        """Undo what a person did with quarantined readings; the answer, which has the status expected."""
        response = self.post(f"/v1/quarantine/amendments/{amendment}/undo", {}, key="operator")
        assert response.status_code == expect, response.text
        document: dict[str, Any] = response.json()
        return document

    def account(self) -> dict[str, Any]:
        """The account of owner plateau."""
        document: dict[str, Any] = self.get("/v1/account").json()
        return document

    def register(self, device: str = DEVICE, machine: str = "grader-07", **more: Any) -> None:
        """A machine with a terminal restriction of 6.2 kPa, and a device on it."""
        limit = {"value": 6.2, "unit": "kPa"}
        housing = {"housing": "main", "terminal_restriction": limit}
        body = {"machine": machine, "kind": "grader", "housings": [housing]}
        assert self.post("/v1/machines", body).status_code == 200
        response = self.post("/v1/devices", {"device": device, "machine": machine, **more})
        assert response.status_code == 200, response.text

    def analyse(self) -> None:
        """Do the background work that is due."""
        summarise_all(self.resources)
        self.services.snapshots.refresh(self.resources, self.services.memory, at_once=True)

    def recheck(self) -> int:
        """Look again at what is quarantined for a time that has come."""
        return recheck_due(self.resources, self.clock())


@contextmanager
def in_process(
    url: str,
    *,
    devices: Sequence[str] = (DEVICE,),
    settings: Settings | None = None,
    tokens: dict[str, str] | None = None,
) -> Iterator[Api]:
    """The app over a migrated database. `tokens`: of keys that it has already; None: they are made."""
    tokens = make_keys(url, devices) if tokens is None else tokens
    clock = SettableClock()
    chosen = settings or load(flags={"database": url}, environ={})
    app = create_app(chosen, clock=clock, analyse=False)
    with (
        start_blocking_portal() as portal,
        portal.wrap_async_context_manager(app.router.lifespan_context(app)),
    ):
        yield Api(app, portal, clock, tokens, url)


# ---------------------------------------------------------------- as a process


class ServerProcess:
    """The command `cleanside-ingest serve` on a free port; can be killed and started again."""

    def __init__(
        self, database_url: str, tokens: dict[str, str], *flags: str, module: str = "ingest"
    ) -> None:
        """flags : further ones of the command. module : what is run; a benchmark has one of its own."""
        self._module = module
        self.database_url = database_url
        self._flags = flags
        self.tokens = tokens
        self.url = ""
        self._process: nursery.Process | None = None
        self._port = 0
        #: further variables of the environment of its next life
        self.environ: dict[str, str] = {}
        #: what it wrote to standard output, in all its lives that have ended
        self.printed = ""
        self._log = tempfile.TemporaryFile()  # noqa: SIM115  # the process writes to it as long as it lives

    def start(self) -> None:
        """Start it, and wait until it takes requests. After a kill it comes back on the same port."""
        arguments = ["serve", "--port", str(self._port), "--database", self.database_url, *self._flags]
        environ = {k: v for k, v in os.environ.items() if not k.startswith("CLEANSIDE_INGEST_")}
        self._process = self._begin(arguments, environ | self.environ)
        line = self._line_within(START_WITHIN_S)
        self.printed += line
        self.url = json.loads(line)["listening"]
        self._port = httpx.URL(self.url).port or 0

    def _begin(self, arguments: Sequence[str], environ: dict[str, str]) -> nursery.Process:
        return nursery.start([self._module, *arguments], stderr=self._log, environ=environ)

    @property
    def pid(self) -> int:
        """Its process id."""
        assert self._process is not None
        return self._process.pid

    @property
    def has_ended(self) -> bool:
        """True once it has ended, by itself or by a signal."""
        assert self._process is not None
        return self._process.poll() is not None

    @property
    def port(self) -> int:
        """The port it listens on."""
        return self._port

    def kill(self) -> None:
        """SIGKILL: no goodbye."""
        self._end(signal.SIGKILL)

    def stop(self) -> int:
        """SIGTERM, and wait. Returns its exit code."""
        return self._end(signal.SIGTERM)

    def wait(self) -> int:
        """Until it has ended by itself. Returns its exit code."""
        assert self._process is not None
        return self._ended(self._process)

    def close(self) -> None:
        """Kill it and free what the test opened for it."""
        if self._process is not None:
            self.kill()
        self._log.close()

    def _end(self, number: signal.Signals) -> int:
        assert self._process is not None
        if self._process.poll() is None:
            self._process.send_signal(number)
        return self._ended(self._process)

    def _ended(self, process: nursery.Process) -> int:
        code = process.wait(START_WITHIN_S)
        if process.stdout is not None and not process.stdout.closed:
            self.printed += process.stdout.read().decode()
            process.stdout.close()
        return code

    def _line_within(self, seconds: float) -> str:
        process = self._process
        assert process is not None
        assert process.stdout is not None
        deadline = time.monotonic() + seconds
        while process.poll() is None and (left := deadline - time.monotonic()) > 0:
            ready, _, _ = select.select([process.stdout], [], [], left)
            if ready and (line := process.stdout.readline()):
                return line.decode()
        raise AssertionError(f"the server did not listen within {seconds} s; it wrote:\n{self.log()}")

    def log(self) -> str:
        """What it wrote to standard error so far."""
        return nursery.written(self._log)

    def client(self, key: str | None = "device") -> httpx.Client:
        """A client with the key of a role."""
        headers = {} if key is None else bearer(self.tokens[key])
        return httpx.Client(base_url=self.url, headers=headers, timeout=30.0, trust_env=False)


@contextmanager
def as_process(url: str, *flags: str, devices: Sequence[str] = (DEVICE,)) -> Iterator[ServerProcess]:
    """A real server over a migrated database. flags : further ones of the command."""
    assert database.sqlite_path(url) is not None or url.startswith("postgresql")
    server = ServerProcess(url, make_keys(url, devices), *flags)
    try:
        server.start()
        yield server
    finally:
        server.close()


# ---------------------------------------------------------------- batches


def batch(first: int, values: Sequence[float], *, stream: str | None = STREAM, **more: Any) -> dict[str, Any]:
    """Consecutive readings of restriction in kPa, 10 s apart; the time follows from the number."""
    start_us = parse_instant("2026-03-02T06:00:00Z").us
    readings = [
        {"seq": first + i, "at": instant_text(start_us + (first + i) * 10_000_000), "restriction": value}
        for i, value in enumerate(values)
    ]
    document: dict[str, Any] = {"device": DEVICE, "stream": stream, "units": {"restriction": "kPa"}}
    if stream is None:
        del document["stream"]
        for reading in readings:
            del reading["seq"]
    return document | {"readings": readings} | more
