"""
Old readings move from the tables into the archive, in small steps, while the server serves.

Promises: a month of a device moves once its last day is older than the retention. A step makes a file durable
first. Then, in one transaction, it registers the file and deletes the rows. A kill at any point loses nothing
and counts nothing twice; the next pass removes its unfinished files. One step at a time uses the one writer.
Files of one device and month become one.
Leaves to others: files (`ingest.store.archive_file`), queries (`ingest.store.old_rows`,
`ingest.store.archive`).

The file comes before the transaction: a file without a register row wastes space, a row without its file is a
loss. Replaced files stay for `GRACE_S`, for readers that began before. A process may hang between any two
steps while another one works: so no file is registered that is older than half of `GRACE_S`, and none is
removed that was not older than `GRACE_S` before it was looked up in the register. A folder that is another
database's archive is left alone (`ingest.store.archive_mark`): its files are in no register of ours.
"""

from __future__ import annotations

import json
import logging
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import numpy as np
import sqlalchemy as sa

from cleanside.gateway.units import counted
from cleanside.gateway.wire import us_of
from cleanside.ingest.errors import IngestError, log_reason
from cleanside.ingest.store import archive, archive_mark, identity, old_rows, partitions, stored
from cleanside.ingest.store.archive import Archive
from cleanside.ingest.store.archive_disk import Disk
from cleanside.ingest.store.archive_mark import ArchiveMark
from cleanside.ingest.store.old_rows import Due
from cleanside.ingest.store.partitions import Month
from cleanside.ingest.writer.lease import Lease

if TYPE_CHECKING:
    import pyarrow as pa

    from cleanside.ingest.store.archive_file import Written
    from cleanside.ingest.writer.resources import Resources

T = TypeVar("T")
log = logging.getLogger("cleanside.ingest")

STEP_ROWS = 10_000  # rows of one transaction; measured: 25 ms of the writer on SQLite
GRACE_S = 3_600.0  # a reader keeps its view for seconds; chosen far above
STEP_PAUSE_S = 0.05  # between steps, so that waiting readings go first; chosen
DAY_US = 86_400_000_000
ARCHIVE_LEASE = "archive"
ARCHIVE_LEASE_US = 300_000_000  # longer than a step, which renews it; after a kill another follows; chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class MovePlan:
    """The input of a pass."""

    #: returns a connection that sees one unchanging state
    reading: Callable[[], Any]
    #: runs a job in a transaction of the one writer, and returns its result once it is durable
    write: Callable[[Callable[[sa.Connection], Any]], Any]
    folder: Path
    disk: Disk
    now_us: int
    #: True: stop between two steps
    stopping: Callable[[], bool] = lambda: False
    pause: Callable[[], Any] = lambda: None
    #: time since some instant [s]
    clock_s: Callable[[], float] = time.time


class MoveReport(NamedTuple):
    """The outcome of a pass."""

    readings: int = 0
    files: int = 0
    #: files that became one with others
    joined: int = 0
    swept: int = 0


class Planned(NamedTuple):
    """A device and month that would move."""

    device: str
    month: str
    readings: int


# ---------------------------------------------------------------- when


def cut_us(now_us: int, retention_days: int) -> int:
    """
    The instant before which readings move: the start of the oldest month with a day within the retention.
    Pure.

    retention_days : at least 1.
    """
    oldest_kept = datetime.fromtimestamp(now_us / 1e6, UTC) - timedelta(days=retention_days)
    return us_of(datetime(oldest_kept.year, oldest_kept.month, 1, tzinfo=UTC))


def month_of(at_us: int) -> str:
    """The UTC month of an instant, like 2026-03; a year below 1000 has four digits too."""
    return partitions.month_of(at_us).text


