"""GET /metrics: the server's own counters."""

from __future__ import annotations

from typing import Annotated

from fastapi import Depends, Request, Response

from cleanside.ingest.api.routes.services import services_of
from cleanside.ingest.api.routes.shared import needs, router_of
from cleanside.ingest.store.keys import Key

router = router_of("health")

MEDIA_TYPES = ("text/plain", "application/openmetrics-text")


@router.get(
    "/metrics",
    summary="Figures for a monitoring system",
    description=(
        "Prometheus text exposition format, or OpenMetrics if Accept prefers it. Totals of this process over "
        "all owners; no device, machine or owner is named. Behind a proxy every caller is on loopback, so a "
        "key is asked for wherever the caller is."
    ),
    responses={200: {"content": {kind: {"schema": {"type": "string"}} for kind in MEDIA_TYPES}}},
    response_class=Response,
)
def get_metrics(request: Request, key: Annotated[Key, Depends(needs("metrics:read"))]) -> Response:
    """The figures of this process."""
    del key  # only checked: the figures belong to no single owner
    text, media_type = services_of(request).metrics.text(request.headers.get("accept", ""))
    return Response(text, media_type=media_type)
