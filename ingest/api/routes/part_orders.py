"""
Parts to order, for accepted plans of visits or by hand: wanted, ordered, come. Nothing is sent to a supplier.

Promises: what became of an order can be taken back; what came leaves the stock again, as long as it is there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Annotated, Any, NamedTuple

import sqlalchemy as sa
from fastapi import Depends, Path
from pydantic import Field

from cleanside.ingest.api.routes.described_kinds import OrderDone
from cleanside.ingest.api.routes.described_plan import WantedOrdersAnswer, WantedOrderShown
from cleanside.ingest.api.routes.example import example
from cleanside.ingest.api.routes.paper_shapes import Day
from cleanside.ingest.api.routes.shared import Name, R, Strict, needs, problems, router_of, text
from cleanside.ingest.api.routes.shop import PartNumber, ShopReader, find_group, require_site
from cleanside.ingest.errors import Complaint, NotFound, NotValid, Refused
from cleanside.ingest.owners.access import sees_site
from cleanside.ingest.shop.part_sheet import MOST_PIECES
from cleanside.ingest.shop.stock import PartLine
from cleanside.ingest.store import audit, papers, part_orders, shop
from cleanside.ingest.store.keys import Key
from cleanside.ingest.store.papers import NO_PAPERS, Papers
from cleanside.ingest.store.part_orders import OrderRow

router = router_of("shop")

OrderId = Annotated[int, Path(ge=1, le=2**53, examples=[1])]

CLOSED_US = 30 * 86_400 * 1_000_000  # back to here ended orders are listed; chosen: a monthly count of stock


class NewOrder(Strict):
    """Parts that a person orders, without a plan."""

    part: PartNumber
    pieces: int = Field(ge=1, le=MOST_PIECES, description="pieces to order")
    order_by: Day | None = Field(None, description="when it must be placed; left out: today, UTC")
    needed_on: Day | None = Field(None, description="when the first piece is needed; left out: order_by")
    ordered: bool = Field(False, description="true: it was placed; false: it is still to be placed")
    entry_id: Name = Field(description="of your own; sent again it is the same order")


#: columns of how an order ended
ENDED = ("ended_as", "ended_by", "came_to", "came_pieces")
DAY_CHARACTERS = 10  # of an instant, ISO 8601


class OrderStep(Strict):
    """What became of an order."""

    done: OrderDone = Field(description="what became of it")
    pieces: int | None = Field(
        None, ge=1, le=MOST_PIECES, description="so many were ordered, or came; left out: as it was"
    )
    site: Name | None = Field(None, description="where they came to; they go to the stock of that site")


@router.get("/v1/part-orders", summary="Parts to order and on order", response_model=WantedOrdersAnswer)
def get_part_orders(resources: R, key: ShopReader) -> dict[str, Any]:
    """Open orders, by the day on which they must be placed. An accepted plan of visits makes them."""
    with resources.reading() as connection:
        closed = part_orders.closed_of(connection, key.owner_id, resources.clock() - CLOSED_US)
        return {
            "orders": [order_document(one) for one in orders_seen(connection, key)],
            "closed": [
                order_document(SeenOrder(order, order.came_to, is_yours=True))
                for order in closed
                if part_orders.is_of(order, key.sites)
            ],
        }


@router.post("/v1/part-orders", summary="Enter an order by hand", response_model=WantedOrderShown)
@example(
    {"part": "KG-0715", "pieces": 2, "ordered": True, "entry_id": "order-1"},
    plain="part pieces ordered order_by needed_on",
)
def post_new_part_order(
    body: NewOrder, resources: R, key: Annotated[Key, Depends(needs("shop:write"))]
) -> dict[str, Any]:
    """Record parts to order without a plan. They count as on their way, whether they were placed or not."""
    now_us = resources.clock()

    def save(connection: sa.Connection) -> OrderRow:
        is_new = part_orders.put(connection, key.owner_id, _by_hand(body, key, now_us))
        known = part_orders.by_entry(connection, key.owner_id, body.entry_id)
        assert known is not None
        if is_new:
            about = body.model_dump(mode="json") | {"order": known.id}
            audit.note(connection, key.owner_id, now_us, key.handle, "part_ordered", **about)
        return known

    return order_document(SeenOrder(resources.writer.call(save), None, is_yours=True))


def _by_hand(body: NewOrder, key: Key, now_us: int) -> OrderRow:
    order_by = body.order_by or (text(now_us) or "")[:DAY_CHARACTERS]
    return OrderRow(
        id=0,
        part=body.part,
        pieces=body.pieces,
        order_by=order_by,
        needed_on=body.needed_on or order_by,
        planned_us=now_us,
        who=key.handle,
        sites=part_orders.sites_text(key.sites),
        ordered_us=now_us if body.ordered else None,
        ordered_by=key.handle if body.ordered else None,
        entry_id=body.entry_id,
    )


@router.post(
    "/v1/part-orders/{order}",
    summary="Say what became of an order",
    response_model=WantedOrderShown,
    responses=problems(404, 409),
)
@example({"done": "ordered", "pieces": 2}, other_body={"done": "came", "site": "{site}"}, plain="done pieces")
def post_part_order(
    order: OrderId, body: OrderStep, resources: R, key: Annotated[Key, Depends(needs("shop:write"))]
) -> dict[str, Any]:
    """
    ordered: it counts as on its way. came: its pieces go to the stock of `site`, and it is closed. dropped:
    it is closed. not_ordered and reopened take these back: what came leaves the stock again, and 409
    `order_stays_closed` where it is not there any more. A step that was made before changes nothing.
    """
    now_us = resources.clock()

    def save(connection: sa.Connection) -> OrderRow:
        known = part_orders.find(connection, key.owner_id, order, key.sites, lock=True)
        if known is None:
            raise NotFound("part_order", str(order))
        is_closed = known.ended_us is not None
        if is_closed != (body.done == "reopened"):
            return known
        changed = _step(connection, key, known, body, now_us)
        about = {
            "order": order,
            "done": body.done,
            "part": known.part,
            "pieces": changed.came_pieces or changed.pieces,
        }
        audit.note(connection, key.owner_id, now_us, key.handle, "part_order", **about, site=body.site)
        return changed

    return order_document(SeenOrder(resources.writer.call(save), body.site, is_yours=True))


def _step(connection: sa.Connection, key: Key, known: OrderRow, body: OrderStep, now_us: int) -> OrderRow:
    """Keep what became of an order. Raises Refused."""
    pieces = body.pieces or known.pieces
    changes: dict[str, Any] = {"ended_us": now_us, "ended_as": body.done, "ended_by": key.handle}
    if body.done == "ordered":
        changes = {"pieces": pieces, "ordered_us": now_us, "ordered_by": key.handle}
    elif body.done == "not_ordered":
        changes = {"ordered_us": None, "ordered_by": None}
    elif body.done == "reopened":
        _take_out(connection, key, known)
        changes = dict.fromkeys(("ended_us", *ENDED), None)
    elif body.done == "came":
        if body.site is None:
            raise NotValid(Complaint("#/site", "order_came_nowhere"))
        require_site(key, body.site)
        site = find_group(connection, "site", key, body.site)
        shop.keep_part(connection, key.owner_id, known.part)
        shop.add_stock(connection, key.owner_id, known.part, site.name, pieces)
        changes |= {"came_to": site.name, "came_pieces": pieces}
    part_orders.edit(connection, known.id, **changes)
    return known._replace(**changes)


def _take_out(connection: sa.Connection, key: Key, known: OrderRow) -> None:
    """What came with an order leaves the stock again. Raises Refused (409)."""
    if known.ended_as is None:
        raise Refused("order_end_not_kept", status=409, code="order_stays_closed")
    if known.came_to is None or known.came_pieces is None:
        return
    about: dict[str, Any] = {"part": known.part, "site": known.came_to, "pieces": known.came_pieces}
    if not shop.take_stock(connection, key.owner_id, known.part, known.came_to, known.came_pieces):
        raise Refused("order_pieces_gone", status=409, code="order_stays_closed", **about)


def keep_wanted(
    connection: sa.Connection, key: Key, lines: list[PartLine], now_us: int
) -> list[dict[str, Any]]:
    """Record what a plan needs ordered, in place of what an earlier one of these sites did. Returns it."""
    sites = part_orders.sites_text(key.sites)
    before = {
        (order.part, order.pieces, order.needed_on): order
        for order in part_orders.open_of(connection, key.owner_id)
        if order.sites == sites and order.ordered_us is None and order.entry_id is None
    }
    rows = []
    for line in (line for line in lines if line.to_order):
        row = _wanted(line, key.handle, sites, now_us)
        same = before.get((row.part, row.pieces, row.needed_on), row)  # whoever planned it stays named
        rows.append(row._replace(who=same.who, planned_us=same.planned_us))
    part_orders.put_wanted(connection, key.owner_id, rows, sites)
    body = [{"part": r.part, "pieces": r.pieces, "order_by": r.order_by} for r in rows]
    if rows:
        audit.note(connection, key.owner_id, now_us, key.handle, "orders_wanted", body=body)
    return body


def _wanted(line: PartLine, who: str, sites: str, now_us: int) -> OrderRow:
    assert line.order_by is not None
    assert line.needed_on is not None
    return OrderRow(
        id=0,
        part=line.part,
        pieces=line.to_order,
        order_by=line.order_by.isoformat(),
        needed_on=line.needed_on.isoformat(),
        planned_us=now_us,
        who=who,
        sites=sites,
        ordered_us=None,
        ordered_by=None,
    )


# ---------------------------------------------------------------- what of it a person sees


class SeenOrder(NamedTuple):
    """An open order, with the pieces of it that count for who reads."""

    order: OrderRow
    site: str | None  # of the machine that needs it first; None: not known
    is_yours: bool  # False: it is for machines of other sites too, whose people say what became of it


def orders_seen(connection: sa.Connection, key: Key) -> list[SeenOrder]:
    """
    Open orders for machines that the key sees.

    Of an order for more sites than its own, one piece counts for each housing seen that takes the part:
    how many are for other sites stays closed.
    """
    every = part_orders.open_of(connection, key.owner_id)
    takers = _takers(connection, key) if every else {}
    left = Counter({part: len(found) for part, found in takers.items()})
    seen = []
    for order in every:
        is_yours = part_orders.is_of(order, key.sites)
        pieces = order.pieces if is_yours else min(order.pieces, left[order.part])
        left[order.part] = max(0, left[order.part] - pieces)
        if pieces:
            site = _site_of(order, takers.get(order.part, []))
            seen.append(SeenOrder(order._replace(pieces=pieces), site, is_yours))
    return seen


def _takers(connection: sa.Connection, key: Key) -> dict[str, list[Papers]]:
    """Part -> papers of the housings seen that take it."""
    found: dict[str, list[Papers]] = {}
    for known in papers.papers_of_owner(connection, key.owner_id).values():
        if known.housing.primary_part is not None and sees_site(key, known.machine.site):
            found.setdefault(known.housing.primary_part, []).append(known)
    return found


def _site_of(order: OrderRow, takers: Sequence[Papers]) -> str | None:
    """The site of the machine planned for the day of an order; else of one that takes the part."""

    def rank(known: Papers) -> tuple[bool, str]:
        on = None if known.planned is None else known.planned.planned_on
        return on != order.needed_on, known.machine.site or ""

    return min((k for k in takers if k.machine.site), key=rank, default=NO_PAPERS).machine.site


def order_document(seen: SeenOrder) -> dict[str, Any]:
    """An order for an answer."""
    order = seen.order
    return {
        "order": order.id,
        "part": order.part,
        "pieces": order.came_pieces or order.pieces,
        "order_by": order.order_by,
        "needed_on": order.needed_on,
        "planned_at": text(order.planned_us),
        "by": order.who,
        "ordered_at": text(order.ordered_us),
        "ordered_by": order.ordered_by,
        "ended_at": text(order.ended_us),
        "ended_as": order.ended_as,
        "ended_by": order.ended_by,
        "is_by_hand": order.entry_id is not None,
        "site": seen.site,
        "is_yours": seen.is_yours,
    }
