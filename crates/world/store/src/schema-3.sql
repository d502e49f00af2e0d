-- From version 2 to 3: the injector's clock, supply rails, what the ECC code lets a working machine report, kept latencies.

-- The injector's clock ------------------------------------------------------------------------------------------------------

-- Supply rails --------------------------------------------------------------------------------------------------------------

-- What the code allows ------------------------------------------------------------------------------------------------------

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

