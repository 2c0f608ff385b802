"""Is the process alive, and can it take readings."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse

from ingest.errors import TryAgain
from ingest.routes.shared import R, problems
from ingest.store import hours

router = APIRouter(tags=["health"])


@router.get("/healthz", summary="The process is alive")
def get_health() -> dict[str, str]:
    """Says nothing about the database."""
    return {"status": "alive"}


@router.get("/readyz", summary="The server takes readings", responses={503: problems()[503]})
def get_ready(resources: R) -> Response:
    """200 if the database answers and the writer runs; 503 otherwise."""
    if not resources.writer.is_alive or resources.stopping.is_set():
        raise TryAgain("the server is stopping; ask another, or later")
    with resources.reading() as connection:
        connection.execute(sa.text("SELECT 1"))
        behind = hours.count_behind(connection)
    document: dict[str, Any] = {"status": "ready", "waiting": resources.writer.waiting}
    return JSONResponse(document | {"hours_behind": behind})
