-- A spool of schema version 2, as its program left it and SQLite's shell dumps it: readings 1..75 in two
-- streams, of which 12 are acknowledged and 5 shed, two boots, one of them placed.
-- Tables like: (All)

-- The values of various per-database settings
PRAGMA page_size=4096;
-- PRAGMA encoding='UTF-8';
-- PRAGMA auto_vacuum=NONE;
-- PRAGMA max_page_count=4294967294;

BEGIN TRANSACTION;

-- Table  anchors
DROP TABLE IF EXISTS anchors;
CREATE TABLE anchors (
    number INTEGER PRIMARY KEY,
    boot INTEGER NOT NULL REFERENCES boots (number),
    since_boot_us INTEGER NOT NULL,
    utc_us INTEGER NOT NULL,
    uncertainty_us INTEGER NOT NULL CHECK (uncertainty_us >= 0),
    kind TEXT NOT NULL
) STRICT;
INSERT INTO anchors VALUES(1,1,3600000000,1796191200000000,50000,'server');

-- Table  boots
DROP TABLE IF EXISTS boots;
CREATE TABLE boots (
    number INTEGER PRIMARY KEY,                  -- in order of time
    boot TEXT NOT NULL UNIQUE,                   -- the kernel's identity of this boot
    first_position INTEGER NOT NULL,             -- nothing of this boot lies before it
    ended_us INTEGER,                            -- last sign of life since boot began; NULL: may still run
    shown_us INTEGER                             -- what the wall clock showed at first sight: evidence, not an anchor
) STRICT;
INSERT INTO boots VALUES(1,'boot-1',1,3600000000,1796191200000000);
INSERT INTO boots VALUES(2,'boot-2',61,NULL,1796195400000000);

-- Table  events
DROP TABLE IF EXISTS events;
CREATE TABLE events (
    number INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES streams (number),
    at_seq INTEGER NOT NULL,
    event TEXT NOT NULL,
    detail TEXT NOT NULL DEFAULT '{}'            -- JSON object
) STRICT;
INSERT INTO events VALUES(1,1,61,'key_on','{}');
INSERT INTO events VALUES(2,2,1,'stream_opened','{"reason": "stream_forked", "before": "01a23556-a300-7000-8000-000000000008"}');
-- Triggers and indices on  events
CREATE INDEX events_by_number ON events (stream, at_seq);

