"""Rows for every table of a schema, made from what the database says of itself: no model is asked."""

from __future__ import annotations

from graphlib import TopologicalSorter
from typing import Any, NamedTuple

import sqlalchemy as sa

ROWS = 3  # of each table; enough for a chain of references
VERSION = "alembic_version"

#: tables of one schema by name, in the order in which they may be filled
Tables = dict[str, sa.Table]

#: what a database itself says of each table: a row for each of its columns, keys, indexes and triggers
_SAID = {
    "sqlite": "SELECT tbl_name, sql FROM sqlite_master WHERE sql IS NOT NULL AND tbl_name NOT LIKE 'sqlite%'",
    # Partitions are left out: they are filled through the whole.
    "postgresql": """
        WITH whole AS (
            SELECT oid, relname::text AS name FROM pg_class
            WHERE relnamespace = 'public'::regnamespace AND relkind IN ('r', 'p') AND NOT relispartition
        )
        SELECT name, concat_ws(' ', a.attnum, a.attname, format_type(a.atttypid, a.atttypmod), a.attnotnull,
                               a.attidentity, pg_get_expr(d.adbin, d.adrelid))
        FROM whole JOIN pg_attribute a ON a.attrelid = oid AND a.attnum > 0 AND NOT a.attisdropped
        LEFT JOIN pg_attrdef d ON d.adrelid = a.attrelid AND d.adnum = a.attnum
        UNION ALL SELECT name, conname || ' ' || pg_get_constraintdef(k.oid)
        FROM whole JOIN pg_constraint k ON k.conrelid = whole.oid
        UNION ALL SELECT name, pg_get_indexdef(i.indexrelid)
        FROM whole JOIN pg_index i ON i.indrelid = whole.oid
        UNION ALL SELECT name, pg_get_triggerdef(t.oid)
        FROM whole JOIN pg_trigger t ON t.tgrelid = whole.oid AND NOT t.tgisinternal
    """,
}


class Schema(NamedTuple):
    """What a database holds at one revision."""

    #: every table that holds rows of its own
    tables: Tables
    #: what the database says of each
    said: dict[str, frozenset[str]]


NOTHING = Schema({}, {})


def schema_of(engine: sa.Engine, before: Schema = NOTHING) -> Schema:
    """
    What a database holds now.

    before : as it was; a table of which the database says the same is the same object, so that statements
    that were compiled for it serve on. To read all tables again takes longer than all rows.
    """
    said = _said_in(engine)
    changed = [name for name, words in said.items() if before.said.get(name) != words]
    metadata = sa.MetaData()
    if changed:
        metadata.reflect(engine, only=changed)
    kept = {n: metadata.tables[n] if n in changed else before.tables[n] for n in said}
    order = TopologicalSorter({name: sorted(parents_of(table)) for name, table in kept.items()})
    return Schema({name: kept[name] for name in order.static_order()}, said)


def _said_in(engine: sa.Engine) -> dict[str, frozenset[str]]:
    said: dict[str, set[str]] = {}
    with engine.connect() as connection:
        for name, words in connection.execute(sa.text(_SAID[engine.dialect.name])):
            if name != VERSION:
                said.setdefault(name, set()).add(words)
    return {name: frozenset(words) for name, words in sorted(said.items())}


def parents_of(table: sa.Table) -> set[str]:
    """Names of the other tables that its rows refer to."""
    return {key.target_fullname.partition(".")[0] for key in table.foreign_keys} - {table.name}


def tables_of(engine: sa.Engine) -> Tables:
    """Every table that holds rows of its own, in the order in which they may be filled."""
    return schema_of(engine).tables


def fill(engine: sa.Engine) -> dict[str, list[dict[str, Any]]]:
    """Put rows into every table, in place of any that a revision put. Gives them as they were put."""
    tables = tables_of(engine)
    with engine.begin() as connection:
        for table in reversed(tables.values()):
            connection.execute(sa.delete(table))
    put = {name: made_for(table) for name, table in tables.items()}
    insert(engine, tables, put)
    return put


def insert(engine: sa.Engine, tables: Tables, put: dict[str, list[dict[str, Any]]]) -> None:
    """Put these rows into these tables."""
    with engine.begin() as connection:
        for name, found in put.items():
            connection.execute(sa.insert(tables[name]), found)


def made_for(table: sa.Table) -> list[dict[str, Any]]:
    """Rows with a value in every column; equal ids everywhere, so that references meet."""
    return [
        {column.name: _value(column, place, number) for place, column in enumerate(table.columns)}
        for number in range(1, ROWS + 1)
    ]


def _value(column: sa.Column[Any], place: int, number: int) -> Any:
    kind = column.type
    if column.name == "stream_id" or column.name.endswith("_id") or column.primary_key or column.foreign_keys:
        return str(number) if isinstance(kind, sa.String) else number
    if column.name in ("first", "first_seq"):  # ranges have to be ranges
        return number * 10
    if column.name in ("last", "last_seq"):
        return number * 10 + 5
    if isinstance(kind, sa.Boolean):
        return number % 2 == 0
    if isinstance(kind, sa.Integer):
        return number * 1_000 + place
    if isinstance(kind, sa.Float):
        return number + place / 7  # digits to the last
    if isinstance(kind, sa.LargeBinary):
        return bytes([number, place, 0, 255])
    if isinstance(kind, sa.String):
        return f"é{number}.{place}"[: kind.length or 20]
    raise AssertionError(f"{column}: say here what a value of {kind!r} looks like")


def read(engine: sa.Engine, tables: Tables, names: dict[str, list[str]]) -> dict[str, list[dict[str, Any]]]:
    """The rows of these columns of these tables, in the order of their values."""
    found: dict[str, list[dict[str, Any]]] = {}
    with engine.connect() as connection:
        for name, columns in names.items():
            query = sa.select(*(tables[name].c[column] for column in columns))
            found[name] = in_order([dict(row) for row in connection.execute(query).mappings()])
    return found


def in_order(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Rows in an order that does not depend on the database."""
    return sorted(rows, key=lambda row: repr(sorted(row.items())))
