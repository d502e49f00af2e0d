-- Counts the totals anew from the rows themselves. The end of the last step, and what whoever fills a database by
-- hand (tests, benchmarks) runs afterwards.
DELETE FROM slot_total;
INSERT INTO slot_total
SELECT run, slot, count(*), 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0,
       coalesce(sum(shots) FILTER (WHERE seen_ppm IS NOT NULL), 0), coalesce(sum(shots * seen_ppm), 0)
FROM injection GROUP BY run, slot;
INSERT INTO slot_total
SELECT run, slot, 0, count(*), count(*) FILTER (WHERE outcome = 'detected'), count(*) FILTER (WHERE outcome = 'missed'),
       count(*) FILTER (WHERE outcome = 'unknowable'), sum(misplaced), sum(misgraded), sum(late), sum(shared),
       count(detected_p), CAST(coalesce(sum(round(detected_p * 1e9)), 0) AS INTEGER),
       count(*) FILTER (WHERE confidence < 0.9), count(*) FILTER (WHERE confidence < 0.5), sum(dangerous), 0, 0
FROM shot WHERE true GROUP BY run, slot
ON CONFLICT (run, slot) DO UPDATE SET
    shots = excluded.shots, detected = excluded.detected, missed = excluded.missed, unknowable = excluded.unknowable,
    misplaced = excluded.misplaced, misgraded = excluded.misgraded, late = excluded.late, shared = excluded.shared,
    rated = excluded.rated, rated_ppb = excluded.rated_ppb, unsure = excluded.unsure, guessed = excluded.guessed, dangerous = excluded.dangerous;
DELETE FROM report_total;
INSERT INTO report_total SELECT run, role, coalesce(slot, -1), count(*) FROM report GROUP BY run, role, coalesce(slot, -1);
