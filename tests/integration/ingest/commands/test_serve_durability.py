"""A server looks at what its PostgreSQL keeps before it serves, and warns or refuses as it is set."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.commands.serve import prepare
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.settings import load
from tests.support.databases import Postgres

pytestmark = pytest.mark.postgres


def run(url: str, sql: str) -> None:
    """Run a statement as the database's owner, outside a transaction."""
    engine = sa.create_engine(
        sa.make_url(url).set(drivername="postgresql+psycopg"), isolation_level="AUTOCOMMIT"
    )
    with engine.connect() as connection:
        connection.execute(sa.text(sql))
    engine.dispose()


def without_awaited_commits(url: str) -> None:
    run(url, f"ALTER DATABASE {sa.make_url(url).database} SET synchronous_commit = off")


def prepared(url: str, **settings: Any) -> None:
    prepare(load(flags={"database": url, **settings}, environ={}), migrate_old=False)


def codes_logged(records: Sequence[logging.LogRecord]) -> list[str]:
    return [record.__dict__["code"] for record in records if record.getMessage() == "ingest.durability_weak"]


def test_what_is_weak_is_warned_of_by_name(postgres: Postgres, caplog: pytest.LogCaptureFixture) -> None:
    """The tests' server runs without fsync, on purpose."""
    url = postgres.migrated()
    prepared(url)
    assert codes_logged(caplog.records) == ["fsync_off"]
    caplog.clear()
    without_awaited_commits(url)
    prepared(url, durability="standby")
    assert codes_logged(caplog.records) == ["fsync_off", "commit_not_awaited", "no_standby_named"]


def test_a_server_that_must_not_serve_on_a_weak_database_does_not(postgres: Postgres) -> None:
    url = postgres.migrated()
    without_awaited_commits(url)
    with pytest.raises(CalledWrongly) as refused:
        prepared(url, weak_durability="refuse")
    assert refused.value.code == "durability_weak"
    assert refused.value.values["codes"] == ["fsync_off", "commit_not_awaited"]


def test_sqlite_is_durable_by_our_own_setting(
    sqlite_database_url: str, caplog: pytest.LogCaptureFixture
) -> None:
    prepared(sqlite_database_url, weak_durability="refuse")
    assert codes_logged(caplog.records) == []
    with pytest.raises(CalledWrongly) as refused:
        prepared(sqlite_database_url, durability="standby")
    assert refused.value.code == "standby_of_sqlite"
