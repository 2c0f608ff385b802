"""Rows for every table of a schema, made from what the database says of itself: no model is asked."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa

ROWS = 3  # of each table; enough for a chain of references
VERSION = "alembic_version"

#: tables of one schema by name, as `tables_of` reads them: to read them takes longer than all rows
Tables = dict[str, sa.Table]


def tables_of(engine: sa.Engine) -> Tables:
    """Every table that holds rows of its own, in the order in which they may be filled."""
    metadata = sa.MetaData()
    metadata.reflect(engine)
    parts = _partitions(engine)
    names = [t.name for t in metadata.sorted_tables if t.name != VERSION and t.name not in parts]
    return {name: metadata.tables[name] for name in names}


def _partitions(engine: sa.Engine) -> set[str]:
    """Tables of PostgreSQL that are a part of another one: they are filled through the whole."""
    if engine.dialect.name == "sqlite":
        return set()
    with engine.connect() as connection:
        return set(connection.scalars(sa.text("SELECT relname FROM pg_class WHERE relispartition")))


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
