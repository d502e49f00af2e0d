-- From version 2 to 3: the injector's clock, supply rails, what the ECC code lets a working machine report, kept latencies.

-- The injector's clock ------------------------------------------------------------------------------------------------------

-- Pings that an injector answered: the four stamps of RFC 5905 section 8, two on either clock.
CREATE TABLE exchange (
    exchange   INTEGER PRIMARY KEY,
    boot       INTEGER NOT NULL REFERENCES boot,
    injector   TEXT    NOT NULL,
    sent_ns    INTEGER NOT NULL,                -- right before the ping was written
    received   INTEGER NOT NULL,                -- the injector's counter as the ping came in
    ticks      INTEGER NOT NULL,                -- its counter as the pong went out
    arrived_ns INTEGER NOT NULL                 -- when the pong arrived
) STRICT;

-- What is known of each injector's clock, one row for each boot, counted since the daemon was last started.
CREATE TABLE injector_clock (
    boot            INTEGER NOT NULL REFERENCES boot,
    injector        TEXT    NOT NULL,
    how             TEXT    NOT NULL CHECK (how IN ('two-way', 'one-way', 'arrival')),
    at_ns           INTEGER NOT NULL,           -- its last line
    uncertainty_ns  INTEGER,                    -- how wide a time of its clock was then
    round_trip_ns   INTEGER,                    -- the shortest of a ping
    drift_ppb       INTEGER,                    -- its clock is fast by so many parts per billion; NULL: not measured yet
    drift_bound_ppb INTEGER,                    -- the truth is within this of drift_ppb, or of 0
    ticks           INTEGER NOT NULL,
    pongs           INTEGER NOT NULL,
    resets          INTEGER NOT NULL,
    wraps           INTEGER NOT NULL,
    jumps           INTEGER NOT NULL,
    contradictions  INTEGER NOT NULL,
    queue_p50_ns    INTEGER,                    -- how long its lines were on their way beyond the fastest ones
    queue_p95_ns    INTEGER,
    queue_max_ns    INTEGER,
    PRIMARY KEY (boot, injector)
) STRICT, WITHOUT ROWID;

-- Supply rails --------------------------------------------------------------------------------------------------------------

-- Each rail that an injector has read in a boot: its limits and its sums. The row is replaced as readings come.
CREATE TABLE rail_total (
    boot             INTEGER NOT NULL REFERENCES boot,
    rail             INTEGER NOT NULL,          -- number within the boot, from 0, in order of first readings
    injector         TEXT    NOT NULL,
    name             TEXT    NOT NULL,          -- in upper case
    slot             INTEGER,                   -- that it feeds, if it feeds one
    min_limit_uv     INTEGER,                   -- NULL: no limits are known
    max_limit_uv     INTEGER,
    limits_of_vdd    INTEGER NOT NULL,          -- 1: they move with VDD, and the two above are those at its nominal value
    absolute_min_uv  INTEGER,                   -- beyond these the module may be damaged
    absolute_max_uv  INTEGER,
    limits_from      TEXT,                      -- where the limits come from, in words
    readings         INTEGER NOT NULL,          -- without late ones
    late             INTEGER NOT NULL,          -- readings older than the newest one when they came
    sum_uv           INTEGER NOT NULL,
    min_uv           INTEGER NOT NULL,          -- late ones included
    max_uv           INTEGER NOT NULL,
    covered_ns       INTEGER NOT NULL,          -- for how long a reading held
    outside          INTEGER NOT NULL,          -- readings outside the limits
    outside_ns       INTEGER NOT NULL,          -- for how long such a reading held
    excursions       INTEGER NOT NULL,
    longest_ns       INTEGER NOT NULL,
    excursion_ns     INTEGER NOT NULL,          -- of the excursion that is not over
    first_outside_ns INTEGER,
    first_ns         INTEGER NOT NULL,
    last_ns          INTEGER NOT NULL,
    last_uv          INTEGER NOT NULL,
    last_outside     INTEGER NOT NULL,
    PRIMARY KEY (boot, rail)
) STRICT, WITHOUT ROWID;

