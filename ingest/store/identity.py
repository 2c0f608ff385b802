"""The id of this database. A restore renews it, so that gateways compare their numbers with the server's."""

from __future__ import annotations

import uuid

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import database_identity

_ROW = 1
_KNOWN = sa.select(database_identity.c.database).where(database_identity.c.id == _ROW)


def keep(connection: sa.Connection) -> str:
    """The id of this database, made where there is none. All processes on one database get the same."""
    fresh = {"id": _ROW, "database": str(uuid.uuid4())}
    connection.execute(dialect.insert(connection, database_identity).values(fresh).on_conflict_do_nothing())
    return str(connection.execute(_KNOWN).scalar_one())


def known(connection: sa.Connection) -> str | None:
    """The id of this database; None: no server has opened it since it was made or restored."""
    return connection.execute(_KNOWN).scalar_one_or_none()


def forget(connection: sa.Connection) -> None:
    """Delete the id: the next server that opens this database makes a new one."""
    if sa.inspect(connection).has_table(database_identity.name):  # an older schema has none
        connection.execute(sa.delete(database_identity))
