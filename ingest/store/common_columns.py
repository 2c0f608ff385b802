"""What the tables have in common: their register, names of keys and indexes, types, columns of numbers."""

from __future__ import annotations

import sqlalchemy as sa

metadata = sa.MetaData(
    naming_convention={
        "pk": "pk_%(table_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
    }
)

# SQLite numbers rows by itself only for a plain INTEGER key.
BigId = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
NAME = sa.String(64)


def id_column() -> sa.Column[int]:
    """A number that the database gives."""
    return sa.Column("id", BigId, primary_key=True, autoincrement=True)


def reference(target: str, name: str, *, key: bool = False, optional: bool = False) -> sa.Column[int]:
    """The number of a row of another table. key : part of the own key."""
    return sa.Column(name, BigId, sa.ForeignKey(f"{target}.id"), primary_key=key, nullable=optional)
