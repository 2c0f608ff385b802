-- A spool of schema version 3, as its program left it and SQLite's shell dumps it: readings 1..75 in two
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
    kind TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (
json_array(number, boot, since_boot_us, utc_us, uncertainty_us, kind)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (
copy IS json_array(number, boot, since_boot_us, utc_us, uncertainty_us, kind)) VIRTUAL
) STRICT;
INSERT INTO anchors VALUES(1,1,3600000000,1796191200000000,50000,'server');

-- Table  boots
DROP TABLE IF EXISTS boots;
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
INSERT INTO boots VALUES(1,'boot-1',1,3600000000,1796191200000000);
INSERT INTO boots VALUES(2,'boot-2',61,NULL,1796195400000000);

-- Table  events
DROP TABLE IF EXISTS events;
CREATE TABLE events (
    number INTEGER PRIMARY KEY,
    stream INTEGER NOT NULL REFERENCES streams (number),
    at_seq INTEGER NOT NULL,
    event TEXT NOT NULL,
    detail TEXT NOT NULL DEFAULT '{}',
    copy TEXT GENERATED ALWAYS AS (json_array(number, stream, at_seq, event, detail)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(number, stream, at_seq, event, detail)) VIRTUAL
) STRICT;
INSERT INTO events VALUES(1,1,61,'key_on','{}');
INSERT INTO events VALUES(2,2,1,'stream_opened','{"reason": "stream_forked", "before": "01a23556-a300-7000-8000-000000000008"}');
-- Triggers and indices on  events
CREATE INDEX events_by_number ON events (stream, at_seq);

-- Table  notes
DROP TABLE IF EXISTS notes;
CREATE TABLE notes (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(name, value)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(name, value)) VIRTUAL
) STRICT, WITHOUT ROWID;
INSERT INTO notes VALUES('budget_bytes','1048576');
INSERT INTO notes VALUES('device','"grader-07-intake"');
INSERT INTO notes VALUES('installation','"01a23556-a300-7000-8000-000000000007"');

-- Table  placements
DROP TABLE IF EXISTS placements;
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
INSERT INTO placements VALUES(1,1,1796187600000000,0,3600000000,51000,100000,'server');
-- Triggers and indices on  placements
CREATE INDEX placements_by_position ON placements (first_position);

