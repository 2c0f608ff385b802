"""The PostgreSQL server of the tests themselves: one that ended costs one test, not all behind it."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.databases import Postgres
from tests.support.held import stored_count


@pytest.mark.postgres
def test_a_server_that_was_killed_is_started_again_for_the_next_test(tmp_path: Path) -> None:
    server = Postgres(tmp_path / "data", fsync=False)
    try:
        before = server.migrated()
        server.crash()
        assert stored_count(server.migrated()) == 0
        assert before
    finally:
        server.stop()
