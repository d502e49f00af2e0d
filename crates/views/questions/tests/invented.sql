-- An invented burn-in, small enough to check every answer by eye. Nothing in it was ever measured.
--
-- Run 2, burn-in-7, is the newest. Its boot 2 began at 1000 s of the monotonic clock, which was 2027-03-04T05:00:00Z; its boot 3
-- began at 50 s, which was 06:00:00Z. Fired stamps are round, so that a latency can be read off the report's stamp.
INSERT INTO run VALUES
    (1, 'trial', 'rehearse', NULL, '0.1.0', '{}', 1803945600000000000, 1803945620000000000),
    (2, 'burn-in-7', 'watch', 'bench-3', '0.1.0', '{"window_ns":2000000000,"deadline_ns":500000000}', 1804136400000000000, NULL);

INSERT INTO boot VALUES
    (1, 1, '11111111-0000-4000-8000-000000000000', '6.12.9-amd64', 0, 20000000000),
    (2, 2, '22222222-0000-4000-8000-000000000000', '6.12.9-amd64', 1000000000000, 1300000000000),
    (3, 2, '33333333-0000-4000-8000-000000000000', '6.12.9-amd64', 50000000000, 200000000000);
INSERT INTO clock_pair VALUES
    (2, 1000000000000, 1804136400000000000),
    (3, 50000000000, 1804140000000000000);

INSERT INTO remark VALUES
    (1, 2, 1000000000000, 'note', 'watching mc_event and counters'),
    (2, 3, 50000000000, 'note', 'watching mc_event and counters'),
    (3, 3, 50000000000, 'warning', 'no permission to read tracefs: counters only, so latencies are those of the counter reads');

INSERT INTO slot (run, slot, name, label, controller, channel, number, place)
VALUES
    (1, 0, 'A1', 'A1', 0, 0, 0, '[0,0]'),
    (2, 0, 'A1', 'A1', 0, 0, 0, '[0,0]'),
    (2, 1, 'A2', 'A2', 0, 0, 1, '[0,1]'),
    (2, 2, 'B1', 'B1', 0, 1, 0, '[1,0]'),
    (2, 3, 'B2', 'B2', 0, 1, 1, '[1,1]'),
    (2, 4, 'mc#1csrow#2channel#1 + mc#1csrow#3channel#1', 'mc#1csrow#2channel#1 + mc#1csrow#3channel#1', 1, 1, 1, '[2,1]');

-- Slot A1: four shots of one injection, all detected. A2: a miss, an unknowable shot, a detected one. B1: blamed on B2, and late.
-- B2: two shots in one report, one of another severity. Then three shots of a second injector, still open.
INSERT INTO injection (injection, boot, run, injector, id, feed, slot, arrived_ns, lines, hold_us, shots, spacing_us, force, expect, note, line)
VALUES
    (1, 2, 2, 'pulser', 'a-1', 'serial', 0, 1010000000000, '["DQ3"]',        20, 4, 10000000, 'low',  NULL,        NULL, '{"type":"injection","id":"a-1"}'),
    (2, 2, 2, 'pulser', 'a-2', 'serial', 1, 1060000000000, '["DQ3","DQ4"]',  20, 3, 10000000, 'low',  'corrected', NULL, '{"type":"injection","id":"a-2"}'),
    (3, 2, 2, 'pulser', 'a-3', 'serial', 2, 1100000000000, '["CB0"]',        20, 2, 10000000, NULL,   NULL,        NULL, '{"type":"injection","id":"a-3"}'),
    (4, 2, 2, 'pulser', 'a-4', 'serial', 3, 1130000000000, '["DQ0"]',        20, 2,    10000, NULL,   NULL,        NULL, '{"type":"injection","id":"a-4"}'),
    (5, 3, 2, 'pulser', 'a-5', 'serial', 3,   60000000000, '["DQ0","DQ9"]',  20, 1,        0, 'high', 'corrected', NULL, '{"type":"injection","id":"a-5"}'),
    (6, 3, 2, 'second', 'a-1', 'tcp',    3,  199500000000, '["DQ63"]',       20, 3,   100000, NULL,   NULL,        NULL, '{"type":"injection","id":"a-1"}');