-- Table  readings
DROP TABLE IF EXISTS readings;
CREATE TABLE readings (
    position INTEGER PRIMARY KEY,
    boot INTEGER REFERENCES boots (number),
    time_us INTEGER NOT NULL,
    uncertainty_s REAL,
    unit_set INTEGER NOT NULL REFERENCES unit_sets (number),
    payload TEXT NOT NULL,
    sum INTEGER
) STRICT;
INSERT INTO readings VALUES(1,NULL,1796191210000000,NULL,1,'[0.01,1]',-1080348692);
INSERT INTO readings VALUES(2,NULL,1796191220000000,NULL,1,'[0.02,2]',-2016059298);
INSERT INTO readings VALUES(3,NULL,1796191230000000,NULL,1,'[0.03,3]',-1875170770);
INSERT INTO readings VALUES(4,NULL,1796191240000000,NULL,1,'[0.04,4]',-63786043);
INSERT INTO readings VALUES(5,NULL,1796191250000000,NULL,1,'[0.05,5]',-945788110);
INSERT INTO readings VALUES(6,NULL,1796191260000000,NULL,1,'[0.06,6]',284827306);
INSERT INTO readings VALUES(7,NULL,1796191270000000,NULL,1,'[0.07,7]',174482176);
INSERT INTO readings VALUES(8,NULL,1796191280000000,NULL,1,'[0.08,8]',116709071);
INSERT INTO readings VALUES(9,NULL,1796191290000000,NULL,1,'[0.09,9]',-2122520572);
INSERT INTO readings VALUES(10,NULL,1796191300000000,NULL,1,'[0.1,10]',-1498926620);
INSERT INTO readings VALUES(11,NULL,1796191310000000,NULL,1,'[0.11,11]',-1967585976);
INSERT INTO readings VALUES(12,NULL,1796191320000000,NULL,1,'[0.12,12]',-1002054739);
INSERT INTO readings VALUES(13,NULL,1796191330000000,NULL,1,'[0.13,13]',1989802232);
INSERT INTO readings VALUES(14,NULL,1796191340000000,NULL,1,'[0.14,14]',1152587015);
INSERT INTO readings VALUES(15,NULL,1796191350000000,NULL,1,'[0.15,15]',-160393321);
INSERT INTO readings VALUES(16,NULL,1796191360000000,NULL,1,'[0.16,16]',664908482);
INSERT INTO readings VALUES(17,NULL,1796191370000000,NULL,1,'[0.17,17]',1606569270);
INSERT INTO readings VALUES(18,NULL,1796191380000000,NULL,1,'[0.18,18]',-1171107777);
INSERT INTO readings VALUES(19,NULL,1796191390000000,NULL,1,'[0.19,19]',2035317413);
INSERT INTO readings VALUES(25,NULL,1796191450000000,NULL,1,'[0.25,25]',-950374701);
INSERT INTO readings VALUES(26,NULL,1796191460000000,NULL,1,'[0.26,26]',1208325877);
INSERT INTO readings VALUES(27,NULL,1796191470000000,NULL,1,'[0.27,27]',-490594288);
INSERT INTO readings VALUES(28,NULL,1796191480000000,NULL,1,'[0.28,28]',-984719201);
INSERT INTO readings VALUES(29,NULL,1796191490000000,NULL,1,'[0.29,29]',95612176);
INSERT INTO readings VALUES(30,NULL,1796191500000000,NULL,1,'[0.3,30]',637152918);
INSERT INTO readings VALUES(31,NULL,1796191510000000,NULL,1,'[0.31,31]',-1070734865);
INSERT INTO readings VALUES(32,NULL,1796191520000000,NULL,1,'[0.32,32]',-805457285);
INSERT INTO readings VALUES(33,NULL,1796191530000000,NULL,1,'[0.33,33]',-1007511587);
INSERT INTO readings VALUES(34,NULL,1796191540000000,NULL,1,'[0.34,34]',-1422904410);
INSERT INTO readings VALUES(35,NULL,1796191550000000,NULL,1,'[0.35,35]',1403545993);
INSERT INTO readings VALUES(36,NULL,1796191560000000,NULL,1,'[0.36,36]',-759898769);
INSERT INTO readings VALUES(37,NULL,1796191570000000,NULL,1,'[0.37,37]',-254301960);
INSERT INTO readings VALUES(38,NULL,1796191580000000,NULL,1,'[0.38,38]',-261827045);
INSERT INTO readings VALUES(39,NULL,1796191590000000,NULL,1,'[0.39,39]',-536877064);
INSERT INTO readings VALUES(40,NULL,1796191600000000,NULL,1,'[0.4,40]',1597346202);
INSERT INTO readings VALUES(41,1,3600000000,NULL,1,'[0.41,41]',-1506304392);
INSERT INTO readings VALUES(42,1,3600000000,NULL,1,'[0.42,42]',-2036725042);
INSERT INTO readings VALUES(43,1,3600000000,NULL,1,'[0.43,43]',-596197668);
INSERT INTO readings VALUES(44,1,3600000000,NULL,1,'[0.44,44]',1656750187);
INSERT INTO readings VALUES(45,1,3600000000,NULL,1,'[0.45,45]',855169512);
INSERT INTO readings VALUES(46,1,3600000000,NULL,1,'[0.46,46]',475706709);
INSERT INTO readings VALUES(47,1,3600000000,NULL,1,'[0.47,47]',1225313928);
INSERT INTO readings VALUES(48,1,3600000000,NULL,1,'[0.48,48]',1844686578);
INSERT INTO readings VALUES(49,1,3600000000,NULL,1,'[0.49,49]',-1883266645);
INSERT INTO readings VALUES(50,1,3600000000,NULL,1,'[0.5,50]',1318798632);
INSERT INTO readings VALUES(51,1,3600000000,NULL,1,'[0.51,51]',115917698);
INSERT INTO readings VALUES(52,1,3600000000,NULL,1,'[0.52,52]',-1887288572);
INSERT INTO readings VALUES(53,1,3600000000,NULL,1,'[0.53,53]',-264622474);
INSERT INTO readings VALUES(54,1,3600000000,NULL,1,'[0.54,54]',1975260569);
INSERT INTO readings VALUES(55,1,3600000000,NULL,1,'[0.55,55]',-764207299);
INSERT INTO readings VALUES(56,1,3600000000,NULL,1,'[0.56,56]',-601642793);
INSERT INTO readings VALUES(57,1,3600000000,NULL,1,'[0.57,57]',1251284383);
INSERT INTO readings VALUES(58,1,3600000000,NULL,1,'[0.58,58]',1274952903);
INSERT INTO readings VALUES(59,1,3600000000,NULL,1,'[0.59,59]',-94697369);
INSERT INTO readings VALUES(60,1,3600000000,NULL,1,'[0.6,60]',1798887652);
INSERT INTO readings VALUES(61,2,0,NULL,1,'[0.61,61]',1221518161);
INSERT INTO readings VALUES(62,2,0,NULL,1,'[0.62,62]',1122066292);
INSERT INTO readings VALUES(63,2,0,NULL,1,'[0.63,63]',1724407574);
INSERT INTO readings VALUES(64,2,0,NULL,1,'[0.64,64]',1522685221);
INSERT INTO readings VALUES(65,2,0,NULL,1,'[0.65,65]',-1886843384);
INSERT INTO readings VALUES(66,2,0,NULL,1,'[0.66,66]',-428675540);
INSERT INTO readings VALUES(67,2,0,NULL,1,'[0.67,67]',2078310397);
INSERT INTO readings VALUES(68,2,0,NULL,1,'[0.68,68]',-1259799377);
INSERT INTO readings VALUES(69,2,0,NULL,1,'[0.69,69]',-278694274);
INSERT INTO readings VALUES(70,2,0,NULL,1,'[0.7,70]',-520379840);
INSERT INTO readings VALUES(71,NULL,1796191910000000,NULL,1,'[0.71,71]',-934702945);
INSERT INTO readings VALUES(72,NULL,1796191920000000,NULL,1,'[0.72,72]',-363785836);
INSERT INTO readings VALUES(73,NULL,1796191930000000,NULL,1,'[0.73,73]',1417622965);
INSERT INTO readings VALUES(74,NULL,1796191940000000,NULL,1,'[0.74,74]',-1069755855);
INSERT INTO readings VALUES(75,NULL,1796191950000000,NULL,1,'[0.75,75]',-975679851);

