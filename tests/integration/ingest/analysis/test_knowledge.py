"""No request waits for a fit: what was learned is kept with it, and until it is there forecasts are wide."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
import sqlalchemy as sa

from cleanside.ingest.analysis.knowledge import Snapshots
from cleanside.ingest.restriction import FleetKnowledge, Life, learn_fleet
from cleanside.ingest.store import snapshots
from cleanside.ingest.store.models import fleet_snapshots
from tests.support.serving import Api


def six_lives() -> FleetKnowledge:
    lives = []
    for number in range(6):
        age = np.arange(1.0, 300.0 + 20 * number)
        level = 1800 + 4400 * np.expm1(2 * age / age[-1]) / np.expm1(2)
        lives.append(
            Life(
                hours=age,
                restriction_pa=level,
                terminal_pa=6200.0,
                complete=number != 2,
                machine=f"grader-{number % 4}",
                kind="grader",
            )
        )
    return learn_fleet(lives)


def keep(api: Api, content: dict[str, Any]) -> None:
    api.resources.writer.call(lambda c: snapshots.put(c, 1, 0, 1, json.dumps(content)))


def test_a_snapshot_is_read_with_its_fit_and_forecasts_to_the_last_bit(
    api: Api, monkeypatch: pytest.MonkeyPatch
) -> None:
    learned = six_lives()
    keep(api, learned.as_record())
    monkeypatch.setattr(
        "cleanside.ingest.restriction.forecast.fleet_knowledge.fit_forecaster", None
    )  # to fit again would fail
    with api.resources.reading() as connection:
        known = Snapshots().of(connection, 1)
    assert known.number == 1
    life = learned.lives[3]
    for kind in ("grader", "loader"):
        for machine in ("grader-1", ""):
            made, read = (
                of.forecaster.hours_left(
                    life.hours, life.restriction_pa, terminal_pa=6200.0, kind=kind, machine=machine
                )
                for of in (learned, known.knowledge)
            )
            np.testing.assert_array_equal(made, read)


@pytest.mark.parametrize("spoil", [lambda r: r.pop("fitted"), lambda r: r["fitted"].update(version=0)])
def test_one_that_was_kept_without_a_fit_of_this_code_is_used_once_it_is_fitted(api: Api, spoil: Any) -> None:
    record = six_lives().as_record()
    spoil(record)
    keep(api, record)
    used = Snapshots()
    with api.resources.reading() as connection:
        assert used.of(connection, 1).number == 0
    used.refresh(api.resources, api.app.state.memory, at_once=True)
    with api.resources.reading() as connection:
        assert used.of(connection, 1).number == 1
        assert connection.scalar(sa.select(fleet_snapshots.c.number)) == 1
