"""Invariant 11: what a person entered of an element decides, unless the readings contradict it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.contract.test_api_fleet import register_worked, restriction
from tests.support.databases import migrated_sqlite
from tests.support.serving import Api, in_process

PATH = "/v1/machines/grader-07/element-changes"
AT = "2026-02-21T06:00:00Z"  # 24 of 60 hours after the first reading


def figures(api: Api) -> dict[str, Any]:
    """All that is said but of entries and why."""
    return {k: v for k, v in restriction(api).items() if not k.startswith(("questions", "evidence"))}


def enter(api: Api, **more: Any) -> dict[str, Any]:
    response = api.post(PATH, {"changed_at": AT, **more}, key="planner")
    assert response.status_code == 200, response.text
    [change] = response.json()["element_changes"]
    return dict(change)


@pytest.mark.parametrize(("what", "began"), [("new", "change"), ("cleaned", "cleaned")])
def test_invariant_11_an_entry_that_the_readings_allow_decides(tmp_path: Path, what: str, began: str) -> None:
    """The same fall is a new or a cleaned element as the person says, and from when the person says."""
    with in_process(migrated_sqlite(tmp_path)) as api:
        register_worked(api, 60, new_at_hour=24)
        change = enter(api, what=what)
        assert (change["verdict"], change["is_question"], change["used_from"]) == ("fits", False, AT)
        lives = api.get("/v1/machines/grader-07/lives").json()["lives"]
        assert (lives[-1]["began"], lives[-1]["began_by"]) == (began, "entered")


def test_invariant_11_an_entry_that_the_readings_contradict_moves_nothing_until_a_person_settles_it(
    tmp_path: Path,
) -> None:
    with in_process(migrated_sqlite(tmp_path)) as api:
        register_worked(api, 60, rise_kpa=0.05)
        without = figures(api)
        change = enter(api)
        assert (change["verdict"], change["is_question"], change["used_from"]) == ("did_not_fall", True, None)
        assert figures(api) == without
        assert [q["entry_id"] for q in restriction(api)["questions"]] == [change["entry_id"]]
        # the person was there: now it decides against the readings
        assert enter(api, confirmed_because="I was there")["used_from"] == AT
        assert restriction(api)["questions"] == []
        assert restriction(api)["life_hours"] == pytest.approx(36, abs=1)
        api.request("DELETE", PATH, params={"changed_at": AT})
        assert figures(api) == without
