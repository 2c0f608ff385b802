"""
The app: routes, errors and limits put together; resources are opened by its lifespan and nowhere else.

Promises: importing does nothing; `create_app` opens nothing; what the lifespan opened it closes in order.
"""

from __future__ import annotations

import pkgutil
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version

import sqlalchemy as sa
from fastapi import FastAPI, Request
from fastapi.routing import APIRoute

from cleanside.ingest.analysis.assessment import Judge, View
from cleanside.ingest.analysis.knowledge import Learner, Snapshots
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.summarising import Analyst
from cleanside.ingest.api import description, problems, routes
from cleanside.ingest.api.compression import Compressed
from cleanside.ingest.api.edge import Edge
from cleanside.ingest.api.head import HeadLikeGet
from cleanside.ingest.api.routes import bundles, enrolment, readings
from cleanside.ingest.errors import Refused
from cleanside.ingest.keeping.retention import Keeper
from cleanside.ingest.metrics import Metrics
from cleanside.ingest.owners.access import Keyring
from cleanside.ingest.owners.quotas import Limits
from cleanside.ingest.owners.request_refusals import Refusals
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import fleet
from cleanside.ingest.store import keys as key_store
from cleanside.ingest.webhooks.courier import Courier
from cleanside.ingest.writer.resources import NowUs, open_resources

API_DESCRIPTION = """
Air-filter restriction of diesel machines: readings come in once each, whatever the link does; out come how
loaded an element is and when it will be due.

Every error is application/problem+json with a stable `code`. HEAD answers like GET, without content; gzip is
sent in answer to GET, to those who take it. Times are RFC 3339 in UTC. A status is advice:
the engine maker's service limit and manual come first.
"""


def system_clock() -> int:
    """Microseconds since 1970 UTC."""
    return time.time_ns() // 1000


def create_app(settings: Settings, *, clock: NowUs = system_clock, analyse: bool = True) -> FastAPI:
    """
    The app for these settings. Its database must have the newest schema (`database.require_newest`).

    clock : the server's time, microseconds since 1970. analyse : False leaves the background work out.
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        with open_resources(settings, clock) as resources:
            app.state.resources = resources
            watched = app.state.metrics.watch(resources, lambda: app.state.snapshots.failing)
            resources.writer.on_commit = app.state.metrics.committed
            analyst = Analyst(resources, on_pass=lambda: write_down(app))
            learner = Learner(resources, app.state.snapshots, app.state.memory)
            keeper = Keeper(resources)
            courier = Courier(resources, lambda connection, owner_id: _views(app, connection, owner_id))
            if analyse:
                analyst.start()
                learner.start()
                keeper.start()
                courier.start()
            try:
                yield
            finally:
                resources.stopping.set()
                app.state.metrics.unwatch(watched)
                if analyse:
                    analyst.join()
                    learner.join()
                    keeper.join()
                    courier.join()
                write_down(app)

    app = FastAPI(
        title="cleanside",
        version=_version(),
        lifespan=lifespan,
        docs_url=None,  # their pages load scripts from elsewhere; the description is at /openapi.json
        redoc_url=None,
        redirect_slashes=False,  # it would send the client, with its key, to whatever Host says
    )
    app.state.clock = clock
    app.state.metrics = Metrics()
    app.state.keyring = Keyring()
    app.state.limits = Limits(
        key_requests_per_s=settings.key_requests_per_s,
        key_bytes_per_s=settings.key_bytes_per_s,
        address_tries_per_minute=settings.address_tries_per_minute,
    )
    app.state.refusals = Refusals()
    app.state.count_refusal = _count_refusal
    app.state.snapshots = Snapshots()
    app.state.memory = Memory()
    app.state.routes = all_routes()
    # As they stand: including their routers would make each route a second time, at the first request.
    app.router.routes.extend(app.state.routes)
    app.router.routes.insert(0, readings.Direct())  # first, because it is nearly all that is asked
    problems.install(app)
    description.install(app, API_DESCRIPTION, app.state.routes)
    app.add_middleware(Compressed)  # the last that is added is the first that is asked
    app.add_middleware(HeadLikeGet)
    app.add_middleware(
        Edge,
        limits={
            bundles.PATH: settings.max_bundle_bytes,
            enrolment.ENROL_PATH: enrolment.MAX_ENROL_BYTES,
        },
        metrics=app.state.metrics,
        access_log=settings.access_log,
    )
    return app


def all_routes() -> list[APIRoute]:
    """Every route of the API: those of each file of `ingest.api.routes` that has a router."""
    names = sorted(file.name for file in pkgutil.iter_modules(routes.__path__))
    modules = [import_module(f"{routes.__name__}.{name}") for name in names]
    routers = [module.router for module in modules if hasattr(module, "router")]
    return [route for router in routers for route in router.routes if isinstance(route, APIRoute)]


def _views(app: FastAPI, connection: sa.Connection, owner_id: int) -> list[View]:
    """The housings of an owner as seen now."""
    known = app.state.snapshots.of(connection, owner_id)
    judge = Judge(connection, app.state.resources, app.state.memory, known)
    return judge.views(fleet.every_housing(connection, owner_id), whole_owner=True)


def _count_refusal(request: Request, error: Refused) -> None:
    """Count a refusal, where it is one of authorisation."""
    host = request.client.host if request.client is not None else None
    key = getattr(request.state, "key", None)
    request.app.state.refusals.count(error, key, host, request.app.state.resources.clock())


def write_down(app: FastAPI) -> None:
    """Write down when keys were last used, and who was refused."""
    app.state.refusals.flush(app.state.resources.writer.call)
    if uses := app.state.keyring.take_uses():

        def save(connection: sa.Connection) -> None:
            key_store.used(connection, uses)

        app.state.resources.writer.call(save)


def _version() -> str:
    try:
        return version("cleanside")
    except PackageNotFoundError:  # run from a source tree that was never installed
        return "0"
