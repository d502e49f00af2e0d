//! The table of gaps.

use super::run::heading;
use super::{Set, counted, dates, grid, length, with_legend, wrapped};
use crate::{GapRow, Listing, RunSummary, printable};

/// When which source was not watching.
#[must_use]
pub fn gaps_table(gaps: &Listing<GapRow>, run: &RunSummary) -> String {
    let mut out = heading(run);
    if gaps.items.is_empty() {
        out += if run.gaps.count == 0 { "No gap: everything was watched.\n" } else { "No gap is like that.\n" };
        return out;
    }
    let (from, from_cells) = dates("from", gaps.items.iter().map(|g| (g.from.as_deref(), g.boot, g.from_ns)));
    let columns = [
        ("source", Set::Name),
        ("blind", Set::Word),
        (from.as_str(), Set::Word),
        ("length", Set::Number),
        ("why", Set::Text),
    ];
    out += &grid(
        columns,
        gaps.items
            .iter()
            .zip(from_cells)
            .map(|(g, from)| {
                [
                    printable(&g.source),
                    g.controller.map_or_else(|| "everywhere".to_owned(), |c| format!("mc{c}")),
                    from,
                    length(g.length_ns),
                    printable(&g.why),
                ]
            })
            .collect(),
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
    with_legend(
        out,
        [
            ("source", "what was not watching: a kernel source, a feed, or the daemon as a whole"),
            ("blind", "the memory controller that could not be seen, or everywhere"),
            ("gap", "a shot whose window overlaps it, and that nothing reported, is unknowable and not missed"),
        ],
    )
}
