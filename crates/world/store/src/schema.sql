-- The database of flipwitness. Every time ending in _ns without "wall" is CLOCK_MONOTONIC of the boot it belongs to;
-- every *_wall_ns is CLOCK_REALTIME since 1970-01-01 UTC, kept for people and never used for ordering.
-- docs/database.md explains the tables in words; the views at the end are made for people with an SQLite client.

-- One burn-in on one machine, from start to stop; it survives restarts and reboots.
CREATE TABLE run (
    run             INTEGER PRIMARY KEY,
    name            TEXT    NOT NULL UNIQUE,
    kind            TEXT    NOT NULL CHECK (kind IN ('watch', 'rehearse', 'replay')),
    host            TEXT,
    version         TEXT    NOT NULL,           -- of the program that began the run
    settings        TEXT    NOT NULL,           -- JSON: every setting that can change an answer
    started_wall_ns INTEGER NOT NULL,
    ended_wall_ns   INTEGER                     -- NULL while the run goes on, and after a crash
) STRICT;

-- One kernel boot within a run.
CREATE TABLE boot (
    boot        INTEGER PRIMARY KEY,
    run         INTEGER NOT NULL REFERENCES run,
    boot_id     TEXT    NOT NULL,               -- /proc/sys/kernel/random/boot_id
    kernel      TEXT    NOT NULL,
    first_ns    INTEGER NOT NULL,               -- when the run began in this boot
    watched_ns  INTEGER NOT NULL,               -- up to when it is known to have been watched
    UNIQUE (run, boot_id)
) STRICT;

-- Measured pairs of both clocks.
CREATE TABLE clock_pair (
    boot    INTEGER NOT NULL REFERENCES boot,
    mono_ns INTEGER NOT NULL,
    wall_ns INTEGER NOT NULL,
    PRIMARY KEY (boot, mono_ns)
) STRICT, WITHOUT ROWID;

-- What the run must say about itself before its numbers are believed: such as "counters only".
CREATE TABLE remark (
    remark  INTEGER PRIMARY KEY,
    boot    INTEGER NOT NULL REFERENCES boot,
    at_ns   INTEGER NOT NULL,
    level   TEXT    NOT NULL CHECK (level IN ('note', 'warning')),
    text    TEXT    NOT NULL
) STRICT;

-- A DIMM slot. `slot` counts from 0 within a run.
CREATE TABLE slot (
    run        INTEGER NOT NULL REFERENCES run,
    slot       INTEGER NOT NULL,
    name       TEXT    NOT NULL,                -- unique within the run: the label, with numbers where labels are doubled
    label      TEXT    NOT NULL,
    controller INTEGER,
    channel    INTEGER,
    number     INTEGER,                         -- the slot's number within its channel
    place      TEXT    NOT NULL,                -- JSON array: layer positions of its first EDAC object
    PRIMARY KEY (run, slot)
) STRICT, WITHOUT ROWID;

-- One EDAC `dimm` or `rank` object; a slot has several where an object is one rank.
CREATE TABLE dimm (
    run         INTEGER NOT NULL,
    slot        INTEGER NOT NULL,
    controller  INTEGER NOT NULL,
    place       TEXT    NOT NULL,               -- JSON array of layer positions
    layer_kinds TEXT    NOT NULL,               -- JSON array of the kernel's layer words
    label       TEXT    NOT NULL,
    edac_mode   TEXT,
    dev_type    TEXT,
    mem_type    TEXT,
    size_mb     INTEGER,
    rank        INTEGER NOT NULL CHECK (rank IN (0, 1)),
    PRIMARY KEY (run, controller, place),
    FOREIGN KEY (run, slot) REFERENCES slot (run, slot)
) STRICT, WITHOUT ROWID;

-- One order from a feed.
CREATE TABLE injection (
    injection   INTEGER PRIMARY KEY,
    boot        INTEGER NOT NULL REFERENCES boot,
    run         INTEGER NOT NULL,
    injector    TEXT    NOT NULL,               -- the `who` of its hello, or the feed's name
    id          TEXT    NOT NULL,               -- as the injector named it
    feed        TEXT    NOT NULL,
    slot        INTEGER NOT NULL,
    arrived_ns  INTEGER NOT NULL,
    lines       TEXT    NOT NULL,               -- JSON array of JEDEC names
    hold_us     INTEGER NOT NULL,
    shots       INTEGER NOT NULL,
    spacing_us  INTEGER NOT NULL,
    force       TEXT,
    expect      TEXT,                           -- severity that the sender expects
    note        TEXT,
    line        TEXT    NOT NULL,               -- the line as it came, unknown fields and all
    UNIQUE (run, injector, id),
    FOREIGN KEY (run, slot) REFERENCES slot (run, slot)
) STRICT;
CREATE INDEX injection_by_run ON injection (run);

