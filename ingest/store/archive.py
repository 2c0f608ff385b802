"""
The archive beside the tables: the register of files, and reading and removing readings in them.

Promises: a number is in a row of `readings` or in one registered file, never in both. A reading that was
removed from a file does not count any more. Queries by number or by time find readings in both places.
Leaves to others: files (`ingest.store.archive_file`), which readings move when (`ingest.keeping.retention`).

The folder comes with the engine (`ingest.store.database`): every query that may meet an archived reading
needs it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt
import sqlalchemy as sa

from cleanside.ingest.errors import ArchiveUnreadable
from cleanside.ingest.store import inside
from cleanside.ingest.store.marks import Range, Ranges, intersect, ranges_of, subtract, union
from cleanside.ingest.store.models import archive_removed, archive_streams, archives

if TYPE_CHECKING:
    import pyarrow as pa

IntArray = npt.NDArray[np.int64]

FOLDER = "archive_folder"  # execution option of our engines


class Archive(NamedTuple):
    """A row of `archives`."""

    id: int
    device_id: int
    month: str
    file: str
    sha256: str
    size_bytes: int
    readings: int
    first_us: int
    last_us: int


_ARCHIVE = sa.select(*(archives.c[f] for f in Archive._fields))


def folder_of(connection: sa.Connection) -> Path | None:
    """The folder of the files; None: there is no archive."""
    folder: Path | None = connection.get_execution_options().get(FOLDER)
    return folder


def path_of(connection: sa.Connection, archive: Archive) -> Path:
    """
    The path of the file of an archive.

    Raises ArchiveUnreadable where no folder is set, or where the name in the register is outside it.
    """
    folder = folder_of(connection)
    if folder is None:
        raise ArchiveUnreadable("archive_folder_not_set", file=archive.file)
    return path_below(folder, archive)


def path_below(folder: Path, archive: Archive) -> Path:
    """The path of an archive's file in a folder. Raises ArchiveUnreadable where it is outside."""
    try:
        return inside.archive_path(folder, archive.file)
    except ValueError as error:
        raise ArchiveUnreadable("archive_file_outside", archive=archive.id, why=str(error)) from error


# ---------------------------------------------------------------- the register


def all_of(connection: sa.Connection) -> list[Archive]:
    """Every file, oldest month first."""
    query = _ARCHIVE.order_by(archives.c.month, archives.c.device_id, archives.c.id)
    return [Archive(*row) for row in connection.execute(query)]


def by_ids(connection: sa.Connection, archive_ids: Sequence[int]) -> list[Archive]:
    """Those of these files that are registered, in order of registration."""
    query = _ARCHIVE.where(archives.c.id.in_(archive_ids)).order_by(archives.c.id)
    return [Archive(*row) for row in connection.execute(query)]


def of_numbers(connection: sa.Connection, stream_id: int, first: int, last: int) -> list[Archive]:
    """Files that may hold numbers first..last of a stream."""
    query = _ARCHIVE.join(archive_streams, archive_streams.c.archive_id == archives.c.id).where(
        archive_streams.c.stream_id == stream_id,
        archive_streams.c.first_seq <= last,
        archive_streams.c.last_seq >= first,
    )
    return [Archive(*row) for row in connection.execute(query.order_by(archives.c.id))]


# Built once, because each pass of the analysis asks it.
_OF_TIME = _ARCHIVE.where(
    archives.c.device_id == sa.bindparam("device"),
    archives.c.first_us < sa.bindparam("until_us"),
    archives.c.last_us >= sa.bindparam("from_us"),
).order_by(archives.c.id)


def of_time(connection: sa.Connection, device_id: int, from_us: int, until_us: int) -> list[Archive]:
    """Files that hold readings of a device with from_us <= at < until_us."""
    bounds = {"device": device_id, "from_us": from_us, "until_us": until_us}
    return [Archive(*row) for row in connection.execute(_OF_TIME, bounds)]


def months_in_pieces(connection: sa.Connection) -> list[tuple[int, str]]:
    """(device, month) with more than one file."""
    query = sa.select(archives.c.device_id, archives.c.month)
    query = query.group_by(archives.c.device_id, archives.c.month).having(sa.func.count() > 1)
    return [
        (device_id, month)
        for device_id, month in connection.execute(query.order_by(archives.c.device_id, archives.c.month))
    ]


def of_month(connection: sa.Connection, device_id: int, month: str) -> list[Archive]:
    """The files of a device and month."""
    query = _ARCHIVE.where(archives.c.device_id == device_id, archives.c.month == month)
    return [Archive(*row) for row in connection.execute(query.order_by(archives.c.id))]


def last_made_us(connection: sa.Connection, month: str) -> int | None:
    """When the newest file of a month was registered; None: there is none."""
    newest: int | None = connection.scalar(
        sa.select(sa.func.max(archives.c.made_us)).where(archives.c.month == month)
    )
    return newest