def span_of(month: str) -> tuple[int, int]:
    """First instant of a month and of the next. [us]"""
    year, number = map(int, month.split("-"))
    following = (year + number // 12, number % 12 + 1)
    return us_of(datetime(year, number, 1, tzinfo=UTC)), us_of(datetime(*following, 1, tzinfo=UTC))


def plan(connection: sa.Connection, before_us: int) -> list[Planned]:
    """The readings that a pass would move, by device and month, counted from the rows."""
    counts: dict[tuple[str, str], int] = {}
    for due in old_rows.due(connection, before_us):
        name, *_ = old_rows.names_of(connection, due.device_id)
        for day, many in old_rows.count_by_day(connection, due.stream_id, before_us):
            key = (name, month_of(day * DAY_US))
            counts[key] = counts.get(key, 0) + many
    return [Planned(device, month, many) for (device, month), many in sorted(counts.items())]


# ---------------------------------------------------------------- a pass


def run_pass(work: MovePlan, before_us: int) -> MoveReport:
    """
    Move readings measured before an instant, join the pieces of a month, remove unfinished files.

    Raises CalledWrongly where the folder is another database's archive; then nothing is done.
    """
    archive_mark.claim(work.folder, work.write(own_mark))
    _drop_empty(work, before_us)
    readings = files = 0
    for moved in _steps(work, before_us):
        readings, files = readings + moved, files + 1
        work.pause()
    joined = 0
    for device_id, month in _read(work, archive.months_in_pieces):
        if work.stopping():
            break
        joined += _join(work, device_id, month)
        work.pause()
    return MoveReport(readings, files, joined, sweep(work))


def _drop_empty(work: MovePlan, before_us: int) -> None:
    """
    Drop the tables of months that were emptied a while ago (PostgreSQL).

    Not at once, because a drop removes the rows for readers too whose view is older than the move. For the
    same reason the rows are deleted before, though dropping them with the table would cost a fiftieth.
    """
    for table in partitions.BY_MONTH:
        for month in _read(work, partial(partitions.listed, whole=table)):
            if month.until_us <= before_us and _read(work, partial(_is_empty, month=month, table=table)):
                made_us = _read(work, partial(archive.last_made_us, month=month.text))
                if made_us is not None and work.now_us - made_us > GRACE_S * 1e6:
                    work.write(partial(_drop, month=month, table=table))


def _is_empty(connection: sa.Connection, month: Month, table: str) -> bool:
    return stored.is_empty(connection, (month.from_us, month.until_us), table)


def _drop(connection: sa.Connection, month: Month, table: str) -> None:
    if partitions.lock(connection, month, table) and _is_empty(connection, month, table):
        partitions.drop(connection, month, table)


def _read(work: MovePlan, query: Callable[[sa.Connection], T]) -> T:
    with work.reading() as connection:
        return query(connection)


def _steps(work: MovePlan, before_us: int) -> Iterator[int]:
    """Move step by step; yields how many readings each step moved."""
    stuck: set[int] = set()
    while not work.stopping():
        found = _read(work, partial(old_rows.due, before_us=before_us))
        left = [due for due in found if due.stream_id not in stuck]
        if not left:
            return
        for due in left:
            if work.stopping():
                return
            moved = _step(work, due)
            if moved:
                yield moved
            else:  # readings of that time arrived meanwhile: the next pass continues
                stuck.add(due.stream_id)


def _step(work: MovePlan, due: Due) -> int:
    """Move up to `STEP_ROWS` readings of one stream and month. Returns how many."""
    from cleanside.ingest.store import archive_file as files

    month, began_s = month_of(due.at_us), work.clock_s()
    with work.reading() as connection:
        moved, state = old_rows.whole_of(connection, due.stream_id, span_of(month), limit=STEP_ROWS)
        about = _about(connection, due.device_id, month)
    if not moved.many:
        return 0
    table = files.table_of(moved)
    written = files.write(work.disk, work.folder, _place(due.device_id, month), lambda: [table], about)
    new, streams = _register_entry(written, due.device_id, month, [table])

    def save(connection: sa.Connection) -> int:
        if _may_be_swept(work, began_s):
            return 0
        old_rows.lock(connection, [due.stream_id])
        numbers, exact = (int(moved.seq[0]), int(moved.seq[-1])), sorted(moved.instants)
        gone = old_rows.take_moved(connection, due.stream_id, span_of(month), numbers, exact, state=state)
        if gone not in (0, moved.many):
            archived = counted(moved.many, "row")
            raise RuntimeError(f"{gone} of {archived} that went into the file still there; nothing is moved")
        if gone:
            archive.put(connection, new, streams, work.now_us)
        return gone

    return int(work.write(save))


def _may_be_swept(work: MovePlan, began_s: float) -> bool:
    """True where this process hung, so that another one may have removed the file: it is made again."""
    return work.clock_s() - began_s > GRACE_S / 2


def _place(device_id: int, month: str) -> str:
    return f"{month}/{device_id:06d}"  # by id: a name may have characters that a file name must not have


def _about(connection: sa.Connection, device_id: int, month: str) -> dict[str, str]:
    """The metadata of a file, so that it can be understood without the database."""
    device, owner, streams = old_rows.names_of(connection, device_id)
    named = {str(stream_id): name for stream_id, name in streams}
    return {"owner": owner, "device": device, "month": month, "streams": json.dumps(named)}


def _register_entry(
    written: Written, device_id: int, month: str, tables: Iterable[pa.Table]
) -> tuple[Archive, list[tuple[int, int, int, int]]]:
    """The register row of a file, and (stream, lowest, highest, how many) of its content."""
    from cleanside.ingest.store import archive_file as files

    streams: dict[int, tuple[int, int, int]] = {}
    first_us, last_us, many = 2**63 - 1, -(2**63), 0
    for table in tables:
        at_us, stream, seq = files.at_us(table), table["stream_id"].to_numpy(), table["seq"].to_numpy()
        first_us, last_us = min(first_us, int(at_us.min())), max(last_us, int(at_us.max()))
        many += len(table)
        for stream_id in np.unique(stream):
            numbers = seq[stream == stream_id]
            low, high, count = streams.get(int(stream_id), (2**63 - 1, 0, 0))
            streams[int(stream_id)] = (
                min(low, int(numbers.min())),
                max(high, int(numbers.max())),
                count + len(numbers),
            )
    new = Archive(0, device_id, month, *written, readings=many, first_us=first_us, last_us=last_us)
    return new, [(stream_id, *entry) for stream_id, entry in sorted(streams.items())]


# ---------------------------------------------------------------- join and sweep


def _join(work: MovePlan, device_id: int, month: str) -> int:
    """Join the files of a device and month. Returns how many became one; 0: they changed."""
    from cleanside.ingest.store import archive_file as files

    began_s = work.clock_s()
    with work.reading() as connection:
        pieces = archive.of_month(connection, device_id, month)
        removed = {piece.id: archive.removed_from(connection, piece.id) for piece in pieces}
        about = _about(connection, device_id, month)
        tables = partial(_groups, work.folder, pieces, removed)
        if not any(len(table) for table in tables()):
            return 0
        written = files.write(work.disk, work.folder, _place(device_id, month), tables, about)
        new, streams = _register_entry(written, device_id, month, tables())
    ids = [piece.id for piece in pieces]

    def save(connection: sa.Connection) -> int:
        if _may_be_swept(work, began_s):
            return 0
        old_rows.lock(connection, archive.streams_in(connection, ids))
        now = {piece.id: archive.removed_from(connection, piece.id) for piece in pieces}
        if now != removed or [a.id for a in archive.by_ids(connection, ids)] != ids:
            return 0  # readings were removed meanwhile; the next pass tries again
        for piece in pieces:  # their time as left over begins now
            work.disk.touch(archive.path_below(work.folder, piece))
        archive.forget(connection, ids)
        archive.put(connection, new, streams, work.now_us)
        return len(ids)

    return int(work.write(save))


def _groups(folder: Path, pieces: list[Archive], removed: dict[int, Any]) -> Iterator[pa.Table]:
    """The rows of the pieces without removed ones, in row groups of full size."""
    import pyarrow as pa

    from cleanside.ingest.store import archive_file as files

    waiting: list[pa.Table] = []
    for piece in pieces:
        for group in files.groups(archive.path_below(folder, piece)):
            waiting.append(archive.without(group, removed[piece.id]))
            if sum(map(len, waiting)) >= files.ROW_GROUP_ROWS:
                yield _in_order(pa.concat_tables(waiting))
                waiting = []
    if sum(map(len, waiting)):
        yield _in_order(pa.concat_tables(waiting))


def _in_order(table: pa.Table) -> pa.Table:
    ordered: pa.Table = table.sort_by([("stream_id", "ascending"), ("seq", "ascending")]).combine_chunks()
    return ordered


def own_mark(connection: sa.Connection) -> ArchiveMark:
    """What stands in the mark of this database's archive."""
    return ArchiveMark(identity.keep(connection), archive_mark.place_of(connection.engine.url))


def sweep(work: MovePlan) -> int:
    """Remove files without a register row, and unfinished ones. Returns how many."""
    if not work.folder.exists():
        return 0
    old = [path for path in sorted(work.folder.glob("*/*.parquet*")) if _is_old(work.disk, path)]
    registered = {work.folder / entry.file for entry in _read(work, archive.all_of)}
    left_over = [path for path in old if path not in registered]
    for path in left_over:
        work.disk.remove(path)
    return len(left_over)


def _is_old(disk: Disk, path: Path) -> bool:
    if path.parent.is_symlink() or path.is_symlink():  # not made by us, and may point anywhere
        return False
    return disk.age_s(path) > GRACE_S


# ---------------------------------------------------------------- on a schedule


class Keeper:
    """A thread that moves old readings every `archive_interval_s`, for the first time after one interval."""

    def __init__(self, resources: Resources) -> None:
        self._resources = resources
        self._thread = threading.Thread(target=self._work, name="keeper", daemon=True)

    def start(self) -> None:
        """Begin, where an archive is set."""
        if self._resources.settings.retention_days and self._resources.archive_folder is not None:
            self._thread.start()

    def join(self) -> None:
        """Wait for the end, after `resources.stopping` was set."""
        if self._thread.ident is not None:
            self._thread.join()

    def _work(self) -> None:
        resources = self._resources
        while not resources.stopping.wait(max(1, resources.settings.archive_interval_s)):
            try:
                moved = keep(resources)
                if moved != MoveReport():
                    log.info("ingest.archived", extra=moved._asdict())
            except (IngestError, OSError) as error:  # a full disk, or no database: what is due stays due
                log.warning("ingest.archive_waits", extra={"reason": log_reason(error)})
            except Exception:
                log.exception("ingest.archive_failed")


def keep(resources: Resources) -> MoveReport:
    """One pass of a serving process; none while another process of the same database makes one."""
    folder, stopping, now_us = resources.archive_folder, resources.stopping, resources.clock()
    assert folder is not None
    lease = Lease(resources, ARCHIVE_LEASE, ARCHIVE_LEASE_US)
    if not lease.take():
        return MoveReport()
    work = MovePlan(
        reading=resources.reading,
        write=lease.write,
        folder=folder,
        disk=Disk(),
        now_us=now_us,
        stopping=stopping.is_set,
        pause=lambda: stopping.wait(STEP_PAUSE_S),
    )
    try:
        return run_pass(work, cut_us(now_us, resources.settings.retention_days))
    finally:
        lease.give_back()
