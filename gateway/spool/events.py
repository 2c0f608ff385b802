"""
Events of the spool: facts of the machine that the server gets beside its readings.

Promises: an event is on disk with the change that it tells of, or neither is.
Leaves to others: sending and confirming them (`gateway.spool.unconfirmed`).
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import apsw

from cleanside.gateway.log import Log
from cleanside.gateway.spool.boots import Correction
from cleanside.gateway.spool.state import open_stream
from cleanside.gateway.wire import BOOT_CORRECTED


def add_event(connection: apsw.Connection, event: str, detail: Mapping[str, Any]) -> None:
    """Store an event beside a gateway that may be running; it belongs before the next number."""
    stream = open_stream(connection)
    connection.execute(
        "INSERT INTO events (stream, at_seq, event, detail) VALUES (?, ?, ?, ?)",
        (stream.number, stream.appended_through + 1, event, json.dumps(detail)),
    )


def add_correction(connection: apsw.Connection, said: Correction) -> None:
    """Store the correction of a boot. Readings before the open stream went under other numbers: not they."""
    stream = open_stream(connection)
    at_seq = stream.seq(said.before_position)
    if at_seq <= 1:
        return
    detail = asdict(said)
    first = max(1, stream.seq(detail.pop("first_position")))
    del detail["before_position"]
    add_event(connection, BOOT_CORRECTED, {**detail, "first_seq": first, "at_seq": at_seq})


class Events:
    """Adds events. The caller has the spool's lock and an open transaction."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self.added = 0  # since this process opened the file, so that the uplink need not query

    def add(self, connection: apsw.Connection, event: str, detail: Mapping[str, Any]) -> None:
        """Store an event; it belongs before the next number of the open stream."""
        self.added += 1
        add_event(connection, event, detail)

    def correct(self, connection: apsw.Connection, said: Correction) -> None:
        """Store the correction of a boot."""
        self.added += 1
        add_correction(connection, said)

    def tell(self, connection: apsw.Connection, event: str, detail: Mapping[str, Any]) -> None:
        """Store an event that a person at the machine should know of too, and log it."""
        self.add(connection, event, detail)
        self._log(f"gateway.{event}", level=logging.ERROR, **detail)
