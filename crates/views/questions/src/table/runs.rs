//! The table of runs.

use super::run::to_the_second;
use super::{Set, grid, means, name, with_legend};
use crate::{RunRow, printable};

/// The runs of a database.
#[must_use]
pub fn runs_table(runs: &[RunRow]) -> String {
    if runs.is_empty() {
        return "The database holds no run yet.\n".to_owned();
    }
    let columns = [
        ("run", Set::Name),
        ("kind", Set::Word),
        ("host", Set::Name),
        ("began\nUTC", Set::Word),
        ("ended\nUTC", Set::Word),
        ("shots", Set::Number),
        ("missed", Set::Number),
        ("orphans", Set::Number),
    ];
    let out = grid(
        columns,
        runs.iter()
            .map(|r| {
                [
                    printable(&r.name),
                    r.kind.clone(),
                    name(r.host.as_deref()),
                    to_the_second(&r.started),
                    r.ended.as_deref().map_or_else(|| "not ended".to_owned(), to_the_second),
                    r.shots.to_string(),
                    r.missed.to_string(),
                    r.orphans.to_string(),
                ]
            })
            .collect(),
    );
    with_legend(
        out,
        [
            ("run", "one burn-in on one machine, from start to stop; the newest stands first"),
            ("kind", "watch: a real machine; rehearse: a simulated one; replay: a recording"),
            ("not ended", "still going on, or cut off by a crash"),
            means::MISSED,
            means::ORPHAN,
        ],
    )
}
