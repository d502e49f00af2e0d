//! The table of runs.

use super::{Set, grid, legend, name_or_dash, plain_date};
use crate::{RunRow, printable};

/// The runs of a database.
#[must_use]
pub fn runs_table(runs: &[RunRow]) -> String {
    if runs.is_empty() {
        return "The database holds no run yet.\n".to_owned();
    }
    let columns = [
        ("run", Set::Text),
        ("kind", Set::Word),
        ("host", Set::Text),
        ("began (UTC)", Set::Word),
        ("ended (UTC)", Set::Word),
        ("shots", Set::Number),
        ("missed", Set::Number),
        ("orphans", Set::Number),
    ];
    let short = |date: &str| plain_date(date.split('.').next().unwrap_or(date));
    let mut out = grid(
        columns,
        runs.iter().map(|r| {
            [
                printable(&r.name),
                r.kind.clone(),
                name_or_dash(r.host.as_deref()),
                short(&r.started),
                r.ended.as_deref().map_or_else(|| "not ended".to_owned(), short),
                r.shots.to_string(),
                r.missed.to_string(),
                r.orphans.to_string(),
            ]
        }),
    );
    out += "\n";
    out + &legend([
        ("run", "one burn-in on one machine, from start to stop; the newest stands first"),
        ("kind", "watch: a real machine; rehearse: a simulated one; replay: a recording"),
        ("not ended", "still going on, or cut off by a crash"),
    ])
}
