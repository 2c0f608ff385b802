-- The spool of one device. Order of reading: readings, their numbering, their time, what was given up, the rest.
-- PRAGMA user_version says which version of this file wrote it (gateway/spool/file.py).
--
-- Nothing that changes on the disk goes unnoticed: a reading bears a checksum (gateway/spool/checksum.py), and each row
-- of the small tables its content once more, as `copy`; `is_whole` says that the two agree.

CREATE TABLE readings (
    -- Given by the spool, one after the other, and never twice: what was acknowledged or given up counts when the
    -- highest is looked for (gateway/spool/state.py). AUTOINCREMENT would write a page of its own at each commit.
    position INTEGER PRIMARY KEY,
    boot INTEGER REFERENCES boots (number),  -- NULL: the source brought a trusted time of its own
    time_us INTEGER NOT NULL,                -- with boot: since that boot began; without: since 1970-01-01T00:00Z
    uncertainty_s REAL,                      -- of a time the source brought; NULL: unknown
    unit_set INTEGER NOT NULL REFERENCES unit_sets (number),
    payload TEXT NOT NULL,                   -- JSON, laid out as unit_sets.layout says
    sum INTEGER                              -- over all of it, the unit set's text, stream and number; NULL: of version 1 or 2
) STRICT;

-- Which quantities a payload holds, in order, with the unit each was sent in. Interned: a spool sees few.
CREATE TABLE unit_sets (
    number INTEGER PRIMARY KEY,
    layout INTEGER NOT NULL CHECK (layout = 1),  -- 1: payload is a list of numbers, one for each entry of units
    units TEXT NOT NULL UNIQUE,                  -- JSON: [["restriction", "kPa"], ["engine_speed", "r/min"]]
    copy TEXT GENERATED ALWAYS AS (json_array(number, layout, units)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(number, layout, units)) VIRTUAL
) STRICT;

-- One unbroken numbering each: seq = position - first_position + 1.
CREATE TABLE streams (
    number INTEGER PRIMARY KEY,
    stream TEXT NOT NULL UNIQUE,                 -- UUIDv7 (RFC 9562)
    first_position INTEGER NOT NULL,
    last_position INTEGER,                       -- NULL: the stream is open, appends go here
    acknowledged_through INTEGER NOT NULL DEFAULT 0 CHECK (acknowledged_through >= 0),
    sent_through INTEGER NOT NULL DEFAULT 0,     -- highest number known to have been sent
    state TEXT NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'forked', 'closed')),
    copy TEXT GENERATED ALWAYS AS (json_array(
        number, stream, first_position, last_position, acknowledged_through, sent_through, state)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(
        number, stream, first_position, last_position, acknowledged_through, sent_through, state)) VIRTUAL,
    CHECK ((state = 'open') = (last_position IS NULL))
) STRICT;

-- Appends need exactly one place to go.
CREATE UNIQUE INDEX one_open_stream ON streams (state) WHERE state = 'open';

-- Streams once more, on a page of their own: where a damaged page takes the one table, the other still says
-- whose numbers the readings bear. A stream that never took a reading gives way to the next.
CREATE TABLE stream_copies (
    first_position INTEGER PRIMARY KEY,
    stream TEXT NOT NULL
) STRICT;

CREATE TRIGGER streams_are_written_twice AFTER INSERT ON streams BEGIN
    INSERT OR REPLACE INTO stream_copies VALUES (new.first_position, new.stream);
END;