-- Table  notes
DROP TABLE IF EXISTS notes;
CREATE TABLE notes (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO notes VALUES('budget_bytes','1048576');
INSERT INTO notes VALUES('device','"grader-07-intake"');
INSERT INTO notes VALUES('installation','"01a23556-a300-7000-8000-000000000007"');

-- Table  placements
DROP TABLE IF EXISTS placements;
CREATE TABLE placements (
    boot INTEGER NOT NULL REFERENCES boots (number),
    first_position INTEGER NOT NULL,
    zero_us INTEGER NOT NULL,                    -- UTC of the boot's beginning
    rate_ppb INTEGER NOT NULL DEFAULT 0,         -- UTC gained on the boot's clock
    anchor_us INTEGER NOT NULL,                  -- since boot, where the uncertainty is smallest
    uncertainty_us INTEGER NOT NULL,             -- there
    growth_ppb INTEGER NOT NULL,                 -- by how much it grows away from there
    kind TEXT NOT NULL,
    PRIMARY KEY (boot, first_position)
) STRICT, WITHOUT ROWID;
INSERT INTO placements VALUES(1,1,1796187600000000,0,3600000000,51000,100000,'server');
-- Triggers and indices on  placements
CREATE INDEX placements_by_position ON placements (first_position);

-- Table  readings
DROP TABLE IF EXISTS readings;
CREATE TABLE readings (
    -- AUTOINCREMENT: without it a drained table starts at 1 again, and the server would take new readings
    -- for ones it already holds. With it a position is never given twice, even when the table is empty.
    position INTEGER PRIMARY KEY AUTOINCREMENT,
    boot INTEGER REFERENCES boots (number),  -- NULL: the source brought a trusted time of its own
    time_us INTEGER NOT NULL,                -- with boot: since that boot began; without: since 1970-01-01T00:00Z
    uncertainty_s REAL,                      -- of a time the source brought; NULL: unknown
    unit_set INTEGER NOT NULL REFERENCES unit_sets (number),
    payload TEXT NOT NULL                    -- JSON, laid out as unit_sets.layout says
) STRICT;
INSERT INTO readings VALUES(1,NULL,1796191210000000,NULL,1,'[0.01,1]');
INSERT INTO readings VALUES(2,NULL,1796191220000000,NULL,1,'[0.02,2]');
INSERT INTO readings VALUES(3,NULL,1796191230000000,NULL,1,'[0.03,3]');
INSERT INTO readings VALUES(4,NULL,1796191240000000,NULL,1,'[0.04,4]');
INSERT INTO readings VALUES(5,NULL,1796191250000000,NULL,1,'[0.05,5]');
INSERT INTO readings VALUES(6,NULL,1796191260000000,NULL,1,'[0.06,6]');
INSERT INTO readings VALUES(7,NULL,1796191270000000,NULL,1,'[0.07,7]');
INSERT INTO readings VALUES(8,NULL,1796191280000000,NULL,1,'[0.08,8]');
INSERT INTO readings VALUES(9,NULL,1796191290000000,NULL,1,'[0.09,9]');
INSERT INTO readings VALUES(10,NULL,1796191300000000,NULL,1,'[0.1,10]');
INSERT INTO readings VALUES(11,NULL,1796191310000000,NULL,1,'[0.11,11]');
INSERT INTO readings VALUES(12,NULL,1796191320000000,NULL,1,'[0.12,12]');
INSERT INTO readings VALUES(13,NULL,1796191330000000,NULL,1,'[0.13,13]');
INSERT INTO readings VALUES(14,NULL,1796191340000000,NULL,1,'[0.14,14]');
INSERT INTO readings VALUES(15,NULL,1796191350000000,NULL,1,'[0.15,15]');
INSERT INTO readings VALUES(16,NULL,1796191360000000,NULL,1,'[0.16,16]');
INSERT INTO readings VALUES(17,NULL,1796191370000000,NULL,1,'[0.17,17]');
INSERT INTO readings VALUES(18,NULL,1796191380000000,NULL,1,'[0.18,18]');
INSERT INTO readings VALUES(19,NULL,1796191390000000,NULL,1,'[0.19,19]');
INSERT INTO readings VALUES(25,NULL,1796191450000000,NULL,1,'[0.25,25]');
INSERT INTO readings VALUES(26,NULL,1796191460000000,NULL,1,'[0.26,26]');
INSERT INTO readings VALUES(27,NULL,1796191470000000,NULL,1,'[0.27,27]');
INSERT INTO readings VALUES(28,NULL,1796191480000000,NULL,1,'[0.28,28]');
INSERT INTO readings VALUES(29,NULL,1796191490000000,NULL,1,'[0.29,29]');
INSERT INTO readings VALUES(30,NULL,1796191500000000,NULL,1,'[0.3,30]');
INSERT INTO readings VALUES(31,NULL,1796191510000000,NULL,1,'[0.31,31]');
INSERT INTO readings VALUES(32,NULL,1796191520000000,NULL,1,'[0.32,32]');
INSERT INTO readings VALUES(33,NULL,1796191530000000,NULL,1,'[0.33,33]');
INSERT INTO readings VALUES(34,NULL,1796191540000000,NULL,1,'[0.34,34]');
INSERT INTO readings VALUES(35,NULL,1796191550000000,NULL,1,'[0.35,35]');
INSERT INTO readings VALUES(36,NULL,1796191560000000,NULL,1,'[0.36,36]');
INSERT INTO readings VALUES(37,NULL,1796191570000000,NULL,1,'[0.37,37]');
INSERT INTO readings VALUES(38,NULL,1796191580000000,NULL,1,'[0.38,38]');
INSERT INTO readings VALUES(39,NULL,1796191590000000,NULL,1,'[0.39,39]');
INSERT INTO readings VALUES(40,NULL,1796191600000000,NULL,1,'[0.4,40]');
INSERT INTO readings VALUES(41,1,3600000000,NULL,1,'[0.41,41]');
INSERT INTO readings VALUES(42,1,3600000000,NULL,1,'[0.42,42]');
INSERT INTO readings VALUES(43,1,3600000000,NULL,1,'[0.43,43]');
INSERT INTO readings VALUES(44,1,3600000000,NULL,1,'[0.44,44]');
INSERT INTO readings VALUES(45,1,3600000000,NULL,1,'[0.45,45]');
INSERT INTO readings VALUES(46,1,3600000000,NULL,1,'[0.46,46]');
INSERT INTO readings VALUES(47,1,3600000000,NULL,1,'[0.47,47]');
INSERT INTO readings VALUES(48,1,3600000000,NULL,1,'[0.48,48]');
INSERT INTO readings VALUES(49,1,3600000000,NULL,1,'[0.49,49]');
INSERT INTO readings VALUES(50,1,3600000000,NULL,1,'[0.5,50]');
INSERT INTO readings VALUES(51,1,3600000000,NULL,1,'[0.51,51]');
INSERT INTO readings VALUES(52,1,3600000000,NULL,1,'[0.52,52]');
INSERT INTO readings VALUES(53,1,3600000000,NULL,1,'[0.53,53]');
INSERT INTO readings VALUES(54,1,3600000000,NULL,1,'[0.54,54]');
INSERT INTO readings VALUES(55,1,3600000000,NULL,1,'[0.55,55]');
INSERT INTO readings VALUES(56,1,3600000000,NULL,1,'[0.56,56]');
INSERT INTO readings VALUES(57,1,3600000000,NULL,1,'[0.57,57]');
INSERT INTO readings VALUES(58,1,3600000000,NULL,1,'[0.58,58]');
INSERT INTO readings VALUES(59,1,3600000000,NULL,1,'[0.59,59]');
INSERT INTO readings VALUES(60,1,3600000000,NULL,1,'[0.6,60]');
INSERT INTO readings VALUES(61,2,0,NULL,1,'[0.61,61]');
INSERT INTO readings VALUES(62,2,0,NULL,1,'[0.62,62]');
INSERT INTO readings VALUES(63,2,0,NULL,1,'[0.63,63]');
INSERT INTO readings VALUES(64,2,0,NULL,1,'[0.64,64]');
INSERT INTO readings VALUES(65,2,0,NULL,1,'[0.65,65]');
INSERT INTO readings VALUES(66,2,0,NULL,1,'[0.66,66]');
INSERT INTO readings VALUES(67,2,0,NULL,1,'[0.67,67]');
INSERT INTO readings VALUES(68,2,0,NULL,1,'[0.68,68]');
INSERT INTO readings VALUES(69,2,0,NULL,1,'[0.69,69]');
INSERT INTO readings VALUES(70,2,0,NULL,1,'[0.7,70]');
INSERT INTO readings VALUES(71,NULL,1796191910000000,NULL,1,'[0.71,71]');
INSERT INTO readings VALUES(72,NULL,1796191920000000,NULL,1,'[0.72,72]');
INSERT INTO readings VALUES(73,NULL,1796191930000000,NULL,1,'[0.73,73]');
INSERT INTO readings VALUES(74,NULL,1796191940000000,NULL,1,'[0.74,74]');
INSERT INTO readings VALUES(75,NULL,1796191950000000,NULL,1,'[0.75,75]');

-- Table  shed
DROP TABLE IF EXISTS shed;
CREATE TABLE shed (
    stream INTEGER NOT NULL REFERENCES streams (number),
    first INTEGER NOT NULL,
    last INTEGER NOT NULL CHECK (last >= first),
    reason TEXT NOT NULL,
    PRIMARY KEY (stream, first)
) STRICT, WITHOUT ROWID;
INSERT INTO shed VALUES(1,20,24,'disk_budget');

-- Table  source_marks
DROP TABLE IF EXISTS source_marks;
CREATE TABLE source_marks (source TEXT PRIMARY KEY, mark TEXT NOT NULL) STRICT, WITHOUT ROWID;
INSERT INTO source_marks VALUES('csv-1','40');

-- Table  stream_copies
DROP TABLE IF EXISTS stream_copies;
CREATE TABLE stream_copies (first_position INTEGER PRIMARY KEY, stream TEXT NOT NULL) STRICT;
INSERT INTO stream_copies VALUES(1,'01a23556-a300-7000-8000-000000000008');
INSERT INTO stream_copies VALUES(71,'01a23596-b940-7000-8000-000000000063');

-- Table  streams
DROP TABLE IF EXISTS streams;
CREATE TABLE streams (
    number INTEGER PRIMARY KEY,
    stream TEXT NOT NULL UNIQUE,                 -- UUIDv7 (RFC 9562)
    first_position INTEGER NOT NULL,
    last_position INTEGER,                       -- NULL: the stream is open, appends go here
    acknowledged_through INTEGER NOT NULL DEFAULT 0 CHECK (acknowledged_through >= 0),
    sent_through INTEGER NOT NULL DEFAULT 0,     -- highest number known to have been sent
    state TEXT NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'forked', 'closed')),
    CHECK ((state = 'open') = (last_position IS NULL))
) STRICT;
INSERT INTO streams VALUES(1,'01a23556-a300-7000-8000-000000000008',1,70,12,12,'forked');
INSERT INTO streams VALUES(2,'01a23596-b940-7000-8000-000000000063',71,NULL,0,0,'open');
-- Triggers and indices on  streams
CREATE UNIQUE INDEX one_open_stream ON streams (state) WHERE state = 'open';
CREATE TRIGGER streams_are_written_twice AFTER INSERT ON streams BEGIN
            INSERT OR REPLACE INTO stream_copies VALUES (new.first_position, new.stream);
        END;

-- Table  traffic
DROP TABLE IF EXISTS traffic;
CREATE TABLE traffic (
    day TEXT PRIMARY KEY,
    up_bytes INTEGER NOT NULL,
    down_bytes INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
INSERT INTO traffic VALUES('2026-12-02',1200,300);

-- Table  unit_sets
DROP TABLE IF EXISTS unit_sets;
CREATE TABLE unit_sets (
    number INTEGER PRIMARY KEY,
    layout INTEGER NOT NULL CHECK (layout = 1),  -- 1: payload is a list of numbers, one for each entry of units
    units TEXT NOT NULL UNIQUE                   -- JSON: [["restriction", "kPa"], ["engine_speed", "r/min"]]
) STRICT;
INSERT INTO unit_sets VALUES(1,1,'[["restriction","kPa"],["engine_speed","r/min"]]');

-- For primary key autoincrements the next id to use is stored in
-- sqlite_sequence
DELETE FROM main.sqlite_sequence WHERE name='readings';
INSERT INTO main.sqlite_sequence VALUES ('readings', 75);

-- Database header
pragma user_version=2;
pragma application_id=1668051824;

COMMIT TRANSACTION;
