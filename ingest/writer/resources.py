"""
The resources of a running server: made in one place, passed down, closed in one place.

Promises: import opens nothing. Readers close before the writer, so that the writing connection is the last
one and alone moves the write-ahead log into the file.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import NamedTuple

import sqlalchemy as sa

from cleanside.gateway.wire import DATABASE_HEADER
from cleanside.ingest.owners import key_review
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import (
    database,
    dialect,
    durability,
    identity,
    partitions,
    readings,
    releases,
    stored,
    webhook_secrets,
)
from cleanside.ingest.store.key_file import KeyFile
from cleanside.ingest.store.write_ahead_log import WriteAheadLog, fold_log
from cleanside.ingest.writer.bytes_in_flight import BytesInFlight
from cleanside.ingest.writer.readiness import Readiness
from cleanside.ingest.writer.writer import Writer, as_our_errors

log = logging.getLogger("cleanside.ingest")

NowUs = Callable[[], int]  # microseconds since 1970 UTC

LONGEST_TURN_S = 0.5  # for a thread that writes a set of units; then the next writes its own. Chosen
MAX_UNIT_SETS = 4_096  # sets of units in memory; chosen, a fleet uses a handful


class Counted(NamedTuple):
    """The outcome of a whole account."""

    streams: int
    out_of_balance: int
    #: owner -> what does not balance; without those where all does
    faults: Mapping[int, Sequence[str]]
    counted_us: int


class Merged(NamedTuple):
    """What was done for readings at rest."""

    #: readings that were rows and are in blocks now
    packed: int
    #: blocks that others took in
    joined: int
    #: streams that still have rows
    streams_with_rows: int


@dataclass
class Resources:
    """What routes and workers need."""

    settings: Settings
    clock: NowUs
    readers: sa.Engine
    #: the same, or of a standby, whose rows may be some seconds old
    late_readers: sa.Engine
    writer: Writer
    #: of SQLite, for a thread that reads for seconds to keep short while it does not read
    write_ahead_log: WriteAheadLog
    #: the keys that encrypt webhook secrets
    webhook_keys: KeyFile
    #: identifies this database; a header of every answer
    database_id: str
    #: bytes of bodies that are being read
    room: BytesInFlight = field(default_factory=BytesInFlight)
    #: set while the server stops
    stopping: threading.Event = field(default_factory=threading.Event)
    #: locked during an import: one bundle at a time, so that batches are served meanwhile
    importing: threading.Lock = field(default_factory=threading.Lock)
    #: the form of new readings, as last looked up; a commit looks again before it writes blocks
    writes_blocks: bool = False
    #: the last whole account of this process; None: there was none yet
    counted: Counted | None = None
    #: by the merger of this process; None: it made no pass
    merged: Merged | None = None
    _unit_sets: dict[str, int] = field(default_factory=dict)
    _keeping_units: threading.Lock = field(default_factory=threading.Lock)

    @cached_property
    def readiness(self) -> Readiness:
        """Whether a write gets through."""
        return Readiness(self.writer)

    @cached_property
    def database_header(self) -> tuple[bytes, bytes]:
        """`database_id` in the form of the protocol, made once because every answer has it."""
        return DATABASE_HEADER.lower().encode(), self.database_id.encode()

    @contextmanager
    def reading(self) -> Iterator[sa.Connection]:
        """A connection that sees one unchanging state and cannot write."""
        with as_our_errors(), self.readers.connect() as connection:
            yield connection

    @contextmanager
    def reading_late(self) -> Iterator[sa.Connection]:
        """The same, for what may be some seconds old: of the standby for reads, where there is one."""
        with as_our_errors(), self.late_readers.connect() as connection:
            yield connection

    @property
    def archive_folder(self) -> Path | None:
        """The folder of older readings; None: there is no archive."""
        return database.archive_folder(self.settings.database, self.settings.archive_folder)

    @property
    def is_sqlite(self) -> bool:
        """True on SQLite, False on PostgreSQL."""
        return self.readers.dialect.name == "sqlite"

    def confirm(self) -> None:
        """
        Return once what was read before is as durable as an acknowledgement promises.

        Raises TryAgain where no standby confirms it. On one machine there is nothing to wait for.
        """
        if self.settings.awaits_standby:
            self.writer.call(durability.write_a_mark)

    def look_up_form(self) -> None:
        """Look up whether new readings become blocks: a command may have begun or stopped it."""
        with self.reading() as connection:
            self.writes_blocks = stored.writes_blocks(connection)

    def known_unit_set(self, units: str) -> int | None:
        """The id of a set of units, if it is in memory."""
        return self._unit_sets.get(units)

    def keep_unit_set(self, units: str) -> int:
        """
        The id of a set of units, written durably if it is new. Waits for the disk.

        A fleet that comes back shows a server that has just started one set many times at once: one commit
        serves all, and no live reading waits for the others.
        """
        is_its_turn = self._keeping_units.acquire(timeout=LONGEST_TURN_S)
        try:
            known = self.known_unit_set(units)
            return self._written_unit_set(units) if known is None else known
        finally:
            if is_its_turn:
                self._keeping_units.release()

    def _written_unit_set(self, units: str) -> int:
        number = self.writer.call(lambda connection: readings.keep_unit_set(connection, units))
        if len(self._unit_sets) < MAX_UNIT_SETS:
            self._unit_sets[units] = (
                number  # only after the commit: a remembered id must never be rolled back
            )
        return number


@contextmanager
def open_resources(settings: Settings, clock: NowUs) -> Iterator[Resources]:
    """Open the database for serving. Raises CalledWrongly where another process serves it."""
    with database.exclusive(settings.database):
        database.narrow(settings.database)
        writing = database.writing_engine(settings.database, archive=settings.archive_folder)
        readers = database.reading_engine(settings.database, archive=settings.archive_folder)
        database.limit_reading(readers, database.STATEMENT_TIMEOUT_MS / 1000)
        late_readers = readers
        if settings.standby_for_reads:
            late_readers = database.standby_engine(
                settings.standby_for_reads, settings.database, archive=settings.archive_folder
            )
        stopping = threading.Event()
        writer = Writer(
            writing,
            max_waiting=settings.max_waiting,
            awaits_standby=settings.awaits_standby,
            stopping=stopping,
        )
        try:
            # First: it makes the write-ahead log that readers need.
            with durability.begin_alone(writing) as connection:
                partitions.make_ahead(connection, clock())
                database_id = identity.keep(connection)
            webhook_keys = KeyFile.of(settings)
            _bring_webhooks_along(writing, webhook_keys, clock())
            folder = database.archive_folder(settings.database, settings.archive_folder)
            if settings.archive_folder and folder is not None:
                say_made(folder)
            key_review.start(writing, folder, clock())
            writer.start()
            resources = Resources(
                settings,
                clock,
                readers,
                late_readers,
                writer,
                WriteAheadLog(writing, time.monotonic),
                webhook_keys,
                database_id,
                stopping=stopping,
            )
            resources.look_up_form()
            yield resources
        finally:
            writer.stop()
            late_readers.dispose()
            readers.dispose()
            writing.dispose()


def say_made(folder: Path) -> None:
    """A mistyped name makes a new, empty archive: whoever set the server up has to see that."""
    if not folder.exists():
        reason = "it is not there and is made; if there is an older one, stop and correct archive_folder"
        log.warning("ingest.archive_folder_made", extra={"folder": str(folder), "reason": reason})


def _bring_webhooks_along(writing: sa.Engine, file: KeyFile, now_us: int) -> None:
    """On SQLite this process has the lock: none of the previous release runs, nor starts on this schema."""
    with durability.begin_alone(writing) as connection:
        if dialect.is_sqlite(connection):
            releases.end(connection, webhook_secrets.BEFORE, now_us)
        brought = webhook_secrets.bring_along(connection, file)
    if brought.emptied:
        fold_log(writing)
    webhook_secrets.say(brought)
    if file.is_readable_by_others:
        reason = "others can read the keys of webhook secrets; chmod 600 it"
        log.warning("ingest.webhook_key_readable", extra={"file": str(file.path), "reason": reason})