def put(
    connection: sa.Connection, new: Archive, streams: Sequence[tuple[int, int, int, int]], now_us: int
) -> None:
    """Register a file under a new id, with its content: (stream, lowest, highest, how many)."""
    values = {name: value for name, value in new._asdict().items() if name != "id"}
    statement = sa.insert(archives).values(made_us=now_us, **values).returning(archives.c.id)
    archive_id = connection.execute(statement).scalar_one()
    names = ("stream_id", "first_seq", "last_seq", "readings")
    rows = [dict(zip(names, entry, strict=True)) | {"archive_id": archive_id} for entry in streams]
    connection.execute(sa.insert(archive_streams), rows)


def forget(connection: sa.Connection, archive_ids: Sequence[int]) -> int:
    """Remove files from the register; other files have their readings now. Returns how many there were."""
    for table in (archive_removed, archive_streams):
        connection.execute(sa.delete(table).where(table.c.archive_id.in_(archive_ids)))
    return connection.execute(sa.delete(archives).where(archives.c.id.in_(archive_ids))).rowcount


def streams_in(connection: sa.Connection, archive_ids: Sequence[int]) -> list[int]:
    """The streams that have numbers in these files."""
    query = sa.select(archive_streams.c.stream_id).where(archive_streams.c.archive_id.in_(archive_ids))
    return sorted(set(connection.scalars(query)))


def removed_from(connection: sa.Connection, archive_id: int) -> dict[int, Ranges]:
    """Stream -> numbers that were removed from a file since it was made."""
    table = archive_removed
    query = sa.select(table.c.stream_id, table.c.first, table.c.last).where(table.c.archive_id == archive_id)
    removed: dict[int, list[Range]] = {}
    for stream_id, first, last in connection.execute(query):
        removed.setdefault(stream_id, []).append((first, last))
    return {stream_id: union(ranges) for stream_id, ranges in removed.items()}


# ---------------------------------------------------------------- read through


def load(
    connection: sa.Connection,
    archive: Archive,
    columns: Sequence[str],
    *,
    stream_id: int | None = None,
    numbers: Range | None = None,
    span_us: tuple[int, int] | None = None,
) -> pa.Table:
    """Rows of a file as `ingest.store.archive_file.load` reads them, without those removed since."""
    from cleanside.ingest.store import (
        archive_file as files,  # takes 35 MB, which a server without an archive never needs
    )

    wanted = [*dict.fromkeys(("stream_id", "seq", *columns))]
    path = path_of(connection, archive)
    table = files.load(path, wanted, stream_id=stream_id, numbers=numbers, span_us=span_us)
    return without(table, removed_from(connection, archive.id))


def without(table: pa.Table, removed: Mapping[int, Ranges]) -> pa.Table:
    """The rows of a table without the removed numbers of each stream."""
    for stream_id, ranges in removed.items():
        other = table["stream_id"].to_numpy() != stream_id
        table = table.filter(other | ~within(table["seq"].to_numpy(), ranges))
    return table


def within(numbers: IntArray, ranges: Ranges) -> npt.NDArray[np.bool_]:
    """True where a number is in one of the ranges; shape (n,)."""
    edges = np.array([edge for first, last in ranges for edge in (first, last + 1)], dtype=np.int64)
    inside_ranges: npt.NDArray[np.bool_] = np.searchsorted(edges, numbers, side="right") % 2 == 1
    return inside_ranges


def hashes(connection: sa.Connection, stream_id: int, numbers: Ranges) -> dict[int, int]:
    """number -> content hash of the archived readings among `numbers`."""
    by_number: dict[int, int] = {}
    if not numbers:
        return by_number
    near = numbers[0][0], numbers[-1][1]
    for archive in of_numbers(connection, stream_id, *near):
        table = load(connection, archive, ["content_hash"], stream_id=stream_id, numbers=near)
        wanted = within(table["seq"].to_numpy(), numbers)
        table = table.filter(wanted)
        by_number.update(zip(table["seq"].to_pylist(), table["content_hash"].to_pylist(), strict=True))
    return by_number


def times_near(
    connection: sa.Connection, stream_id: int, numbers: Range, bounds: Range, many: int
) -> list[tuple[int, int, float | None]]:
    """
    (number, instant [us], half width [s]) of archived readings of these numbers and `many` on either side.

    bounds : numbers beyond these are left out, so their files are not opened.
    """
    there = of_numbers(connection, stream_id, *bounds)
    if not there:
        return []
    from cleanside.ingest.store import archive_file as files

    numbers_by_file = {archive.id: _numbers_of(connection, archive, stream_id) for archive in there}
    near = _reach(intersect(union(*numbers_by_file.values()), (bounds,)), numbers, many)
    found: list[tuple[int, int, float | None]] = []
    for archive in there:
        if intersect(numbers_by_file[archive.id], (near,)):
            table = load(connection, archive, _TIME_COLUMNS, stream_id=stream_id, numbers=near)
            times = files.at_us(table).tolist(), table["at_uncertainty_s"].to_pylist()
            found += zip(table["seq"].to_pylist(), *times, strict=True)
    return found


