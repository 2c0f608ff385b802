"""Is the process alive, and can it take readings."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from anyio import to_thread
from fastapi import Request

from cleanside.ingest.api.routes.described import HealthAnswer, ReadyAnswer
from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import open_to_all, router_of
from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store import hours, revocations
from cleanside.ingest.store.trouble import STORE_FULL, STORE_READ_ONLY, STORE_UNAVAILABLE
from cleanside.ingest.writer.resources import Resources

router = router_of("health")


@router.get("/healthz", summary="The process is alive", response_model=HealthAnswer)
@open_to_all
async def get_health() -> dict[str, str]:
    """Says nothing about the database, and needs no thread: whatever holds those up, the process is alive."""
    return {"status": "alive"}


@router.get("/readyz", summary="The server takes readings", response_model=ReadyAnswer)
@open_to_all
async def get_ready(request: Request) -> dict[str, Any]:
    """200 if the database answers and a write got through lately; else 503, with the code that says why."""
    services = services_of(request)
    return await to_thread.run_sync(_ready, services.resources, limiter=services.readiness_threads)


def _ready(resources: Resources) -> dict[str, Any]:
    if not resources.writer.is_alive or resources.stopping.is_set():
        raise TryAgain("server_stopping")
    try:
        resources.readiness.check()
        with resources.reading() as connection:
            connection.execute(sa.text("SELECT 1"))
            behind = hours.count_behind(connection)
    except TryAgain as error:
        if (said := _for_an_admin(error)) is None:
            raise
        raise said from error
    return {
        "status": "ready",
        "waiting": resources.writer.waiting,
        "hours_behind": behind,
        "keys_revocable": revocations.fault(resources.archive_folder) is None,
    }


def _for_an_admin(error: TryAgain) -> TryAgain | None:
    """
    The same for who looks after the server, not for a gateway; None: its sentence fits both.

    Anybody may ask, so the driver's words are in the log alone.
    """
    if error.case != error.code or error.code not in (STORE_FULL, STORE_READ_ONLY, STORE_UNAVAILABLE):
        return None
    event = f"ingest.{error.code}"
    return TryAgain("not_ready", code=error.code, retry_after_s=error.retry_after_s, event=event)
