"""Forms of storage that are in use: what a command turned on, and no release before it could read."""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa

from cleanside.ingest.store import dialect
from cleanside.ingest.store.models import store_modes
from cleanside.ingest.store.round_trips import Statement

#: new readings are written as blocks, and rows become blocks
BLOCKS: Final = "blocks"

#: the newest schema of the last release that could not read blocks
BEFORE_BLOCKS: Final = "0033"

_IS_ON = "SELECT 1 FROM store_modes WHERE name = ?"


def is_on(connection: sa.Connection, mode: str) -> bool:
    """True where this form of storage is in use; asked in every commit of readings."""
    return dialect.run(connection, _IS_ON, (mode,)).first() is not None


def asked(mode: str) -> Statement:
    """What asks for the same, for `round_trips.ask`: a row where it is in use."""
    return _IS_ON, (mode,)


def since_us(connection: sa.Connection, mode: str) -> int | None:
    """Since when this form of storage is in use [us since 1970]; None: it is not."""
    query = sa.select(store_modes.c.since_us).where(store_modes.c.name == mode)
    return connection.scalars(query).first()


def begin(connection: sa.Connection, mode: str, now_us: int) -> None:
    """Use it from this commit on."""
    fresh = dialect.insert(connection, store_modes).values(name=mode, since_us=now_us)
    connection.execute(fresh.on_conflict_do_nothing())


def stop(connection: sa.Connection, mode: str) -> None:
    """Use it no longer for what is new; what is stored in this form stays so."""
    connection.execute(sa.delete(store_modes).where(store_modes.c.name == mode))