-- The same by whole seconds of the boot's clock; only seconds in which something was read or held.
CREATE TABLE rail_second (
    boot       INTEGER NOT NULL REFERENCES boot,
    rail       INTEGER NOT NULL,
    at_s       INTEGER NOT NULL,
    readings   INTEGER NOT NULL,
    sum_uv     INTEGER NOT NULL,
    min_uv     INTEGER NOT NULL,                -- of what was read or held in the second
    max_uv     INTEGER NOT NULL,
    covered_ns INTEGER NOT NULL,
    outside    INTEGER NOT NULL,
    outside_ns INTEGER NOT NULL,
    PRIMARY KEY (boot, rail, at_s)
) STRICT, WITHOUT ROWID;

-- The readings that versions 1 and 2 kept one by one stay in the table `rail`, which is not added to any more. They are summed up here,
-- without limits, and without a time that they held.
CREATE TEMP TABLE old_rail AS
SELECT boot, dense_rank() OVER (PARTITION BY boot ORDER BY first) - 1 AS number, injector, name, slot, uv, at_ns, last_uv
FROM (SELECT *, min(rail) OVER one AS first, first_value(uv) OVER (one ORDER BY at_ns DESC, rail DESC) AS last_uv
      FROM (SELECT rail, boot, injector, upper(trim(name)) AS name, slot, at_ns, CAST(round(millivolts * 1000) AS INTEGER) AS uv
            FROM rail WHERE millivolts BETWEEN -1e6 AND 1e6)
      WINDOW one AS (PARTITION BY boot, injector, name, slot));
INSERT INTO rail_total
SELECT boot, number, injector, name, slot, NULL, NULL, 0, NULL, NULL, NULL, count(*), 0, sum(uv), min(uv), max(uv), 0, 0, 0, 0, 0, 0,
       NULL, min(at_ns), max(at_ns), max(last_uv), 0
FROM old_rail GROUP BY boot, number;
INSERT INTO rail_second
SELECT boot, number, at_ns / 1000000000 - (at_ns % 1000000000 < 0), count(*), sum(uv), min(uv), max(uv), 0, 0, 0
FROM old_rail GROUP BY 1, 2, 3;
DROP TABLE old_rail;

CREATE VIEW rails_told AS
SELECT r.name AS run, s.name AS slot, t.name AS rail, t.injector, t.min_limit_uv / 1e3 AS min_limit_mv,
       t.max_limit_uv / 1e3 AS max_limit_mv, t.limits_from, t.readings, t.min_uv / 1e3 AS min_mv,
       round(1.0 * t.sum_uv / nullif(t.readings, 0) / 1e3, 3) AS mean_mv, t.max_uv / 1e3 AS max_mv,
       t.covered_ns / 1e9 AS covered_s, t.outside_ns / 1e9 AS outside_s, t.excursions, t.longest_ns / 1e9 AS longest_s,
       strftime('%Y-%m-%dT%H:%M:%fZ', (p.wall_ns + t.first_outside_ns - p.mono_ns) / 1e9, 'unixepoch') AS first_outside
FROM rail_total t
JOIN boot b USING (boot)
JOIN run r USING (run)
LEFT JOIN slot s ON s.run = b.run AND s.slot = t.slot
LEFT JOIN clock_pair p ON p.boot = t.boot AND p.mono_ns = (SELECT max(mono_ns) FROM clock_pair q WHERE q.boot = t.boot);

-- What the code allows ------------------------------------------------------------------------------------------------------

-- Shares and probabilities are in whole millionths.
ALTER TABLE injection ADD COLUMN code TEXT;                -- the ECC code that the following was worked out from; NULL: the sender or the configuration said it, or nobody knows
ALTER TABLE injection ADD COLUMN corrected_ppm INTEGER;    -- of the reports that a working machine gives, the share that says corrected; NULL: not known
ALTER TABLE injection ADD COLUMN miscorrected_ppm INTEGER NOT NULL DEFAULT 0; -- of those that say corrected, the share that is a miscorrection
ALTER TABLE injection ADD COLUMN seen_ppm INTEGER;         -- probability that a shot makes an error that is read and reported; NULL: not known
ALTER TABLE injection ADD COLUMN syndromes TEXT;           -- JSON array of what the code can give; NULL: not known
UPDATE injection SET corrected_ppm = CASE expect WHEN 'corrected' THEN 1000000 ELSE 0 END WHERE expect IS NOT NULL;

