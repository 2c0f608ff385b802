"""
The services of the routes, typed and in one place: the app makes them, its lifespan opens and closes the
resources.

Promises: making them opens nothing. They hang on the app, and nothing else does.
Leaves to others: the resources (`ingest.writer.resources`), background threads (`ingest.api.app`).
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from typing import Any

import sqlalchemy as sa
from anyio import CapacityLimiter
from fastapi import FastAPI
from starlette.requests import Request
from starlette.responses import Response
from starlette.types import ASGIApp, Receive, Scope, Send

from cleanside.ingest.analysis.assessment import Judge, View
from cleanside.ingest.analysis.back_then import PastLooks
from cleanside.ingest.analysis.knowledge import Snapshots
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.moved_dates import MovedDates
from cleanside.ingest.analysis.ready_looks import ReadyLooks
from cleanside.ingest.analysis.working_out import WorkingOut
from cleanside.ingest.api.routes.open_streams import OpenStreams
from cleanside.ingest.api.routes.opened_bodies import OpenedBodies, open_all
from cleanside.ingest.errors import Refused, TryAgain
from cleanside.ingest.metrics import Metrics
from cleanside.ingest.owners.access import Keyring
from cleanside.ingest.owners.oidc_provider import OidcProvider, provider_of
from cleanside.ingest.owners.passwords import Passwords
from cleanside.ingest.owners.quotas import Limits
from cleanside.ingest.owners.reach import sees_machine_named
from cleanside.ingest.owners.request_refusals import Refusals
from cleanside.ingest.owners.sessions import Uses
from cleanside.ingest.planning.kept_plans import KeptPlans
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import fleet
from cleanside.ingest.store import keys as key_store
from cleanside.ingest.store import sessions as session_store
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.reported import KnownStreams, StreamsHeld
from cleanside.ingest.writer.asked_together import AskedTogether
from cleanside.ingest.writer.resources import NowUs, Resources, open_resources

log = logging.getLogger("cleanside.ingest")

READINESS_THREADS = 2  # chosen: one may wait for its probe while another answers
LARGE_BODIES_AT_ONCE = 2  # parsers share the lock of the interpreter, so more at once gain nothing; chosen

ErrorPage = Callable[[Request, Mapping[str, Any], Mapping[str, str]], Response | None]


def _no_page(*_: object) -> None:
    """Errors of an app without pages are problem documents."""


@dataclass(kw_only=True)
class Services:
    """The services of one server, for its life."""

    settings: Settings
    clock: NowUs
    limits: Limits
    keyring: Keyring = field(default_factory=Keyring)
    passwords: Passwords = field(default_factory=Passwords)
    session_uses: Uses = field(default_factory=Uses)
    metrics: Metrics = field(default_factory=Metrics)
    refusals: Refusals = field(default_factory=Refusals)
    snapshots: Snapshots = field(default_factory=Snapshots)
    memory: Memory = field(default_factory=Memory)
    #: of fleets as they were at earlier midnights
    past: PastLooks = field(default_factory=PastLooks)
    looks: ReadyLooks = field(init=False)
    moved_dates: MovedDates = field(init=False)
    plans: KeptPlans = field(default_factory=KeptPlans)
    streams: OpenStreams = field(default_factory=OpenStreams)
    #: bodies of batches that arrive at the same time
    bodies: OpenedBodies = field(default_factory=lambda: OpenedBodies(open_all))
    #: questions of gateways for the marks of their streams
    marks_asked: AskedTogether[StreamsHeld, KnownStreams] = field(default_factory=AskedTogether)
    #: keys that are not in memory
    keys_asked: AskedTogether[str | None, Key] = field(default_factory=AskedTogether)
    #: questions whether what was read is as durable as an acknowledgement promises
    confirming: AskedTogether[None, None] = field(default_factory=AskedTogether)
    #: for questions whether the server is ready, when all other threads wait
    readiness_threads: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(READINESS_THREADS))
    #: for decoding large bodies: each takes several times its size while it is parsed
    large_bodies: CapacityLimiter = field(default_factory=lambda: CapacityLimiter(LARGE_BODIES_AT_ONCE))
    #: by which people may sign in; None: none is set
    oidc: OidcProvider | None = None
    #: makes the page of a problem document; it answers None for a request that is for no page
    error_page: ErrorPage = _no_page
    #: called once an admin has a password: the link that makes the first account is worth nothing any more
    on_admin: Callable[[], None] = lambda: None
    #: None: not opened yet
    opened: Resources | None = None

    def __post_init__(self) -> None:
        self.moved_dates = MovedDates(self.memory)
        self.looks = ReadyLooks(self.memory, self.past)

    @property
    def resources(self) -> Resources:
        """The resources that the lifespan opened."""
        assert self.opened is not None, "no request comes before the lifespan"
        return self.opened

    @contextmanager
    def open(self) -> Iterator[Resources]:
        """Open the database, and count commits. Raises CalledWrongly where another process serves it."""
        with open_resources(self.settings, self.clock) as resources:
            self.opened = resources
            watched = self.metrics.watch(resources, lambda: self.snapshots.failing)
            resources.writer.on_commit = self.metrics.committed
            try:
                yield resources
            finally:
                self.metrics.unwatch(watched)

    def judge(
        self,
        connection: sa.Connection,
        key: Key,
        *,
        now_us: int | None = None,
        working_out: WorkingOut | None = None,
    ) -> Judge:
        """
        The judge of housings for who reads. Its views name no machine that the key may not see.

        now_us : at that instant; None: now. working_out : of a request that looks at more; None: of its own.
        """
        return Judge(
            connection,
            self.resources,
            self.memory,
            self.snapshots.of(connection, key.owner_id),
            now_us=now_us,
            may_name=partial(sees_machine_named, connection, key),
            working_out=working_out,
        )

    def views(self, connection: sa.Connection, owner_id: int) -> list[View]:
        """The present views of an owner's housings, for webhooks and matters: these name any machine."""
        housings = fleet.housings_in_use(connection, owner_id)
        snapshot = self.snapshots.of(connection, owner_id)
        return Judge(connection, self.resources, self.memory, snapshot).views(housings, whole_owner=True)

    def count_refusal(self, request: Request, error: Refused) -> None:
        """Count a refusal, where it is one of authorisation."""
        self.refusals.count(error, getattr(request.state, "key", None), host_of(request), self.clock())

    async def confirm(self) -> None:
        """`Resources.confirm` of all requests that ask at the same time, in few threads. Raises TryAgain."""
        if self.settings.awaits_standby:
            await self.confirming.ask(self._confirm_all, None)

    def _confirm_all(self, askers: Sequence[None]) -> Sequence[None]:
        self.resources.confirm()
        return askers

    def write_down(self) -> None:
        """Write the last uses of keys, and the counts of refusals."""
        run = self.resources.writer.call_patiently
        self.refusals.flush(run)
        if seen := self.session_uses.take():
            run(lambda connection: session_store.seen(connection, seen))
        if uses := self.keyring.take_uses():

            def save(connection: sa.Connection) -> None:
                key_store.used(connection, uses)

            run(save)

    def write_down_last(self) -> None:
        """The same at the end. Where no commit gets through, what is in memory ends with the process."""
        try:
            self.write_down()
        except TryAgain as error:
            log.warning("ingest.uses_not_written", extra={"reason": error.reason})


