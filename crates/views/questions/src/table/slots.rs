//! The table of slots.

use super::run::{heading, totals};
use super::{Set, counted, grid, legend, ms, percent};
use crate::{RunSummary, SlotRow, printable};

/// What became of the shots at each slot.
#[must_use]
pub fn slots_table(slots: &[SlotRow], run: &RunSummary) -> String {
    let mut out = heading(run);
    if slots.is_empty() {
        return out + "The run knows no slot: no memory controller was seen, and no injection came in.\n";
    }
    let columns = [
        ("slot", Set::Text),
        ("shots", Set::Number),
        ("detected", Set::Number),
        ("missed", Set::Number),
        ("detection\nrate", Set::Number),
        ("latency\np50 ms", Set::Number),
        ("latency\np99 ms", Set::Number),
        ("what stands out", Set::Text),
    ];
    out += &grid(
        columns,
        slots.iter().map(|s| {
            [
                printable(&s.slot),
                s.shots.to_string(),
                s.detected.to_string(),
                s.missed.to_string(),
                s.detection_rate.map_or_else(|| "-".to_owned(), percent),
                s.latency_ns.map_or_else(|| "-".to_owned(), |l| ms(l.p50)),
                s.latency_ns.map_or_else(|| "-".to_owned(), |l| ms(l.p99)),
                what_stands_out(s),
            ]
        }),
    );
    out += "\n";
    out += &totals(run);
    out += "\n";
    out + &legend([
        ("shot", "one time in which the injector really forced lines at this slot"),
        ("detected", "the kernel reported an error that fits the shot"),
        ("missed", "it reported none although everything was watched: reporting does not work here"),
        ("unknowable", "not everything was watched, so the shot counts neither as detected nor as missed"),
        ("open", "reports may still come"),
        ("rate", "detected / (detected + missed)"),
        ("latency", "from the shot to its report: half were at most p50, 99 % at most p99"),
        ("orphan", "a report that blames this slot and that no shot explains: perhaps the module itself fails"),
    ])
}

/// In words, the worst first; an engineer reads this column and no other.
fn what_stands_out(s: &SlotRow) -> String {
    let mut words = Vec::new();
    if s.missed > 0 {
        words.push(format!("{} missed", s.missed));
    }
    let mut unnamed = s.misplaced;
    for blamed in &s.blamed_on {
        words.push(format!("{} blamed on {}", blamed.shots, printable(&blamed.slot)));
        unnamed -= blamed.shots;
    }
    if unnamed > 0 {
        words.push(format!("{unnamed} blamed on another place"));
    }
    if s.misgraded > 0 {
        words.push(format!("{} of another severity than expected", s.misgraded));
    }
    if s.late > 0 {
        words.push(format!("{} late", s.late));
    }
    if s.orphans > 0 {
        words.push(counted(s.orphans, "orphan", "orphans"));
    }
    if s.shared > 0 {
        words.push(format!("{} sharing a report", s.shared));
    }
    if s.unknowable > 0 {
        words.push(format!("{} unknowable", s.unknowable));
    }
    if s.open > 0 {
        words.push(format!("{} open", s.open));
    }
    match (words.is_empty(), s.shots) {
        (false, _) => words.join(", "),
        (true, 0) => "no shot".to_owned(),
        (true, _) => "nothing: all reported".to_owned(),
    }
}
