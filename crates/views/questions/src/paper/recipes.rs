//! For each table of the page the command and the SQL that give the same numbers.
//!
//! The SQL is complete: it names the run by its number and holds every value that the page used, so that it can be put to any SQLite
//! client as it stands. A test of the repository does that. What a formula makes of the counts is not SQL's to say: the formulas are
//! named on the page with their sources.

use super::Case;
use super::rails::Rails;
use crate::Snapshot;
use evidence::model::{ClockFit, Estimator, Latency, LineGrid, Recipe, Section, TimeLine};
use std::fmt::Write as _;

/// What of the page the recipes depend on.
pub(super) struct Shown<'a> {
    pub(super) latency: &'a Latency,
    pub(super) time: &'a TimeLine,
    pub(super) lines: &'a [LineGrid],
    pub(super) clocks: &'a [ClockFit],
    pub(super) rails: &'a Rails,
}

/// A question to this run as it is typed.
pub(super) fn command(case: &Case<'_>, question: &str, more: &str) -> String {
    let (db, run) = (shell_word(case.order.database), shell_word(&case.summary.name));
    let more = if more.is_empty() { String::new() } else { format!(" {more}") };
    format!("flipwitness {question} --db {db} --run {run}{more}")
}

/// A word as a shell takes it.
fn shell_word(word: &str) -> String {
    let plain = |c: char| c.is_ascii_alphanumeric() || "_-./:+%@,=".contains(c);
    if !word.is_empty() && !word.starts_with('-') && word.chars().all(plain) {
        word.to_owned()
    } else {
        format!("'{}'", word.replace('\'', r"'\''"))
    }
}

/// All recipes, in the order of the page.
pub(super) fn all(run: &Snapshot<'_>, case: &Case<'_>, shown: &Shown<'_>) -> Vec<Recipe> {
    let mut recipes = Vec::new();
    let mut add = |section, what: &str, command: Option<String>, sql: Option<String>| {
        recipes.push(Recipe { section, what: what.to_owned(), command, sql });
    };
    let n = run.run;
    let json = |question: &str| Some(command(case, question, "--json"));
    add(Section::Run, "Shots of the run", None, Some(totals(n)));
    add(Section::Run, "Reports of the run", None, Some(reports(n)));
    if let Some(judged) = case.order.judged {
        let more = format!("--criteria {} --json", shell_word(judged.from));
        add(Section::Verdict, "Criteria and verdict", Some(command(case, "verdict", &more)), None);
    }
    add(Section::Machine, "Slots of the machine", None, Some(inventory(n)));
    add(Section::Slots, "All counts, slot by slot", json("slots"), Some(counts(n)));
    add(Section::Slots, "The same from the shots themselves", None, Some(recounted(n)));
    if !shown.latency.curves.is_empty() {
        let by_slot = shown.latency.each == "slot";
        if shown.latency.curves.iter().any(|curve| curve.estimator == Estimator::KaplanMeier) {
            add(
                Section::Latency,
                "Quantiles of latency, where the curve is Kaplan and Meier's",
                None,
                Some(quantiles(n, by_slot)),
            );
        }
        add(Section::Latency, "Latencies as intervals, from which the curves are estimated", None, Some(cells(n)));
    }
    if !shown.time.bins.is_empty() {
        add(Section::Time, "Shots along the time", None, Some(shots_in_time(n, case, shown.time)));
        add(Section::Time, "Orphans along the time", None, Some(orphans_in_time(n, case, shown.time)));
    }
    add(Section::Time, "Gaps, the longest first", json("gaps"), Some(gaps(n)));
    if shown.rails.excursions > 0 {
        add(Section::Time, "Beginnings of excursions of rails, in whole seconds", None, Some(excursions(n)));
    }
    if !shown.lines.is_empty() {
        add(Section::Lines, "Forced lines and outcomes", None, Some(lines(n)));
    }
    add(Section::Misses, "Missed shots", Some(command(case, "shots", "--missed --why")), Some(misses(n)));
    add(Section::Orphans, "Orphans, slot by slot", None, Some(orphans_by_slot(n)));
    add(Section::Orphans, "Orphans", json("orphans"), Some(orphans(n)));
    if !shown.clocks.is_empty() {
        add(Section::ClockAndRails, "Injectors' clocks", Some(command(case, "clock", "--json")), Some(clocks(n)));
    }
    if !shown.rails.shown.is_empty() {
        add(Section::ClockAndRails, "Supply rails", json("rails"), Some(rails(n)));
    }
    add(Section::Method, "What was not counted", None, Some(not_counted(n)));
    add(Section::Method, "Settings of the run", None, Some(format!("SELECT settings FROM run WHERE run = {n};")));
    recipes
}

