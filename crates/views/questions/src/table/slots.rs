//! The table of slots.

use super::run::{heading, totals};
use super::{Set, counted, grid, means, ms, name, percent, with_legend};
use crate::{RunSummary, SlotRow, printable};

/// What became of the shots at each slot.
#[must_use]
pub fn slots_table(slots: &[SlotRow], run: &RunSummary) -> String {
    let mut out = heading(run);
    if slots.is_empty() {
        return out + "The run knows no slot: no memory controller was seen, and no injection came in.\n";
    }
    let columns = [
        ("slot", Set::Name),
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
        slots
            .iter()
            .map(|s| {
                [
                    name(Some(&s.slot)),
                    s.shots.to_string(),
                    s.detected.to_string(),
                    s.missed.to_string(),
                    s.detection_rate.map_or_else(|| "-".to_owned(), percent),
                    s.latency_ns.map_or_else(|| "-".to_owned(), |l| ms(l.p50)),
                    s.latency_ns.map_or_else(|| "-".to_owned(), |l| ms(l.p99)),
                    what_stands_out(s),
                ]
            })
            .collect(),
    );
    out += "\n";
    out += &totals(run);
    with_legend(
        out,
        [
            means::SHOT,
            means::DETECTED,
            means::MISSED,
            means::UNKNOWABLE,
            means::OPEN,
            ("detection rate", "detected / (detected + missed)"),
            (
                "latency",
                "from the beginning of the shot to its report: for half of them at most p50, for 99 % at most p99",
            ),
            means::BLAMED,
            means::MISGRADED,
            means::LATE,
            ("sharing", "one report stands for several shots: the kernel logged one, or a count"),
            means::ECHO,
            means::ORPHAN,
            means::GAP,
        ],
    )
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
        words.push(format!("{} misgraded", s.misgraded));
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
