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
use verdict::Criteria;
use vocabulary::Wall;

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

/// One of everything, with numbers that so few shots can show. Invented.
const CRITERIA: &str = "platform = \"invented\"\nconfidence = 0.8\nslots_together = false\n[detection]\nat_least = 0.6\n\
    [latency]\nquantile = 0.5\nat_most_ms = 250\n[misplaced]\nat_most = 0.4\n[misgraded]\nat_most = 0.4\n[dangerous]\nat_most = 0.4\n\
    [orphans]\nat_most_per_hour = 20\n[cover]\nshots_per_slot = 2\nlines = [\"DQ3\"]\n";

fn criteria() -> Criteria {
    Criteria::parse(CRITERIA, std::path::Path::new("criteria.toml")).unwrap()
}

#[test]
fn verdict() {
    ask(|run| {
        // A second after the boot was last watched, 150 s after 06:00: so far; a day later: cut off.
        let until = Wall::parse_rfc3339("2027-03-04T06:02:31Z").unwrap();
        let so_far = run.verdict(&criteria(), until).unwrap();
        golden("verdict.txt", &questions::verdict_table(&so_far, &run.run_summary().unwrap()));
        golden("verdict.json", &json(&so_far));
        assert_eq!(so_far.state, verdict::RunState::Running);
        let later = Wall(until.0 + 86_400_000_000_000);
        assert_eq!(run.evidence(later).unwrap().state, verdict::RunState::CutOff);
    });
}

#[test]
fn plan() {
    ask(|run| {
        let text = "[detection]\nat_least = 0.99\ngood = 0.999\n[latency]\nquantile = 0.95\nat_most_ms = 250\n\
            [orphans]\nat_most_per_hour = 1\n[cover]\nlines = [\"DQ0-DQ63\", \"CB0-CB7\"]\n";
        let criteria = Criteria::parse(text, std::path::Path::new("criteria.toml")).unwrap();
        let fixed = verdict::plan::plan(&criteria, &run.setup().unwrap()).unwrap();
        golden("plan.txt", &questions::plan_table(&fixed));
        let text = "method = \"sequential\"\n[detection]\nat_least = 0.99\ngood = 0.999\n";
        let criteria = Criteria::parse(text, std::path::Path::new("criteria.toml")).unwrap();
        let in_sequence = verdict::plan::plan(&criteria, &run.setup().unwrap()).unwrap();
        golden("plan_in_sequence.txt", &questions::plan_table(&in_sequence));
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
        questions::verdict_table(&run.verdict(&criteria(), Wall(0)).unwrap(), &summary),
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