fn totals(n: i64) -> String {
    format!(
        "SELECT sum(injections) AS injections, sum(shots) AS shots, sum(detected) AS detected, sum(missed) AS missed,
       sum(unknowable) AS unknowable, sum(shots - detected - missed - unknowable) AS open, sum(unsure) AS unsure
FROM slot_total WHERE run = {n};"
    )
}

fn reports(n: i64) -> String {
    format!("SELECT role, sum(reports) AS reports FROM report_total WHERE run = {n} GROUP BY role ORDER BY role;")
}

fn inventory(n: i64) -> String {
    format!(
        "SELECT s.name AS slot, s.controller, s.channel, s.number, s.label, sum(d.size_mb) AS size_mb, min(d.mem_type) AS memory,
       min(d.dev_type) AS devices, count(d.place) AS objects, min(d.edac_mode) AS ecc_stated, s.code AS ecc_assumed
FROM slot s LEFT JOIN dimm d ON d.run = s.run AND d.slot = s.slot
WHERE s.run = {n} GROUP BY s.slot ORDER BY s.slot;"
    )
}

fn counts(n: i64) -> String {
    format!(
        "SELECT s.name AS slot, coalesce(t.missed, 0) AS missed, coalesce(t.watched - t.watched_dangerous + t.missed, 0) AS judged,
       coalesce(t.shots, 0) AS shots, coalesce(t.detected, 0) AS detected,
       coalesce(t.detected - t.watched, 0) AS unwatched, coalesce(t.unknowable, 0) AS unknowable,
       coalesce(t.shots - t.detected - t.missed - t.unknowable, 0) AS open,
       coalesce(t.late, 0) AS late, coalesce(t.misgraded, 0) AS misgraded, coalesce(t.dangerous, 0) AS dangerous,
       coalesce(t.misplaced, 0) AS misplaced, coalesce(t.shared, 0) AS shared, coalesce(t.unsure, 0) AS unsure,
       coalesce(t.echoes, 0) AS echoes, coalesce(o.reports, 0) AS orphans
FROM slot s LEFT JOIN slot_total t ON t.run = s.run AND t.slot = s.slot
LEFT JOIN report_total o ON o.run = s.run AND o.slot = s.slot AND o.role = 'orphan'
WHERE s.run = {n} ORDER BY s.slot;"
    )
}

fn recounted(n: i64) -> String {
    format!(
        "SELECT s.name AS slot, count(*) FILTER (WHERE h.outcome = 'missed') AS missed,
       count(*) FILTER (WHERE h.outcome = 'missed' OR h.outcome = 'detected' AND h.watched AND NOT h.dangerous) AS judged,
       count(*) AS shots, count(*) FILTER (WHERE h.outcome = 'detected') AS detected,
       count(*) FILTER (WHERE h.outcome = 'detected' AND NOT h.watched) AS unwatched,
       count(*) FILTER (WHERE h.outcome = 'unknowable') AS unknowable, count(*) FILTER (WHERE h.outcome IS NULL) AS open,
       sum(h.late) AS late, sum(h.misgraded) AS misgraded, sum(h.dangerous) AS dangerous, sum(h.misplaced) AS misplaced,
       sum(h.shared) AS shared
FROM shot h JOIN slot s ON s.run = h.run AND s.slot = h.slot
WHERE h.run = {n} GROUP BY s.slot ORDER BY s.slot;"
    )
}

