"""
Events of the spool: facts of the machine that the server gets beside its readings.

Promises: an event is on disk with the change that it tells of, or neither is.
Leaves to others: sending and confirming them (`gateway.spool.unconfirmed`).
"""

from __future__ import annotations

import json
import logging
from collections.abc import Mapping
from typing import Any

import apsw

from cleanside.gateway.log import Log
from cleanside.gateway.spool.state import open_stream


class Events:
    """Adds events. The caller has the spool's lock and an open transaction."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self.added = 0  # since this process opened the file, so that the uplink need not query

    def add(self, connection: apsw.Connection, event: str, detail: Mapping[str, Any]) -> None:
        """Store an event; it belongs before the next number of the open stream."""
        stream = open_stream(connection)
        self.added += 1
        connection.execute(
            "INSERT INTO events (stream, at_seq, event, detail) VALUES (?, ?, ?, ?)",
            (stream.number, stream.appended_through + 1, event, json.dumps(detail)),
        )

    def tell(self, connection: apsw.Connection, event: str, detail: Mapping[str, Any]) -> None:
        """Store an event that a person at the machine should know of too, and log it."""
        self.add(connection, event, detail)
        self._log(f"gateway.{event}", level=logging.ERROR, **detail)
