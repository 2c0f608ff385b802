"""
Upgrade a spool of an earlier version, step by step, in the transaction that opens it.

Promises: a file is of one version or of the next, whenever the power goes; readings and their numbers, marks
and times stay as they are; a step touches small tables only, so that a backlog of any length opens at once.
Leaves to others: when (`gateway.spool.file`). The form of a new file: `schema.sql`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

# The content of each row of the small tables once more, beside it; the checksum of a reading.
_SUMS: Final = """
-- Readings bear a checksum from here on. A column at the end and the word AUTOINCREMENT change no page of the
-- table (sqlite.org/lang_altertable.html, "Making Other Kinds Of Table Schema Changes").
PRAGMA writable_schema=ON;
UPDATE sqlite_schema SET sql = 'CREATE TABLE readings (
    position INTEGER PRIMARY KEY,
    boot INTEGER REFERENCES boots (number),
    time_us INTEGER NOT NULL,
    uncertainty_s REAL,
    unit_set INTEGER NOT NULL REFERENCES unit_sets (number),
    payload TEXT NOT NULL,
    sum INTEGER
) STRICT' WHERE name = 'readings';
PRAGMA writable_schema=RESET;
CREATE TEMP TABLE before AS SELECT * FROM main.unit_sets;
DROP TABLE main.unit_sets;
CREATE TABLE unit_sets (
    number INTEGER PRIMARY KEY,
    layout INTEGER NOT NULL CHECK (layout = 1),
    units TEXT NOT NULL UNIQUE,
    copy TEXT GENERATED ALWAYS AS (json_array(number, layout, units)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(number, layout, units)) VIRTUAL
) STRICT;
INSERT INTO unit_sets (number, layout, units) SELECT * FROM temp.before;
DROP TABLE temp.before;
CREATE TEMP TABLE before AS SELECT * FROM main.streams;
DROP TABLE main.streams;
CREATE TABLE streams (
    number INTEGER PRIMARY KEY,
    stream TEXT NOT NULL UNIQUE,
    first_position INTEGER NOT NULL,
    last_position INTEGER,
    acknowledged_through INTEGER NOT NULL DEFAULT 0 CHECK (acknowledged_through >= 0),
    sent_through INTEGER NOT NULL DEFAULT 0,
    state TEXT NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'forked', 'closed')),
    copy TEXT GENERATED ALWAYS AS (json_array(
number, stream, first_position, last_position, acknowledged_through, sent_through, state)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(
number, stream, first_position, last_position, acknowledged_through, sent_through, state)) VIRTUAL,
    CHECK ((state = 'open') = (last_position IS NULL))
) STRICT;
CREATE UNIQUE INDEX one_open_stream ON streams (state) WHERE state = 'open';
INSERT INTO streams (
    number, stream, first_position, last_position, acknowledged_through, sent_through, state)
SELECT * FROM temp.before;
DROP TABLE temp.before;
CREATE TRIGGER streams_are_written_twice AFTER INSERT ON streams BEGIN
    INSERT OR REPLACE INTO stream_copies VALUES (new.first_position, new.stream);
