//! Shots with their likely causes: not a table but a paragraph a shot, since evidence takes room.

use super::run::{heading, totals};
use super::{WIDTH, date, means, ms, wrapped};
use crate::{Cause, Listing, RunSummary, ShotRow, printable};

/// Shots, and below each the likely causes with their evidence, the likeliest first.
#[must_use]
pub fn why_table(shots: &Listing<ShotRow>, run: &RunSummary) -> String {
    let mut out = heading(run);
    if shots.items.is_empty() {
        out += if run.totals.shots == 0 { "No shot yet.\n\n" } else { "No shot is like that.\n\n" };
    }
    for shot in &shots.items {
        out += &title(shot);
        match &shot.causes {
            None => {
                out += "  nothing to look into: only misses are, and shots that a machine-check record alone tells of\n"
            }
            Some(causes) if causes.is_empty() => out += "  no cause is known here\n",
            Some(causes) => {
                for (n, cause) in (1..).zip(causes) {
                    out += &paragraph(n, cause);
                }
            }
        }
        out.push('\n');
    }
    if let Some(next) = &shots.next {
        out += &format!("More follow: --after {next}\n\n");
    }
    out += &totals(run);
    out.push('\n');
    for (word, means) in [
        means::MISSED,
        ("likely", "something was seen that this cause leaves behind, and little else does"),
        ("possible", "what was seen fits, and may fit other causes too"),
        ("cannot be excluded", "nothing speaks for it but that it can be so on this machine"),
    ] {
        out += &wrapped(&format!("{word:18}  {means}"), 20);
    }
    out
}

fn title(shot: &ShotRow) -> String {
    let slot = shot.slot.as_deref().unwrap_or("a slot that is not known");
    let latency = shot.latency_ns.map(|ns| format!(" after {} ms", ms(ns))).unwrap_or_default();
    let lines = if shot.lines.is_empty() { String::new() } else { format!(", {}", shot.lines.join(" ")) };
    let text = format!(
        "{} shot {} at {slot}{lines}, {}: {}{latency}",
        shot.injection,
        shot.shot,
        date(shot.fired.as_deref(), shot.boot, shot.fired_ns),
        shot.outcome.word()
    );
    folded(&text, 2)
}

fn paragraph(n: usize, cause: &Cause) -> String {
    let mut out = folded(&format!("  {n}. {}: {} [{}]", cause.strength.words(), cause.what, cause.word), 5);
    for evidence in &cause.evidence {
        out += &folded(&format!("     - {}: {}", evidence.fact, evidence.value), 7);
    }
    out += &folded(&format!("     see {}", cause.source), 9);
    out
}

/// Text that came from outside made safe, in lines that fit: the first begins with as many spaces as the text does, the others
/// with `indent`. A word that is longer than a line is cut.
pub(super) fn folded(text: &str, indent: usize) -> String {
    let room = usize::from(WIDTH) - indent;
    let mut width = text.len() - text.trim_start().len();
    let mut out = " ".repeat(width);
    let mut is_first = true;
    for word in printable(text).split_whitespace() {
        let letters: Vec<char> = word.chars().collect();
        for part in letters.chunks(room) {
            if is_first {
                is_first = false;
            } else if width + 1 + part.len() > usize::from(WIDTH) {
                out.push('\n');
                out.push_str(&" ".repeat(indent));
                width = indent;
            } else {
                out.push(' ');
                width += 1;
            }
            out.extend(part);
            width += part.len();
        }
    }
    out.push('\n');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_fit_whatever_they_hold() {
        let text = folded(&format!("  1. {} \u{1b}[31m {}", "abcdefghi ".repeat(20), "x".repeat(300)), 5);
        assert!(text.lines().count() > 4 && text.lines().all(|l| l.chars().count() <= 100), "{text}");
        assert!(text.starts_with("  1. abc") && text.lines().skip(1).all(|l| l.starts_with("     ")), "{text}");
        assert!(!text.contains('\u{1b}'));
    }
}