ALTER TABLE slot ADD COLUMN code TEXT;                     -- the ECC code that the slot is taken to have; NULL: nobody knows

-- The report says corrected, and the code more likely than not took several wrong bits for another one: the data are wrong then.
ALTER TABLE shot ADD COLUMN dangerous INTEGER NOT NULL DEFAULT 0;
CREATE INDEX shot_dangerous ON shot (run, slot) WHERE dangerous > 0;

-- A missed shot is looked into by the orphans behind its window, which may be few among many reports. Only orphans pay for it.
CREATE INDEX report_orphan ON report (run, boot, seen_ns) WHERE role = 'orphan';

ALTER TABLE slot_total ADD COLUMN dangerous INTEGER NOT NULL DEFAULT 0;
ALTER TABLE slot_total ADD COLUMN watched_dangerous INTEGER NOT NULL DEFAULT 0;
ALTER TABLE slot_total ADD COLUMN watched_placed INTEGER NOT NULL DEFAULT 0; -- watched detections whose report names a slot
ALTER TABLE slot_total ADD COLUMN foreseen INTEGER NOT NULL DEFAULT 0;     -- shots of which seen_ppm is known
ALTER TABLE slot_total ADD COLUMN foreseen_ppm INTEGER NOT NULL DEFAULT 0; -- the sum of their seen_ppm

-- Kept latencies ------------------------------------------------------------------------------------------------------------

-- 1 if everything that could have seen the shot was watching through its whole window: without a report it would have been missed.
-- 0 if it would have been unknowable, so that counting it would flatter the rate. NULL while open.
ALTER TABLE shot ADD COLUMN watched INTEGER;
UPDATE shot SET watched = outcome = 'missed' WHERE outcome <> 'detected';
-- What pairing would have said of those detected under version 2, from what the database has.
WITH setting AS MATERIALIZED (
    SELECT run, json_extract(settings, '$.window_ns') AS window_ns,
           max(json_extract(settings, '$.feed_late_ns'), json_extract(settings, '$.fuse_ns'),
               json_extract(settings, '$.counter_interval_ns') + json_extract(settings, '$.counter_grace_ns')) AS late_ns
    FROM run
)
UPDATE shot SET watched = coalesce(i.arrived_ns - shot.fired_ns <= r.late_ns, 1) AND NOT EXISTS (
    SELECT 1 FROM gap g
    WHERE g.boot = shot.boot AND g.source <> 'feed' AND g.to_ns >= shot.fired_ns
      AND coalesce(g.from_ns <= shot.fired_to_ns + i.hold_us * 1000 + r.window_ns, 1)
      AND coalesce(g.controller = s.controller, 1))
FROM injection i JOIN setting r ON r.run = i.run LEFT JOIN slot s ON s.run = i.run AND s.slot = i.slot
WHERE i.injection = shot.injection AND shot.outcome = 'detected';

-- Questions count nothing and sort no latency any more: what is below has what they needed these for, and every settled shot
-- had to pay for them.
DROP INDEX shot_by_slot;
DROP INDEX shot_misplaced;

ALTER TABLE slot_total ADD COLUMN watched INTEGER NOT NULL DEFAULT 0;            -- detected shots that were watched
ALTER TABLE slot_total ADD COLUMN watched_misplaced INTEGER NOT NULL DEFAULT 0;  -- of these
ALTER TABLE slot_total ADD COLUMN watched_misgraded INTEGER NOT NULL DEFAULT 0;
ALTER TABLE slot_total ADD COLUMN watched_late INTEGER NOT NULL DEFAULT 0;
ALTER TABLE slot_total ADD COLUMN watched_rated INTEGER NOT NULL DEFAULT 0;      -- detected or missed, watched, with a detected_p
ALTER TABLE slot_total ADD COLUMN watched_rated_ppb INTEGER NOT NULL DEFAULT 0;  -- the sum of their detected_p in billionths
ALTER TABLE slot_total ADD COLUMN watched_spread_ppb INTEGER NOT NULL DEFAULT 0; -- the sum of p (1 - p), each rounded down to a billionth
ALTER TABLE slot_total ADD COLUMN echoes INTEGER NOT NULL DEFAULT 0;             -- further reports of the slot's detected shots
ALTER TABLE slot_total ADD COLUMN latency_least_ns INTEGER;                      -- of the detected shots, to the nanosecond
ALTER TABLE slot_total ADD COLUMN latency_most_ns INTEGER;
ALTER TABLE slot_total ADD COLUMN latency_width_ns INTEGER;                      -- the greatest distance of latency_min_ns and latency_ns

