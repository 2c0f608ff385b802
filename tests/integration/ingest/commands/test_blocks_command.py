"""The command `blocks`: begun only once no old process runs, stopped, and unpacked for the way back."""

from __future__ import annotations

import json
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest import cli
from cleanside.ingest.store import models, store_modes, stored_blocks, stored_rows
from tests.integration.ingest.keeping.test_merging import UNITS, everything, new
from tests.support.coded import sentence
from tests.support.databases import choose_form, opened

STREAM = 1


@pytest.fixture
def filled(database_url: str) -> str:
    """A database that stores rows, with a stream, some of it in rows and some in a block."""
    choose_form(database_url, "rows")
    with opened(database_url) as engine, engine.begin() as connection:
        connection.execute(sa.insert(models.owners), [{"id": 1, "name": "own", "created_us": 0}])
        connection.execute(sa.insert(models.devices), [{"id": 1, "owner_id": 1, "name": "grader-07-intake"}])
        row = {"id": STREAM, "owner_id": 1, "device_id": 1, "stream": "one"}
        connection.execute(sa.insert(models.streams), [row | {"first_heard_us": 1, "last_heard_us": 1}])
        connection.execute(sa.insert(models.unit_sets), [{"id": 1, "units": UNITS}])
        rows = stored_rows.encode(new(range(1, 101)), sqlite=engine.dialect.name == "sqlite")
        stored_rows.put(connection, [(STREAM, rows)])
        stored_blocks.put(connection, [(STREAM, stored_blocks.encode(new(range(101, 301)), UNITS))])
    return database_url


def run(url: str, *words: str) -> int:
    return cli.main(["blocks", *words, "--database", url])


def state(url: str, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    capsys.readouterr()
    assert run(url, "state", "--json") == 0
    return dict(json.loads(capsys.readouterr().out))


def test_begun_stopped_and_unpacked_the_readings_are_the_same(
    filled: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with opened(filled) as engine:
        before = everything(engine)
    assert state(filled, capsys)["since"] is None
    assert run(filled, "begin", "--previous-release-ended") == 0
    begun = state(filled, capsys)
    assert begun["since"] is not None
    assert (begun["blocks"], begun["readings"], begun["rows"]) == (1, 200, 100)
    assert run(filled, "unpack") == 2
    assert sentence("blocks_in_use") in capsys.readouterr().err
    assert run(filled, "stop") == 0
    assert run(filled, "unpack") == 0
    after = state(filled, capsys)
    assert (after["since"], after["blocks"], after["rows"]) == (None, 0, 300)
    with opened(filled) as engine:
        assert everything(engine) == before


def test_with_several_processes_somebody_has_to_say_that_the_last_old_one_has_ended(
    backend: str, filled: str, capsys: pytest.CaptureFixture[str]
) -> None:
    """On SQLite the lock of the file says it."""
    code = run(filled, "begin")
    assert code == (0 if backend == "sqlite" else 2)
    if backend == "postgres":
        assert sentence("previous_release_may_run") in capsys.readouterr().err
    with opened(filled) as engine, engine.connect() as connection:
        assert store_modes.is_on(connection, store_modes.BLOCKS) == (backend == "sqlite")
    assert run(filled, "begin", "--previous-release-ended") == 0
    assert run(filled, "stop") == 0
    assert run(filled, "begin") == 0  # it was said once