/// The smallest latency that so many of a hundred shots did not exceed, the missed ones counted as later than all.
fn quantiles(n: i64, by_slot: bool) -> String {
    let (name, key) = if by_slot { ("s.name AS slot", "s.slot") } else { ("s.controller", "s.controller") };
    let mut columns = String::new();
    for percent in [50, 95, 99] {
        let _ = write!(
            columns,
            ",\n       min(c.to_ns) FILTER (WHERE c.so_far * 100 >= {percent} * t.shots) AS p{percent}_ns"
        );
    }
    format!(
        "WITH total AS (
    SELECT {key} AS place, sum(watched + missed) AS shots, sum(missed) AS missed
    FROM slot_total t JOIN slot s ON s.run = t.run AND s.slot = t.slot WHERE t.run = {n} GROUP BY 1
), counted AS (
    SELECT {key} AS place, c.to_ns, sum(sum(c.watched)) OVER (PARTITION BY {key} ORDER BY c.to_ns) AS so_far
    FROM latency_cell c JOIN slot s ON s.run = c.run AND s.slot = c.slot WHERE c.run = {n} AND c.watched > 0 GROUP BY 1, 2
)
SELECT {name}, t.shots, t.missed{columns}
FROM total t JOIN slot s ON s.run = {n} AND {key} IS t.place LEFT JOIN counted c ON c.place IS t.place
WHERE t.shots > 0 GROUP BY {key} ORDER BY min(s.slot);"
    )
}

fn cells(n: i64) -> String {
    format!(
        "SELECT s.name AS slot, c.from_ns, c.to_ns, c.watched AS shots
FROM latency_cell c JOIN slot s ON s.run = c.run AND s.slot = c.slot
WHERE c.run = {n} AND c.watched > 0 ORDER BY c.slot, c.to_ns, c.from_ns;"
    )
}

/// The bin of a stamp of a boot: what the calendar says, in SQL. Stamps beyond the axis are in its first or last bin.
fn bin(stamp: &str, boot: &str, case: &Case<'_>, time: &TimeLine) -> String {
    let mut shift = format!("CASE {boot}");
    for (number, on_axis) in &case.calendar.boots {
        let _ = write!(shift, " WHEN {number} THEN {}", on_axis.shift_ns.saturating_sub(time.from.0));
    }
    let last = time.bins.len().saturating_sub(1);
    format!("max(0, min({last}, ({stamp} + {shift} END) / {}))", time.bin_ns)
}

fn shots_in_time(n: i64, case: &Case<'_>, time: &TimeLine) -> String {
    format!(
        "SELECT {} AS bin,
       count(*) FILTER (WHERE outcome = 'detected') AS detected, count(*) FILTER (WHERE outcome = 'missed') AS missed,
       count(*) FILTER (WHERE outcome = 'unknowable') AS unknowable, count(*) FILTER (WHERE outcome IS NULL) AS open
FROM shot WHERE run = {n} GROUP BY 1 ORDER BY 1;",
        bin("fired_ns", "boot", case, time)
    )
}

fn orphans_in_time(n: i64, case: &Case<'_>, time: &TimeLine) -> String {
    format!(
        "SELECT {} AS bin, count(*) AS orphans
FROM report WHERE run = {n} AND role = 'orphan' GROUP BY 1 ORDER BY 1;",
        bin("seen_ns", "boot", case, time)
    )
}

fn gaps(n: i64) -> String {
    format!(
        "SELECT source, controller, from_ns, to_ns - from_ns AS length_ns, why
FROM gap WHERE run = {n} ORDER BY length_ns DESC, gap;"
    )
}

fn excursions(n: i64) -> String {
    format!(
        "SELECT t.name AS rail, w.name AS slot, s.boot, s.at_s
FROM rail_second s JOIN rail_total t ON t.boot = s.boot AND t.rail = s.rail JOIN boot b ON b.boot = s.boot
LEFT JOIN slot w ON w.run = b.run AND w.slot = t.slot
WHERE b.run = {n} AND (s.outside > 0 OR s.outside_ns > 0) AND NOT EXISTS (
    SELECT 1 FROM rail_second p
    WHERE p.boot = s.boot AND p.rail = s.rail AND p.at_s = s.at_s - 1 AND (p.outside > 0 OR p.outside_ns > 0))
ORDER BY s.boot, s.at_s, s.rail;"
    )
}