-- Table  shed
DROP TABLE IF EXISTS shed;
CREATE TABLE shed (
    stream INTEGER NOT NULL REFERENCES streams (number),
    first INTEGER NOT NULL,
    last INTEGER NOT NULL CHECK (last >= first),
    reason TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(stream, first, last, reason)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(stream, first, last, reason)) VIRTUAL,
    PRIMARY KEY (stream, first)
) STRICT, WITHOUT ROWID;
INSERT INTO shed VALUES(1,20,24,'disk_budget');

-- Table  source_marks
DROP TABLE IF EXISTS source_marks;
CREATE TABLE source_marks (
    source TEXT PRIMARY KEY,
    mark TEXT NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(source, mark)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(source, mark)) VIRTUAL
) STRICT, WITHOUT ROWID;
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
    down_bytes INTEGER NOT NULL,
    copy TEXT GENERATED ALWAYS AS (json_array(day, up_bytes, down_bytes)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(day, up_bytes, down_bytes)) VIRTUAL
) STRICT, WITHOUT ROWID;
INSERT INTO traffic VALUES('2026-12-02',1200,300);

-- Table  unit_sets
DROP TABLE IF EXISTS unit_sets;
CREATE TABLE unit_sets (
    number INTEGER PRIMARY KEY,
    layout INTEGER NOT NULL CHECK (layout = 1),
    units TEXT NOT NULL UNIQUE,
    copy TEXT GENERATED ALWAYS AS (json_array(number, layout, units)) STORED,
    is_whole INTEGER GENERATED ALWAYS AS (copy IS json_array(number, layout, units)) VIRTUAL
) STRICT;
INSERT INTO unit_sets VALUES(1,1,'[["restriction","kPa"],["engine_speed","r/min"]]');

-- Database header
pragma user_version=3;
pragma application_id=1668051824;

COMMIT TRANSACTION;
