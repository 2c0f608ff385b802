"""Looks back are worked out before a person asks, are what a request would make, and never stale."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from cleanside.ingest.analysis import back_then, ready_looks, working_out
from cleanside.ingest.analysis.back_then import PastLooks
from cleanside.ingest.analysis.ready_looks import LOOKS_AHEAD, ReadyLooks, Span
from cleanside.ingest.store import fleet
from tests.contract.test_api_fleet import set_hours_in, working_hours
from tests.contract.test_api_shop import ask
from tests.contract.test_fleet_changes import changes, loaded_until_midnight, work_on
from tests.integration.ingest.analysis.test_knowledge import add_machine, keep_next, six_lives
from tests.support.people import signed_in
from tests.support.serving import Api, in_process

DAY_S = 86_400.0
OWNER_ID = 1


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    with in_process(sqlite_database_url) as running:
        yield running


def worked_out(api: Api) -> None:
    """What the thread of the background does."""
    looks, snapshots = api.services.looks, api.services.snapshots
    snapshots.refresh(api.resources, api.services.memory, at_once=True, before_use=looks.work_out)
    looks.refresh(api.resources, snapshots.of)


def forget_looks(api: Api) -> None:
    """As in a process that has just started."""
    api.services.past = PastLooks()
    api.services.looks = ReadyLooks(api.services.memory, api.services.past)


def refuse_studies(monkeypatch: pytest.MonkeyPatch) -> None:
    """From now on a look that is not in memory fails."""

    def study(*_: object) -> None:
        raise AssertionError("a request studied the past")

    monkeypatch.setattr(back_then, "studied", study)


def answer(api: Api, **query: Any) -> dict[str, Any]:
    found: dict[str, Any] = ask(api, "GET", "/v1/fleet/changes", **query)
    return found


def test_after_a_start_the_first_look_of_a_week_studies_nothing_and_says_the_same(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded_until_midnight(api)
    work_on(api)
    by_request = answer(api)
    forget_looks(api)
    worked_out(api)
    refuse_studies(monkeypatch)
    assert answer(api) == by_request
    assert by_request["changed"] == 1


def test_the_next_midnight_is_ready_and_a_span_that_a_person_chose_too(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    loaded_until_midnight(api)
    work_on(api)
    answer(api, days=1, zone="Europe/Vienna")
    api.clock.advance(DAY_S)
    forget_not_before(api)
    worked_out(api)
    refuse_studies(monkeypatch)
    assert answer(api, days=1, zone="Europe/Vienna")["count"] == 1


def forget_not_before(api: Api) -> None:
    api.services.looks._not_before_s = 0.0


def test_a_new_snapshot_is_used_once_the_looks_by_it_are_ready(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Meanwhile requests find the looks by the one in use."""
    for machine in ("grader-07", "hauler-21", "loader-02"):
        add_machine(api, machine)
    worked_out(api)
    keep_next(api, six_lives().as_record())
    monkeypatch.setattr(working_out, "WORK_OUT_S", 0.0)
    statuses, work_out = [], api.services.looks.work_out

    def work_out_and_ask(*given: Any) -> None:
        statuses.append(api.get("/v1/fleet/changes").status_code)
        work_out(*given)
        statuses.append(api.get("/v1/fleet/changes").status_code)

    api.services.snapshots.refresh(
        api.resources, api.services.memory, at_once=True, before_use=work_out_and_ask
    )
    statuses.append(api.get("/v1/fleet/changes").status_code)
    assert len(statuses) >= 3
    assert set(statuses) == {200}
    assert api.get("/v1/fleet").json()["housings"][0]["snapshot"] >= 2


def test_readings_of_then_that_arrive_late_are_in_the_next_look(api: Api) -> None:
    """Hours 30 to 42 were measured before midnight and come a day after the first look."""
    api.register()
    set_hours_in(api, 72)
    api.send(working_hours(30, rise_kpa=0.04))
    api.send(working_hours(30, first_seq=42 * 60 + 1, rise_kpa=0.04))
    api.analyse()
    before = answer(api, days=1, moved_days=1)
    api.send(working_hours(12, first_seq=30 * 60 + 1, rise_kpa=0.04))
    api.analyse()
    found = answer(api, days=1, moved_days=1)
    forget_looks(api)
    assert found == answer(api, days=1, moved_days=1)
    assert found != before


def test_hours_since_then_change_no_look(api: Api, monkeypatch: pytest.MonkeyPatch) -> None:
    loaded_until_midnight(api)
    changes(api, days=1)
    work_on(api)
    changes(api, days=1)
    refuse_studies(monkeypatch)
    assert len(changes(api, days=1)) == 1


def test_the_looks_kept_ready_are_the_last_ones_taken_then_a_week_in_the_zones_of_people(api: Api) -> None:
    looks = api.services.looks
    with api.resources.reading() as connection:
        assert looks.spans(connection, OWNER_ID) == [Span(7, "UTC")]
    zones = ["America/Lima", "Europe/Vienna"]
    chosen = signed_in(api, "mara", "planner").request("PATCH", "/v1/me/messages", {"zone": zones[1]})
    made = signed_in(api, "ines", "planner").post("/v1/me/calendars", {"zone": zones[0]})
    assert (chosen.is_success, made.is_success) == (True, True)
    with api.resources.reading() as connection:
        assert looks.spans(connection, OWNER_ID) == [Span(7, zone) for zone in zones]
    for days in range(1, LOOKS_AHEAD + 3):
        looks.note(OWNER_ID, Span(days, "UTC"))
    with api.resources.reading() as connection:
        found = looks.spans(connection, OWNER_ID)
    assert found == [Span(days, "UTC") for days in range(LOOKS_AHEAD + 2, 2, -1)]


def test_one_owners_failure_stops_no_other_and_is_tried_again_after_a_rest(
    api: Api, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monotonic_s, tried = 0.0, []
    looks = ReadyLooks(api.services.memory, api.services.past, lambda: monotonic_s)
    with api.resources.reading() as connection:
        owners = fleet.every_owner(connection)

    def fail_of_the_first(_: object, owner_id: int, __: object) -> None:
        tried.append(owner_id)
        if owner_id == owners[0]:
            raise ValueError("damaged")

    monkeypatch.setattr(looks, "work_out", fail_of_the_first)
    while monotonic_s < 2 * ready_looks.FAILED_ROUND_REST_S:
        looks.refresh(api.resources, api.services.snapshots.of)
        monotonic_s += 100.0
    assert tried == [*owners, *owners]
    assert sum(record.message == "ingest.looks_failed" for record in caplog.records) == 2
