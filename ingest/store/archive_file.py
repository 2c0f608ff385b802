"""
Older readings in Parquet files: their layout, how they are written and read.

Promises: a file has every part of a reading, bit for bit: number, instant with what is finer than a
microsecond, uncertainty, values in SI with the units as sent, content hash, receipt. A file appears whole or
not at all (written aside, synced, renamed, its folder synced), is read back and compared before its rows are
deleted, and never changes afterwards. Any Parquet reader opens it.
Leaves to others: which files there are (`ingest.store.archive`), which readings move when
(`ingest.keeping.retention`).

Sizes of the recording "gravel shift" (5 quantities, 260 000 readings, `tests/benchmark/bench_archive.py`):
8.0 of 13.0 bytes a reading are the hash, which nothing compresses; 1.8 engine speed; 0.9 the instant in
milliseconds as differences (in microseconds it would be 2.1, so the microseconds have a column of their own).
"""

from __future__ import annotations

import hashlib
import os
import secrets
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from cleanside.gateway import file_modes
from cleanside.gateway.units import QUANTITIES
from cleanside.ingest.errors import ArchiveUnreadable
from cleanside.ingest.store import inside
from cleanside.ingest.store.archive_disk import Disk
from cleanside.ingest.store.whole_readings import WholeReadings

ROW_GROUP_ROWS = 300_000  # a month at 10 s; a dictionary of values counts once a group; chosen
COMPRESSION_LEVEL = 9  # of zstd; measured: 15 gains a thousandth and takes twice the time
FEW_DISTINCT = 4  # a dictionary where each value comes at least so often on average; chosen
MOST_DISTINCT = 2**16  # values of a dictionary; its page stays under 1 MB
ARCHIVE_FORMAT = "1"

QUANTITY_COLUMNS = tuple(quantity.column for quantity in QUANTITIES.values())
#: one row a reading
SCHEMA = pa.schema(
    [
        pa.field("stream_id", pa.int64(), nullable=False),
        pa.field("seq", pa.int64(), nullable=False),
        pa.field("at", pa.timestamp("ms", tz="UTC"), nullable=False),
        pa.field("at_rest_us", pa.int16(), nullable=False),
        pa.field("at_uncertainty_s", pa.float64()),
        pa.field("instant", pa.string()),
        pa.field("units", pa.string(), nullable=False),
        pa.field("content_hash", pa.int64(), nullable=False),
        pa.field("received", pa.timestamp("us", tz="UTC"), nullable=False),
        *(pa.field(name, pa.float64()) for name in QUANTITY_COLUMNS),
    ]
)
_IN_STEPS = ("seq", "at")  # rise by nearly the same from row to row


class Written(NamedTuple):
    """A file that is durably on the disk."""

    #: path inside the archive folder
    file: str
    sha256: str
    size_bytes: int


# ---------------------------------------------------------------- write


def table_of(readings: WholeReadings) -> pa.Table:
    """Readings as a table; null where one has no value."""
    columns: dict[str, Any] = {
        "stream_id": np.full(readings.many, readings.stream_id, np.int64),
        "seq": readings.seq,
        "at": readings.at_us // 1000,
        "at_rest_us": (readings.at_us % 1000).astype(np.int16),
        "at_uncertainty_s": readings.at_uncertainty_s,
        "units": readings.units,
        "content_hash": readings.content_hash,
        "received": readings.received_us,
        **readings.values,
    }
    if readings.instants:
        columns["instant"] = [readings.instants.get(number) for number in readings.seq.tolist()]
    return pa.table([_array(columns.get(f.name), f.type, readings.many) for f in SCHEMA], schema=SCHEMA)


def _array(column: Any, kind: pa.DataType, many: int) -> pa.Array:
    """None: no reading has a value. NaN is one that a reading has not."""
    return pa.nulls(many, kind) if column is None else pa.array(column, kind, from_pandas=True)


def write(
    disk: Disk, folder: Path, place: str, tables: Callable[[], Iterable[pa.Table]], about: Mapping[str, str]
) -> Written:
    """
    Write tables into a new file, and return once it is durable and was read back equal.

    place : start of the path inside `folder`, like 2026-03/000012; a random part and the ending follow.
    tables : returns the content, and again for the comparison; each table becomes row groups of its own.
    about : metadata in the file, for readers without the database.
    Raises OSError where the disk does not take it, ArchiveUnreadable where it reads back differently.
    """
    file = f"{place}-{secrets.token_hex(4)}.parquet"
    path = folder / file
    disk.make_folder(folder)
    disk.make_folder(path.parent)
    try:
        inside.archive_path(folder, file)
    except ValueError as error:
        raise OSError(str(error)) from error
    aside = path.with_suffix(".parquet.part")
    try:
        os.close(file_modes.new_file(aside))  # before the library makes it with the mode of the umask
        _encode(aside, tables(), about)
        disk.sync_file(aside)
        _compare(aside, tables())
        written = Written(file, digest_of(aside), aside.stat().st_size)
        disk.rename(aside, path)
    except Exception:
        disk.remove(aside)
        raise
    disk.sync_folder(path.parent)
    return written


