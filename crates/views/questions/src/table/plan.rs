//! The table of a plan: what it takes, what the choice is, how far apart and why.

use super::{Set, grid, percent, with_legend, wrapped};
use crate::printable;
use verdict::plan::{InSequence, Plan, Way};
use verdict::words;

/// A plan for people.
#[must_use]
pub fn plan_table(plan: &Plan) -> String {
    let mut out = wrapped(&format!("Plan: {}", printable(&plan.sentence)), 4);
    let decided = plan.decided_by.word().replace('_', " ");
    let sure = words::percent((plan.confidence_per_slot * 1e6).floor() / 1e6);
    out += &wrapped(&format!("Decided by {decided}; each slot's statement has a confidence of {sure}."), 4);
    out.push('\n');
    if !plan.rows.is_empty() {
        out += &rows(plan);
        out.push('\n');
    }
    if let Some(sequential) = &plan.sequential {
        out += &in_sequence(sequential);
        out.push('\n');
    }
    out += "What each criterion needs at each slot:\n\n";
    for need in &plan.needs {
        let criterion = need.criterion.word().replace('_', " ");
        out += &wrapped(&format!("{criterion:11}  {}", need.text), 13);
    }
    out += &format!("\nHow far apart, corrected errors being found {}:\n\n", found_by(plan.setup.way));
    out += &banks(plan);
    out.push('\n');
    out += &wrapped(&sentence(&plan.spacing_reason), 0);
    if let Some(lines) = &plan.lines {
        out += &wrapped(&sentence(&lines.text), 0);
    }
    if let Some(at_once) = plan.setup.at_once {
        out += &wrapped(&format!("The injector reaches {} at once.", words::count(at_once.into(), "slot", "slots")), 0);
    }
    if !plan.notes.is_empty() {
        out.push('\n');
    }
    for note in &plan.notes {
        out += &wrapped(&format!("Note: {}", printable(note)), 4);
    }
    with_legend(
        out,
        [
            ("take", "the shortest of these that a good machine passes as probably as the criteria want it"),
            ("good", "a machine that detects the share detection.good of the criteria"),
            ("limit", "the share detection.at_least of the criteria: a slot that is no better must fail"),
            ("bank", "where corrected errors wait for the kernel: its slots are shot at in turn, banks side by side"),
        ],
    )
}

fn rows(plan: &Plan) -> String {
    let columns = [
        ("", Set::Word),
        ("misses\nallowed", Set::Number),
        ("shots at\neach slot", Set::Number),
        ("shots\nin all", Set::Number),
        ("\nhours", Set::Number),
        ("a good\nslot passes", Set::Number),
        ("all good\nslots pass", Set::Number),
        ("a slot at the\nlimit fails", Set::Number),
    ];
    let share = |share: Option<f64>| share.map_or_else(|| "-".to_owned(), percent);
    let taken = plan.rows.iter().position(|row| row.recommended).unwrap_or(0);
    let rows = plan.rows.iter().enumerate().map(|(n, row)| {
        [
            if n == taken { "take" } else { "" }.to_owned(),
            row.allowed_misses.to_string(),
            row.shots_per_slot.to_string(),
            row.shots.to_string(),
            format!("{:.2}", row.hours),
            share(row.slot_passes_if_good),
            share(row.passes_if_good),
            percent(row.slot_fails_at_limit),
        ]
    });
    grid(columns, rows.collect())
}

fn in_sequence(told: &InSequence) -> String {
    let after: Vec<String> = told.accepts_after.iter().map(u64::to_string).collect();
    let mut text = format!(
        "The sequential test accepts a slot after {} shots with 0, 1, 2, ... misses, and refuses it after more.",
        after.join(", ")
    );
    if let (Some(shots), Some(accepted)) = (told.shots_if_good, told.accepts_if_good) {
        text += &format!(" A good slot takes {shots:.0} shots on average and is accepted with {}.", percent(accepted));
    }
    if let (Some(shots), Some(accepted)) = (told.shots_at_limit, told.accepts_at_limit) {
        text += &format!(" One at the limit takes {shots:.0} and is accepted with {}.", percent(accepted));
    }
    wrapped(&text, 0)
}

fn banks(plan: &Plan) -> String {
    let columns = [
        ("bank", Set::Name),
        ("seconds from shot to shot", Set::Number),
        ("hours", Set::Number),
        ("slots in turn", Set::Text),
    ];
    let rows = plan.banks.iter().map(|bank| {
        let slots: Vec<String> = bank.slots.iter().map(|slot| printable(slot)).collect();
        let seconds = words::plain(bank.spacing_ms as f64 / 1e3);
        [printable(&bank.name), seconds, format!("{:.2}", bank.hours), slots.join(", ")]
    });
    grid(columns, rows.collect())
}

fn found_by(way: Way) -> String {
    match way {
        Way::Interrupt => "by interrupt".to_owned(),
        Way::Polling { every_s } => format!("by polling the banks every {every_s} s"),
        Way::EdacPolling { every_ms } => format!("by EDAC's polling every {every_ms} ms"),
        Way::Firmware => "by firmware".to_owned(),
    }
}

/// With a capital and a full stop.
fn sentence(text: &str) -> String {
    let text = printable(text);
    let mut letters = text.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
    format!("{first}{}.", letters.as_str().trim_end_matches('.'))
}