fn lines(n: i64) -> String {
    format!(
        "SELECT s.name AS slot, l.line, l.watched + l.missed AS shots, l.missed
FROM line_total l JOIN slot s ON s.run = l.run AND s.slot = l.slot
WHERE l.run = {n} ORDER BY l.slot, l.line;"
    )
}

fn misses(n: i64) -> String {
    format!(
        "SELECT i.id AS injection, h.shot, s.name AS slot, i.lines, h.boot, h.fired_ns, h.confidence
FROM shot h JOIN injection i ON i.injection = h.injection LEFT JOIN slot s ON s.run = h.run AND s.slot = h.slot
WHERE h.run = {n} AND h.outcome = 'missed' ORDER BY h.injection, h.shot;"
    )
}

fn orphans_by_slot(n: i64) -> String {
    format!(
        "SELECT s.name AS slot, r.reports AS orphans
FROM report_total r LEFT JOIN slot s ON s.run = r.run AND s.slot = r.slot
WHERE r.run = {n} AND r.role = 'orphan' AND r.reports > 0 ORDER BY r.reports DESC, r.slot;"
    )
}

fn orphans(n: i64) -> String {
    format!(
        "SELECT o.report, o.boot, o.seen_ns, s.name AS slot, o.severity, o.count, w.source, w.message,
       iif(w.address IS NULL, NULL, printf('0x%x', w.address)) AS address,
       iif(w.syndrome IS NULL, NULL, printf('0x%x', w.syndrome)) AS syndrome
FROM report o JOIN witness w ON w.witness = o.anchor LEFT JOIN slot s ON s.run = o.run AND s.slot = o.slot
WHERE o.run = {n} AND o.role = 'orphan' ORDER BY o.report;"
    )
}

fn clocks(n: i64) -> String {
    format!(
        "SELECT c.injector, c.boot, c.how, c.ticks + c.pongs AS samples, c.drift_ppb / 1e3 AS drift_ppm,
       c.drift_bound_ppb / 1e3 AS drift_bound_ppm, c.uncertainty_ns / 2 AS known_to_ns, c.jumps + c.resets + c.wraps AS jumps
FROM injector_clock c JOIN boot b ON b.boot = c.boot
WHERE b.run = {n} ORDER BY c.boot, c.injector;"
    )
}

fn rails(n: i64) -> String {
    format!(
        "SELECT t.name AS rail, s.name AS slot, sum(t.readings) AS readings, min(t.min_uv) / 1e3 AS least_mv,
       sum(t.sum_uv) / 1e3 / nullif(sum(t.readings), 0) AS mean_mv, max(t.max_uv) / 1e3 AS most_mv,
       sum(t.outside_ns) AS outside_ns
FROM rail_total t JOIN boot b ON b.boot = t.boot LEFT JOIN slot s ON s.run = b.run AND s.slot = t.slot
WHERE b.run = {n} GROUP BY t.injector, t.name, t.slot ORDER BY min(t.boot * 1000000 + t.rail);"
    )
}

fn not_counted(n: i64) -> String {
    format!(
        "SELECT sum(shots - detected - missed - unknowable) AS open, sum(unknowable) AS unknowable, sum(detected - watched) AS unwatched,
       sum(dangerous) AS dangerous
FROM slot_total WHERE run = {n};"
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_reach_the_program_as_they_are() {
        assert_eq!(shell_word("/var/lib/runs.db"), "/var/lib/runs.db");
        assert_eq!(shell_word("burn in 3"), "'burn in 3'");
        assert_eq!(
            (shell_word("it's"), shell_word("-x"), shell_word("")),
            (r"'it'\''s'".into(), "'-x'".into(), "''".into())
        );
    }
}
