"""A PostgreSQL database of another encoding than UTF8 is refused in words, at the first contact."""

from __future__ import annotations

import pytest

from cleanside.ingest import cli
from cleanside.ingest.store import database
from tests.support.databases import Postgres

pytestmark = pytest.mark.postgres


# PostgreSQL manual, "Character Set Support": no conversion is done for SQL_ASCII; LATIN1 has no euro sign.
@pytest.mark.parametrize("encoding", ["SQL_ASCII", "LATIN1"])
def test_a_database_of_another_encoding_is_refused_with_the_next_step(
    postgres: Postgres, encoding: str, capsys: pytest.CaptureFixture[str]
) -> None:
    url = postgres.empty(encoding=encoding)
    for command in (["migrate"], ["account"], ["serve", "--migrate", "--port", "0"]):
        assert cli.main([*command, "--database", url]) == 2
        [line] = [line for line in capsys.readouterr().err.splitlines() if "encoding" in line]
        assert f"has encoding {encoding}" in line
        assert "createdb -E UTF8 -T template0" in line
        assert "Traceback" not in line


def test_a_database_made_as_the_next_step_says_is_taken(postgres: Postgres) -> None:
    engine = database.writing_engine(postgres.empty(encoding="UTF8"))
    try:
        assert database.migrate(engine) == (None, database.newest_revision())
    finally:
        engine.dispose()