END;
CREATE TEMP TABLE before AS SELECT * FROM main.boots;
DROP TABLE main.boots;
CREATE TABLE boots (
    number INTEGER PRIMARY KEY,
    boot TEXT NOT NULL UNIQUE,
    first_position INTEGER NOT NULL,
    ended_us INTEGER,
    shown_us INTEGER,
    copy TEXT GENERATED ALWAYS AS (json_array(number, boot, first_position, ended_us, shown_us)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (
copy IS json_array(number, boot, first_position, ended_us, shown_us)) VIRTUAL
) STRICT;
INSERT INTO boots (number, boot, first_position, ended_us, shown_us) SELECT * FROM temp.before;
DROP TABLE temp.before;
CREATE TEMP TABLE before AS SELECT * FROM main.anchors;
DROP TABLE main.anchors;
CREATE TABLE anchors (
    number INTEGER PRIMARY KEY,
    boot INTEGER NOT NULL REFERENCES boots (number),
    since_boot_us INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    uncertainty_us INTEGER NOT NULL CHECK (uncertainty_us >= 0),
    kind TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (
json_array(number, boot, since_boot_us, utc_us, uncertainty_us, kind)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (
copy IS json_array(number, boot, since_boot_us, utc_us, uncertainty_us, kind)) VIRTUAL
) STRICT;
INSERT INTO anchors (number, boot, since_boot_us, utc_us, uncertainty_us, kind) SELECT * FROM temp.before;
DROP TABLE temp.before;
CREATE TEMP TABLE before AS SELECT * FROM main.placements;
DROP TABLE main.placements;
CREATE TABLE placements (
    boot INTEGER NOT NULL REFERENCES boots (number),
    first_position INTEGER NOT NULL,
    zero_us INTEGER NOT NULL,
    rate_ppb INTEGER NOT NULL DEFAULT 0,
    anchor_us INTEGER NOT NULL,
    uncertainty_us INTEGER NOT NULL,
    growth_ppb INTEGER NOT NULL,
    kind TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(
boot, first_position, zero_us, rate_ppb, anchor_us, uncertainty_us, growth_ppb, kind)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(
boot, first_position, zero_us, rate_ppb, anchor_us, uncertainty_us, growth_ppb, kind)) VIRTUAL,
    PRIMARY KEY (boot, first_position)
) STRICT, WITHOUT ROWID;
CREATE INDEX placements_by_position ON placements (first_position);
INSERT INTO placements (
    boot, first_position, zero_us, rate_ppb, anchor_us, uncertainty_us, growth_ppb, kind)
SELECT * FROM temp.before;
DROP TABLE temp.before;
CREATE TEMP TABLE before AS SELECT * FROM main.shed;
DROP TABLE main.shed;
CREATE TABLE shed (
    stream INTEGER NOT NULL REFERENCES streams (number),
    first INTEGER NOT NULL,
    last INTEGER NOT NULL CHECK (last >= first),
    reason TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(stream, first, last, reason)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(stream, first, last, reason)) VIRTUAL,
    PRIMARY KEY (stream, first)
) STRICT, WITHOUT ROWID;
INSERT INTO shed (stream, first, last, reason) SELECT * FROM temp.before;
DROP TABLE temp.before;
CREATE TEMP TABLE before AS SELECT * FROM main.events;
DROP TABLE main.events;
CREATE TABLE events (
    number INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES streams (number),
    at_seq INTEGER NOT NULL,
    event TEXT NOT NULL,
    detail TEXT NOT NULL DEFAULT '{}',
    copy TEXT GENERATED ALWAYS AS (json_array(number, stream, at_seq, event, detail)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(number, stream, at_seq, event, detail)) VIRTUAL
) STRICT;
CREATE INDEX events_by_number ON events (stream, at_seq);
INSERT INTO events (number, stream, at_seq, event, detail) SELECT * FROM temp.before;
DROP TABLE temp.before;
CREATE TEMP TABLE before AS SELECT * FROM main.source_marks;
DROP TABLE main.source_marks;
CREATE TABLE source_marks (
    source TEXT PRIMARY KEY,
    mark TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(source, mark)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(source, mark)) VIRTUAL
) STRICT, WITHOUT ROWID;
INSERT INTO source_marks (source, mark) SELECT * FROM temp.before;
DROP TABLE temp.before;
CREATE TEMP TABLE before AS SELECT * FROM main.traffic;
DROP TABLE main.traffic;
CREATE TABLE traffic (
    day TEXT PRIMARY KEY,
    up_bytes INTEGER NOT NULL,
    down_bytes INTEGER NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(day, up_bytes, down_bytes)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(day, up_bytes, down_bytes)) VIRTUAL
) STRICT, WITHOUT ROWID;
INSERT INTO traffic (day, up_bytes, down_bytes) SELECT * FROM temp.before;
DROP TABLE temp.before;
CREATE TEMP TABLE before AS SELECT * FROM main.notes;
DROP TABLE main.notes;
CREATE TABLE notes (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(name, value)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(name, value)) VIRTUAL
) STRICT, WITHOUT ROWID;
INSERT INTO notes (name, value) SELECT * FROM temp.before;
DROP TABLE temp.before;
INSERT INTO notes SELECT 'unprotected_through', seq FROM sqlite_sequence WHERE name = 'readings';
"""

# As in `schema.sql`, comments too: what is new is made in one form.
_ENTRIES: Final = """
CREATE TABLE entry_streams (
    number INTEGER PRIMARY KEY,
    stream TEXT NOT NULL UNIQUE,                 -- UUIDv7 (RFC 9562)
    acknowledged_through INTEGER NOT NULL DEFAULT 0 CHECK (acknowledged_through >= 0),
    is_open INTEGER NOT NULL DEFAULT 1 CHECK (is_open IN (0, 1)),  -- new entries go here
    copy TEXT GENERATED ALWAYS AS (json_array(number, stream, acknowledged_through, is_open)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (
        copy IS json_array(number, stream, acknowledged_through, is_open)) VIRTUAL
) STRICT;

CREATE TABLE entries (
    number INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES entry_streams (number),
    seq INTEGER NOT NULL,                        -- 1, 2, 3 ... without a gap; the last is never deleted
    entry_id TEXT NOT NULL UNIQUE,               -- made by whoever enters; sent again it is the same entry
    position INTEGER NOT NULL,                   -- placed as a reading at this position would be
    boot INTEGER REFERENCES boots (number),      -- as with readings: NULL: the time is frozen
    time_us INTEGER NOT NULL,
    uncertainty_s REAL,
    content TEXT NOT NULL,                       -- JSON object: what, note, who
    copy TEXT GENERATED ALWAYS AS (json_array(
        number, stream, seq, entry_id, position, boot, time_us, uncertainty_s, content)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(
        number, stream, seq, entry_id, position, boot, time_us, uncertainty_s, content)) VIRTUAL,
    UNIQUE (stream, seq)
) STRICT;
"""

#: the first version whose readings have a checksum
SUMS_SINCE: Final = 3

#: version -> statements from it to the next
STEPS: Final[Mapping[int, str]] = {
    1: """
        CREATE INDEX placements_by_position ON placements (first_position);
        CREATE TABLE stream_copies (first_position INTEGER PRIMARY KEY, stream TEXT NOT NULL) STRICT;
        CREATE TRIGGER streams_are_written_twice AFTER INSERT ON streams BEGIN
            INSERT OR REPLACE INTO stream_copies VALUES (new.first_position, new.stream);
        END;
        INSERT OR REPLACE INTO stream_copies SELECT first_position, stream FROM streams ORDER BY number;
    """,
    2: _SUMS,
    3: _ENTRIES,
}
