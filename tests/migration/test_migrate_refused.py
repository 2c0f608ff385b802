"""`migrate` says in a sentence why it does not: another one is under way, a newer schema, no right."""

from __future__ import annotations

from pathlib import Path

import pytest
import sqlalchemy as sa

from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.store import database, turns
from tests.support.coded import refused
from tests.support.databases import Postgres, migrated_sqlite


def test_a_newer_schema_is_left_alone(tmp_path: Path) -> None:
    engine = database.writing_engine(migrated_sqlite(tmp_path))
    with engine.begin() as connection:
        connection.exec_driver_sql("UPDATE alembic_version SET version_num = '9999'")
    with refused(CalledWrongly, "schema_newer", schema="9999"):
        database.migrate(engine)
    engine.dispose()


@pytest.mark.postgres
def test_of_two_at_once_one_goes_on(postgres: Postgres) -> None:
    engine = database.writing_engine(postgres.migrated())
    with engine.connect() as other:
        assert turns.is_ours(other, turns.SCHEMA)
        with refused(CalledWrongly, "migration_under_way"):
            database.migrate(engine)
    assert database.migrate(engine) == (database.newest_revision(), database.newest_revision())
    engine.dispose()


@pytest.mark.postgres
def test_a_user_who_may_not_change_the_schema_is_told_who_may(postgres: Postgres) -> None:
    """From PostgreSQL 15 on, only the owner of a database makes tables in its schema public."""
    url = postgres.empty()
    owner = database.writing_engine(url)
    with owner.begin() as connection:
        connection.execute(sa.text("CREATE ROLE of_no_right LOGIN"))
        connection.execute(sa.text("REVOKE CREATE ON SCHEMA public FROM PUBLIC"))
    owner.dispose()
    engine = database.writing_engine(
        sa.make_url(url).set(username="of_no_right").render_as_string(hide_password=False)
    )
    with refused(CalledWrongly, "schema_not_ours"):
        database.migrate(engine)
    engine.dispose()
