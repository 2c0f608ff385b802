"""
The command `readings`: stored readings as rows, for a person with a database shell.

In the database they lie in compressed blocks, which SQL cannot read. It works while a process serves.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from typing import Any

import sqlalchemy as sa

from cleanside.gateway.units import QUANTITIES
from cleanside.gateway.wire import parse_instant
from cleanside.ingest import settings
from cleanside.ingest.commands.command_database import add_owner, owner_id, reader
from cleanside.ingest.errors import CalledWrongly
from cleanside.ingest.keeping import export
from cleanside.ingest.keeping.export import ColumnPiece
from cleanside.ingest.settings import Settings
from cleanside.ingest.store import fleet, raw
from cleanside.ingest.store.raw import DeviceSeat

ROWS_AT_ONCE = 20_000  # of a piece: what memory holds; chosen
FIRST_US, LAST_US = -(2**62), 2**62  # no instant lies beyond
UNITS = {name: quantity.si_unit for name, quantity in QUANTITIES.items()}
COLUMNS = [quantity.column for quantity in QUANTITIES.values()]


def add(commands: Any) -> None:
    """Hang the command in."""
    parser = commands.add_parser(
        "readings", help="write stored readings as rows, in SI, to standard output; may run beside a server"
    )
    settings.add_flags(parser, "database", "archive_folder")
    add_owner(parser)
    parser.add_argument("--device", action="append", metavar="NAME", help="only of this device; repeatable")
    parser.add_argument("--since", metavar="AT", help="from this instant on, RFC 3339")
    parser.add_argument("--until", metavar="AT", help="before this instant, RFC 3339")
    parser.add_argument("--format", choices=("csv", "parquet"), default="csv", help="default: csv")
    parser.set_defaults(run=run_readings)


def run_readings(chosen: Settings, given: argparse.Namespace) -> int:
    """Write them, device by device, each in order of time."""
    span_us = _instant(given.since, FIRST_US), _instant(given.until, LAST_US)
    write = export.csv_of if given.format == "csv" else export.parquet_of
    nothing = export.columns_of_rows(raw.joined([], COLUMNS), UNITS, {})
    with reader(chosen) as connection:
        devices = _devices(connection, owner_id(connection, given.owner), given.device)
        seats = {name: DeviceSeat(device_id, *span_us) for name, device_id in devices.items()}
        for content in write(_pieces(connection, seats), nothing):
            sys.stdout.buffer.write(content)
    return 0


def _instant(at: str | None, otherwise_us: int) -> int:
    """Microseconds of an instant as typed. Raises CalledWrongly."""
    try:
        return otherwise_us if at is None else parse_instant(at).us
    except ValueError as error:
        raise CalledWrongly("instant_not_usable", at=at, why=str(error)) from error


def _devices(connection: sa.Connection, owner: int, wanted: list[str] | None) -> dict[str, int]:
    """Name -> id of the devices asked for, of all where None. Raises CalledWrongly where one is not there."""
    there = {device.name: device.id for device in fleet.devices_of(connection, owner)}
    for name in wanted or ():
        if name not in there:
            raise CalledWrongly("no_device", device=name)
    return there if wanted is None else {name: there[name] for name in wanted}


def _pieces(connection: sa.Connection, seats: dict[str, DeviceSeat]) -> Iterator[ColumnPiece]:
    for device, seat in seats.items():
        names = raw.stream_names(connection, [seat])
        streams = {stream_id: (device, stream) for stream_id, (_, stream) in names.items()}
        for rows in raw.walk(connection.engine.connect, [seat], COLUMNS, rows_at_once=ROWS_AT_ONCE):
            # A stream may have been opened since the names were read.
            yield export.columns_of_rows(rows.of_streams(streams), UNITS, streams)
