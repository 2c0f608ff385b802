"""
A spool of an earlier version is brought up to this one, step by step, in the transaction that opens it.

Promises: a file is of one version or of the next, whenever the power goes; readings and their numbers, marks
and times stay as they are; a step touches small tables only, so that a backlog of any length opens at once.
Leaves to others: when (`gateway.spool.file`). What a new file looks like: `schema.sql`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

#: version -> what brings a file from it to the next
STEPS: Final[Mapping[int, str]] = {
    1: """
        CREATE INDEX placements_by_position ON placements (first_position);
        CREATE TABLE stream_copies (first_position INTEGER PRIMARY KEY, stream TEXT NOT NULL) STRICT;
        CREATE TRIGGER streams_are_written_twice AFTER INSERT ON streams BEGIN
            INSERT OR REPLACE INTO stream_copies VALUES (new.first_position, new.stream);
        END;
        INSERT OR REPLACE INTO stream_copies SELECT first_position, stream FROM streams ORDER BY number;
    """,
}