def new_services(settings: Settings, clock: NowUs) -> Services:
    """The services of a server with these settings, not opened yet."""
    limits = Limits(
        key_requests_per_s=settings.key_requests_per_s,
        key_bytes_per_s=settings.key_bytes_per_s,
        address_tries_per_minute=settings.address_tries_per_minute,
    )
    oidc = provider_of(
        issuer=settings.oidc_issuer,
        client_id=settings.oidc_client_id,
        secret_file=settings.oidc_client_secret_file,
        name=settings.oidc_name,
        now_us=clock,
    )
    return Services(settings=settings, clock=clock, limits=limits, oidc=oidc)


class ServingApp(FastAPI):
    """An app with its services, and with addresses that go past what the framework does for the others."""

    services: Services
    #: (method, path) -> what answers there
    past: Mapping[tuple[str, str], ASGIApp]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer."""
        direct = None if scope["type"] != "http" else self.past.get((scope["method"], scope["path"]))
        if direct is None:
            await super().__call__(scope, receive, send)
            return
        scope["app"] = self
        await direct(scope, receive, send)


def services_in(app: ServingApp) -> Services:
    """The services of an app."""
    return app.services


def services_of(request: Request) -> Services:
    """The services of the app of a request."""
    services: Services = request.scope["app"].services
    return services


def host_of(request: Request) -> str | None:
    """The address of a request; a proxy's header counts only where the settings name the proxy."""
    return None if request.client is None else request.client.host