-- One window in which lines were really forced.
CREATE TABLE shot (
    injection      INTEGER NOT NULL REFERENCES injection,
    shot           INTEGER NOT NULL,            -- within the injection, from 1
    run            INTEGER NOT NULL,
    boot           INTEGER NOT NULL,
    slot           INTEGER NOT NULL,
    fired_ns       INTEGER NOT NULL,            -- earliest start of the forcing
    fired_to_ns    INTEGER NOT NULL,            -- latest start of the forcing
    outcome        TEXT CHECK (outcome IN ('detected', 'missed', 'unknowable')), -- NULL while open
    report         INTEGER,                     -- the report that fits
    latency_min_ns INTEGER,
    latency_ns     INTEGER,
    misplaced      INTEGER NOT NULL DEFAULT 0,
    misgraded      INTEGER NOT NULL DEFAULT 0,
    late           INTEGER NOT NULL DEFAULT 0,
    shared         INTEGER NOT NULL DEFAULT 0,
    blamed_slot    INTEGER,
    margin         REAL,
    confidence     REAL,
    why            TEXT,
    PRIMARY KEY (injection, shot)
) STRICT, WITHOUT ROWID;
-- Enough for a slot's counts and quantiles without the rows themselves. latency_ns stands last on purpose: sorting by it would
-- double the price of every settled shot.
CREATE INDEX shot_by_slot ON shot (run, slot, outcome, injection, shot, latency_ns);
-- What stands out is rare. Queries repeat this condition to the letter, since SQLite compares it so.
CREATE INDEX shot_notable ON shot (run) WHERE (outcome <> 'detected' OR misplaced + misgraded + late + shared > 0);
CREATE INDEX shot_open ON shot (run) WHERE outcome IS NULL;

-- One raw observation from one source.
CREATE TABLE witness (
    witness    INTEGER PRIMARY KEY,
    boot       INTEGER NOT NULL,
    run        INTEGER NOT NULL,
    source     TEXT    NOT NULL,                -- mc_event, mce_record, counter
    from_ns    INTEGER NOT NULL,                -- equal to t_ns, but for a counter step
    t_ns       INTEGER NOT NULL,
    known_ns   INTEGER NOT NULL,                -- when the pipeline learned of it: t_ns, unless it came late
    controller INTEGER,
    place      TEXT,                            -- JSON array of layer positions
    label      TEXT,
    slot       INTEGER,                         -- where it names exactly one
    severity   TEXT    NOT NULL,
    count      INTEGER NOT NULL,                -- 0: at least one, number unknown
    address    INTEGER,                         -- unsigned 64 bits kept as signed
    syndrome   INTEGER,
    message    TEXT,
    detail     TEXT,
    bank       INTEGER,
    status     INTEGER,
    misc       INTEGER,
    cpu        INTEGER,
    tsc        INTEGER,
    ipid       INTEGER,
    cpuvendor  INTEGER,
    report     INTEGER                          -- the report it belongs to; NULL while open; 0 if it makes none: not about memory, or explained by a settled report
) STRICT;
CREATE INDEX witness_open ON witness (run, t_ns) WHERE report IS NULL;

-- What the kernel said about one memory error: all witnesses of the same thing, fused.
CREATE TABLE report (
    run       INTEGER NOT NULL,
    report    INTEGER NOT NULL,                 -- from 1 within the run, in the order of settling
    boot      INTEGER NOT NULL,
    seen_from_ns INTEGER NOT NULL,
    seen_ns   INTEGER NOT NULL,
    slot      INTEGER,                          -- where it names exactly one
    severity  TEXT    NOT NULL,
    count     INTEGER NOT NULL,
    role      TEXT    NOT NULL CHECK (role IN ('match', 'echo', 'orphan')),
    injection INTEGER,                          -- the shot that explains it; the first, if it covers several
    shot      INTEGER,
    anchor    INTEGER NOT NULL REFERENCES witness,
    witnesses INTEGER NOT NULL,                 -- how many witnesses were fused
    PRIMARY KEY (run, report)
) STRICT, WITHOUT ROWID;
CREATE INDEX report_by_role ON report (run, role, report, slot);

-- An interval in which a source lost data or was not being read.
CREATE TABLE gap (
    gap        INTEGER PRIMARY KEY,
    boot       INTEGER NOT NULL REFERENCES boot,
    run        INTEGER NOT NULL,
    source     TEXT    NOT NULL,
    controller INTEGER,                         -- the only controller that was blind, if not all were
    from_ns    INTEGER NOT NULL,
    to_ns      INTEGER NOT NULL,
    why        TEXT    NOT NULL
) STRICT;

