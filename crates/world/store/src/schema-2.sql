-- From version 1 to 2: how probable detection was, totals of each slot that are kept as its shots are settled, what the pairing
-- engine leaves behind for a restart, and what the machine showed beside its reports.

-- Probability that any report was about the shot, over all plausible assignments. NULL while open, for an unknowable shot, and
-- for one that was settled under version 1.
ALTER TABLE shot ADD COLUMN detected_p REAL;

-- Each slot's injections and shots, counted: kept in the transaction that stores what is counted.
CREATE TABLE slot_total (
    run        INTEGER NOT NULL,
    slot       INTEGER NOT NULL,
    injections INTEGER NOT NULL,
    shots      INTEGER NOT NULL,
    detected   INTEGER NOT NULL,
    missed     INTEGER NOT NULL,
    unknowable INTEGER NOT NULL,
    misplaced  INTEGER NOT NULL,
    misgraded  INTEGER NOT NULL,
    late       INTEGER NOT NULL,
    shared     INTEGER NOT NULL,
    rated      INTEGER NOT NULL,                -- shots that have a detected_p
    rated_ppb  INTEGER NOT NULL,                -- the sum of their detected_p in billionths: whole numbers add up the same in any order
    unsure     INTEGER NOT NULL,                -- shots whose answer has a confidence below 0.9
    guessed    INTEGER NOT NULL,                -- of these, those below 0.5: more likely wrong than right
    PRIMARY KEY (run, slot)
) STRICT, WITHOUT ROWID;

-- Reports, counted in the same way.
CREATE TABLE report_total (
    run     INTEGER NOT NULL,
    role    TEXT    NOT NULL,
    slot    INTEGER NOT NULL,                   -- that the reports blame; -1: those that name none, or several
    reports INTEGER NOT NULL,
    PRIMARY KEY (run, role, slot)
) STRICT, WITHOUT ROWID;

-- Which slots took the blame, without the shots themselves.
CREATE INDEX shot_misplaced ON shot (run, slot, blamed_slot, misplaced) WHERE misplaced > 0;

-- What the pairing engine knew when it was last kept in this boot, for a daemon that is started again.
CREATE TABLE checkpoint (
    boot           INTEGER PRIMARY KEY REFERENCES boot,
    horizon_ns     INTEGER NOT NULL,            -- up to when it had worked
    spacing_ns     INTEGER,                     -- between shots at one slot, enough to tell their reports apart; NULL: not known yet
    next_witness   INTEGER NOT NULL,            -- it has every witness with a smaller number
    last_injection INTEGER NOT NULL,            -- it has the shots of every injection up to this number
    version        TEXT    NOT NULL,            -- of the program that made it
    state          BLOB    NOT NULL             -- in a form that only the engine reads
) STRICT;

DROP VIEW shots_told;
CREATE VIEW shots_told AS
SELECT r.name AS run, i.injector, i.id AS injection, h.shot, s.name AS slot, i.lines,
       strftime('%Y-%m-%dT%H:%M:%fZ', (p.wall_ns + h.fired_ns - p.mono_ns) / 1e9, 'unixepoch') AS fired,
       coalesce(h.outcome, 'open') AS outcome, round(h.latency_ns / 1e6, 3) AS latency_ms, h.report,
       h.misplaced, h.misgraded, h.late, h.shared, b.name AS blamed_slot, h.confidence, h.detected_p, h.why
FROM shot h
JOIN injection i USING (injection)
JOIN run r ON r.run = h.run
LEFT JOIN slot s ON s.run = h.run AND s.slot = h.slot
LEFT JOIN slot b ON b.run = h.run AND b.slot = h.blamed_slot
LEFT JOIN clock_pair p ON p.boot = h.boot AND p.mono_ns = (SELECT max(mono_ns) FROM clock_pair q WHERE q.boot = h.boot);

DROP VIEW detection;
CREATE VIEW detection AS
SELECT r.name AS run, s.name AS slot, coalesce(t.shots, 0) AS shots, coalesce(t.detected, 0) AS detected,
       coalesce(t.missed, 0) AS missed, coalesce(t.unknowable, 0) AS unknowable,
       round(1.0 * t.detected / nullif(t.detected + t.missed, 0), 6) AS detection_rate,
       round(t.rated_ppb / 1e9 / nullif(t.rated, 0), 6) AS detection_estimate,
       coalesce(t.unsure, 0) AS unsure
FROM slot s JOIN run r USING (run) LEFT JOIN slot_total t ON t.run = s.run AND t.slot = s.slot;

-- What the machine counted beside its reports: one row for each look in which something had moved. All totals are those of the
-- boot, over all CPUs; NULL where the machine shows none.
CREATE TABLE machine_count (
    boot         INTEGER NOT NULL REFERENCES boot,
    at_ns        INTEGER NOT NULL,              -- this look
    from_ns      INTEGER NOT NULL,              -- the look before it; equal to at_ns for the first one of a watch
    mce          INTEGER,                       -- machine-check exceptions
    mcp          INTEGER,                       -- looks of the kernel into the machine-check banks
    thr          INTEGER,                       -- threshold and corrected-error interrupts
    dfr          INTEGER,                       -- deferred-error interrupts
    collected    INTEGER,                       -- errors that the collector of corrected errors took in
    offlined     INTEGER,                       -- pages that it took out of use
    corrupted_kb INTEGER,                       -- memory out of use after errors
    PRIMARY KEY (boot, at_ns)
) STRICT, WITHOUT ROWID;

-- How the machine was set: one row at first, and one for each change.
CREATE TABLE machine_setting (
    boot     INTEGER NOT NULL REFERENCES boot,
    at_ns    INTEGER NOT NULL,
    settings TEXT    NOT NULL,                  -- JSON
    PRIMARY KEY (boot, at_ns)
) STRICT, WITHOUT ROWID;

-- A missed shot is looked into by what was reported around it.
CREATE INDEX report_by_time ON report (run, boot, seen_ns);
CREATE INDEX witness_machine_check ON witness (boot, t_ns) WHERE source = 'mce_record';
