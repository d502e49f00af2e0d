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

-- The widest latency of each slot's detected shots: how far apart its least and its greatest value are.
CREATE TABLE latency_width (
    run      INTEGER NOT NULL,
    slot     INTEGER NOT NULL,
    width_ns INTEGER NOT NULL,
    PRIMARY KEY (run, slot)
) STRICT, WITHOUT ROWID;
INSERT INTO latency_width
SELECT run, slot, max(latency_ns - latency_min_ns) FROM shot
WHERE outcome = 'detected' AND latency_ns IS NOT NULL AND latency_min_ns IS NOT NULL GROUP BY run, slot;

-- Supply rails --------------------------------------------------------------------------------------------------------------

-- What the code allows ------------------------------------------------------------------------------------------------------

-- Kept latencies ------------------------------------------------------------------------------------------------------------
