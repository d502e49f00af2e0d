//! The tables of reports and of orphans.

use super::run::heading;
use super::{Set, counted, dates, grid, means, name, with_legend, wrapped};
use crate::{Listing, ReportRow, RoleWord, RunSummary, printable};

/// Reports that no shot explains.
#[must_use]
pub fn orphans_table(orphans: &Listing<ReportRow>, run: &RunSummary) -> String {
    let mut out = heading(run);
    let t = &run.totals;
    if orphans.items.is_empty() {
        out += match (t.orphans, t.reports) {
            (0, 0) => "No orphan: the kernel reported nothing.\n",
            (0, _) => "No orphan: shots explain every report.\n",
            _ => "No orphan is like that.\n",
        };
        return out;
    }
    let (seen, seen_cells) = seen(orphans);
    let columns = [
        ("report", Set::Number),
        ("slot", Set::Name),
        ("errors", Set::Word),
        (seen.as_str(), Set::Word),
        ("looks like", Set::Name),
        ("what the kernel said", Set::Text),
    ];
    let rows = orphans.items.iter().zip(seen_cells);
    out += &grid(
        columns,
        rows.map(|(r, seen)| [number(r), name(r.slot.as_deref()), errors(r), seen, looks_like(r), said(r)]).collect(),
    );
    out += &more(orphans);
    out += "\n";
    let all = counted(t.orphans, "orphan", "orphans");
    let mut total = format!("In all: {all} among {}", counted(t.reports, "report", "reports"));
    if t.orphans_without_place > 0 {
        total += &format!("; {} without a known slot", t.orphans_without_place);
    }
    out += &wrapped(&(total + "."), 0);
    with_legend(
        out,
        [
            (
                "orphan",
                "a report that no shot explains: a module that fails on its own, or an error that no feed told of",
            ),
            ("slot", "the slot that the kernel blames; - where it names none, or several"),
            means::ERRORS,
            (
                "looks like",
                "late report: lines forced on that slot give this syndrome, the named shot the last of them that nothing was \
                 said of; unknown fingerprint: none give it, so the module may fail on its own; - no syndrome, or none known",
            ),
        ],
    )
}

/// All reports, and what still waits for its report.
#[must_use]
pub fn reports_table(reports: &Listing<ReportRow>, run: &RunSummary) -> String {
    let mut out = heading(run);
    if reports.items.is_empty() {
        out += if run.totals.reports == 0 { "No report yet.\n" } else { "No report is like that.\n" };
        return out;
    }
    let (seen, seen_cells) = seen(reports);
    let columns = [
        ("report", Set::Number),
        ("what it is", Set::Name),
        ("slot", Set::Name),
        ("errors", Set::Word),
        (seen.as_str(), Set::Word),
        ("what the kernel said", Set::Text),
    ];
    let rows = reports.items.iter().zip(seen_cells);
    out += &grid(
        columns,
        rows.map(|(r, seen)| [number(r), what_it_is(r), name(r.slot.as_deref()), errors(r), seen, said(r)]).collect(),
    );
    out += &more(reports);
    with_legend(
        out,
        [
            ("detects", "this report detected that shot of that injection"),
            means::ECHO,
            means::ORPHAN,
            ("open", "not settled yet: one source saw it, and it may still turn out to belong to another report"),
            ("slot", "the slot that the kernel blames; - where it names none, or several"),
            means::ERRORS,
        ],
    )
}

fn seen(listing: &Listing<ReportRow>) -> (String, impl Iterator<Item = String>) {
    dates("seen", listing.items.iter().map(|r| (r.seen.as_deref(), r.boot, r.seen_ns)))
}

fn more(listing: &Listing<ReportRow>) -> String {
    listing.next.as_ref().map_or_else(String::new, |next| format!("More follow: --after {next}\n"))
}

fn number(r: &ReportRow) -> String {
    r.report.map_or_else(|| "-".to_owned(), |n| n.to_string())
}

fn errors(r: &ReportRow) -> String {
    let count = if r.count == 0 { "1+".to_owned() } else { r.count.to_string() };
    format!("{count} {}", printable(&r.severity))
}

fn looks_like(r: &ReportRow) -> String {
    match (&r.looks_like, &r.late_injection, r.late_shot) {
        (Some(words), Some(injection), Some(shot)) => format!("{words} of {} shot {shot}", printable(injection)),
        (Some(words), ..) => printable(words),
        (None, ..) => "-".to_owned(),
    }
}

fn what_it_is(r: &ReportRow) -> String {
    let shot = match (&r.injection, r.shot) {
        (Some(injection), Some(shot)) => format!("{} shot {shot}", printable(injection)),
        _ => "a shot".to_owned(),
    };
    match r.role {
        RoleWord::Match => format!("detects {shot}"),
        RoleWord::Echo => format!("echo of {shot}"),
        RoleWord::Orphan | RoleWord::Open => r.role.word().to_owned(),
    }
}

/// The driver's words, then what identifies the place.
fn said(r: &ReportRow) -> String {
    let mut words: Vec<String> = Vec::new();
    if r.source == "counter" {
        words.push("counted, not described".to_owned());
    }
    words.extend(r.message.iter().chain(&r.detail).filter(|text| !text.is_empty()).map(|text| printable(text)));
    if let (Some(label), None) = (&r.label, &r.slot) {
        words.push(format!("at {:?}", printable(label)));
    }
    words.extend(r.address.iter().map(|address| format!("address {address}")));
    words.extend(r.syndrome.iter().map(|syndrome| format!("syndrome {syndrome}")));
    words.join(", ")
}
