"""
Write the backlog to a file that a person carries, beside a gateway that may be running.

Promises: changes nothing in the spool: what is carried stays until the server acknowledges it, over the link
or told by a later answer; link and bundle may both deliver. A file that was cut short is gone on with.
Leaves to others: the file (`gateway.bundle`), what the server does with it.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from pathlib import Path

import apsw

from gateway.bundle import BundleBroken, BundleWriter, mac_secret
from gateway.errors import CalledWrongly
from gateway.payload import read_unit_set
from gateway.spool_file import open_to_read, translated
from gateway.spool_peek import Known, next_batch, span
from gateway.spool_state import stream_rows
from gateway.spool_time import load_placements
from gateway.wire import decode, encode

_READINGS = 5_000  # a block; as many as the contract allows, because a file has no poor link to cross
_BYTES = 2**20


@dataclass(frozen=True, slots=True)
class Exported:
    """What was written."""

    readings: int
    blocks: int
    #: blocks that stood in the file before
    kept: int


def export(path: Path, to: Path, *, key: str) -> Exported:
    """
    Write what waits in the spool at `path` to the bundle `to`.

    key : the device's key; the server knows the hash of its secret part.
    Raises CalledWrongly, and the spool's errors.
    """
    if not path.exists():
        raise CalledWrongly(f"{path} does not exist; check spool.path and device")
    try:
        secret = mac_secret(key)
    except ValueError as error:
        raise CalledWrongly(str(error)) from None
    with translated(path):
        connection = open_to_read(path)
        try:
            connection.execute("BEGIN")  # one view of all tables, while a gateway may be writing
            return _write(connection, to, secret)
        except BundleBroken as error:
            raise CalledWrongly(f"{to}: {error}") from error
        except OSError as error:
            raise CalledWrongly(f"{to}: {error.strerror}; give a file that can be written") from error
        finally:
            connection.close()


def _write(connection: apsw.Connection, to: Path, secret: bytes) -> Exported:
    known = _known(connection)
    carried: dict[str, int] = {}  # stream -> highest number that stands in the file already

    def seen(body: bytes) -> None:
        batch = decode(body)
        carried[batch.stream or ""] = span(batch)[1]

    writer = BundleWriter(to, device=known.device, secret=secret, seen=seen)
    try:
        readings = blocks = 0
        for stream in stream_rows(connection):
            mark = max(stream.acknowledged_through, carried.get(stream.stream, 0))
            row = replace(stream, acknowledged_through=mark)
            while (
                batch := next_batch(
                    connection, row, known, max_readings=_READINGS, max_bytes=_BYTES, report=True
                )
            ) is not None:
                writer.write(encode(batch))
                row = replace(row, acknowledged_through=span(batch)[1])
                readings, blocks = readings + len(batch), blocks + 1
        writer.finish()
        return Exported(readings, blocks, writer.kept)
    finally:
        writer.close()


def _known(connection: apsw.Connection) -> Known:
    notes = {
        name: json.loads(value)
        for name, value in connection.execute(
            "SELECT name, value FROM notes WHERE name IN ('device', 'installation')"
        )
    }
    unit_sets = {
        number: read_unit_set(units)
        for number, units in connection.execute("SELECT number, units FROM unit_sets")
    }
    return Known(notes["device"], notes["installation"], load_placements(connection), unit_sets)
