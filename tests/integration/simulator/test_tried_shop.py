"""The campaign's server: its disk is lost whole, and a backup brings it back, on either database."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from cleanside.simulator.tried_shop import TriedShop
from tests.integration.ingest.keeping.test_backup import PG_TOOLS


@pytest.fixture
def shop(tmp_path: Path, backend: str, request: pytest.FixtureRequest) -> Iterator[TriedShop]:
    url = None if backend == "sqlite" else request.getfixturevalue("postgres").empty()
    made = TriedShop(tmp_path, database=url, pg_tools=PG_TOOLS)
    made.open()
    yield made
    made.stop()


def machines(shop: TriedShop) -> list[str]:
    return [machine["machine"] for machine in shop.get("/v1/machines")["machines"]]


def test_what_came_after_the_backup_is_gone_and_the_database_is_another(shop: TriedShop) -> None:
    shop.register_machine("grader-07", "grader", 6.2, "kPa")
    shop.strike("back_up", 0.0)
    before = shop.database_id()
    shop.register_machine("loader-02", "loader", 25.0, "inH2O")
    for _ in range(2):
        shop.strike("restore", 0.0)
        assert machines(shop) == ["grader-07"]
        assert shop.database_id() != before
        before = shop.database_id()
    assert shop.done == {"back_up": 1, "restore": 2}
