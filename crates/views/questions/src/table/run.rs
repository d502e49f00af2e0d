//! What stands above every table (which run this is, and what must be known before its numbers are believed), and the
//! run as a whole.

use super::{counted, date, length, means, percent, plain_date, with_legend, wrapped};
use crate::{RemarkLine, RunSummary, printable};

/// The run's name, machine and time, whether its answers can be trusted, its remarks with the warnings first, and an empty line.
pub(super) fn heading(run: &RunSummary) -> String {
    let mut first = format!("Run {} ({})", printable(&run.name), run.kind);
    if let Some(host) = &run.host {
        first += &format!(" on {}", printable(host));
    }
    if let Some(kernel) = &run.kernel {
        first += &format!(", kernel {}", printable(kernel));
    }
    first += &format!(", began {} UTC", to_the_second(&run.started));
    first += &match (&run.ended, &run.watched_until) {
        (Some(ended), _) => format!(", ended {}", to_the_second(ended)),
        (None, Some(until)) => format!(", not ended; watched until {}", to_the_second(until)),
        (None, None) => ", not ended".to_owned(),
    };
    let caution = run.caution.as_ref().map_or_else(String::new, |text| wrapped(&format!("WARNING: {text}"), 4));
    format!("{}{caution}{}\n", wrapped(&first, 4), remarks(&run.remarks))
}

pub(super) fn to_the_second(rfc3339: &str) -> String {
    let date = plain_date(rfc3339);
    date.split_once('.').map_or(date.clone(), |(whole, _)| whole.to_owned())
}

/// Every text once, since a remark that each start of the daemon repeats says nothing new; warnings first.
fn remarks(all: &[RemarkLine]) -> String {
    let mut out = String::new();
    for level in ["warning", "note"] {
        let of_level: Vec<&RemarkLine> = all.iter().filter(|r| r.level == level).collect();
        let mut told: Vec<&str> = Vec::new();
        for remark in &of_level {
            if told.contains(&remark.text.as_str()) {
                continue;
            }
            told.push(&remark.text);
            let times = of_level.iter().filter(|r| r.text == remark.text).count();
            let again = if times > 1 { format!(" ({times} times, the first at ") } else { " (".to_owned() };
            let at = date(remark.at.as_deref(), remark.boot, remark.at_ns);
            let word = if level == "warning" { "WARNING" } else { "Note" };
            out += &wrapped(&format!("{word}: {}{again}{at})", printable(&remark.text)), 4);
        }
    }
    out
}

/// The totals in one or two sentences; below every table of shots or slots.
pub(super) fn totals(run: &RunSummary) -> String {
    let t = &run.totals;
    let mut text = if t.shots == 0 {
        "In all: no shot yet.".to_owned()
    } else {
        let rate = t
            .detection_rate
            .map_or_else(|| "no detection rate yet".to_owned(), |rate| format!("detection rate {}", percent(rate)));
        let estimate = t.detection_estimate.map_or_else(String::new, |rate| format!(", estimated {}", percent(rate)));
        format!(
            "In all: {} = {} detected + {} missed + {} unknowable + {} open; {rate}{estimate}.",
            counted(t.shots, "shot", "shots"),
            t.detected,
            t.missed,
            t.unknowable,
            t.open
        )
    };
    if t.doubt.unsure > 0 {
        text += &format!(" {}", counted(t.doubt.unsure, "answer is unsure", "answers are unsure"));
        text += &match t.doubt.guessed {
            0 => ".".to_owned(),
            n => format!(", {} of them guessed.", n),
        };
    }
    text += &format!(
        " {}: {} that detected shots, {}, {}",
        counted(t.reports, "report", "reports"),
        t.matches,
        counted(t.echoes, "echo", "echoes"),
        counted(t.orphans, "orphan", "orphans"),
    );
    if t.orphans_without_place > 0 {
        text += &format!(" ({} without a known slot)", t.orphans_without_place);
    }
    text += ". ";
    text += &match run.gaps.count {
        0 => "No gap in what was watched.".to_owned(),
        n => format!("{}: for {} not everything was watched.", counted(n, "gap", "gaps"), length(run.gaps.total_ns)),
    };
    wrapped(&text, 0)
}

/// One run as text: its heading, its boots, its totals.
#[must_use]
pub fn run_text(run: &RunSummary) -> String {
    let mut out = heading(run);
    for boot in &run.boots {
        let first = date(boot.first.as_deref(), boot.boot, boot.first_ns);
        let watched = date(boot.watched.as_deref(), boot.boot, boot.watched_ns);
        out += &wrapped(
            &format!(
                "Boot {} ({}), kernel {}: from {first} to {watched}",
                boot.boot,
                printable(&boot.boot_id),
                printable(&boot.kernel)
            ),
            4,
        );
    }
    out += "\n";
    out += &totals(run);
    let of_boots = ("Boot", "one start of the kernel; stamps of different boots cannot be compared, their dates can");
    with_legend(
        out,
        [
            of_boots,
            means::SHOT,
            means::DETECTED,
            means::MISSED,
            means::UNKNOWABLE,
            means::OPEN,
            means::ESTIMATED,
            means::UNSURE,
            means::GUESSED,
            means::ECHO,
            means::ORPHAN,
            means::GAP,
        ],
    )
}
