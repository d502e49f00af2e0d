//! The table of slots.

use super::run::{heading, totals};
use super::{Set, counted, grid, length, means, ms, name, percent, with_legend, wrapped};
use crate::{RunSummary, SlotRow, printable};

/// Latencies that are known no better than this are told so.
const COARSE_NS: i64 = 1_000_000;

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
    out += &behind_the_rates(slots);
    out += &what_could_be_reported(slots);
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
            means::ESTIMATED,
            means::UNSURE,
            means::GUESSED,
            ("chance", "how probable it is that one of the slot's orphans fell into a given shot's window"),
            (
                "accidental",
                "how many of the shots have one there on average: at most so many detections could be chance's",
            ),
            ("corrected", "the detection rate without what chance detected; not estimable where that is nearly all"),
            (
                "ECC code",
                "how the memory controller corrects errors, as the configuration or the kernel's driver says: docs/ecc.md",
            ),
            (
                "be seen",
                "how probable it is that a shot makes an error that is read and reported, on average: from how long lines are forced and how \
                 often the module is read",
            ),
            (
                "latency",
                "from the beginning of the shot to its report: for half of them at most p50, for 99 % at most p99; rounded \
                 up by at most 1/32",
            ),
            means::BLAMED,
            means::MISGRADED,
            means::DANGEROUS,
            means::LATE,
            means::UNWATCHED,
            ("sharing", "one report stands for several shots: the kernel logged one, or a count"),
            means::ECHO,
            means::ORPHAN,
            ("excursion", "a supply rail of the slot was outside its limits: ask flipwitness rails"),
            means::GAP,
        ],
    )
}

/// How far doubt and chance reach into the rates, for the slots where they do; nothing where they do nowhere.
fn behind_the_rates(slots: &[SlotRow]) -> String {
    let shown = |rate: Option<f64>| rate.map_or_else(|| "-".to_owned(), percent);
    let differs = |s: &&SlotRow| {
        // Less than a tenth of a percent is not worth a line.
        let estimate = s.detection_estimate.zip(s.detection_rate).is_some_and(|(e, rate)| (e - rate).abs() >= 0.001);
        s.detected + s.missed > 0 && (s.orphans > 0 || s.doubt.unsure > 0 || estimate)
    };
    let rows: Vec<_> = slots
        .iter()
        .filter(differs)
        .map(|s| {
            let corrected = match (s.chance.chance, s.chance.detection_corrected) {
                (Some(_), None) => "not estimable".to_owned(),
                (_, corrected) => shown(corrected),
            };
            [
                name(Some(&s.slot)),
                shown(s.detection_rate),
                shown(s.detection_estimate),
                corrected,
                s.doubt.unsure.to_string(),
                s.doubt.guessed.to_string(),
                s.chance.orphans_per_hour.map_or_else(|| "-".to_owned(), |rate| format!("{rate:.1}")),
                shown(s.chance.chance),
                s.chance.accidental.map_or_else(|| "-".to_owned(), |n| format!("{n:.2}")),
            ]
        })
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    let columns = [
        ("slot", Set::Name),
        ("detection\nrate", Set::Number),
        ("\nestimated", Set::Number),
        ("\ncorrected", Set::Number),
        ("\nunsure", Set::Number),
        ("\nguessed", Set::Number),
        ("orphans\nan hour", Set::Number),
        ("\nchance", Set::Number),
        ("\naccidental", Set::Number),
    ];
    format!("Where doubt or chance reach into the rates:\n\n{}\n", grid(columns, rows))
}

/// The ECC codes that were gone by, and what they let the shots show; nothing where no code is known.
fn what_could_be_reported(slots: &[SlotRow]) -> String {
    let first = slots.first().and_then(|s| s.code.as_deref());
    if slots.iter().all(|s| s.code.as_deref() == first && s.seen_p.is_none() && s.dangerous == 0) {
        return match first {
            Some(code) => wrapped(&format!("All slots are taken to have the ECC code {}.", printable(code)), 0) + "\n",
            None => String::new(),
        };
    }
    let columns = [
        ("slot", Set::Name),
        ("ECC code", Set::Name),
        ("could\nbe seen", Set::Number),
        ("\nmisgraded", Set::Number),
        ("\ndangerous", Set::Number),
    ];
    let row = |s: &SlotRow| {
        [
            name(Some(&s.slot)),
            name(s.code.as_deref()),
            s.seen_p.map_or_else(|| "-".to_owned(), percent),
            s.misgraded.to_string(),
            s.dangerous.to_string(),
        ]
    };
    format!(
        "What the ECC code of each slot lets its shots show:\n\n{}\n",
        grid(columns, slots.iter().map(row).collect())
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
    if s.dangerous > 0 {
        words.push(format!("{} dangerous", s.dangerous));
    }
    if s.late > 0 {
        words.push(format!("{} late", s.late));
    }
    if s.orphans > 0 {
        words.push(counted(s.orphans, "orphan", "orphans"));
    }
    if let Some(n) = s.supply.rail_excursions.filter(|n| *n > 0) {
        let time = s.supply.rails_outside_ns.filter(|ns| *ns > 0).map(|ns| format!(" ({})", length(ns)));
        words.push(counted(n, "excursion", "excursions") + &time.unwrap_or_default());
    }
    if s.shared > 0 {
        words.push(format!("{} sharing a report", s.shared));
    }
    if s.doubt.unsure > 0 {
        words.push(format!("{} unsure", s.doubt.unsure));
    }
    if s.detected > s.watched {
        words.push(format!("{} unwatched", s.detected - s.watched));
    }
    if s.unknowable > 0 {
        words.push(format!("{} unknowable", s.unknowable));
    }
    if s.open > 0 {
        words.push(format!("{} open", s.open));
    }
    let mut text = match (words.is_empty(), s.shots) {
        (false, _) => words.join(", "),
        (true, 0) => "no shot".to_owned(),
        (true, _) => "nothing: all reported".to_owned(),
    };
    if let Some(width) = s.latency_uncertainty_ns.filter(|width| *width >= COARSE_NS) {
        text += &format!("; latencies known to {} ms", ms(width));
    }
    text
}
