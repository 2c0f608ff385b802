"""
Element parts compared by the hours that they reach, as curves with intervals; few lives are said to be few.

Its JSON twin is `GET /v1/element-lives` with the same filters.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from fastapi import Depends, Query, Request, Response
from pydantic import BeforeValidator

from cleanside.ingest.api.routes.element_lives import get_element_lives
from cleanside.ingest.api.routes.restriction import views_of
from cleanside.ingest.api.routes.shared import Name, R
from cleanside.ingest.api.routes.shop import get_shop
from cleanside.ingest.console import drawing
from cleanside.ingest.console.rendering import may, render
from cleanside.ingest.console.routing import page_needs, page_router
from cleanside.ingest.console.shop_page import names_of
from cleanside.ingest.store.keys import Key

router = page_router()

Wanted = Annotated[Name | None, BeforeValidator(lambda value: value or None), Query()]


@router.get("/element-lives")
def get_element_lives_page(
    request: Request,
    resources: R,
    key: Annotated[Key, Depends(page_needs("fleet:read"))],
    kind: Wanted = None,
    site: Wanted = None,
) -> Response:
    """Each part with its curve. kind, site : of machines; None: any."""
    known = get_element_lives(request, resources, key, kind, site)
    every = views_of(request, resources, key, resources.clock())
    drawn = [part for part in known["parts"] if part["curve"]]
    longest = max((part["curve"]["hours"][-1] for part in drawn), default=1.0)
    return render(
        request,
        "element_lives.html",
        key=key,
        known=known,
        kind=kind,
        site=site,
        kinds=sorted({seen.housing.kind for seen in every if seen.housing.kind}),
        sites=sorted({seen.papers.machine.site for seen in every if seen.papers.machine.site}),
        longest=longest,
        curves={id(part): drawing.survival(**part["curve"], longest=longest) for part in drawn},
        names=names_of(get_shop(resources, key))["site"] if may(key, "shop:read") else {},
        half_of=half_of,
        key_of=id,
    )


def half_of(curve: Mapping[str, Any]) -> float | None:
    """By how many hours half of the elements reached the limit; None: more than half last longer. [h]"""
    steps = zip(curve["hours"], curve["share"], strict=True)
    return next((hours for hours, share in steps if share <= 0.5), None)