INSERT INTO witness VALUES
    ( 1, 2, 2, 'mc_event', 1010041000000, 1010041000000, 1010041000000, 0, '[0,0]', 'A1', 0, 'corrected', 1, 74565, 90, 'read error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 1),
    ( 2, 2, 2, 'mc_event', 1020042000000, 1020042000000, 1020042000000, 0, '[0,0]', 'A1', 0, 'corrected', 1, 74565, 90, 'read error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 2),
    ( 3, 2, 2, 'mc_event', 1030043000000, 1030043000000, 1030043000000, 0, '[0,0]', 'A1', 0, 'corrected', 1, 74565, 90, 'read error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 3),
    ( 4, 2, 2, 'mc_event', 1040090000000, 1040090000000, 1040090000000, 0, '[0,0]', 'A1', 0, 'corrected', 1, 74565, 90, 'read error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 4),
    ( 5, 2, 2, 'counter',  1040000000000, 1040100000000, 1040100000000, 0, '[0,0]', 'A1', 0, 'corrected', 1, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, 5),
    ( 6, 2, 2, 'mc_event', 1080055000000, 1080055000000, 1080055000000, 0, '[0,1]', 'A2', 1, 'corrected', 1, NULL, NULL, 'read error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 6),
    ( 7, 2, 2, 'mc_event', 1100060000000, 1100060000000, 1100060000000, 0, '[1,1]', 'B2', 3, 'corrected', 1, NULL, NULL, 'read error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 7),
    ( 8, 2, 2, 'mc_event', 1110950000000, 1110950000000, 1110950000000, 0, '[0]', 'A1 or A2', NULL, 'corrected', 1, NULL, NULL, 'read error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 8),
    ( 9, 2, 2, 'mc_event', 1130070000000, 1130070000000, 1130070000000, 0, '[1,1]', 'B2', 3, 'corrected', 2, NULL, NULL, 'read error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 9),
    (10, 2, 2, 'mc_event', 1200000000000, 1200000000000, 1200000000000, 0, '[1,1]', 'B2', 3, 'corrected', 0, -4096, 255, 'patrol scrub error', 'rank:1', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 10),
    (11, 2, 2, 'mc_event', 1210000000000, 1210000000000, 1210000000000, 0, '[0]', 'A1 or A2', NULL, 'uncorrected', 1, NULL, NULL, char(27) || '[31mread' || char(7) || ' error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 11),
    (12, 2, 2, 'counter',  1219900000000, 1220000000000, 1220000000000, 1, '[]', NULL, NULL, 'corrected', 3, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, 12),
    (13, 3, 2, 'mc_event', 60080000000, 60080000000, 60080000000, 0, '[1,1]', 'B2', 3, 'uncorrected', 1, NULL, NULL, 'read error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, 13),
    -- A cache error, which no report ever takes in, and a memory error that is not settled yet.
    (14, 3, 2, 'mce_record', 90000000000, 90000000000, 90000000000, NULL, NULL, NULL, NULL, 'corrected', 1, NULL, NULL, NULL, NULL, 1, -4790957014225026764, 0, 3, 77, 0, 0, NULL),
    (15, 3, 2, 'mce_record', 199560000000, 199560000000, 199560000000, NULL, NULL, NULL, NULL, 'corrected', 1, 74565, NULL, NULL, NULL, 8, -8358680633717227376, 0, 3, 0, 0, 0, NULL),
    (16, 3, 2, 'mc_event', 199570000000, 199570000000, 199570000000, 0, '[1,1]', 'B2', 3, 'corrected', 1, NULL, NULL, 'read error', '', NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL);

INSERT INTO report (run, report, boot, seen_from_ns, seen_ns, slot, severity, count, role, injection, shot, anchor,
                    witnesses) VALUES
    (2,  1, 2, 1010041000000, 1010041000000, 0, 'corrected',   1, 'match',  1, 1,  1, 1),
    (2,  2, 2, 1020042000000, 1020042000000, 0, 'corrected',   1, 'match',  1, 2,  2, 1),
    (2,  3, 2, 1030043000000, 1030043000000, 0, 'corrected',   1, 'match',  1, 3,  3, 1),
    (2,  4, 2, 1040090000000, 1040090000000, 0, 'corrected',   1, 'match',  1, 4,  4, 1),
    (2,  5, 2, 1040000000000, 1040100000000, 0, 'corrected',   1, 'echo',   1, 4,  5, 1),
    (2,  6, 2, 1080055000000, 1080055000000, 1, 'corrected',   1, 'match',  2, 3,  6, 1),
    (2,  7, 2, 1100060000000, 1100060000000, 3, 'corrected',   1, 'match',  3, 1,  7, 1),
    (2,  8, 2, 1110950000000, 1110950000000, NULL, 'corrected', 1, 'match', 3, 2,  8, 1),
    (2,  9, 2, 1130070000000, 1130070000000, 3, 'corrected',   2, 'match',  4, 1,  9, 1),
    (2, 10, 2, 1200000000000, 1200000000000, 3, 'corrected',   0, 'orphan', NULL, NULL, 10, 1),
    (2, 11, 2, 1210000000000, 1210000000000, NULL, 'uncorrected', 1, 'orphan', NULL, NULL, 11, 1),
    (2, 12, 2, 1219900000000, 1220000000000, NULL, 'corrected', 3, 'orphan', NULL, NULL, 12, 1),
    (2, 13, 3, 60080000000, 60080000000, 3, 'uncorrected',     1, 'match',  5, 1, 13, 1);

UPDATE report SET looks_like = 'unknown fingerprint' WHERE report = 10;

INSERT INTO shot (injection, shot, run, boot, slot, fired_ns, fired_to_ns, outcome, report, latency_min_ns, latency_ns,
                  misplaced, misgraded, late, shared, blamed_slot, margin, confidence, detected_p, why) VALUES
    (1, 1, 2, 2, 0, 1010000000000, 1010000100000, 'detected',    1,  40900000,  41000000, 0, 0, 0, 0, NULL, 9.5, 0.9999, 0.9999, NULL),
    (1, 2, 2, 2, 0, 1020000000000, 1020000100000, 'detected',    2,  41900000,  42000000, 0, 0, 0, 0, NULL, 9.5, 0.9999, 0.9999, NULL),
    (1, 3, 2, 2, 0, 1030000000000, 1030000100000, 'detected',    3,  42900000,  43000000, 0, 0, 0, 0, NULL, 9.5, 0.9999, 0.9999, NULL),
    (1, 4, 2, 2, 0, 1040000000000, 1040000100000, 'detected',    4,  89900000,  90000000, 0, 0, 0, 0, NULL, 9.5, 0.9999, 0.9999, NULL),
    (2, 1, 2, 2, 1, 1060000000000, 1060000100000, 'missed',   NULL,      NULL,      NULL, 0, 0, 0, 0, NULL, 3.0, 0.952, 0.048, NULL),
    (2, 2, 2, 2, 1, 1070000000000, 1070000100000, 'unknowable', NULL,    NULL,      NULL, 0, 0, 0, 0, NULL, NULL, NULL, NULL, 'mc_event: the ring overran'),
    (2, 3, 2, 2, 1, 1080000000000, 1080000100000, 'detected',    6,  54900000,  55000000, 0, 0, 0, 0, NULL, 5.5, 0.995, 0.996, NULL),
    (3, 1, 2, 2, 2, 1100000000000, 1100000100000, 'detected',    7,  59900000,  60000000, 1, 0, 0, 0, 3,    2.1, 0.89, 0.98, NULL),
    (3, 2, 2, 2, 2, 1110000000000, 1110000100000, 'detected',    8, 949900000, 950000000, 1, 0, 1, 0, NULL, 0.0, 0.0, 0.61, NULL),
    (4, 1, 2, 2, 3, 1130000000000, 1130000100000, 'detected',    9,  69900000,  70000000, 0, 0, 0, 1, NULL, 6.0, 0.997, 0.999, NULL),
    (4, 2, 2, 2, 3, 1130010000000, 1130010100000, 'detected',    9,  59900000,  60000000, 0, 0, 0, 1, NULL, 6.0, 0.997, 0.999, NULL),
    (5, 1, 2, 3, 3,   60000000000,   60000100000, 'detected',   13,  79900000,  80000000, 0, 1, 0, 0, NULL, 7.0, 0.999, 0.999, NULL),
    (6, 1, 2, 3, 3,  199500000000,  199500100000, NULL, NULL, NULL, NULL, 0, 0, 0, 0, NULL, NULL, NULL, NULL, NULL),
    (6, 2, 2, 3, 3,  199600000000,  199600100000, NULL, NULL, NULL, NULL, 0, 0, 0, 0, NULL, NULL, NULL, NULL, NULL),
    (6, 3, 2, 3, 3,  199700000000,  199700100000, NULL, NULL, NULL, NULL, 0, 0, 0, 0, NULL, NULL, NULL, NULL, NULL);

UPDATE shot SET watched = outcome <> 'unknowable';

-- The first two overlap by one second: four seconds in all, and then the reboot.
INSERT INTO gap VALUES
    (1, 2, 2, 'mc_event', NULL, 1069000000000, 1072000000000, 'the ring overran: 12 events lost'),
    (2, 2, 2, 'counter',     0, 1071000000000, 1073000000000, 'the driver of mc0 went away'),
    (3, 3, 2, 'daemon',   NULL,   50000000000,   50020000000, 'the daemon was not running');

-- What pairing knew when it was last kept: in a form of its own, here none.
INSERT INTO checkpoint VALUES
    (2, 1299000000000,       NULL, 13, 4, '0.1.0', x''),
    (3,  199000000000, 1234567890, 15, 5, '0.1.0', x'');

-- Supply rails: VDD of A2 fell below its limits around the miss at 1060 s, VPP of A2 was read late once, and once at 3.1 V; VREFCA of the
-- board was not half of VDD; a rail that nobody has limits for; and after the reboot VDD of A2 again, at its end outside.
INSERT INTO rail_total
    (boot, rail, injector, name, slot, min_limit_uv, max_limit_uv, limits_of_vdd, absolute_min_uv, absolute_max_uv, limits_from,
     readings, late, sum_uv, min_uv, max_uv, covered_ns, outside, outside_ns, excursions, longest_ns, excursion_ns, first_outside_ns,
     first_ns, last_ns, last_uv, last_outside) VALUES
    (2, 0, 'pulser', 'VDD', 1, 1140000, 1260000, 0, -300000, 1500000, 'DDR4: an invented data sheet',
     40, 0, 47980000, 1132000, 1203500, 20000000000, 3, 800000000, 1, 800000000, 0, 1060400000000, 1055000000000, 1075000000000, 1200000, 0),
    (2, 1, 'pulser', 'VPP', 1, 2375000, 2750000, 0, -300000, 3000000, 'DDR4: an invented data sheet',
     9, 1, 23100000, 2490000, 3100000, 4500000000, 2, 600000000, 2, 400000000, 0, 1062000000000, 1055000000000, 1075000000000, 2500000, 0),
    (2, 2, 'pulser', 'VREFCA', NULL, 588000, 612000, 1, NULL, NULL, 'DDR4: 0.49 to 0.51 of VDD, from memory, not checked against a source',
     4, 0, 2380000, 570000, 610000, 2000000000, 1, 500000000, 1, 500000000, 0, 1055500000000, 1055000000000, 1057000000000, 600000, 0),
    (2, 3, 'second', 'V1P8_AUX', NULL, NULL, NULL, 0, NULL, NULL, NULL,
     2, 0, 3602000, 1800500, 1801500, 500000000, 0, 0, 0, 0, 0, NULL, 1055000000000, 1055500000000, 1801500, 0),
    (2, 4, 'pulser', 'VDD', 0, 1140000, 1260000, 0, -300000, 1500000, 'set in the configuration',
     1, 0, 1200000, 1200000, 1200000, 0, 0, 0, 0, 0, 0, NULL, 1055000000000, 1055000000000, 1200000, 0),
    (3, 0, 'pulser', 'VDD', 1, 1140000, 1260000, 0, -300000, 1500000, 'DDR4: an invented data sheet',
     10, 0, 11990000, 1130000, 1201000, 1000000000, 1, 0, 1, 0, 0, 190000000000, 189000000000, 190000000000, 1130000, 1);
INSERT INTO rail_second VALUES
    (2, 0, 1059, 2, 2400000, 1199000, 1201000, 1000000000, 0, 0),
    (2, 0, 1060, 3, 3400000, 1132000, 1200000, 1000000000, 2, 600000000),
    (2, 0, 1061, 3, 3530000, 1133000, 1203500, 1000000000, 1, 200000000),
    (2, 1, 1062, 1, 3100000, 2500000, 3100000, 1000000000, 1, 400000000),
    (2, 1, 1063, 1, 3100000, 2500000, 3100000, 1000000000, 1, 200000000),
    (2, 2, 1055, 2, 1180000, 570000, 610000, 1000000000, 1, 500000000);
-- The first injector answers pings; in the second boot it has not yet, and its line goes over a USB serial bridge. The second
-- injector tells nothing of its clock.
INSERT INTO injector_clock VALUES
    (2, 'pulser', 'two-way', 1290000000000, 1210000, 1150000, 12250, 1800, 290, 62, 1, 2, 1, 0, 90000, 1200000, 9500000),
    (3, 'pulser', 'one-way', 199000000000, 22400000, NULL, NULL, 100021, 149, 0, 0, 0, 0, 0, 7300000, 15700000, 16900000),
    (3, 'second', 'arrival', 199500000000, NULL, NULL, NULL, NULL, 0, 0, 0, 0, 0, 0, NULL, NULL, NULL);
