"""
Statements that are compiled once for all SQLite databases of this process.

SQLAlchemy keeps what it compiled with the engine. A server has one engine to read and one to write, for its
life; tests open thousands of each. Processes that tests start keep their statements as anybody's do.
"""

from __future__ import annotations

from typing import Any

from sqlalchemy.dialects.sqlite.pysqlite import SQLiteDialect_pysqlite as Dialect
from sqlalchemy.engine import Engine
from sqlalchemy.util import LRUCache

MOST_STATEMENTS = 2_000  # four times what SQLAlchemy keeps for an engine
_kept: LRUCache[Any, Any] = LRUCache(MOST_STATEMENTS)


def share() -> None:
    """From now on. A kept statement is found by its dialect too; ours have no options, so all are equal."""
    Dialect.engine_created = classmethod(_engine_created)  # type: ignore[method-assign,assignment]
    Dialect.__eq__ = _is_equal  # type: ignore[method-assign]
    Dialect.__hash__ = _hash  # type: ignore[method-assign,assignment]


def _engine_created(_: type[Dialect], engine: Engine) -> None:
    engine._compiled_cache = _kept


def _is_equal(dialect: object, other: object) -> bool:
    return type(dialect) is type(other)


def _hash(dialect: object) -> int:
    return hash(type(dialect))
