"""
The app: routes, errors and limits put together; resources are opened by its lifespan and nowhere else.

Promises: importing does nothing; `create_app` opens nothing; what the lifespan opened it closes in order.
"""

from __future__ import annotations

import pkgutil
from collections.abc import AsyncIterator, Mapping
from contextlib import asynccontextmanager
from functools import cache, partial
from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import Any, Protocol

import sqlalchemy as sa
from fastapi import FastAPI
from fastapi.routing import APIRoute

from cleanside.ingest.analysis.learner import Learner
from cleanside.ingest.analysis.summarising import Analyst
from cleanside.ingest.api import description, problems
from cleanside.ingest.api import routes as route_files
from cleanside.ingest.api.compression import Compressed
from cleanside.ingest.api.edge import Edge
from cleanside.ingest.api.head import HeadLikeGet
from cleanside.ingest.api.routes import bundles, digest, enrolment, me, passkeys, readings, sessions
from cleanside.ingest.api.routes.services import Services, ServingApp, new_services
from cleanside.ingest.console import backlog_page
from cleanside.ingest.console.error_page import page_of_problem
from cleanside.ingest.console.every_page import all_pages
from cleanside.ingest.console.letters import letter_of
from cleanside.ingest.console.routing import SIGN_IN
from cleanside.ingest.keeping.accountant import Accountant
from cleanside.ingest.keeping.merging import Merger
from cleanside.ingest.keeping.retention import Keeper
from cleanside.ingest.messages.mailer import Mailer
from cleanside.ingest.messages.telling import Reader
from cleanside.ingest.owners.people import JOIN_PATH
from cleanside.ingest.settings import Settings
from cleanside.ingest.webhooks.courier import Courier
from cleanside.ingest.writer import system_clock
from cleanside.ingest.writer.resources import NowUs

API_DESCRIPTION = """
Air-filter restriction of diesel machines: readings come in once each, whatever the link does; out come how
loaded an element is and when it will be due.

Every error is application/problem+json with a stable `code`. HEAD answers like GET, without content; gzip is
sent in answer to GET, to those who take it. Times are RFC 3339 in UTC. A status is advice:
the engine maker's service limit and manual come first.
"""


class Worker(Protocol):
    """A thread beside the requests."""

    def start(self) -> None:
        """Begin."""

    def join(self) -> None:
        """Wait for the end, after `resources.stopping` was set."""


def create_app(settings: Settings, *, clock: NowUs = system_clock.now_us, analyse: bool = True) -> ServingApp:
    """
    The app for these settings. Its database must have the newest schema (`database.require_newest`).

    clock : the server's time, microseconds since 1970. analyse : False leaves the background work out.
    """

    services = new_services(settings, clock)
    services.error_page = page_of_problem

    @asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        with services.open() as resources:
            workers = (*_workers(services), described) if analyse else ()
            for worker in workers:
                worker.start()
            try:
                yield
            finally:
                resources.stopping.set()
                for worker in workers:
                    worker.join()
                services.write_down_last()

    app = ServingApp(
        title="cleanside",
        version=_version(),
        lifespan=lifespan,
        openapi_url=None,  # the framework would make it at the first request, on the event loop
        docs_url=None,  # their pages load scripts from elsewhere; the description is at /openapi.json
        redoc_url=None,
        redirect_slashes=False,  # a redirect would send the client, with its key, to the address in Host
    )
    app.services = services
    routes = all_routes()
    # As they stand: including their routers would make each route a second time, at the first request.
    app.router.routes.extend([*routes, *all_pages()])
    problems.install(app)
    described = description.install(app, API_DESCRIPTION, routes)
    app.add_middleware(Compressed)  # the last one added comes first
    app.add_middleware(HeadLikeGet)
    edge = partial(
        Edge,
        limits={
            bundles.PATH: settings.max_bundle_bytes,
            backlog_page.BUNDLES_PATH: settings.max_bundle_bytes + backlog_page.FORM_BYTES,
            enrolment.ENROL_PATH: enrolment.MAX_ENROL_BYTES,
            sessions.SIGN_IN_PATH: sessions.MAX_SIGN_IN_BYTES,
            me.ACCEPT_PATH: sessions.MAX_SIGN_IN_BYTES,
            passkeys.USE_PATH: sessions.MAX_SIGN_IN_BYTES,
            passkeys.OPTIONS_PATH: sessions.MAX_SIGN_IN_BYTES,
            SIGN_IN: sessions.MAX_SIGN_IN_BYTES,
            JOIN_PATH: sessions.MAX_SIGN_IN_BYTES,
        },
        metrics=services.metrics,
        access_log=settings.access_log,
    )
    app.add_middleware(edge)
    posted = readings.PostedReadings(handlers=app.exception_handlers)
    app.past = {("POST", posted.route.path): edge(posted)}
    return app


@cache
def all_routes() -> tuple[APIRoute, ...]:
    """Every route of the API: those of each file of `ingest.api.routes` that has a router."""
    names = sorted(file.name for file in pkgutil.iter_modules(route_files.__path__))
    modules = [import_module(f"{route_files.__name__}.{name}") for name in names]
    routers = [module.router for module in modules if hasattr(module, "router")]
    return tuple(route for router in routers for route in router.routes if isinstance(route, APIRoute))


def _workers(services: Services) -> tuple[Worker, ...]:
    """The background workers, each in a thread of its own."""
    resources = services.resources

    return (
        Analyst(resources, on_pass=services.write_down),
        Learner(resources, services.snapshots, services.memory, services.looks),
        Keeper(resources),
        Merger(resources),
        Accountant(resources),
        Courier(resources, services.views),
        new_mailer(services),
    )


def new_mailer(services: Services, **more: Any) -> Mailer:
    """The mailer of a server. more : as `Mailer` takes it. Raises CalledWrongly for wrong settings."""

    def digest_of(connection: sa.Connection, reader: Reader) -> Mapping[str, Any] | None:
        key, choices = reader.person.as_key(), reader.choices
        judge = services.judge(connection, key)
        said = digest.digest_document(connection, judge, key, zone=choices.zone, period=choices.digest)
        return said if digest.says_something(said) else None

    return Mailer(services.resources, services.views, digest_of=digest_of, letter_of=letter_of, **more)


@cache
def _version() -> str:
    try:
        return version("cleanside")
    except PackageNotFoundError:  # run from a source tree that was never installed
        return "0"
