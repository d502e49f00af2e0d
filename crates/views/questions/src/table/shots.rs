//! The table of shots.

use super::run::{heading, totals};
use super::{Set, dates, grid, means, ms, name, with_legend};
use crate::{Listing, OutcomeWord, RunSummary, ShotRow, printable};

/// Shots and what became of each.
#[must_use]
pub fn shots_table(shots: &Listing<ShotRow>, run: &RunSummary) -> String {
    let mut out = heading(run);
    if shots.items.is_empty() {
        out += if run.totals.shots == 0 { "No shot yet.\n\n" } else { "No shot is like that.\n\n" };
        return out + &totals(run);
    }
    let (fired, fired_cells) = dates("fired", shots.items.iter().map(|s| (s.fired.as_deref(), s.boot, s.fired_ns)));
    let columns = [
        ("injection", Set::Name),
        ("shot", Set::Number),
        ("slot", Set::Name),
        (fired.as_str(), Set::Word),
        ("lines", Set::Name),
        ("outcome", Set::Word),
        ("latency\nms", Set::Number),
        ("known to\nms", Set::Number),
        ("what else", Set::Text),
    ];
    out += &grid(
        columns,
        shots
            .items
            .iter()
            .zip(fired_cells)
            .map(|(s, fired)| {
                [
                    printable(&s.injection),
                    s.shot.to_string(),
                    name(s.slot.as_deref()),
                    fired,
                    printable(&s.lines.join(" ")),
                    s.outcome.word().to_owned(),
                    s.latency_ns.map_or_else(|| "-".to_owned(), ms),
                    s.latency_uncertainty_ns.map_or_else(|| "-".to_owned(), ms),
                    what_else(s),
                ]
            })
            .collect(),
    );
    if let Some(next) = &shots.next {
        out += &format!("More follow: --after {next}\n");
    }
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
            means::ESTIMATED,
            means::UNSURE,
            means::GUESSED,
            means::LATENCY,
            means::KNOWN_TO,
            means::BLAMED,
            means::MISGRADED,
            means::DANGEROUS,
            means::LATE,
            means::UNWATCHED,
            ("shares", "its report stands for several shots: the kernel logged one, or a count"),
            means::ECHO,
            means::ORPHAN,
            means::GAP,
        ],
    )
}

/// Everything about a shot that is not as it should be, and the report to look at.
fn what_else(s: &ShotRow) -> String {
    let mut words = Vec::new();
    if s.misplaced {
        words.push(match &s.blamed_slot {
            Some(slot) => format!("blamed on {}", printable(slot)),
            None => "blamed on another place".to_owned(),
        });
    }
    if s.misgraded {
        words.push(match (&s.severity, &s.expect) {
            (Some(severity), expect) => {
                let expect =
                    expect.as_deref().unwrap_or(if severity == "corrected" { "not corrected" } else { "corrected" });
                format!("misgraded: {severity}, expected {expect}")
            }
            (None, _) => "misgraded".to_owned(),
        });
    }
    if s.dangerous {
        words.push("dangerous".to_owned());
    }
    if s.late {
        words.push("late".to_owned());
    }
    if s.shared {
        words.push("shares its report".to_owned());
    }
    if (s.outcome, s.watched) == (OutcomeWord::Detected, Some(false)) {
        words.push("unwatched".to_owned());
    }
    match s.confidence {
        Some(confidence) if confidence < 0.5 => words.push("guessed".to_owned()),
        Some(confidence) if confidence < 0.9 => words.push(format!("unsure ({:.0} %)", confidence * 100.0)),
        _ => {}
    }
    if let Some(why) = &s.why {
        words.push(printable(why));
    }
    if let (OutcomeWord::Detected, Some(report)) = (s.outcome, s.report) {
        words.push(format!("report {report}"));
    }
    words.join(", ")
}
