-- From version 2 to 3: the injector's clock, supply rails, what the ECC code lets a working machine report, kept latencies.

-- The injector's clock ------------------------------------------------------------------------------------------------------

-- Supply rails --------------------------------------------------------------------------------------------------------------

-- What the code allows ------------------------------------------------------------------------------------------------------

-- Kept latencies ------------------------------------------------------------------------------------------------------------

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
       printf('0x%x', w.address) AS address, printf('0x%x', w.syndrome) AS syndrome, o.witnesses,
       o.looks_like, l.id AS late_injection, o.late_shot
FROM report o
JOIN run r USING (run)
JOIN witness w ON w.witness = o.anchor
LEFT JOIN slot s ON s.run = o.run AND s.slot = o.slot
LEFT JOIN injection i ON i.injection = o.injection
LEFT JOIN injection l ON l.injection = o.late_injection
LEFT JOIN clock_pair p ON p.boot = o.boot AND p.mono_ns = (SELECT max(mono_ns) FROM clock_pair q WHERE q.boot = o.boot);

CREATE VIEW orphans_told AS SELECT * FROM reports_told WHERE role = 'orphan';
