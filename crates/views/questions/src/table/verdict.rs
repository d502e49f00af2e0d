//! The table of a verdict: the answer first, then each slot and criterion with its numbers, then the same in sentences.
//!
//! Bounds are rounded so that what is written stays true: lower ones down, upper ones up.

use super::run::heading;
use super::why::folded;
use super::{Set, grid, means, ms, name, percent, with_legend, wrapped};
use crate::{RunSummary, printable};
use verdict::criteria::Method;
use verdict::words;
use verdict::{Bound, Criterion, Finding, Judgement, Value, Verdict};

/// What a run's counts say about the criteria.
#[must_use]
pub fn verdict_table(judgement: &Judgement, run: &RunSummary) -> String {
    let mut out = wrapped(&format!("Verdict: {}", printable(&judgement.sentence)), 4);
    out += &heading(run);
    out += &wrapped(&asked_in_all(judgement), 4);
    out.push('\n');
    if judgement.findings().next().is_some() {
        out += &findings(judgement);
        out += "\nIn words:\n\n";
        for finding in judgement.findings() {
            out += &in_words(finding);
        }
        out.push('\n');
    }
    for caution in &judgement.cautions {
        out += &wrapped(&format!("Mind: {}", printable(caution)), 4);
    }
    with_legend(
        out,
        [
            ("met", "it is shown that the criterion is met"),
            ("not met", "it is shown that it is not"),
            ("not enough", "neither is shown: more evidence is needed"),
            ("found", "the best single guess"),
            (
                "shown",
                "what the counts show with that confidence: it must pass what is asked, and is rounded so that it stays true",
            ),
            (
                "counted",
                "only shots whose whole window was watched are; where pairing is not sure, from the fewest to the most",
            ),
            means::MISSED,
            means::UNKNOWABLE,
            ("misplaced", "reported, but as an error of another slot"),
            means::MISGRADED,
            means::DANGEROUS,
            means::ORPHAN,
            ("cover", "whether there were shots enough at the slot, and at each of its lines"),
        ],
    )
}

/// What holds for all criteria.
fn asked_in_all(judgement: &Judgement) -> String {
    let platform = judgement.criteria.platform.as_deref().map(|p| format!(" for {}", printable(p))).unwrap_or_default();
    let of = if judgement.slots_together {
        "for all statements about the slots together"
    } else {
        "for each slot by itself"
    };
    let when = match judgement.method {
        Method::Fixed => "the number of shots is chosen before the run",
        Method::Sequential => "detection may be asked after every shot",
    };
    format!("Criteria{platform}: confidence {} {of}; {when}.", words::percent(judgement.confidence))
}

fn findings(judgement: &Judgement) -> String {
    let columns = [
        ("slot", Set::Name),
        ("criterion", Set::Word),
        ("verdict", Set::Word),
        ("asked", Set::Number),
        ("found", Set::Number),
        ("shown", Set::Number),
        ("counted", Set::Text),
    ];
    let mut rows = Vec::new();
    for slot in &judgement.slots {
        for (n, finding) in slot.findings.iter().enumerate() {
            let of_slot = if n == 0 { name(Some(&slot.slot)) } else { String::new() };
            let found = finding.estimate.map_or_else(|| "-".to_owned(), |value| guess(finding.unit, value));
            rows.push([
                of_slot,
                plain_words(finding.criterion.word()),
                plain_words(finding.verdict.word()),
                format!("{} {}", sign(is_lower_limit(finding.criterion)), limit(finding)),
                found,
                shown(finding).unwrap_or_else(|| "-".to_owned()),
                counted(finding),
            ]);
        }
    }
    grid(columns, rows)
}

fn in_words(finding: &Finding) -> String {
    let criterion = plain_words(finding.criterion.word());
    let mut out = wrapped(&format!("{}, {criterion}: {}", printable(&finding.slot), printable(&finding.sentence)), 4);
    if finding.verdict != Verdict::Met && bad(finding) > 0 {
        out += &folded(&format!("    ask: {}", finding.ask.command), 9);
    }
    out
}

