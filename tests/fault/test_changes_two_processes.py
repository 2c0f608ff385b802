"""
Two processes on one database change the same thing at one moment: the second one sees what the first did.

PostgreSQL shows a statement what others committed before it began (manual, "Transaction Isolation", Read
Committed): what was read before a wait for a lock may be another thing after it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import fleet, handover, one_time_codes, part_orders, shop
from tests.support.concurrent import wait_for_lock
from tests.support.databases import Postgres, opened
from tests.support.serving import DEVICE, STREAM, Api, batch, in_process

pytestmark = pytest.mark.postgres


@pytest.fixture
def api(postgres: Postgres) -> Iterator[Api]:
    with in_process(postgres.migrated()) as running:
        yield running


def beside(api: Api, first: Callable[[sa.Connection, int], Any], second: Callable[[], Any]) -> Any:
    """What the app answers to `second`, which begins before another process has committed `first`."""
    with opened(api.url) as engine, ThreadPoolExecutor(1) as thread:
        with engine.begin() as other:
            first(other, fleet.keep_owner(other, "plateau", 0))
            asked = thread.submit(second)
            wait_for_lock(engine, or_for=asked)
        return asked.result(30)


def test_the_pieces_of_an_order_come_once(api: Api) -> None:
    """Two people at the counter press the same button."""
    assert api.post("/v1/sites", {"site": "oberkies"}).status_code == 200
    body = {"part": "KG-0715", "pieces": 4, "ordered": True, "entry_id": "order-1"}
    order = api.post("/v1/part-orders", body).json()["order"]
    came = {"ended_us": 1, "ended_as": "came", "came_to": "oberkies", "came_pieces": 4}

    def comes(connection: sa.Connection, owner_id: int) -> None:
        assert part_orders.find(connection, owner_id, order, (), lock=True) is not None
        shop.keep_part(connection, owner_id, "KG-0715")
        assert shop.add_stock(connection, owner_id, "KG-0715", "oberkies", 4)
        part_orders.edit(connection, order, **came)

    path = f"/v1/part-orders/{order}"
    answer = beside(api, comes, lambda: api.post(path, {"done": "came", "site": "oberkies"}))
    assert answer.status_code == 200, answer.text
    [part] = api.get("/v1/shop").json()["parts"]
    assert [line["pieces"] for line in part["stock"]] == [4]


def test_an_order_that_is_sent_again_beside_itself_is_entered_once(api: Api) -> None:
    """A client that waited in vain sends it again, and a proxy gives that to the other process."""
    body = {"part": "KG-0715", "pieces": 4, "ordered": True, "entry_id": "order-1"}
    day = "2026-03-02"
    row = part_orders.OrderRow(0, "KG-0715", 4, day, day, 1, "k", "", 1, "k", entry_id="order-1")

    def enters(connection: sa.Connection, owner_id: int) -> None:
        part_orders.put(connection, owner_id, row)

    answer = beside(api, enters, lambda: api.post("/v1/part-orders", body))
    assert answer.status_code == 200, answer.text
    [order] = api.get("/v1/part-orders").json()["orders"]
    assert order["order"] == answer.json()["order"]


def test_a_machine_has_one_open_offer(api: Api) -> None:
    api.register()

    def offers(connection: sa.Connection, owner_id: int) -> None:
        fleet.lock_owner(connection, owner_id)
        machine = fleet.machine(connection, owner_id, "grader-07")
        assert machine is not None
        one_time_codes.cancel_transfers_of(connection, machine.id, 1)
        made = {"owner_id": owner_id, "code_hash": "0" * 64, "machine_id": machine.id, "note": "", "who": "k"}
        far = {"machine": machine.name, "created_us": 1, "expires_us": 2**52}
        one_time_codes.put_transfer(connection, made | far)

    answer = beside(api, offers, lambda: api.post("/v1/transfers", {"machine": "grader-07"}))
    assert answer.status_code == 201, answer.text
    offered = api.get("/v1/transfers").json()["transfers"]
    assert sorted(one["state"] for one in offered) == ["cancelled", "open"]


def test_a_device_has_one_seat_at_a_time(api: Api) -> None:
    api.register()
    for name in ("loader-02", "crusher-01"):
        housing = {"housing": "main"}
        assert api.post("/v1/machines", {"machine": name, "housings": [housing]}).status_code == 200

    def moves(connection: sa.Connection, owner_id: int) -> None:
        device = fleet.device(connection, owner_id, DEVICE)
        machine = fleet.machine(connection, owner_id, "loader-02")
        assert device is not None
        assert machine is not None
        fleet.lock_devices(connection, [device.id])
        [housing] = fleet.housings_of(connection, machine.id)
        fleet.assign(connection, device.id, housing.id, api.clock(), None)

    path = f"/v1/devices/{DEVICE}/assignments"
    answer = beside(api, moves, lambda: api.post(path, {"machine": "crusher-01"}))
    assert answer.status_code == 200, answer.text
    seats = api.get(f"/v1/devices/{DEVICE}").json()["assignments"]
    assert len([seat for seat in seats if seat["until"] is None]) == 1, seats


@pytest.mark.parametrize("stream", [STREAM, None], ids=["plain", "without numbers"])
def test_a_stream_does_not_begin_at_an_owner_that_gave_its_device_away(api: Api, stream: str | None) -> None:
    api.register()

    def gives(connection: sa.Connection, owner_id: int) -> None:
        device = fleet.device(connection, owner_id, DEVICE)
        assert device is not None
        handover.give_device(connection, device, fleet.keep_owner(connection, "quarry", 0), DEVICE)

    sent = batch(1, [3.0], stream=stream)
    answer = beside(api, gives, lambda: api.post("/v1/readings", sent, key="device"))
    with opened(api.url) as engine, engine.begin() as connection:
        query = "SELECT s.owner_id, d.owner_id FROM streams s JOIN devices d ON s.device_id = d.id"
        owners = [tuple(row) for row in connection.execute(sa.text(query))]
    assert [of_stream == of_device for of_stream, of_device in owners] == [True], (owners, answer.text)
    assert len(answer.json()["quarantined"]) == 1  # as if it had come after the transfer
