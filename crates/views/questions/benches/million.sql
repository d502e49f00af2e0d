-- A run of 1,000,000 shots on 32 slots, made by arithmetic: 1 % missed, 1 % blamed on the neighbour, 0.1 % late, some
-- unknowable, an orphan for every 5,000 shots; latencies from a microsecond to half a second, the lines in no order. For measuring
-- only.
INSERT INTO run VALUES (1, 'million', 'replay', 'bench', '0', '{"window_ns":5000000000}', 1800000000000000000, NULL);
INSERT INTO boot VALUES (1, 1, '00000000-0000-0000-0000-000000000000', '6.12', 0, 1000000000000);
INSERT INTO clock_pair VALUES (1, 0, 1800000000000000000);
WITH RECURSIVE n(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM n WHERE n < 31)
INSERT INTO slot (run, slot, name, label, controller, channel, number, place)
SELECT 1, n, 'S' || n, 'S' || n, n / 8, n / 2 % 4, n % 2, '[' || (n / 2 % 4) || ',' || (n % 2) || ']' FROM n;

WITH RECURSIVE n(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM n WHERE n < 1000000)
INSERT INTO injection (injection, boot, run, injector, id, feed, slot, arrived_ns, lines, hold_us, shots, spacing_us, force, expect, note, line)
SELECT n, 1, 1, 'bench', 'i' || n, 'file', n * 7919 % 32, n * 1000000, '["DQ' || (n / 32 * 31 % 64) || '","CB' || (n / 32 % 8) || '"]', 20, 1, 0, NULL, NULL, NULL,
    '{"type":"injection","id":"i' || n || '","at":"S' || (n * 7919 % 32) || '","lines":["DQ3","DQ4"],"hold_us":20}' FROM n;

INSERT INTO witness SELECT injection, 1, 1, 'mc_event', arrived_ns + 40000000, arrived_ns + 40000000, arrived_ns + 40000000, slot / 8,
    '[' || (slot / 2 % 4) || ',' || (slot % 2) || ']', 'S' || slot, slot, 'corrected', 1, injection * 64, 90, 'read error', '',
    NULL, NULL, NULL, NULL, NULL, NULL, NULL, injection
    FROM injection WHERE injection % 100 <> 7;
INSERT INTO report (run, report, boot, seen_from_ns, seen_ns, slot, severity, count, role, injection, shot, anchor, witnesses)
SELECT 1, w.witness, 1, w.from_ns, w.t_ns, w.slot, 'corrected', 1,
    iif(w.witness % 5000 = 1, 'orphan', 'match'), iif(w.witness % 5000 = 1, NULL, w.witness), iif(w.witness % 5000 = 1, NULL, 1), w.witness, 1
    FROM witness w;

INSERT INTO shot (injection, shot, run, boot, slot, fired_ns, fired_to_ns, outcome, report, latency_min_ns, latency_ns,
                  misplaced, misgraded, late, shared, blamed_slot, margin, confidence, why, detected_p, watched)
SELECT injection, 1, 1, 1, slot, arrived_ns, arrived_ns + 1000,
    CASE WHEN injection % 100 = 7 THEN 'missed' WHEN injection % 5000 = 1 THEN 'unknowable' ELSE 'detected' END,
    iif(injection % 100 = 7 OR injection % 5000 = 1, NULL, injection),
    iif(injection % 100 = 7 OR injection % 5000 = 1, NULL, latency - 1000), iif(injection % 100 = 7 OR injection % 5000 = 1, NULL, latency),
    injection % 100 = 9, 0, injection % 1000 = 11, 0, iif(injection % 100 = 9, (slot + 1) % 32, NULL),
    iif(injection % 5000 = 1, NULL, 5.0), iif(injection % 5000 = 1, NULL, 1.0 - (injection % 13) / 100.0), NULL,
    iif(injection % 5000 = 1, NULL, iif(injection % 100 = 7, 0.05, 0.99)),
    iif(injection % 5000 = 1, 0, injection % 997 <> 3)
    FROM (SELECT *, (injection / 32 * 104729 % 1000 + 1) * (1 << (10 + injection / 32 * 7919 % 10)) AS latency FROM injection);
