//! The tables and the JSON over the invented database, word for word.
//!
//! `FLIPWITNESS_BLESS=1 cargo test -p questions` writes the files anew: read the difference before you keep it.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "this is test code all through, also outside of the functions marked as tests"
)]

mod support;

use questions::{GapFilter, Page, RailFilter, ReportFilter, RunRef, ShotFilter, Snapshot};
use support::Invented;

fn golden(name: &str, is: &str) {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden").join(name);
    if std::env::var_os("FLIPWITNESS_BLESS").is_some() {
        std::fs::write(&path, is).unwrap();
    }
    let expected = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(expected == is, "{name} differs from its golden file; it now is:\n{is}");
}

fn json(rows: &impl serde::Serialize) -> String {
    serde_json::to_string_pretty(rows).unwrap() + "\n"
}

fn ask(check: impl FnOnce(&Snapshot<'_>)) {
    let made = Invented::new();
    let db = made.open();
    check(&Snapshot::of(&db, &RunRef::Newest).unwrap());
}

#[test]
fn slots() {
    ask(|run| {
        let slots = run.slots().unwrap();
        golden("slots.txt", &questions::slots_table(&slots, &run.run_summary().unwrap()));
        golden("slots.json", &json(&slots));
    });
}

#[test]
fn shots() {
    ask(|run| {
        let shots = run.shots(&ShotFilter::default(), &Page::first(100)).unwrap();
        golden("shots.txt", &questions::shots_table(&shots, &run.run_summary().unwrap()));
        golden("shots.json", &json(&shots.items));
    });
}

#[test]
fn clock() {
    ask(|run| {
        let clocks = run.clocks().unwrap();
        golden("clock.txt", &questions::clock_table(&clocks, &run.run_summary().unwrap()));
        golden("clock.json", &json(&clocks));
    });
}

#[test]
fn orphans() {
    ask(|run| {
        let orphans = run.orphans(&ReportFilter::default(), &Page::first(100)).unwrap();
        golden("orphans.txt", &questions::orphans_table(&orphans, &run.run_summary().unwrap()));
        golden("orphans.json", &json(&orphans.items));
    });
}

#[test]
fn reports() {
    ask(|run| {
        let reports = run.reports(&ReportFilter::default(), &Page::first(100)).unwrap();
        golden("reports.txt", &questions::reports_table(&reports, &run.run_summary().unwrap()));
        golden("reports.json", &json(&reports));
    });
}

#[test]
fn gaps() {
    ask(|run| {
        let gaps = run.gaps(&GapFilter::default(), &Page::first(100)).unwrap();
        golden("gaps.txt", &questions::gaps_table(&gaps, &run.run_summary().unwrap()));
        golden("gaps.json", &json(&gaps.items));
    });
}

#[test]
fn rails() {
    ask(|run| {
        let rails = run.rails(&RailFilter::default(), &Page::first(100)).unwrap();
        golden("rails.txt", &questions::rails_table(&rails, &run.run_summary().unwrap()));
        golden("rails.json", &json(&rails.items));
    });
}

#[test]
fn run() {
    ask(|run| {
        let summary = run.run_summary().unwrap();
        golden("run.txt", &questions::run_text(&summary));
        golden("run.json", &json(&summary));
    });
}

#[test]
fn runs() {
    let made = Invented::new();
    let runs = questions::runs(&made.open()).unwrap();
    golden("runs.txt", &questions::runs_table(&runs));
    golden("runs.json", &json(&runs));
}

#[test]
fn a_run_with_nothing_in_it() {
    let made = Invented::new();
    let db = made.open();
    let run = Snapshot::of(&db, &RunRef::Name("trial".into())).unwrap();
    let summary = run.run_summary().unwrap();
    let page = Page::first(10);
    let all = [
        questions::slots_table(&run.slots().unwrap(), &summary),
        questions::shots_table(&run.shots(&ShotFilter::default(), &page).unwrap(), &summary),
        questions::orphans_table(&run.orphans(&ReportFilter::default(), &page).unwrap(), &summary),
        questions::reports_table(&run.reports(&ReportFilter::default(), &page).unwrap(), &summary),
        questions::gaps_table(&run.gaps(&GapFilter::default(), &page).unwrap(), &summary),
        questions::rails_table(&run.rails(&RailFilter::default(), &page).unwrap(), &summary),
        questions::run_text(&summary),
        questions::clock_table(&run.clocks().unwrap(), &summary),
    ];
    golden("nothing.txt", &all.join("\n----\n\n"));
}

#[test]
fn every_line_fits_a_terminal() {
    let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    for entry in std::fs::read_dir(folder).unwrap().map(|e| e.unwrap().path()) {
        if entry.extension().is_some_and(|e| e == "txt") {
            let text = std::fs::read_to_string(&entry).unwrap();
            for line in text.lines() {
                assert!(line.chars().count() <= 100, "{}: {line}", entry.display());
                assert!(!line.chars().any(char::is_control), "{}: {line:?}", entry.display());
            }
        }
    }
}
