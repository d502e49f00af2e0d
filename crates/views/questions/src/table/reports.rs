//! The tables of reports and of orphans.

use super::run::heading;
use super::{Set, counted, date, grid, legend, name_or_dash, wrapped};
use crate::{Listing, ReportRow, RoleWord, RunSummary, printable};

/// Reports that no shot explains.
#[must_use]
pub fn orphans_table(orphans: &Listing<ReportRow>, run: &RunSummary) -> String {
    let mut out = heading(run);
    let t = &run.totals;
    if orphans.items.is_empty() {
        out += if t.orphans == 0 { "No orphan: shots explain every report.\n" } else { "No orphan is like that.\n" };
        return out;
    }
    let columns = [
        ("report", Set::Number),
        ("slot", Set::Text),
        ("severity", Set::Word),
        ("errors", Set::Number),
        ("seen (UTC)", Set::Word),
        ("what the kernel said", Set::Text),
    ];
    out += &grid(
        columns,
        orphans.items.iter().map(|r| [number(r), name_or_dash(r.slot.as_deref()), r.severity.clone(), errors(r), seen(r), said(r)]),
    );
    out += &more(orphans);
    out += "\n";
    let mut total = format!("In all: {} among {}", counted(t.orphans, "orphan", "orphans"), counted(t.reports, "report", "reports"));
    if t.orphans_without_place > 0 {
        total += &format!("; {} without a known slot", t.orphans_without_place);
    }
    out += &wrapped(&(total + "."), 0);
    out += "\n";
    out + &legend([
        ("orphan", "a report that no shot explains: a module that fails on its own, or an error that nobody told of"),
        ("slot", "the slot that the kernel blames; - where it names none, or several"),
        ("errors", "how many errors the report stands for; 1+ where the kernel did not say how many"),
    ])
}

/// All reports, and what still waits for its report.
#[must_use]
pub fn reports_table(reports: &Listing<ReportRow>, run: &RunSummary) -> String {
    let mut out = heading(run);
    if reports.items.is_empty() {
        out += if run.totals.reports == 0 { "No report yet.\n" } else { "No report is like that.\n" };
        return out;
    }
    let columns = [
        ("report", Set::Number),
        ("role", Set::Word),
        ("explained by", Set::Text),
        ("slot", Set::Text),
        ("severity", Set::Word),
        ("errors", Set::Number),
        ("seen (UTC)", Set::Word),
        ("what the kernel said", Set::Text),
    ];
    out += &grid(
        columns,
        reports.items.iter().map(|r| {
            [
                number(r),
                r.role.word().to_owned(),
                explained_by(r),
                name_or_dash(r.slot.as_deref()),
                r.severity.clone(),
                errors(r),
                seen(r),
                said(r),
            ]
        }),
    );
    out += &more(reports);
    out += "\n";
    out + &legend([
        ("match", "this report detected the shot in the next column"),
        ("echo", "a further report explained by a shot that was detected already"),
        ("orphan", "no shot explains it"),
        ("open", "not settled yet: what one source saw and no report has taken in"),
        ("errors", "how many errors the report stands for; 1+ where the kernel did not say how many"),
    ])
}

fn more(listing: &Listing<ReportRow>) -> String {
    listing.next.as_ref().map_or_else(String::new, |next| format!("More follow: --after {next}\n"))
}

fn number(r: &ReportRow) -> String {
    r.report.map_or_else(|| "-".to_owned(), |n| n.to_string())
}

fn errors(r: &ReportRow) -> String {
    if r.count == 0 { "1+".to_owned() } else { r.count.to_string() }
}

fn seen(r: &ReportRow) -> String {
    date(r.seen.as_deref(), r.boot, r.seen_ns)
}

fn explained_by(r: &ReportRow) -> String {
    match (&r.injection, r.shot, r.role) {
        (Some(injection), Some(shot), _) => format!("{} shot {shot}", printable(injection)),
        (_, _, RoleWord::Orphan) => "nothing".to_owned(),
        _ => "-".to_owned(),
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
