"""
What a commit of PostgreSQL is worth: on its disk, and on the disk of a second machine.

Promises: the settings are those that our own connections get. A commit whose standby was not waited for is
noticed. On SQLite there is nothing to look at: `ingest.store.database` sets what makes a commit durable.
Leaves to others: what to do about it (`ingest.commands.serve`), whether a disk keeps what it says it has.

Where the wait for a standby is cancelled, PostgreSQL has committed on its own disk, says so in a warning, and
answers the COMMIT as any other. The warning has no code of its own, and its text is in the server's language,
so every warning during a commit counts: our statements cause none there.

Source: PostgreSQL manual, "Write Ahead Log" (fsync, full_page_writes, synchronous_commit) and "Replication"
(synchronous_standby_names); src/backend/replication/syncrep.c, SyncRepWaitForLSN.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any, Final, NamedTuple

import sqlalchemy as sa

from cleanside.ingest.errors import TryAgain
from cleanside.ingest.store import dialect
from cleanside.ingest.store.trouble import STANDBY_AWAY

_WARNED: Final = "cleanside_warned"  # in the info of a connection
#: values of synchronous_commit that wait until a synchronous standby has flushed
_WAITS_FOR_STANDBY = ("on", "remote_apply")


WAITS_AFTER_S = 10.0  # then a person learns of it; chosen: no commit that a standby confirms takes as long
#: shown to the user of a session and to who may see all
_AWAITED = "SELECT count(*) > 0 FROM pg_stat_activity WHERE pid = :pid AND wait_event = 'SyncRep'"


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


class Standby(NamedTuple):
    """A standby that is connected, and how much of the log it has not on its disk yet."""

    name: str
    behind_bytes: int


def standbys_of(connection: sa.Connection) -> list[Standby] | None:
    """
    The standbys that stream from this database. None: it is a standby itself, or our user may not see them.

    Source: PostgreSQL manual, "The Cumulative Statistics System", pg_stat_replication; "Predefined Roles".
    """
    may_see = "SELECT NOT pg_is_in_recovery() AND pg_has_role('pg_read_all_stats', 'USAGE')"
    if not connection.scalar(sa.text(may_see)):
        return None
    behind = "greatest(0, pg_wal_lsn_diff(pg_current_wal_lsn(), flush_lsn))::bigint"
    sql = f"SELECT application_name, {behind} FROM pg_stat_replication WHERE state = 'streaming'"
    return [Standby(name, int(behind_bytes)) for name, behind_bytes in connection.execute(sa.text(sql))]


def note_warnings(connection: Any, record: Any) -> None:
    """Listen to what a new connection of PostgreSQL is warned of; for SQLAlchemy's event "connect"."""

    def note(said: Any) -> None:
        if said.severity_nonlocalized == "WARNING":
            record.info[_WARNED] = said.message_primary

    connection.add_notice_handler(note)


def forget_warnings(connection: sa.Connection) -> dict[Any, Any]:
    """What comes next is the commit. Returns what `require_confirmed` takes."""
    info = connection.info
    info.pop(_WARNED, None)
    return info


def require_confirmed(info: dict[Any, Any]) -> None:
    """Raise TryAgain where the commit before came with a warning: perhaps no standby has it."""
    if (warning := info.pop(_WARNED, None)) is not None:
        raise TryAgain("standby_did_not_confirm", code=STANDBY_AWAY, warning=warning)


@contextmanager
def begin_alone(engine: sa.Engine) -> Iterator[sa.Connection]:
    """
    A transaction whose commit waits for this machine's disk, and for no standby.

    For what each start does again where it is missing, and acknowledges to no one: a server starts and stops
    while no standby answers. What is confirmed later comes after it in the log, so a standby that has the one
    has the other.
    """
    with engine.begin() as connection:
        if not dialect.is_sqlite(connection):
            connection.exec_driver_sql("SET LOCAL synchronous_commit TO local")
        yield connection


def write_a_mark(connection: sa.Connection) -> None:
    """
    Make the commit of this transaction wait for the standby, which has what came before it then too.

    For answers about what is stored: after a cancelled wait, or a restart of PostgreSQL, rows are visible
    that no standby has.
    """
    connection.exec_driver_sql("SELECT pg_logical_emit_message(true, 'cleanside', '')")


@contextmanager
def telling_of_a_wait(
    connection: sa.Connection, tell: Callable[[], None], after_s: float = WAITS_AFTER_S
) -> Iterator[None]:
    """
    Around the commit of a person's command: tell once where it waits for a standby by then.

    Source: PostgreSQL manual, "The Cumulative Statistics System", wait event SyncRep.
    """
    if dialect.is_sqlite(connection):
        yield
        return
    pid, is_done = connection.exec_driver_sql("SELECT pg_backend_pid()").scalar(), threading.Event()

    def look() -> None:
        if not is_done.wait(after_s):
            with connection.engine.connect() as other:
                if other.scalar(sa.text(_AWAITED), {"pid": pid}) and not is_done.is_set():
                    tell()

    looking = threading.Thread(target=look, name="looks-for-wait", daemon=True)
    looking.start()
    try:
        yield
    finally:
        is_done.set()
        looking.join()