def _encode(path: Path, tables: Iterable[pa.Table], about: Mapping[str, str]) -> None:
    writer: pq.ParquetWriter | None = None
    schema = SCHEMA.with_metadata({"cleanside": ARCHIVE_FORMAT, **about})
    try:
        for table in tables:
            if writer is None:  # the first group decides the encoding of all: they are of one device
                writer = pq.ParquetWriter(path, schema, **_encodings(table))
            writer.write_table(table.cast(schema), row_group_size=ROW_GROUP_ROWS)
    finally:
        if writer is not None:
            writer.close()


def _encodings(table: pa.Table) -> dict[str, Any]:
    """Values that recur as a dictionary, steady numbers as differences, noise in planes of bytes."""
    repeated = [name for name in table.column_names if name not in _IN_STEPS and _recurs(table[name])]
    given = dict.fromkeys(_IN_STEPS, "DELTA_BINARY_PACKED")
    for field in SCHEMA:
        if field.name not in repeated and field.name not in given:
            given[field.name] = "BYTE_STREAM_SPLIT" if pa.types.is_floating(field.type) else "PLAIN"
    return {
        "compression": "zstd",
        "compression_level": COMPRESSION_LEVEL,
        "use_dictionary": repeated,
        "column_encoding": given,
        "data_page_version": "2.0",
        "dictionary_pagesize_limit": 16 * MOST_DISTINCT,
    }


def _recurs(column: pa.ChunkedArray) -> bool:
    if column.null_count == len(column):
        return True
    distinct = pc.count_distinct(column, mode="all").as_py()
    return bool(distinct * FEW_DISTINCT <= len(column) and distinct <= MOST_DISTINCT)


def _compare(path: Path, tables: Iterable[pa.Table]) -> None:
    with _readable(path), pq.ParquetFile(path) as file:
        group = 0
        for table in tables:
            for first in range(0, len(table), ROW_GROUP_ROWS):
                back = file.read_row_group(group, use_threads=False).replace_schema_metadata(None)
                if not back.equals(table.slice(first, ROW_GROUP_ROWS)):
                    raise OSError("it does not read back as it was written")
                group += 1


def digest_of(path: Path) -> str:
    """SHA-256 of a file, hex."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


# ---------------------------------------------------------------- read


def load(
    path: Path,
    columns: Sequence[str],
    *,
    stream_id: int | None = None,
    numbers: tuple[int, int] | None = None,
    span_us: tuple[int, int] | None = None,
) -> pa.Table:
    """
    Columns of a file, of the rows of one stream, with first <= seq <= last, with from <= at < until.

    None: any. Raises ArchiveUnreadable where the file is not there or is broken.
    """
    conditions: list[Any] = []
    if stream_id is not None:
        conditions.append(pc.field("stream_id") == stream_id)
    if numbers is not None:
        conditions += [pc.field("seq") >= numbers[0], pc.field("seq") <= numbers[1]]
    if span_us is not None:  # to the millisecond here; the caller cuts to the microsecond
        from_at, until_at = span_us[0] // 1000, -(-span_us[1] // 1000)
        kind = SCHEMA.field("at").type
        conditions.append(pc.field("at") >= pa.scalar(from_at, kind))
        conditions.append(pc.field("at") < pa.scalar(until_at, kind))
    condition = None
    for further in conditions:
        condition = further if condition is None else condition & further
    with _readable(path):
        later = _later(pq.read_schema(path)) & set(columns)
        stored_names = [name for name in columns if name not in later]
        table = pq.read_table(path, columns=stored_names, filters=condition, use_threads=False)
        return _with_all(table, columns)


def _later(schema: pa.Schema) -> set[str]:
    """Quantities that are newer than a file: none of its readings has a value."""
    return set(QUANTITY_COLUMNS) - set(schema.names)


def _with_all(table: pa.Table, columns: Sequence[str]) -> pa.Table:
    """These columns in this order, empty where the file is older than a quantity."""
    for name in sorted(_later(table.schema) & set(columns)):
        table = table.append_column(SCHEMA.field(name), pa.nulls(len(table), SCHEMA.field(name).type))
    return table.select(list(columns))


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    try:
        yield
    except (OSError, KeyError, pa.ArrowException) as error:
        raise ArchiveUnreadable("archive_file_broken", file=path.name, why=str(error)) from error


def groups(path: Path) -> Iterator[pa.Table]:
    """A whole file, a row group at a time. Raises ArchiveUnreadable."""
    with _readable(path), pq.ParquetFile(path) as file:
        for group in range(file.num_row_groups):
            table = file.read_row_group(group, use_threads=False).replace_schema_metadata(None)
            yield _with_all(table, SCHEMA.names)


def at_us(table: pa.Table) -> np.ndarray[Any, np.dtype[np.int64]]:
    """Instants of a table that has `at` and `at_rest_us`, shape (n,). [us]"""
    whole: np.ndarray[Any, np.dtype[np.int64]] = table["at"].cast(pa.int64()).to_numpy()
    rest: np.ndarray[Any, np.dtype[np.int64]] = table["at_rest_us"].to_numpy().astype(np.int64)
    instants: np.ndarray[Any, np.dtype[np.int64]] = whole * 1000 + rest
    return instants
