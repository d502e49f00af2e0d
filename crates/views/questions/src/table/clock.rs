//! The table of the injectors' clocks.

use super::run::heading;
use super::{Set, grid, ms, with_legend, wrapped};
use crate::{ClockRow, RunSummary, printable};

/// How each injector's times are put on the kernel's clock.
#[must_use]
pub fn clock_table(clocks: &[ClockRow], run: &RunSummary) -> String {
    let mut out = heading(run);
    if clocks.is_empty() {
        return out + "No injector has said anything yet.\n";
    }
    let columns = [
        ("injector", Set::Name),
        ("clock", Set::Word),
        ("known\nto ms", Set::Number),
        ("drift\nppm", Set::Number),
        ("ticks", Set::Number),
        ("pongs", Set::Number),
        ("resets", Set::Number),
        ("wraps", Set::Number),
        ("jumps", Set::Number),
        ("queue\np50 ms", Set::Number),
        ("queue\np95 ms", Set::Number),
    ];
    let dash = || "-".to_owned();
    let drift = |c: &ClockRow| match (c.drift_ppm, c.drift_bound_ppm) {
        (Some(drift), Some(bound)) => format!("{drift:+.1}\n+-{bound:.1}"),
        (None, Some(bound)) => format!("+-{bound:.0}"),
        _ => dash(),
    };
    out += &grid(
        columns,
        clocks
            .iter()
            .map(|c| {
                [
                    name(c, clocks),
                    c.how.clone(),
                    c.uncertainty_ns.map_or_else(dash, ms),
                    drift(c),
                    c.ticks.to_string(),
                    c.pongs.to_string(),
                    c.resets.to_string(),
                    c.wraps.to_string(),
                    c.jumps.to_string(),
                    c.queue_ns.map_or_else(dash, |queue| ms(queue.p50)),
                    c.queue_ns.map_or_else(dash, |queue| ms(queue.p95)),
                ]
            })
            .collect(),
    );
    out += "\n";
    for c in clocks {
        out += &wrapped(&format!("{}: {}.", name(c, clocks).replace('\n', " "), c.means), 4);
    }
    with_legend(
        out,
        [
            ("two-way", "it answers pings: nothing is assumed of how long lines need"),
            ("one-way", "its ticks alone: the fastest line shows the clock, the rest shows the queue"),
            ("arrival", "it tells nothing of its clock: the time of a line is when it arrived"),
            ("known to", "how wide the interval is in which a time of its clock lies"),
            ("drift", "its clock is fast by so many parts per million (slow: -), give or take what stands below"),
            ("queue", "what half, and what 95 of 100, of its lines needed beyond the fastest ones"),
        ],
    )
}

/// The injector, and the boot where there are several.
fn name(c: &ClockRow, all: &[ClockRow]) -> String {
    let name = printable(&c.injector);
    if all.iter().all(|other| other.boot == c.boot) { name } else { format!("{name}\n(boot {})", c.boot) }
}
