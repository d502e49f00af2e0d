//! The table of gaps.

use super::run::heading;
use super::{Set, counted, date, grid, legend, length, wrapped};
use crate::{GapRow, Listing, RunSummary, printable};

/// When which source was not watching.
#[must_use]
pub fn gaps_table(gaps: &Listing<GapRow>, run: &RunSummary) -> String {
    let mut out = heading(run);
    if gaps.items.is_empty() {
        out += if run.gaps.count == 0 { "No gap: everything was watched.\n" } else { "No gap is like that.\n" };
        return out;
    }
    let columns =
        [("source", Set::Word), ("blind", Set::Word), ("from (UTC)", Set::Word), ("length", Set::Number), ("why", Set::Text)];
    out += &grid(
        columns,
        gaps.items.iter().map(|g| {
            [
                printable(&g.source),
                g.controller.map_or_else(|| "everywhere".to_owned(), |c| format!("mc{c}")),
                date(g.from.as_deref(), g.boot, g.from_ns),
                length(g.length_ns),
                printable(&g.why),
            ]
        }),
    );
    if let Some(next) = &gaps.next {
        out += &format!("More follow: --after {next}\n");
    }
    out += "\n";
    let total = format!(
        "In all: {}; for {} not everything was watched (overlapping gaps count once).",
        counted(run.gaps.count, "gap", "gaps"),
        length(run.gaps.total_ns)
    );
    out += &wrapped(&total, 0);
    out += "\n";
    out + &legend([
        ("source", "what was not watching: a kernel source, the feed, or the daemon as a whole"),
        ("blind", "the memory controller that could not be seen, or everywhere"),
        ("gap", "a shot whose window overlaps it and that nothing reported is unknowable, not missed"),
    ])
}
