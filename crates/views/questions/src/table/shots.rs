//! The table of shots.

use super::run::{heading, totals};
use super::{Set, date, grid, legend, ms, name_or_dash};
use crate::{Listing, OutcomeWord, RunSummary, ShotRow, printable};

/// Shots and what became of each.
#[must_use]
pub fn shots_table(shots: &Listing<ShotRow>, run: &RunSummary) -> String {
    let mut out = heading(run);
    if shots.items.is_empty() {
        out += if run.totals.shots == 0 { "No shot yet.\n\n" } else { "No shot is like that.\n\n" };
        return out + &totals(run);
    }
    let columns = [
        ("injection", Set::Text),
        ("shot", Set::Number),
        ("slot", Set::Text),
        ("fired (UTC)", Set::Word),
        ("lines", Set::Text),
        ("outcome", Set::Word),
        ("latency\nms", Set::Number),
        ("what else", Set::Text),
    ];
    out += &grid(
        columns,
        shots.items.iter().map(|s| {
            [
                printable(&s.injection),
                s.shot.to_string(),
                name_or_dash(s.slot.as_deref()),
                date(s.fired.as_deref(), s.boot, s.fired_ns),
                printable(&s.lines.join(" ")),
                s.outcome.word().to_owned(),
                s.latency_ns.map_or_else(|| "-".to_owned(), ms),
                what_else(s),
            ]
        }),
    );
    if let Some(next) = &shots.next {
        out += &format!("More follow: --after {next}\n");
    }
    out += "\n";
    out += &totals(run);
    out += "\n";
    out + &legend([
        ("shot", "one time in which the injector really forced lines; an injection may order several"),
        ("outcome", "detected: a report fits; missed: none came although everything was watched;"),
        ("", "unknowable: not everything was watched; open: reports may still come"),
        ("latency", "from the shot to its report, as far as it is proven"),
    ])
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
            (Some(severity), Some(expect)) => format!("{severity} instead of {expect}"),
            (Some(severity), None) => format!("{severity}, not as expected"),
            _ => "of another severity than expected".to_owned(),
        });
    }
    if s.late {
        words.push("late".to_owned());
    }
    if s.shared {
        words.push("shares its report".to_owned());
    }
    if let Some(why) = &s.why {
        words.push(printable(why));
    }
    if let (OutcomeWord::Detected, Some(report)) = (s.outcome, s.report) {
        words.push(format!("report {report}"));
    }
    words.join(", ")
}