_TIME_COLUMNS = ("at", "at_rest_us", "at_uncertainty_s")


def _reach(known: Ranges, numbers: Range, many: int) -> Range:
    """Lowest and highest of `numbers` and of the `many` known ones on either side. Pure."""
    first, last = numbers
    below = [n for a, b in reversed(known) if a < first for n in range(min(b, first - 1), a - 1, -1)[:many]]
    above = [n for a, b in known if b > last for n in range(max(a, last + 1), b + 1)[:many]]
    return min([*below[:many], first]), max([*above[:many], last])


def numbers_of(connection: sa.Connection, stream_id: int) -> list[Ranges]:
    """The numbers of a stream in each file, read from the file itself."""
    files = of_numbers(connection, stream_id, 0, 2**63 - 1)
    return [_numbers_of(connection, archive, stream_id) for archive in files]


def _numbers_of(connection: sa.Connection, archive: Archive, stream_id: int) -> Ranges:
    """Numbers of a stream in a file, without those removed since."""
    inside = _numbers_in(path_of(connection, archive), archive.sha256).get(stream_id, ())
    return subtract(inside, removed_from(connection, archive.id).get(stream_id, ()))


@lru_cache(maxsize=4_096)  # a file never changes, so one read for each digest is enough
def _numbers_in(path: Path, sha256: str) -> dict[int, Ranges]:  # noqa: ARG001 - part of the key
    from cleanside.ingest.store import archive_file as files

    table = files.load(path, ["stream_id", "seq"])
    stream, seq = table["stream_id"].to_numpy(), table["seq"].to_numpy()
    return {
        int(stream_id): ranges_of_array(np.sort(seq[stream == stream_id])) for stream_id in np.unique(stream)
    }


def ranges_of_array(numbers: IntArray) -> Ranges:
    """Ranges of numbers that rise strictly, shape (n,)."""
    if not len(numbers):
        return ()
    breaks = np.flatnonzero(np.diff(numbers) != 1)
    first = numbers[np.concatenate(([0], breaks + 1))]
    last = numbers[np.concatenate((breaks, [len(numbers) - 1]))]
    return tuple(zip(first.tolist(), last.tolist(), strict=True))


def take_out(connection: sa.Connection, stream_id: int, numbers: Ranges) -> list[dict[str, Any]]:
    """
    Remove archived readings, and return them as `store.readings.take_out` does.

    The file stays as it is; the register has the removed numbers.
    """
    from cleanside.ingest.store import archive_file as files

    taken: list[dict[str, Any]] = []
    for first, last in numbers:
        for archive in of_numbers(connection, stream_id, first, last):
            table = load(connection, archive, files.SCHEMA.names, stream_id=stream_id, numbers=(first, last))
            taken += _as_rows(table)
            rows = [
                {"archive_id": archive.id, "stream_id": stream_id, "first": a, "last": b}
                for a, b in ranges_of(sorted(table["seq"].to_pylist()))
            ]
            if rows:
                connection.execute(sa.insert(archive_removed), rows)
    return taken


def _as_rows(table: pa.Table) -> list[dict[str, Any]]:
    from cleanside.ingest.store import archive_file as files

    at_us = files.at_us(table).tolist()
    received = table["received"].cast("int64").to_pylist()
    rows: list[dict[str, Any]] = table.drop_columns(["at", "at_rest_us", "received"]).to_pylist()
    return [row | {"at_us": at, "received_us": us} for row, at, us in zip(rows, at_us, received, strict=True)]


def between(
    connection: sa.Connection, device_id: int, from_us: int, until_us: int, columns: Sequence[str]
) -> Iterator[pa.Table]:
    """
    Archived readings of a device with from_us <= at < until_us, file by file.

    columns : quantity columns, or others of `ingest.store.archive_file.SCHEMA`. Each table has stream_id,
    seq, at and
        at_rest_us too.
    """
    for archive in of_time(connection, device_id, from_us, until_us):
        from cleanside.ingest.store import archive_file as files  # once there is one: pyarrow takes 35 MB

        wanted = ["at", "at_rest_us", *columns]
        table = load(connection, archive, wanted, span_us=(from_us, until_us))
        at_us = files.at_us(table)
        yield table.filter((at_us >= from_us) & (at_us < until_us))


def overlap(held: Sequence[Ranges]) -> Ranges:
    """Numbers that more than one of the parts has."""
    seen: Ranges = ()
    twice: Ranges = ()
    for part in held:
        twice = union(twice, intersect(seen, part))
        seen = union(seen, part)
    return twice
