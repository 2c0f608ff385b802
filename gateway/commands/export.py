"""
Write the backlog to a file that a person carries, beside a gateway that may be running.

Promises: the spool stays unchanged: carried readings stay until the server acknowledges them; link and
bundle may both deliver. The spool records readings as sent before the file has them. So a mark that the
server reaches through a bundle is not above the highest number sent, and releases readings that the link
never sent. An interrupted export is resumed.
Leaves to others: the file (`gateway.bundle`), the import on the server.
"""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import apsw

from cleanside.gateway import file_modes
from cleanside.gateway.bundle import BundleBroken, BundleWriter, handle_of, mac_secret
from cleanside.gateway.errors import CalledWrongly, TryAgain, why
from cleanside.gateway.spool.boots import load_placements
from cleanside.gateway.spool.file import check_small_tables, one_view, open_beside, translated
from cleanside.gateway.spool.payload import read_unit_set
from cleanside.gateway.spool.peek import BatchContext, next_batch, span
from cleanside.gateway.spool.state import stream_rows, unprotected_through
from cleanside.gateway.wire import Batch, decode, encode, zstd

_READINGS = 5_000  # readings of a block; as many as the contract allows, because a file needs no link
_BYTES = 2**20 if zstd.IS_INSTALLED else 2**19  # of a body; as a raw block it has to fit into one of 1 MiB


@dataclass(frozen=True, slots=True)
class Exported:
    """The outcome of an export."""

    readings: int
    blocks: int
    #: blocks that were in the file before
    kept: int


def export(path: Path, to: Path, *, key: str) -> Exported:
    """
    Write the backlog of the spool at `path` to the bundle `to`.

    key : the device's key; the server knows the hash of its secret part.
    Raises CalledWrongly, and the spool's errors.
    """
    if not path.exists():
        raise CalledWrongly("no_spool", path=path)
    try:
        secret = mac_secret(key)
    except ValueError as error:
        raise CalledWrongly(str(error)) from None
    with one_view(path) as connection:
        try:
            return _write(connection, path, to, secret, handle_of(key))
        except BundleBroken as error:
            raise CalledWrongly("out_not_a_bundle", path=to, why=str(error), broken=error.code) from error
        except OSError as error:
            raise CalledWrongly("out_unwritable", path=to, why=why(error)) from error


def _write(connection: apsw.Connection, path: Path, to: Path, secret: bytes, key: str) -> Exported:
    check_small_tables(connection)
    context = _known(connection)
    carried: dict[str, int] = {}  # stream -> highest number that is in the file already

    def carry(batch: Batch) -> None:
        assert batch.stream is not None  # a spool's batch is numbered
        carried[batch.stream] = span(batch)[1]
        _note_sent(path, batch.stream, carried[batch.stream])

    def seen(body: bytes) -> None:
        carry(decode(body))

    writer = BundleWriter(to, device=context.device, secret=secret, key=key, seen=seen)
    try:
        file_modes.sync_folder(to.parent)  # the writer syncs what is in the file, not its name
        readings = blocks = 0
        for stream in stream_rows(connection):
            mark = max(stream.acknowledged_through, carried.get(stream.stream, 0))
            row = replace(stream, acknowledged_through=mark)
            while (
                batch := next_batch(
                    connection, row, context, max_readings=_READINGS, max_bytes=_BYTES, report=True
                )
            ) is not None:
                carry(batch)
                writer.write(encode(batch))
                row = replace(row, acknowledged_through=span(batch)[1])
                readings, blocks = readings + len(batch), blocks + 1
        writer.finish()
        return Exported(readings, blocks, writer.kept)
    finally:
        writer.close()


def _note_sent(path: Path, stream: str, through: int) -> None:
    # Export works on a disk that takes no writes too; its readings are then sent again.
    with suppress(TryAgain), translated(path):
        connection = open_beside(path)
        try:
            connection.execute(
                "UPDATE streams SET sent_through = max(sent_through, ?) WHERE stream = ? AND is_whole",
                (through, stream),
            )
        finally:
            connection.close()


def _known(connection: apsw.Connection) -> BatchContext:
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
    placements = load_placements(connection)
    unprotected = unprotected_through(connection)
    return BatchContext(notes["device"], notes["installation"], placements, unit_sets, unprotected)
