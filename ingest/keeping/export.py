"""
Readings and steps of time as CSV and Parquet, a piece at a time.

Promises: CSV by RFC 4180, CRLF and one header row; cells are numbers, instants and names, so a spreadsheet
reads none of them as a formula. Parquet has the unit of each column in its metadata. Memory
holds one piece, however long the export.
Leaves to others: where the pieces come from (`ingest.store.raw`), which units (`ingest.api.routes.raw`).
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from cleanside.gateway.units import QUANTITIES, from_si
from cleanside.gateway.wire import instant_text
from cleanside.ingest.store.raw import RawRows
from cleanside.ingest.store.time_steps import TimeSteps

FloatArray = npt.NDArray[np.float64]

CSV_MEDIA_TYPE = "text/csv; charset=utf-8; header=present"
PARQUET_MEDIA_TYPE = "application/vnd.apache.parquet"


@dataclass(frozen=True, slots=True)
class Column:
    """One column of an export."""

    name: str
    #: None: it has none
    unit: str | None
    #: a value a row: texts, whole numbers, or floats with NaN where there is none; shape (n,)
    values: Any

    @property
    def heading(self) -> str:
        """Name and unit."""
        return self.name if self.unit is None else f"{self.name} [{self.unit}]"


ColumnPiece = Sequence[Column]


# ---------------------------------------------------------------- columns


def in_unit(column: FloatArray, unit: str, quantity: str) -> FloatArray:
    """
    Values in SI in another unit of their quantity, shape (n,), NaN stays NaN.

    In SI they are as stored, bit for bit; else as `gateway.units.from_si` converts them.
    """
    if unit == QUANTITIES[quantity].si_unit:
        return column
    present = ~np.isnan(column)
    distinct, place = np.unique(column[present], return_inverse=True)
    converted = np.full(len(column), np.nan)
    converted[present] = np.array([from_si(value, unit, quantity) for value in distinct.tolist()])[place]
    return converted


def columns_of_rows(
    rows: RawRows, units: Mapping[str, str], streams: Mapping[int, tuple[str, str]]
) -> list[Column]:
    """
    Readings as columns. units : quantity -> the unit wanted. streams : stream id -> device, stream.
    """
    names = [streams[stream_id] for stream_id in rows.stream_id.tolist()]
    return [
        Column("at", None, texts_of(rows)),
        Column("device", None, [device for device, _ in names]),
        Column("stream", None, [stream for _, stream in names]),
        Column("seq", None, rows.seq),
        Column("at_uncertainty", "s", rows.at_uncertainty_s),
        *(
            Column(name, unit, in_unit(rows.values[QUANTITIES[name].column], unit, name))
            for name, unit in units.items()
        ),
    ]


def texts_of(rows: RawRows) -> list[str]:
    """The instants of readings, RFC 3339 in UTC."""
    return [rows.exact.get(i) or instant_text(us) for i, us in enumerate(rows.at_us.tolist())]


def columns_of_buckets(buckets: TimeSteps, units: Mapping[str, str], resolution_us: int) -> list[Column]:
    """Steps of time as columns: start, readings, and count, mean, lowest, highest of each quantity."""
    columns = [
        Column("at", None, [instant_text(step * resolution_us) for step in buckets.step.tolist()]),
        Column("readings", None, buckets.readings),
    ]
    for name, unit in units.items():
        found = buckets.values[QUANTITIES[name].column]
        columns.append(Column(f"{name} count", None, found.count))
        for what, values in (("mean", found.mean), ("min", found.lowest), ("max", found.highest)):
            columns.append(Column(f"{name} {what}", unit, in_unit(values, unit, name)))
    return columns


# ---------------------------------------------------------------- CSV


def csv_of(pieces: Iterable[ColumnPiece], empty: ColumnPiece) -> Iterator[bytes]:
    """Pieces as CSV. empty : the columns without rows, for the heading."""
    yield (",".join(_quoted(column.heading) for column in empty) + "\r\n").encode()
    for piece in pieces:
        rows = zip(*(_cells(column.values) for column in piece), strict=True)
        yield "".join(",".join(row) + "\r\n" for row in rows).encode()


def _cells(values: Any) -> Iterable[str]:
    if isinstance(values, list):
        return (_quoted(text) for text in values)
    return ("" if value != value else repr(value) for value in values.tolist())  # NaN is not itself


def _quoted(text: str) -> str:
    """RFC 4180 section 2 rule 6 and 7."""
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\r\n') else text


# ---------------------------------------------------------------- Parquet


class _Sink(io.RawIOBase):
    """A buffer that a writer fills and `fetch` empties."""

    def __init__(self) -> None:
        super().__init__()
        self._parts: list[bytes] = []

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        self._parts.append(bytes(data))
        return len(self._parts[-1])

    def fetch(self) -> bytes:
        """The bytes written since the last call."""
        content, self._parts = b"".join(self._parts), []
        return content


def parquet_of(pieces: Iterable[ColumnPiece], empty: ColumnPiece) -> Iterator[bytes]:
    """Pieces as Parquet, a row group each; zstd. empty : the columns without rows, for the schema."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    sink = _Sink()
    schema = pa.schema([_field(column) for column in empty])
    with pq.ParquetWriter(pa.PythonFile(sink, mode="w"), schema, compression="zstd") as writer:
        for piece in pieces:
            arrays = [_array(column, field) for column, field in zip(piece, schema, strict=True)]
            writer.write_table(pa.table(arrays, schema=schema))
            yield sink.fetch()
    yield sink.fetch()


def _field(column: Column) -> Any:
    import pyarrow as pa

    kind = pa.string() if isinstance(column.values, list) else pa.from_numpy_dtype(column.values.dtype)
    about = {} if column.unit is None else {"unit": column.unit}
    return pa.field(column.name, kind, metadata=about)


def _array(column: Column, field: Any) -> Any:
    import pyarrow as pa

    return pa.array(column.values, type=field.type, from_pandas=True)  # NaN becomes null