-- The latencies of the detected shots, counted in cells: each between latency_min_ns rounded down to six binary digits and
-- latency_ns rounded up to six, so that no latency is told to be shorter than it was, and none longer by 1/32 of itself.
CREATE TABLE latency_cell (
    run     INTEGER NOT NULL,
    slot    INTEGER NOT NULL,
    to_ns   INTEGER NOT NULL,
    from_ns INTEGER NOT NULL,
    shots   INTEGER NOT NULL,
    watched INTEGER NOT NULL,                   -- of these
    PRIMARY KEY (run, slot, to_ns, from_ns)
) STRICT, WITHOUT ROWID;

-- Shots by the lines that they forced; a shot counts for each of its lines.
CREATE TABLE line_total (
    run        INTEGER NOT NULL,
    slot       INTEGER NOT NULL,
    line       TEXT    NOT NULL,
    shots      INTEGER NOT NULL,
    detected   INTEGER NOT NULL,
    missed     INTEGER NOT NULL,
    unknowable INTEGER NOT NULL,
    watched    INTEGER NOT NULL,                -- of the detected
    PRIMARY KEY (run, slot, line)
) STRICT, WITHOUT ROWID;

-- Misplaced shots whose report names a slot.
CREATE TABLE blame_total (
    run         INTEGER NOT NULL,
    slot        INTEGER NOT NULL,               -- that was shot at
    blamed_slot INTEGER NOT NULL,
    shots       INTEGER NOT NULL,
    PRIMARY KEY (run, slot, blamed_slot)
) STRICT, WITHOUT ROWID;

-- Late reports --------------------------------------------------------------------------------------------------------------

-- What an orphan's syndrome says: lines forced on its slot are known to give it, or none of them. NULL: nothing is known.
ALTER TABLE report ADD COLUMN looks_like TEXT CHECK (looks_like IN ('late report', 'unknown fingerprint'));
-- For a late report, the last shot of these lines that nothing was said of, where there is one.
ALTER TABLE report ADD COLUMN late_injection INTEGER;
ALTER TABLE report ADD COLUMN late_shot INTEGER;

DROP VIEW orphans_told;
DROP VIEW reports_told;
CREATE VIEW reports_told AS
SELECT r.name AS run, o.report, o.role, s.name AS slot, o.severity, o.count,
       strftime('%Y-%m-%dT%H:%M:%fZ', (p.wall_ns + o.seen_ns - p.mono_ns) / 1e9, 'unixepoch') AS seen,
       i.id AS injection, o.shot, w.source, w.label, w.message, w.detail,
       iif(w.address IS NULL, NULL, printf('0x%x', w.address)) AS address,
       iif(w.syndrome IS NULL, NULL, printf('0x%x', w.syndrome)) AS syndrome, o.witnesses,
       o.looks_like, l.id AS late_injection, o.late_shot
FROM report o
JOIN run r USING (run)
JOIN witness w ON w.witness = o.anchor
LEFT JOIN slot s ON s.run = o.run AND s.slot = o.slot
LEFT JOIN injection i ON i.injection = o.injection
LEFT JOIN injection l ON l.injection = o.late_injection
LEFT JOIN clock_pair p ON p.boot = o.boot AND p.mono_ns = (SELECT max(mono_ns) FROM clock_pair q WHERE q.boot = o.boot);

CREATE VIEW orphans_told AS SELECT * FROM reports_told WHERE role = 'orphan';
