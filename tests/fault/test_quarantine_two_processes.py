"""
Two processes on one database act on the same quarantined reading: the second one sees what the first one did.

PostgreSQL shows a statement what others committed before it began (manual, "Transaction Isolation", Read
Committed): an entry that was read before a wait for a lock may be another one after it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.quarantine import amend
from cleanside.ingest.quarantine.amend import Repair, Who
from cleanside.ingest.store import fleet, quarantine
from tests.support.concurrent import wait_for_lock
from tests.support.databases import Postgres, opened
from tests.support.serving import Api, batch, in_process

pytestmark = pytest.mark.postgres
IN_KPA = Repair(units={"restriction": "kPa"})


@pytest.fixture
def api(postgres: Postgres) -> Iterator[Api]:
    with in_process(postgres.migrated()) as running:
        yield running


@pytest.fixture
def entry(api: Api) -> int:
    """A reading in quarantine, because its unit is unknown."""
    api.register()
    api.send(batch(1, [3.0], units={"restriction": "furlong"}))
    [found] = api.get("/v1/quarantine", key="operator").json()["entries"]
    return int(found["entry"])


def beside(api: Api, first: Callable[[sa.Connection, Who], Any], second: Callable[[], Any]) -> Any:
    """What the app answers to `second`, which begins before another process has committed `first`."""
    with opened(api.url) as engine, ThreadPoolExecutor(1) as thread:
        with engine.begin() as other:
            owner_id = fleet.keep_owner(other, "plateau", 0)
            first(other, Who(owner_id=owner_id, handle="other"))
            asked = thread.submit(second)
            wait_for_lock(engine)
        return asked.result(30)


def amend_it(api: Api, connection: sa.Connection, who: Who, entry: int) -> int:
    """Store it in its right unit. Returns the amendment."""
    entries = quarantine.by_ids(connection, who.owner_id, [entry])
    done = amend.amend(connection, who, entries, IN_KPA, api.clock(), '{"reason": "other"}')
    assert done.stored == 1
    assert done.amendment_id is not None
    return done.amendment_id


def state_of(api: Api, entry: int) -> str:
    with api.resources.reading() as connection:
        return str(connection.scalar(sa.text(f"SELECT state FROM quarantine WHERE id = {entry}")))


def give_up(api: Api, **which: Any) -> Any:
    return api.post("/v1/quarantine/discards", {**which, "reason": "the tube was off"}, key="operator")


def test_a_reading_that_another_process_stores_is_not_given_up(api: Api, entry: int) -> None:
    answer = beside(api, lambda c, who: amend_it(api, c, who, entry), lambda: give_up(api, entries=[entry]))
    assert (answer.status_code, answer.json()["code"]) == (404, "unknown_entry")
    assert state_of(api, entry) == "released"
    assert api.account()["balances"]


def test_it_matches_no_condition_any_more(api: Api, entry: int) -> None:
    where = {"code": "unit_not_accepted"}
    answer = beside(api, lambda c, who: amend_it(api, c, who, entry), lambda: give_up(api, where=where))
    assert (answer.status_code, answer.json()["entries"]) == (200, 0)
    assert state_of(api, entry) == "released"
    assert api.account()["balances"]


def test_a_change_in_another_process_is_one_since_the_preview(api: Api, entry: int) -> None:
    seen = give_up(api, entries=[entry], preview=True).json()["selection"]

    def confirm(connection: sa.Connection, who: Who) -> None:
        entries = quarantine.by_ids(connection, who.owner_id, [entry])
        amend.amend(connection, who, entries, Repair(time_is_right=True), api.clock(), "{}")

    answer = beside(api, confirm, lambda: give_up(api, entries=[entry], as_previewed=seen))
    assert (answer.status_code, answer.json()["code"]) == (409, "changed_since_preview")


def test_an_amendment_is_undone_once(api: Api, entry: int) -> None:
    with opened(api.url) as engine, engine.begin() as connection:
        who = Who(owner_id=fleet.keep_owner(connection, "plateau", 0), handle="other")
        done = amend_it(api, connection, who, entry)
    path = f"/v1/quarantine/amendments/{done}/undo"
    answer = beside(
        api,
        lambda c, who: amend.undo(c, who, done, api.clock()),
        lambda: api.post(path, {}, key="operator"),
    )
    assert (answer.status_code, answer.json()["code"]) == (409, "not_undoable")
    assert state_of(api, entry) == "held"
    assert api.account()["balances"]


def test_a_second_look_leaves_what_another_process_has_stored(api: Api) -> None:
    api.register()
    api.clock.advance(-7_200)
    api.send(batch(1_080, [3.0]))  # an hour ahead
    api.clock.advance(7_200)

    def look_again(connection: sa.Connection, who: Who) -> None:
        entries = quarantine.list_of(connection, who.owner_id, quarantine.WantedRows(), limit=2)
        assert amend.amend(connection, who, entries, Repair(), api.clock(), "{}").stored == 1

    assert beside(api, look_again, api.recheck) == 0
    assert api.account()["balances"]