CREATE TABLE boots (
    number INTEGER PRIMARY KEY,                  -- in order of time
    boot TEXT NOT NULL UNIQUE,                   -- the kernel's identity of this boot
    first_position INTEGER NOT NULL,             -- nothing of this boot lies before it
    ended_us INTEGER,                            -- last sign of life since boot began; NULL: may still run
    shown_us INTEGER,                            -- what the wall clock showed at first sight: evidence, not an anchor
    copy TEXT GENERATED ALWAYS AS (json_array(number, boot, first_position, ended_us, shown_us)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (
        copy IS json_array(number, boot, first_position, ended_us, shown_us)) VIRTUAL
) STRICT;

-- Ties an instant of a boot to UTC. Never changed, so that a placement can be explained.
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

-- When the readings of a boot were: frozen once written, so that a resend or a bundle says the same.
-- A placement holds from first_position up to the next placement of the same boot.
CREATE TABLE placements (
    boot INTEGER NOT NULL REFERENCES boots (number),
    first_position INTEGER NOT NULL,
    zero_us INTEGER NOT NULL,                    -- UTC of the boot's beginning
    rate_ppb INTEGER NOT NULL DEFAULT 0,         -- UTC gained on the boot's clock
    anchor_us INTEGER NOT NULL,                  -- since boot, where the uncertainty is smallest
    uncertainty_us INTEGER NOT NULL,             -- there
    growth_ppb INTEGER NOT NULL,                 -- by how much it grows away from there
    kind TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(
        boot, first_position, zero_us, rate_ppb, anchor_us, uncertainty_us, growth_ppb, kind)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(
        boot, first_position, zero_us, rate_ppb, anchor_us, uncertainty_us, growth_ppb, kind)) VIRTUAL,
    PRIMARY KEY (boot, first_position)
) STRICT, WITHOUT ROWID;

-- Each batch asks which placements begin in it.
CREATE INDEX placements_by_position ON placements (first_position);

-- Numbers given up, and why. Kept after the server knows, as long as an older reading is held: a server restored
-- from a backup has to be told again.
CREATE TABLE shed (
    stream INTEGER NOT NULL REFERENCES streams (number),
    first INTEGER NOT NULL,
    last INTEGER NOT NULL CHECK (last >= first),
    reason TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(stream, first, last, reason)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(stream, first, last, reason)) VIRTUAL,
    PRIMARY KEY (stream, first)
) STRICT, WITHOUT ROWID;

-- What the server should know beside readings. Sent with the number it stands at.
CREATE TABLE events (
    number INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES streams (number),
    at_seq INTEGER NOT NULL,
    event TEXT NOT NULL,
    detail TEXT NOT NULL DEFAULT '{}',           -- JSON object
    copy TEXT GENERATED ALWAYS AS (json_array(number, stream, at_seq, event, detail)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(number, stream, at_seq, event, detail)) VIRTUAL
) STRICT;

CREATE INDEX events_by_number ON events (stream, at_seq);

-- How far each source has come, written with the readings it belongs to: a restart neither skips nor repeats.
CREATE TABLE source_marks (
    source TEXT PRIMARY KEY,
    mark TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(source, mark)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(source, mark)) VIRTUAL
) STRICT, WITHOUT ROWID;

-- Numberings of what people entered at the machine, apart from those of the readings.
CREATE TABLE entry_streams (
    number INTEGER PRIMARY KEY,
    stream TEXT NOT NULL UNIQUE,                 -- UUIDv7 (RFC 9562)
    acknowledged_through INTEGER NOT NULL DEFAULT 0 CHECK (acknowledged_through >= 0),
    is_open INTEGER NOT NULL DEFAULT 1 CHECK (is_open IN (0, 1)),  -- new entries go here
    copy TEXT GENERATED ALWAYS AS (json_array(number, stream, acknowledged_through, is_open)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (
        copy IS json_array(number, stream, acknowledged_through, is_open)) VIRTUAL
) STRICT;

-- What people entered, each under its number in its stream. Kept for a while after the server has it: a server
-- restored from a backup is sent it again.
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

-- Bytes on the link, by UTC day as the gateway's clock had it.
CREATE TABLE traffic (
    day TEXT PRIMARY KEY,
    up_bytes INTEGER NOT NULL,
    down_bytes INTEGER NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(day, up_bytes, down_bytes)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(day, up_bytes, down_bytes)) VIRTUAL
) STRICT, WITHOUT ROWID;

-- Small things `status` shows: last error, rate, clock. JSON values.
CREATE TABLE notes (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(name, value)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(name, value)) VIRTUAL
) STRICT, WITHOUT ROWID;
