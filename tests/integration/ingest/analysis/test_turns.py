"""Who of several processes works on what: a turn is one connection's, until its transaction ends."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.analysis import knowledge, summarising
from cleanside.ingest.analysis.knowledge import LEARNED_ELSEWHERE_S, LEARNING_LEASE_US, Snapshots
from cleanside.ingest.analysis.memory import Memory
from cleanside.ingest.analysis.summarising import run_pass
from cleanside.ingest.restriction import FleetKnowledge
from cleanside.ingest.store import fleet, hours, turns
from tests.support.databases import Postgres
from tests.support.ended_leases import end_leases
from tests.support.serving import DEVICE, Api, batch, in_process

pytestmark = pytest.mark.postgres


@pytest.fixture
def api(postgres: Postgres) -> Iterator[Api]:
    with in_process(postgres.migrated()) as running:
        yield running


def test_a_turn_is_of_one_connection_until_its_transaction_ends(api: Api) -> None:
    with api.resources.reading() as one, api.resources.reading() as other:
        assert turns.taken(one, turns.HOUSING, [1, 2]) == {1, 2}
        assert turns.taken(other, turns.HOUSING, [2, 3]) == {3}
        assert turns.taken(other, turns.DEVICE, [2]) == {2}  # another kind
        one.rollback()
        assert turns.taken(other, turns.HOUSING, [2]) == {2}


def housing_id(connection: sa.Connection) -> int:
    return fleet.every_housing(connection, 1)[0].id


def test_hours_of_a_housing_that_another_process_has_are_left_to_it(api: Api) -> None:
    api.register()
    api.send(batch(1, [3.0, 3.1]))
    with api.resources.reading() as other:
        assert turns.taken(other, turns.HOUSING, [housing_id(other)])
        assert run_pass(api.resources).hours == 0
    assert run_pass(api.resources).hours == 1
    with api.resources.reading() as connection:
        assert hours.count_behind(connection) == 0


def test_a_device_without_a_housing_has_turns_too(api: Api) -> None:
    assert api.post("/v1/devices", {"device": DEVICE}).is_success
    api.send(batch(1, [3.0]))
    with api.resources.reading() as other:
        [behind] = hours.behind(other, limit=2)
        assert turns.taken(other, turns.DEVICE, [behind.device_id])
        assert run_pass(api.resources).hours == 0
    assert run_pass(api.resources).hours == 1


def test_what_another_process_finished_before_our_turn_is_not_done_again(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Between our look at what is due and our turn another process may finish it."""
    api.register()
    api.send(batch(1, [3.0]))
    in_turn = summarising._devices_in_turn

    def after_another(holding: sa.Connection, device_ids: set[int]) -> frozenset[int]:
        monkeypatch.setattr(summarising, "_devices_in_turn", in_turn)
        assert run_pass(api.resources).hours == 1
        return in_turn(holding, device_ids)

    monkeypatch.setattr(summarising, "_devices_in_turn", after_another)
    assert run_pass(api.resources).hours == 0


def test_one_process_learns_from_a_fleet_and_another_once_the_first_is_gone(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    learned: list[str] = []

    def snapshots(name: str) -> Snapshots:
        used = Snapshots(lambda: api.clock() / 1e6)
        used_by[id(used)] = name
        return used

    used_by: dict[int, str] = {}
    first, second = snapshots("first"), snapshots("second")

    def look(used: Snapshots) -> None:
        def learn(*_: object, **__: object) -> FleetKnowledge:
            learned.append(used_by[id(used)])
            return FleetKnowledge()

        monkeypatch.setattr(knowledge, "learn", learn)
        used.refresh(api.resources, Memory())

    api.register()
    api.send(batch(1, [3.0]))
    assert run_pass(api.resources).hours == 1
    for used in (first, second, first):
        look(used)
        api.clock.advance(10)
    assert learned == ["first"]
    api.clock.advance(LEARNING_LEASE_US / 1e6)
    end_leases(api)
    look(second)
    assert learned == ["first", "second"]
    second.give_back()


def test_who_does_not_learn_studies_a_fleet_once_and_again_only_for_a_newer_snapshot(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    studied: list[str] = []
    api.register()
    api.send(batch(1, [3.0]))
    assert run_pass(api.resources).hours == 1
    learning, other, beside = (Snapshots(lambda: api.clock() / 1e6) for _ in range(3))
    names = {id(learning): "learning", id(other): "other", id(beside): "beside"}
    study_all = Snapshots._study_all

    def study(used: Snapshots, *given: Any) -> None:
        if given[2] == 1:  # the owner with the machine
            studied.append(names[id(used)])
        study_all(used, *given)

    monkeypatch.setattr(Snapshots, "_study_all", study)
    for _ in range(4):
        for used in (learning, other):
            used.refresh(api.resources, Memory())
        beside.refresh(api.resources, Memory(), before_use=None)  # no request comes there
        api.clock.advance(LEARNED_ELSEWHERE_S + 1)
    # The first at its start, when nothing was known, and by what it learned; the other by that at its start.
    assert studied == ["learning", "learning", "other"]
    with api.resources.reading() as connection:
        assert [used.of(connection, 1).number for used in (learning, other, beside)] == [1, 1, 1]
