-- Counts the totals anew from the rows themselves. The end of the last step of the schema, and what whoever fills a database by
-- hand (tests, benchmarks) runs afterwards. `totals.rs` adds up the same as it writes.
DELETE FROM slot_total;
INSERT INTO slot_total (run, slot, injections, shots, detected, missed, unknowable, misplaced, misgraded, late, shared,
                        rated, rated_ppb, unsure, guessed,
                        watched, watched_misplaced, watched_misgraded, watched_late,
                        watched_rated, watched_rated_ppb, watched_spread_ppb,
                        latency_least_ns, latency_most_ns, latency_width_ns, dangerous, watched_dangerous, watched_placed)
SELECT run, slot, count(*) FILTER (WHERE shot = 1), count(*), count(*) FILTER (WHERE detected), count(*) FILTER (WHERE outcome = 'missed'),
       count(*) FILTER (WHERE outcome = 'unknowable'), sum(misplaced), sum(misgraded), sum(late), sum(shared),
       count(ppb), coalesce(sum(ppb), 0), count(*) FILTER (WHERE confidence < 0.9), count(*) FILTER (WHERE confidence < 0.5),
       count(*) FILTER (WHERE seen AND detected), count(*) FILTER (WHERE seen AND misplaced), count(*) FILTER (WHERE seen AND misgraded),
       count(*) FILTER (WHERE seen AND late),
       count(ppb) FILTER (WHERE seen), coalesce(sum(ppb) FILTER (WHERE seen), 0),
       coalesce(sum(ppb * (1000000000 - ppb) / 1000000000) FILTER (WHERE seen), 0),
       min(latency_ns) FILTER (WHERE detected), max(latency_ns) FILTER (WHERE detected), max(latency_ns - latency_min_ns) FILTER (WHERE detected), sum(dangerous), count(*) FILTER (WHERE seen AND dangerous),
       count(*) FILTER (WHERE seen AND detected AND blamed_slot IS NOT NULL)
FROM (SELECT *, outcome IS 'detected' AS detected, watched IS 1 AS seen, CAST(round(detected_p * 1e9) AS INTEGER) AS ppb FROM shot)
GROUP BY run, slot;
UPDATE slot_total SET foreseen = told.foreseen, foreseen_ppm = told.ppm
FROM (SELECT run, slot, sum(shots) AS foreseen, sum(shots * seen_ppm) AS ppm FROM injection WHERE seen_ppm IS NOT NULL GROUP BY run, slot) AS told
WHERE slot_total.run = told.run AND slot_total.slot = told.slot;
UPDATE slot_total SET echoes = told.echoes
FROM (SELECT i.run, i.slot, count(*) AS echoes FROM report o JOIN injection i USING (injection) WHERE o.role = 'echo' GROUP BY i.run, i.slot) AS told
WHERE slot_total.run = told.run AND slot_total.slot = told.slot;

-- Latencies with both ends rounded outward to six binary digits, as crate `vocabulary` has it (`latency_cell.rs`): the digits
-- of a number follow from its hexadecimal form.
DELETE FROM latency_cell;
INSERT INTO latency_cell (run, slot, to_ns, from_ns, shots, watched)
WITH ends AS (
    SELECT run, slot, watched IS 1 AS seen, max(0, min(latency_ns, 1 << 62)) AS most,
           max(0, min(coalesce(latency_min_ns, 0), latency_ns, 1 << 62)) AS least
    FROM shot WHERE outcome = 'detected' AND latency_ns IS NOT NULL
), hex AS (
    SELECT *, printf('%x', most) AS most_x, printf('%x', least) AS least_x FROM ends
), spare AS (
    SELECT *, max(0, 4 * length(most_x) - 6 - (most_x < '8') - (most_x < '4') - (most_x < '2')) AS most_drop,
           max(0, 4 * length(least_x) - 6 - (least_x < '8') - (least_x < '4') - (least_x < '2')) AS least_drop
    FROM hex
)
SELECT run, slot, (most + (1 << most_drop) - 1) >> most_drop << most_drop, least >> least_drop << least_drop, count(*), sum(seen)
FROM spare GROUP BY 1, 2, 3, 4;

DELETE FROM line_total;
INSERT INTO line_total (run, slot, line, shots, detected, missed, unknowable, watched)
SELECT run, slot, line.value, sum(shots), sum(detected), sum(missed), sum(unknowable), sum(watched)
FROM (SELECT h.run, h.slot, i.lines, count(*) AS shots, sum(outcome IS 'detected') AS detected, sum(outcome IS 'missed') AS missed,
             sum(outcome IS 'unknowable') AS unknowable, sum(outcome IS 'detected' AND watched IS 1) AS watched
      FROM shot h JOIN injection i USING (injection) GROUP BY h.run, h.slot, i.lines)
JOIN json_each(lines) AS line
GROUP BY run, slot, line.value;

DELETE FROM blame_total;
INSERT INTO blame_total (run, slot, blamed_slot, shots)
SELECT run, slot, blamed_slot, count(*) FROM shot WHERE misplaced > 0 AND blamed_slot IS NOT NULL GROUP BY run, slot, blamed_slot;

DELETE FROM report_total;
INSERT INTO report_total SELECT run, role, coalesce(slot, -1), count(*) FROM report GROUP BY run, role, coalesce(slot, -1);