fn plain_words(word: &str) -> String {
    word.replace('_', " ")
}

/// Whether more is better.
fn is_lower_limit(criterion: Criterion) -> bool {
    matches!(criterion, Criterion::Detection | Criterion::CoverSlot | Criterion::CoverLines)
}

fn sign(is_lower: bool) -> &'static str {
    if is_lower { ">=" } else { "<=" }
}

fn limit(finding: &Finding) -> String {
    match finding.unit {
        "share" => words::percent(finding.limit),
        unit => with_unit(unit, &words::plain(finding.limit)),
    }
}

fn shown(finding: &Finding) -> Option<String> {
    let (value, is_lower) = match finding.used? {
        Bound::Lower => (finding.lower?, true),
        Bound::Upper => (finding.upper?, false),
    };
    let text = match (finding.unit, is_lower) {
        ("share", true) => words::percent_down(value),
        ("share", false) => words::percent_up(value),
        (unit, true) => with_unit(unit, &words::down(value)),
        (unit, false) => with_unit(unit, &words::up(value)),
    };
    Some(format!("{} {text}", sign(is_lower)))
}

fn guess(unit: &str, value: f64) -> String {
    match unit {
        "share" => percent(value),
        "ms" => format!("{} ms", ms((value * 1e6) as i64)),
        "per_hour" => format!("{value:.2} /h"),
        unit => with_unit(unit, &words::plain(value)),
    }
}

fn with_unit(unit: &str, value: &str) -> String {
    match unit {
        "per_hour" => format!("{value} /h"),
        _ if value == "1" => format!("1 {}", unit.trim_end_matches('s')),
        _ => format!("{value} {unit}"),
    }
}

fn number(finding: &Finding, name: &str) -> Option<Value> {
    finding.numbers.iter().find(|n| n.name == name).map(|n| n.value)
}

fn count_of(finding: &Finding, name: &str) -> u64 {
    match number(finding, name) {
        Some(Value::Count(n)) => n,
        _ => 0,
    }
}

/// How many shots or reports speak against it: where none does, there is nothing to look at.
fn bad(finding: &Finding) -> u64 {
    let name = match finding.criterion {
        Criterion::Detection => "missed",
        Criterion::Latency => "beyond_at_most",
        Criterion::Misplaced | Criterion::Misgraded | Criterion::Dangerous => "bad",
        Criterion::Orphans => "orphans",
        Criterion::CoverSlot | Criterion::CoverLines => return 0,
    };
    count_of(finding, name)
}

/// The counts behind it, in a few words.
fn counted(finding: &Finding) -> String {
    let count = |name: &str| count_of(finding, name);
    let between = |least: u64, most: u64| if least == most { most.to_string() } else { format!("{least} to {most}") };
    match finding.criterion {
        Criterion::Detection => {
            let misses = between(count("misses_at_least"), count("misses_at_most"));
            format!("{misses} of {} missed", count("counted"))
        }
        Criterion::Latency => {
            let beyond = between(count("beyond_at_least"), count("beyond_at_most"));
            format!("{beyond} of {} not in time", count("counted"))
        }
        Criterion::Misplaced | Criterion::Misgraded | Criterion::Dangerous => {
            format!("{} of {}", count("bad"), count("counted"))
        }
        Criterion::Orphans => {
            let hours = match number(finding, "watched") {
                Some(Value::Real(hours)) => hours,
                _ => 0.0,
            };
            format!("{} in {} h", count("orphans"), words::down(hours))
        }
        Criterion::CoverSlot => words::count(count("counted"), "shot", "shots"),
        Criterion::CoverLines => format!("{} of {}", count("covered"), words::count(count("asked"), "line", "lines")),
    }
}
