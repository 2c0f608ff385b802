"""
A server dies between two steps of joining blocks; what people and gateways do next fares as with rows.

The blocks are joined, half joined by a transaction that was never committed, and not joined yet. Each act is
compared with the same act on rows, and the hours with a recount; then the merging is finished by another
process, and nothing has changed.
"""

from __future__ import annotations

import os
import signal
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from cleanside.ingest.keeping import merging
from cleanside.ingest.settings import load
from tests.integration.ingest.keeping.test_merged_blocks import (
    ACTS,
    archived,
    fill,
    forms,
    in_rows,
    outcome,
    store_as,
)
from tests.support.databases import Postgres, migrated_sqlite
from tests.support.ended_leases import end_leases
from tests.support.killed_merge import JOINED
from tests.support.nursery import start
from tests.support.serving import Api, in_process

QUIET_S = 7_200.0  # after it what is there is joined, whatever its size
BATCH = 30
LAST = 300
#: what is there after the kill: one join is durable, the second is not
LEFT = [(1, JOINED), *((first, first + BATCH - 1) for first in range(JOINED + 1, LAST, BATCH))]
WITHIN_S = 60.0


@pytest.fixture
def as_rows(tmp_path: Path) -> Iterator[Api]:
    """Readings of two boots, each in a row."""
    with in_rows(tmp_path) as api:
        yield api


@pytest.fixture(params=["join.deleted:2", "join.inserted:2"])
def killed(backend: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Api]:
    """The same in blocks, of which some were joined when the process that joined them was killed."""
    postgres: Postgres | None = request.getfixturevalue("postgres") if backend == "postgres" else None
    url = migrated_sqlite(tmp_path) if postgres is None else postgres.migrated()
    settings = load(flags={"database": url, "archive_folder": str(tmp_path / "archive")}, environ={})
    with in_process(url, settings=settings) as api:
        store_as(api.resources, blocks=True)
        fill(api)
        tokens = api.tokens
    with tempfile.TemporaryFile("w+") as said:
        died = start(
            ["tests.support.killed_merge", request.param, url], environ=os.environ, stdout=said, stderr=said
        )
        code = died.wait(WITHIN_S)
        said.seek(0)
        assert code == -signal.SIGKILL, said.read()
    with in_process(url, settings=settings, tokens=tokens) as api:
        assert forms(api) == (0, LEFT)
        yield api


@pytest.mark.parametrize("act", ACTS, ids=lambda act: act.__name__)
def test_between_two_steps_of_a_killed_merge_it_is_as_with_rows(
    as_rows: Api, killed: Api, act: Callable[[Api], Any]
) -> None:
    found = outcome(killed, act)
    assert found == outcome(as_rows, act)

    end_leases(killed)  # that of the killed process too
    killed.clock.advance(QUIET_S)
    finished = merging.merge(killed.resources, set())
    assert finished is not None
    assert (finished.joined > 0) == (act is not archived)  # what lies in files is joined no more
    assert outcome(killed, lambda _: found[0]) == found
