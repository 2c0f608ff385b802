"""
What a commit of PostgreSQL is worth: on its disk, and on the disk of a second machine.

Promises: it only reads, with the settings that our own connections get. On SQLite there is nothing to look
at: `ingest.store.database` sets what makes a commit durable.
Leaves to others: what to do about it (`ingest.commands.serve`), whether a disk keeps what it says it has.

Source: PostgreSQL manual, "Write Ahead Log" (fsync, full_page_writes, synchronous_commit) and "Replication"
(synchronous_standby_names).
"""

from __future__ import annotations

from typing import NamedTuple

import sqlalchemy as sa

from cleanside.ingest.store import dialect

#: values of synchronous_commit that wait until a synchronous standby has flushed
_WAITS_FOR_STANDBY = ("on", "remote_apply")


class CommitSettings(NamedTuple):
    """The settings of PostgreSQL that say what a commit is worth, as it shows them."""

    fsync: str
    full_page_writes: str
    synchronous_commit: str
    #: empty: no standby is waited for
    synchronous_standby_names: str


def settings_of(connection: sa.Connection) -> CommitSettings | None:
    """The settings in force for this connection; None on SQLite."""
    if dialect.is_sqlite(connection):
        return None
    names = ", ".join(f"current_setting('{name}')" for name in CommitSettings._fields)
    return CommitSettings(*connection.execute(sa.text(f"SELECT {names}")).one())


def weaknesses(found: CommitSettings, *, on_standby: bool) -> list[str]:
    """
    Codes of what makes a commit worth less than wanted; empty: nothing. Pure.

    on_standby : it has to be on a synchronous standby's disk too.
    """
    weak = {
        "fsync_off": found.fsync != "on",
        "full_page_writes_off": found.full_page_writes != "on",
        "commit_not_awaited": found.synchronous_commit == "off",
    }
    if on_standby:
        weak["no_standby_named"] = not found.synchronous_standby_names.strip()
        waits = found.synchronous_commit in _WAITS_FOR_STANDBY
        weak["standby_not_awaited"] = not waits and not weak["commit_not_awaited"]
    return [code for code, is_so in weak.items() if is_so]
