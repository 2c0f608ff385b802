"""A likely date that learning moved says so; one that readings moved, or within its width, does not."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from cleanside.ingest.analysis.knowledge import Snapshots
from cleanside.ingest.analysis.moved_dates import is_moved
from cleanside.ingest.restriction import FleetKnowledge, Life, Quantiles, learn_fleet
from cleanside.ingest.store import snapshots
from cleanside.ingest.store.models import earlier_snapshots
from tests.contract.test_api_fleet import register_worked, restriction
from tests.support.serving import Api, in_process

DAY_US = 86_400_000_000


@pytest.fixture
def api(sqlite_database_url: str) -> Iterator[Api]:
    """grader-07 after 20 hours: it has hardly loaded, so its date is what the fleet teaches."""
    with in_process(sqlite_database_url) as running:
        register_worked(running, 20, rise_kpa=0.004)
        yield running


def lives_of(hours: float, many: int) -> FleetKnowledge:
    """A fleet whose graders last so many hours."""
    lives = []
    for number in range(many):
        age = np.arange(1.0, hours + 5 * number)
        level = 1800 + 4400 * np.expm1(2 * age / age[-1]) / np.expm1(2)
        lives.append(
            Life(
                hours=age,
                restriction_pa=level,
                terminal_pa=6200.0,
                complete=True,
                machine=f"grader-{number + 20}",
                kind="grader",
            )
        )
    return learn_fleet(lives)


def taught(api: Api, learned: FleetKnowledge) -> None:
    """What the fleet teaches from now on, as if another process had learned it."""
    with api.resources.reading() as connection:
        newest = snapshots.newest(connection, 1)
    number = 0 if newest is None else newest.number
    content = json.dumps(learned.as_record())
    api.resources.writer.call(lambda c: snapshots.put(c, 1, number, api.clock.now_us, content))
    api.services.snapshots = Snapshots()  # it reads the newest, as after a start


def only_this_is_known(api: Api, learned: FleetKnowledge) -> None:
    """It has been known for days; what came before is forgotten."""
    taught(api, learned)
    api.resources.writer.call(lambda c: c.execute(sa.delete(earlier_snapshots)))


def moved(api: Api) -> Any:
    return restriction(api)["date_moved"]


def test_a_date_that_learning_moved_says_from_when_to_when_and_from_how_many_lives(api: Api) -> None:
    only_this_is_known(api, lives_of(80, 12))
    api.clock.advance(3_600)
    before = restriction(api)
    assert before["date_moved"] is None
    taught(api, lives_of(900, 20))
    api.clock.advance(3_600)
    found = moved(api)
    assert found is not None, (before["due_at"], restriction(api)["due_at"])
    assert found["likely_before_at"] < found["likely_at"] == restriction(api)["due_at"]["p50"]
    assert found["more_lives"] == 8
    page = api.get("/machines/grader-07", key="planner").text
    assert "learned from 8 more lives." in page


def test_learning_within_the_stated_width_is_no_news(api: Api) -> None:
    only_this_is_known(api, lives_of(300, 12))
    taught(api, lives_of(301, 13))
    assert moved(api) is None


def test_a_move_is_said_for_a_week(api: Api) -> None:
    only_this_is_known(api, lives_of(80, 12))
    taught(api, lives_of(900, 20))
    assert moved(api) is not None
    api.clock.advance(8 * 86_400)
    assert moved(api) is None


def test_one_snapshot_a_day_is_kept_and_of_these_two(api: Api) -> None:
    for hours in (300, 310, 320):
        taught(api, lives_of(hours, 6))
    with api.resources.reading() as connection:
        assert snapshots.earlier(connection, 1, 0)[0] == 1  # type: ignore[index]  # one is there
    for _ in range(3):
        api.clock.advance(86_400 + 1)
        taught(api, lives_of(300, 6))
    with api.resources.reading() as connection:
        found = snapshots.earlier(connection, 1, 0)
    assert found is not None
    assert found[1] <= api.clock.now_us - DAY_US, "it was in use a day ago"


def test_outside_the_early_and_late_date_is_moved() -> None:
    before = Quantiles(p10=10.0, p50=20.0, p90=30.0)
    after = [Quantiles(p10=0.0, p50=likely, p90=99.0) for likely in (9.0, 10.0, 30.0, 31.0)]
    assert [is_moved(before, one) for one in after] == [True, False, False, True]
