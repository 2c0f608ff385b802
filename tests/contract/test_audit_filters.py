"""The audit by machine and by day; what one act wrote many entries about is one line of the page."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.gateway.wire import instant_text
from cleanside.ingest.store import audit, fleet
from tests.support.databases import opened
from tests.support.serving import DEVICE, Api

OTHER = "loader-02-intake"


@pytest.fixture(autouse=True)
def registered(api: Api) -> None:
    api.register()
    api.register(OTHER, "loader-02")


def entries(api: Api, **wanted: str) -> list[tuple[str, Any]]:
    found = api.get("/v1/audit", params=wanted)
    assert found.status_code == 200, found.text
    return [(entry["what"], entry["values"]) for entry in found.json()["entries"]]


def test_a_machine_has_its_own_entries_and_those_of_its_monitor(api: Api) -> None:
    assert api.request("PATCH", f"/v1/devices/{DEVICE}", json={"retired": True}).status_code == 200
    kinds = [what for what, _ in entries(api, machine="grader-07")]
    assert kinds == ["device_edited", "device", "machine"]
    assert [what for what, _ in entries(api, machine="loader-02")] == ["device", "machine"]
    assert entries(api, machine="grader-0") == []  # no part of a name


def test_a_span_has_what_was_done_in_it(api: Api) -> None:
    api.clock.advance(86_400)
    since = instant_text(api.clock())
    assert api.request("PATCH", "/v1/machines/loader-02", json={"display_name": "Lader"}).status_code == 200
    assert len(entries(api, since=since)) == 1
    assert len(entries(api, until=since)) == 4
    assert entries(api, since=since, machine="grader-07") == []


def plan(api: Api, days: int) -> None:
    """As an accepted plan writes them."""

    def save(connection: sa.Connection) -> None:
        owner_id = fleet.owner_id(connection, "plateau")
        assert owner_id is not None
        for day in range(days):
            about = {"machine": f"m-{day}", "housing": "main", "before": None, "by": None, "on": "2026-03-09"}
            audit.note(connection, owner_id, api.clock(), "mara", "plan_day", **about)

    api.resources.writer.call(save)


def test_a_plan_of_sixty_days_is_one_line_that_opens(api: Api) -> None:
    plan(api, 60)
    html = api.get("/audit").text
    assert html.count('<tr role="row">') == 1 + 1 + 4  # the head, the plan, and what was registered
    assert "60 entries" in html
    assert "m-59" in html


def test_the_page_filters_by_a_day_of_the_viewers_zone(api: Api) -> None:
    today = api.get("/audit?day=2026-03-02").text
    assert today.count('<tr role="row">') == 1 + 4
    assert "No entry fits this filter." in api.get("/audit?day=2026-03-03").text
    assert api.get("/audit?day=someday").text.count('<tr role="row">') == 1 + 4
    assert api.get("/audit?machine=loader-02").text.count('<tr role="row">') == 1 + 2


@pytest.mark.parametrize("day", ["0001-01-01", "9999-12-31", "2026-02-30", "x"])
def test_a_day_at_the_end_of_the_calendar_or_none_is_no_fault(api: Api, day: str) -> None:
    assert api.get(f"/audit?day={day}").status_code == 200


@pytest.mark.parametrize(
    ("ask", "of"),
    [
        (audit.instants_of, ("plan_day", 5)),
        (audit.values_of, ("plan_day", 5)),
        (audit.planned_days_of, (5,)),
    ],
)
def test_lines_of_a_kind_are_found_without_the_rest_of_the_log(
    sqlite_database_url: str, ask: Callable[..., Any], of: tuple[Any, ...]
) -> None:
    """The page of the plan asks them; of 300 000 lines the first two took 120 and 390 ms to look through."""
    asked: list[tuple[str, Any]] = []

    def note(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_rest: Any) -> None:
        asked.append((f"EXPLAIN QUERY PLAN {statement}", parameters))

    with opened(sqlite_database_url) as engine, engine.connect() as connection:
        sa.event.listen(engine, "before_cursor_execute", note)
        ask(connection, 1, *of)
        sa.event.remove(engine, "before_cursor_execute", note)
        plan = [row.detail for row in connection.exec_driver_sql(*asked[-1])]
    assert "ix_audit_owner_id_what_at_us (owner_id=? AND what=? AND at_us" in plan[0]
