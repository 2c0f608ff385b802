"""Sites, crews, parts and stock: what the shop knows beside its machines."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import sqlalchemy as sa
from fastapi import Depends
from pydantic import AfterValidator, Field

from cleanside.ingest.api.routes.described_shop import CrewShown, PartShown, ShopAnswer, SiteShown
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.machines import refuse_if_asked
from cleanside.ingest.api.routes.named_once import each_once
from cleanside.ingest.api.routes.shared import (
    ConfirmedBecause,
    DisplayName,
    Name,
    NewName,
    PathName,
    R,
    Strict,
    Words,
    needs,
    problems,
    router_of,
)
from cleanside.ingest.errors import NotFound, Refused, WrongField
from cleanside.ingest.owners import asked_first
from cleanside.ingest.owners.access import sees_site
from cleanside.ingest.shop.part_sheet import MOST_PIECES
from cleanside.ingest.shop.stock import MAX_LEAD_DAYS
from cleanside.ingest.store import audit, shop
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.shop import GroupRow, PartRow

router = router_of("shop")

USES_NAMED = 8  # of what keeps a site from being deleted, in one sentence (chosen)

ShopReader = Annotated[Key, Depends(needs("shop:read"))]
ShopWriter = Annotated[Key, Depends(needs("shop:write"))]


def _part_number(written: str) -> str:
    if written != written.strip():
        raise WrongField("space_at_an_end")
    return written


#: as it stands on the box: any text
PartNumber = Annotated[
    Words, Field(min_length=1, max_length=64, examples=["KG-0715"]), AfterValidator(_part_number)
]


class NewSite(Strict):
    """A place where machines work, and where parts are kept."""

    site: NewName = Field(examples=["oberkies"])
    display_name: DisplayName | None = Field(None, description='any text; "" takes it away')
    confirmed_because: ConfirmedBecause = ""


class NewCrew(Strict):
    """People who look after machines together."""

    crew: NewName = Field(examples=["early-shift"])
    display_name: DisplayName | None = Field(None, description='any text; "" takes it away')
    confirmed_because: ConfirmedBecause = ""


class StockLine(Strict):
    """How many pieces of a part are at a site."""

    site: Name
    pieces: int = Field(ge=0, le=MOST_PIECES)


class NewPart(Strict):
    """A part as it is ordered; what is left out stays."""

    part: PartNumber
    description: Words | None = Field(None, max_length=200)
    lead_time_days: int | None = Field(None, ge=0, le=MAX_LEAD_DAYS, description="from order to delivery")
    stock: Annotated[list[StockLine], each_once("site")] = Field(
        default_factory=list, max_length=64, description="of the sites named"
    )
    confirmed_because: ConfirmedBecause = ""


@router.get("/v1/shop", summary="Sites, crews, parts and stock", response_model=ShopAnswer)
def get_shop(resources: R, key: ShopReader) -> dict[str, Any]:
    """What the shop knows beside its machines, by name."""
    with resources.reading() as connection:
        kept, sites = stock_seen(connection, key), shop.groups_of(connection, "site", key.owner_id)
        return {
            "sites": [group_document("site", g) for g in sites if sees_site(key, g.name)],
            "crews": [group_document("crew", g) for g in shop.groups_of(connection, "crew", key.owner_id)],
            "parts": [
                _part_document(part, kept.get(part.number, {}))
                for part in shop.parts_of(connection, key.owner_id)
            ],
        }


@router.post("/v1/sites", summary="Make or name a site", response_model=SiteShown)
@example({"site": "{site}", "display_name": "Oberkies, upper pit"})
def post_site(body: NewSite, resources: R, key: ShopWriter) -> dict[str, Any]:
    """Make a site, or give it another display name. The same request again changes nothing."""
    require_site(key, body.site)
    return _keep(resources, key, "site", body.site, body)


@router.post("/v1/crews", summary="Make or name a crew", response_model=CrewShown)
@example({"crew": "{crew}", "display_name": "Early shift"})
def post_crew(body: NewCrew, resources: R, key: ShopWriter) -> dict[str, Any]:
    """Make a crew, or give it another display name. The same request again changes nothing."""
    require_all_sites(key)
    return _keep(resources, key, "crew", body.crew, body)


@router.delete(
    "/v1/sites/{site}", summary="Delete a site", response_model=SiteShown, responses=problems(404, 409)
)
def delete_site(site: PathName, resources: R, key: ShopWriter) -> dict[str, Any]:
    """Delete a site that no machine, stock or person is for; else 409 `still_used`."""
    require_all_sites(key)
    return _delete(resources, key, "site", site)


@router.delete(
    "/v1/crews/{crew}", summary="Delete a crew", response_model=CrewShown, responses=problems(404, 409)
)
def delete_crew(crew: PathName, resources: R, key: ShopWriter) -> dict[str, Any]:
    """Delete a crew that no machine has; else 409 `still_used`."""
    require_all_sites(key)
    return _delete(resources, key, "crew", crew)


def _delete(resources: R, key: Key, kind: str, name: str) -> dict[str, Any]:
    def save(connection: sa.Connection) -> dict[str, Any]:
        known = find_group(connection, kind, key, name)
        if used_by := shop.uses_of_group(connection, kind, key.owner_id, known):
            shown = ", ".join(used_by[:USES_NAMED])
            raise Refused("still_used", status=409, kind=kind, name=name, many=len(used_by), by=shown)
        shop.delete_group(connection, kind, known)
        about = {"body": {kind: name}}
        audit.note(connection, key.owner_id, resources.clock(), key.handle, f"{kind}_deleted", **about)
        return group_document(kind, known)

    document: dict[str, Any] = resources.writer.call(save)
    return document


def _keep(
    resources: R, key: Key, kind: Literal["site", "crew"], name: str, body: NewSite | NewCrew
) -> dict[str, Any]:
    def save(connection: sa.Connection) -> dict[str, Any]:
        if not body.confirmed_because:
            refuse_if_asked(asked_first.of_shop_name(connection, key, kind, name))
        kept = shop.keep_group(connection, kind, key.owner_id, name, body.display_name)
        about = body.model_dump(mode="json", exclude_none=True)
        audit.note(connection, key.owner_id, resources.clock(), key.handle, kind, body=about)
        return group_document(kind, kept)

    document: dict[str, Any] = resources.writer.call(save)
    return document


@router.post(
    "/v1/parts", summary="Enter a part and its stock", response_model=PartShown, responses=problems(404)
)
@example(
    {"part": "KG-0715", "lead_time_days": 3, "stock": [{"site": "{site}", "pieces": 4}]},
    plain="part description lead_time_days stock pieces",
)
def post_part(body: NewPart, resources: R, key: ShopWriter) -> dict[str, Any]:
    """Enter a part, or change it. Sites that `stock` does not name keep what they have."""

    def save(connection: sa.Connection) -> dict[str, Any]:
        for line in body.stock:
            require_site(key, line.site)
        if body.description is not None or body.lead_time_days is not None:
            require_all_sites(key)  # they are one and the same at every site
        if not body.confirmed_because:
            refuse_if_asked(asked_first.of_shop_name(connection, key, "part", body.part))
        at = [(find_group(connection, "site", key, line.site), line.pieces) for line in body.stock]
        part = shop.keep_part(connection, key.owner_id, body.part)
        given = {"description": body.description, "lead_time_days": body.lead_time_days}
        shop.edit_part(connection, part, **{n: v for n, v in given.items() if v is not None})
        for site, pieces in at:
            shop.put_stock(connection, part.id, site.id, pieces)
        about = body.model_dump(mode="json", exclude_none=True)
        audit.note(connection, key.owner_id, resources.clock(), key.handle, "part", body=about)
        kept = shop.part(connection, key.owner_id, body.part)
        assert kept is not None
        return _part_document(kept, stock_seen(connection, key).get(body.part, {}))

    return resources.writer.call(save)


def require_site(key: Key, site: str | None) -> None:
    """Raise Refused (403) where somebody who is for some sites decides about another, or about none."""
    if not sees_site(key, site):
        sites = ", ".join(sorted(key.sites))
        raise Refused("site_of_others", status=403, code="site_not_yours", sites=sites)


def require_all_sites(key: Key) -> None:
    """Raise Refused (403) where somebody who is for some sites decides about what all of them share."""
    if key.sites:
        raise Refused("beyond_sites", status=403, code="site_not_yours")


def stock_seen(connection: sa.Connection, key: Key) -> dict[str, dict[str, int]]:
    """Part number -> site -> pieces, at the sites that a key sees."""
    return {
        part: {site: pieces for site, pieces in at.items() if sees_site(key, site)}
        for part, at in shop.stock_of(connection, key.owner_id).items()
    }


def find_group(connection: sa.Connection, kind: str, key: Key, name: str) -> GroupRow:
    """A site or crew by name. Raises NotFound for one that is unknown or another's."""
    found = shop.group(connection, kind, key.owner_id, name)
    if found is None:
        raise NotFound(kind, name)
    return found


def group_document(kind: str, known: GroupRow) -> dict[str, Any]:
    """A site or crew for an answer."""
    return {kind: known.name, "display_name": known.display_name}


def _part_document(part: PartRow, at: dict[str, int]) -> dict[str, Any]:
    return {
        "part": part.number,
        "description": part.description,
        "lead_time_days": part.lead_time_days,
        "stock": [{"site": site, "pieces": pieces} for site, pieces in at.items()],
    }