-- The last value read of each EDAC counter, so that a restart of the daemon does not forget what the counters held.
CREATE TABLE counter (
    boot       INTEGER NOT NULL REFERENCES boot,
    controller INTEGER NOT NULL,
    place      TEXT    NOT NULL,                -- JSON array; [] for errors without a place
    class      TEXT    NOT NULL CHECK (class IN ('corrected', 'not corrected')),
    value      INTEGER NOT NULL,
    read_ns    INTEGER NOT NULL,
    PRIMARY KEY (boot, controller, place, class)
) STRICT, WITHOUT ROWID;

-- The injector's clock and supply readings, as they came.
CREATE TABLE tick (
    tick       INTEGER PRIMARY KEY,
    boot       INTEGER NOT NULL REFERENCES boot,
    injector   TEXT    NOT NULL,
    ticks      INTEGER NOT NULL,
    arrived_ns INTEGER NOT NULL
) STRICT;
CREATE TABLE rail (
    rail       INTEGER PRIMARY KEY,
    boot       INTEGER NOT NULL REFERENCES boot,
    injector   TEXT    NOT NULL,
    name       TEXT    NOT NULL,
    slot       INTEGER,
    millivolts REAL    NOT NULL,
    at_ns      INTEGER NOT NULL
) STRICT;

-- Views for people. Times are dates, slots are names.
CREATE VIEW slots_seen AS
SELECT r.name AS run, s.name AS slot, s.controller, s.channel, s.number, d.label, d.place, d.edac_mode, d.dev_type, d.mem_type, d.size_mb
FROM slot s JOIN run r USING (run) LEFT JOIN dimm d USING (run, slot);

CREATE VIEW shots_told AS
SELECT r.name AS run, i.injector, i.id AS injection, h.shot, s.name AS slot, i.lines,
       strftime('%Y-%m-%dT%H:%M:%fZ', (p.wall_ns + h.fired_ns - p.mono_ns) / 1e9, 'unixepoch') AS fired,
       coalesce(h.outcome, 'open') AS outcome, round(h.latency_ns / 1e6, 3) AS latency_ms, h.report,
       h.misplaced, h.misgraded, h.late, h.shared, b.name AS blamed_slot, h.confidence, h.why
FROM shot h
JOIN injection i USING (injection)
JOIN run r ON r.run = h.run
LEFT JOIN slot s ON s.run = h.run AND s.slot = h.slot
LEFT JOIN slot b ON b.run = h.run AND b.slot = h.blamed_slot
LEFT JOIN clock_pair p ON p.boot = h.boot AND p.mono_ns = (SELECT max(mono_ns) FROM clock_pair q WHERE q.boot = h.boot);

CREATE VIEW reports_told AS
SELECT r.name AS run, o.report, o.role, s.name AS slot, o.severity, o.count,
       strftime('%Y-%m-%dT%H:%M:%fZ', (p.wall_ns + o.seen_ns - p.mono_ns) / 1e9, 'unixepoch') AS seen,
       i.id AS injection, o.shot, w.source, w.label, w.message, w.detail,
       printf('0x%x', w.address) AS address, printf('0x%x', w.syndrome) AS syndrome, o.witnesses
FROM report o
JOIN run r USING (run)
JOIN witness w ON w.witness = o.anchor
LEFT JOIN slot s ON s.run = o.run AND s.slot = o.slot
LEFT JOIN injection i ON i.injection = o.injection
LEFT JOIN clock_pair p ON p.boot = o.boot AND p.mono_ns = (SELECT max(mono_ns) FROM clock_pair q WHERE q.boot = o.boot);

CREATE VIEW orphans_told AS SELECT * FROM reports_told WHERE role = 'orphan';

CREATE VIEW gaps_told AS
SELECT r.name AS run, g.source, g.controller,
       strftime('%Y-%m-%dT%H:%M:%fZ', (p.wall_ns + g.from_ns - p.mono_ns) / 1e9, 'unixepoch') AS since,
       round((g.to_ns - g.from_ns) / 1e6, 3) AS length_ms, g.why
FROM gap g
JOIN run r USING (run)
LEFT JOIN clock_pair p ON p.boot = g.boot AND p.mono_ns = (SELECT max(mono_ns) FROM clock_pair q WHERE q.boot = g.boot);

CREATE VIEW detection AS
SELECT r.name AS run, s.name AS slot, count(h.shot) AS shots,
       count(*) FILTER (WHERE h.outcome = 'detected') AS detected,
       count(*) FILTER (WHERE h.outcome = 'missed') AS missed,
       count(*) FILTER (WHERE h.outcome = 'unknowable') AS unknowable,
       round(1.0 * count(*) FILTER (WHERE h.outcome = 'detected')
             / nullif(count(*) FILTER (WHERE h.outcome IN ('detected', 'missed')), 0), 6) AS detection_rate
FROM slot s JOIN run r USING (run) LEFT JOIN shot h ON h.run = s.run AND h.slot = s.slot
GROUP BY s.run, s.slot;
