"""
Every revision on a database of the one before it, with rows in every table, on both databases.

What is promised (DEVELOPERS.md, Migrations): rows survive with their values, and what the previous release
writes still lands, because it runs on for a while beside the new schema.
"""

from __future__ import annotations

import importlib
import pkgutil
import shutil
import subprocess
import sys
from collections.abc import Iterator
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


def test_rows_of_every_revision_survive_the_next(engine: sa.Engine) -> None:
    """
    From the first revision to the newest, step by step, each on full tables of the one before.

    The rows that the earliest steps put go all the way.
    """
    database.migrate(engine, to=REVISIONS[0])
    put = rows.fill(engine)
    assert set(put) >= {"owners", "readings", "hours", "quarantine"}
    assert all(len(found) == rows.ROWS for found in put.values())
    schema = rows.schema_of(engine)
    for _, after in STEPS:
        wanted = columns_of(put, after)
        kept = expected(put, wanted)
        database.migrate(engine, to=after)
        schema = rows.schema_of(engine, schema)
        put = all_rows(engine, schema.tables)
        assert expected(put, wanted) == kept, f"after {after}"
        put |= filled(engine, schema.tables, [name for name, found in put.items() if not found])
    database.check(engine)


def all_rows(engine: sa.Engine, tables: rows.Tables) -> Rows:
    return rows.read(engine, tables, {name: [c.name for c in table.c] for name, table in tables.items()})


def filled(engine: sa.Engine, tables: rows.Tables, names: list[str]) -> Rows:
    """Fill these tables, which are new. Gives their rows as they are found."""
    new = {name: tables[name] for name in names}
    rows.insert(engine, new, {name: rows.made_for(table) for name, table in new.items()})
    return all_rows(engine, new)


def test_what_the_previous_release_writes_lands_on_the_next_schema(engine: sa.Engine) -> None:
    """
    Its inserts name the columns it knows; its updates and deletes name its keys.

    The columns are read before the step, from a database of the previous release. By them rows are written
    after it, read back, changed and taken out again: in the tables that the step changes, and in those that
    refer to them. What a step leaves as it was takes what it took. At the newest it is every table.
    """
    database.migrate(engine, to=REVISIONS[0])
    before = rows.schema_of(engine)
    for old, new in STEPS:
        database.migrate(engine, to=new)
        after = rows.schema_of(engine, before)
        concerned = set(before.tables) if new == REVISIONS[-1] else concerned_by(before, after)
        write_as(before.tables, concerned, engine, f"{old} on {new}")
        before = after


def concerned_by(before: rows.Schema, after: rows.Schema) -> set[str]:
    """Tables of the schema before that the step changes, and those that refer to one of them."""
    changed = {name for name, said in before.said.items() if after.said.get(name) != said}
    return changed | {name for name, table in after.tables.items() if rows.parents_of(table) & changed}


def write_as(known: rows.Tables, names: set[str], engine: sa.Engine, which: str) -> None:
    """Insert, read, update and delete by the columns and keys of another release. Leaves all as it was."""
    needed = with_ancestors(known, names)
    put = {name: rows.made_for(table) for name, table in known.items() if name in needed}
    with engine.connect() as connection:
        for table in reversed(list(known.values())):
            connection.execute(sa.delete(table))  # what a revision puts into an empty database itself
        for name, found in put.items():
            connection.execute(sa.insert(known[name]), found)
        for name in put:
            got = [dict(row) for row in connection.execute(sa.select(known[name])).mappings()]
            assert rows.in_order(got) == rows.in_order(put[name]), f"{name}: {which}"
        for name in reversed(put):
            change_and_take_out(connection, known[name], put[name], f"{name}: {which}")
        connection.rollback()


def with_ancestors(known: rows.Tables, names: set[str]) -> set[str]:
    """These tables, and all that their rows refer to, straight or through others."""
    found = set(names)
    for name in reversed(list(known)):  # what a table refers to stands before it
        if name in found:
            found |= rows.parents_of(known[name])
    return found


def change_and_take_out(
    connection: sa.Connection, table: sa.Table, put: list[dict[str, Any]], which: str
) -> None:
    """Update and delete each row of a table by its keys."""
    keys = [table.c[c.name] for c in table.primary_key] or _keys_by_month(table)
    plain = next((c for c in table.c if c.name not in {key.name for key in keys}), None)
    for row in put:
        here = [key == row[key.name] for key in keys]
        if plain is not None:
            changed = sa.update(table).where(*here).values({plain.name: row[plain.name]})
            assert connection.execute(changed).rowcount == 1, which
        assert connection.execute(sa.delete(table).where(*here)).rowcount == 1, which


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
