"""
Every revision on a database of the one before it, with rows in every table, on both databases.

What is promised (DEVELOPERS.md, Migrations): rows survive with their values, and what the previous release
writes still lands, because it runs on for a while beside the new schema.
"""

from __future__ import annotations

import functools
import importlib
import pkgutil
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator, Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import sqlalchemy as sa

from cleanside.ingest.store import database
from cleanside.migrations import versions
from tests.migration import rows
from tests.support.databases import opened

REVISIONS = sorted(
    importlib.import_module(f"cleanside.migrations.versions.{module.name}").revision
    for module in pkgutil.iter_modules(versions.__path__)
)
#: (before, after): each step there is
STEPS = list(pairwise(REVISIONS))

#: columns whose values a step changes on purpose, and why: revision, table -> columns
CHANGED = {
    ("0005", "hours"): {"revision"},  # all hours are made due for the new summaries
    ("0018", "hours"): {"revision"},  # those of housings with several devices, to tell the devices apart
}


@pytest.fixture
def engine(empty_database_url: str) -> Iterator[sa.Engine]:
    with opened(empty_database_url) as engine:
        yield engine


@pytest.fixture(scope="module")
def tables_by_revision(
    tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest
) -> Callable[[str], Mapping[str, rows.Tables]]:
    """By backend: revision -> its tables, read from a database that goes through all of them."""

    @functools.cache
    def read(backend: str) -> Mapping[str, rows.Tables]:
        url = f"sqlite:///{tmp_path_factory.mktemp('revisions') / 'read.db'}"
        if backend == "postgres":
            url = request.getfixturevalue("postgres").empty()
        with opened(url) as engine:
            return {revision: tables_at(engine, revision) for revision in REVISIONS}

    return read


def tables_at(engine: sa.Engine, revision: str) -> rows.Tables:
    database.migrate(engine, to=revision)
    return rows.tables_of(engine)


@pytest.fixture
def schemas(
    tables_by_revision: Callable[[str], Mapping[str, rows.Tables]], backend: str
) -> Mapping[str, rows.Tables]:
    return tables_by_revision(backend)


Rows = dict[str, list[dict[str, Any]]]


def columns_of(put: Rows, revision: str) -> dict[str, list[str]]:
    """The columns a step has to leave alone."""
    changed = {name: columns for (at, name), columns in CHANGED.items() if at == revision}
    return {name: sorted(found[0].keys() - changed.get(name, set())) for name, found in put.items()}


def expected(put: Rows, wanted: dict[str, list[str]]) -> Rows:
    return {
        name: rows.in_order([{column: row[column] for column in columns} for row in put[name]])
        for name, columns in wanted.items()
    }


def test_each_revision_builds_on_the_one_before() -> None:
    assert [f"{number:04d}" for number in range(1, len(REVISIONS) + 1)] == REVISIONS
    assert database.newest_revision() == REVISIONS[-1]


def test_rows_of_every_revision_survive_the_next(
    engine: sa.Engine, schemas: Mapping[str, rows.Tables]
) -> None:
    """
    From the first revision to the newest, step by step, each on full tables of the one before.

    The rows that the earliest steps put go all the way.
    """
    database.migrate(engine, to=REVISIONS[0])
    put = rows.fill(engine)
    assert set(put) >= {"owners", "readings", "hours", "quarantine"}
    assert all(len(found) == rows.ROWS for found in put.values())
    for _, after in STEPS:
        wanted = columns_of(put, after)
        kept = expected(put, wanted)
        database.migrate(engine, to=after)
        put = all_rows(engine, schemas[after])
        assert expected(put, wanted) == kept, f"after {after}"
        put |= filled(engine, schemas[after], [name for name, found in put.items() if not found])
    database.check(engine)


def all_rows(engine: sa.Engine, tables: rows.Tables) -> Rows:
    return rows.read(engine, tables, {name: [c.name for c in table.c] for name, table in tables.items()})


def filled(engine: sa.Engine, tables: rows.Tables, names: list[str]) -> Rows:
    """Fill these tables, which are new. Gives their rows as they are found."""
    new = {name: tables[name] for name in names}
    rows.insert(engine, new, {name: rows.made_for(table) for name, table in new.items()})
    return all_rows(engine, new)


def test_what_the_previous_release_writes_lands_on_the_next_schema(
    engine: sa.Engine, schemas: Mapping[str, rows.Tables]
) -> None:
    """
    Its inserts name the columns it knows; its updates and deletes name its keys.

    The columns are read from a database of the previous release. By them rows are written into one of the
    release after, read back, changed and taken out again, in every table of every release.
    """
    for before, after in STEPS:
        database.migrate(engine, to=after)
        write_as(schemas[before], engine, f"{before} on {after}")


def write_as(known: rows.Tables, engine: sa.Engine, which: str) -> None:
    """Insert, read, update and delete by the columns and keys of another release."""
    put = {name: rows.made_for(table) for name, table in known.items()}
    with engine.begin() as connection:
        for table in reversed(list(known.values())):
            connection.execute(sa.delete(table))  # what a revision puts into an empty database itself
        for name, table in known.items():
            connection.execute(sa.insert(table), put[name])
        for name, table in known.items():
            found = [dict(row) for row in connection.execute(sa.select(table)).mappings()]
            assert rows.in_order(found) == rows.in_order(put[name]), f"{name}: {which}"
        for name, table in reversed(list(known.items())):
            keys = [table.c[c.name] for c in table.primary_key] or _keys_by_month(table)
            plain = next((c for c in table.c if c.name not in {key.name for key in keys}), None)
            for row in put[name]:
                here = [key == row[key.name] for key in keys]
                if plain is not None:
                    changed = sa.update(table).where(*here).values({plain.name: row[plain.name]})
                    assert connection.execute(changed).rowcount == 1, f"{name}: {which}"
                assert connection.execute(sa.delete(table).where(*here)).rowcount == 1, f"{name}: {which}"


def _keys_by_month(table: sa.Table) -> list[sa.Column[Any]]:
    """What is unique in each month of a table that has no key as a whole (PostgreSQL)."""
    return [table.c.stream_id, table.c.seq if "seq" in table.c else table.c.first_seq]


def test_a_row_that_is_lost_on_the_way_is_found(engine: sa.Engine) -> None:
    """The tests above can fail."""
    database.migrate(engine)
    put = rows.fill(engine)
    tables = rows.tables_of(engine)
    wanted = columns_of(put, REVISIONS[-1])
    assert rows.read(engine, tables, wanted) == expected(put, wanted)
    with engine.begin() as connection:
        connection.execute(sa.text("DELETE FROM readings WHERE stream_id = 2"))
    assert rows.read(engine, tables, wanted) != expected(put, wanted)


def test_the_command_of_alembic_finds_no_difference(tmp_path: Path) -> None:
    """`alembic check`, as a contributor runs it: the models say what the revisions build."""
    url = f"sqlite:///{tmp_path / 'checked.db'}"
    with opened(url) as engine:
        database.migrate(engine)
    program = shutil.which("alembic", path=str(Path(sys.executable).parent))
    assert program is not None
    done = subprocess.run(
        [program, "check"],
        env={"CLEANSIDE_INGEST_DATABASE": url, "PATH": ""},
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "No new upgrade operations detected" in done.stdout
