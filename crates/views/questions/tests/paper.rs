//! The model of the printed page, over invented databases: every SQL statement on it gives the page's own numbers, the markup is sound,
//! and what is not known is not told.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "this is test code all through, also outside of the functions marked as tests"
)]

#[path = "../../evidence/tests/checker/mod.rs"]
#[allow(dead_code, reason = "shared with the page's own tests, which ask it more")]
mod checker;
mod support;

use evidence::model::{Answer, Bound, Estimator, Paper, Quantity};
use questions::{Judged, PaperOrder, RunRef, Snapshot};
use rusqlite::Connection;
use rusqlite::types::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use support::Invented;
use vocabulary::Wall;

/// The date of every page here: the invented run was watched until a minute before.
const MADE: Wall = Wall(1_804_140_210_000_000_000);

fn paper(db: &Connection, run: &RunRef, judged: Option<Judged<'_>>) -> Paper {
    let order = PaperOrder { database: "runs of today.db", version: "0.1.0", made: MADE, judged };
    Snapshot::of(db, run).unwrap().paper(&order).unwrap()
}

fn invented() -> (Invented, Connection) {
    let made = Invented::new();
    let db = made.open();
    (made, db)
}

/// Many slots, so that there is a curve for each controller; many shots, so that not all is shown.
fn large() -> (Invented, Connection) {
    let sql = include_str!("../benches/million.sql");
    let sql = sql.replace("n < 1000000", "n < 6000").replace("n < 31", "n < 47").replace("% 32", "% 48");
    let made = Invented::empty();
    made.change(&sql);
    let db = made.open();
    (made, db)
}

/// The answer of a statement: every value as text, nothing as an empty one.
fn rows(db: &Connection, sql: &str) -> Vec<Vec<String>> {
    let mut ask = db.prepare(sql).unwrap_or_else(|error| panic!("{error}: {sql}"));
    let columns = ask.column_count();
    let read = |row: &rusqlite::Row<'_>| {
        let told = |n| {
            row.get::<_, Value>(n).map(|value| match value {
                Value::Null => String::new(),
                Value::Integer(n) => n.to_string(),
                Value::Real(n) => n.to_string(),
                Value::Text(text) => text,
                Value::Blob(_) => "a blob".to_owned(),
            })
        };
        (0..columns).map(told).collect::<rusqlite::Result<Vec<String>>>()
    };
    ask.query_map([], read).unwrap().map(Result::unwrap).collect()
}

fn text<T: ToString>(value: Option<T>) -> String {
    value.map(|value| value.to_string()).unwrap_or_default()
}

/// What the page says, in the form of each of its statements; with the columns that the page has.
fn told(paper: &Paper) -> BTreeMap<&'static str, Vec<Vec<String>>> {
    let number = |n: i64| n.to_string();
    let t = &paper.run.totals;
    let mut all = BTreeMap::new();
    let totals = [t.injections, t.shots, t.detected, t.missed, t.unknowable, t.open, t.unsure];
    all.insert("Shots of the run", vec![totals.map(number).to_vec()]);
    let reports = [("echo", t.echoes), ("match", t.matches), ("orphan", t.orphans)];
    let reports = reports.into_iter().filter(|(_, n)| *n > 0).map(|(role, n)| vec![role.to_owned(), number(n)]);
    all.insert("Reports of the run", reports.collect());
    let machine = paper.slots.iter().map(|slot| {
        let i = &slot.inventory;
        let numbers = [i.controller, i.channel, i.number].map(text);
        let mut row = vec![slot.name.clone()];
        row.extend(numbers);
        row.extend([text(i.label.clone()), text(i.size_mb), text(i.memory.clone()), text(i.devices.clone())]);
        row.extend([number(i.objects), text(i.ecc_stated.clone()), text(i.ecc_assumed.clone())]);
        row
    });
    all.insert("Slots of the machine", machine.collect());
    let counts = |slot: &evidence::model::Slot| {
        let c = &slot.counts;
        let all = [c.missed, c.judged(), c.shots, c.detected, c.unwatched, c.unknowable, c.open, c.late, c.misgraded];
        let more = [c.dangerous, c.misplaced, c.shared, c.unsure, c.echoes, c.orphans];
        std::iter::once(slot.name.clone()).chain(all.into_iter().chain(more).map(number)).collect::<Vec<_>>()
    };
    all.insert("All counts, slot by slot", paper.slots.iter().map(counts).collect());
    let shot_at = paper.slots.iter().filter(|slot| slot.counts.shots > 0);
    all.insert("The same from the shots themselves", shot_at.map(|s| counts(s)[..13].to_vec()).collect());
    let curves = paper.latency.curves.iter().filter(|curve| curve.estimator == Estimator::KaplanMeier);
    let quantiles = curves.map(|curve| {
        let name = curve.name.trim_start_matches("controller ").to_owned();
        let mut row = vec![name, number(curve.shots), number(curve.missed)];
        row.extend(curve.quantiles.iter().map(|q| text(q.ns)));
        row
    });
    all.insert("Quantiles of latency, where the curve is Kaplan and Meier's", quantiles.collect());
    let bins = paper.time.bins.iter().enumerate();
    let bins: Vec<_> = bins.map(|(n, b)| (n, [b.detected, b.missed, b.unknowable, b.open], b.orphans)).collect();
    let shots = bins.iter().filter(|(_, shots, _)| shots.iter().any(|n| *n > 0));
    let shots = shots.map(|(n, shots, _)| std::iter::once(n.to_string()).chain(shots.map(number)).collect());
    all.insert("Shots along the time", shots.collect());
    let orphans = bins.iter().filter(|(.., orphans)| *orphans > 0);
    all.insert(
        "Orphans along the time",
        orphans.map(|(n, _, orphans)| vec![n.to_string(), number(*orphans)]).collect(),
    );
    let mut gaps: Vec<_> = paper.time.gaps.iter().map(|g| (g.to.0 - g.from.0, g)).collect();
    gaps.sort_by_key(|(length, _)| std::cmp::Reverse(*length));
    let gaps =
        gaps.iter().map(|(length, g)| vec![g.source.clone(), text(g.controller), number(*length), g.why.clone()]);
    all.insert("Gaps, the longest first", gaps.collect());
    let excursions = paper.time.excursions.iter().map(|e| vec![e.rail.clone(), text(e.slot.clone())]);
    all.insert("Beginnings of excursions of rails, in whole seconds", excursions.collect());
    let mut lines = Vec::new();
    for row in paper.lines.iter().flat_map(|grid| grid.rows.iter().map(move |row| (grid, row))) {
        let cells = row.0.lines.iter().zip(&row.1.cells);
        let told = cells.filter_map(|(line, cell)| {
            cell.map(|cell| vec![row.1.slot.clone(), line.clone(), number(cell.shots), number(cell.missed)])
        });
        lines.extend(told);
    }
    all.insert("Forced lines and outcomes", lines);
    let misses = paper.misses.first.iter().map(|m| {
        let lines = format!("[{}]", m.lines.iter().map(|l| format!("\"{l}\"")).collect::<Vec<_>>().join(","));
        vec![m.injection.clone(), number(m.shot), m.slot.clone(), lines, text(m.confidence)]
    });
    all.insert("Missed shots", misses.collect());
    let mut by_slot: Vec<_> =
        paper.orphans.by_slot.iter().map(|rate| vec![rate.slot.clone(), number(rate.orphans)]).collect();
    if paper.orphans.without_place > 0 {
        by_slot.push(vec![String::new(), number(paper.orphans.without_place)]);
    }
    all.insert("Orphans, slot by slot", by_slot);
    let orphans = paper.orphans.first.iter().map(|o| {
        let kernel = [o.severity.clone(), number(o.count), o.source.clone(), text(o.message.clone())];
        let mut row = vec![number(o.report), text(o.slot.clone())];
        row.extend(kernel);
        row.extend([text(o.address.clone()), text(o.syndrome.clone())]);
        row
    });
    all.insert("Orphans", orphans.collect());
    let clocks = paper.clocks.iter().map(|c| vec![number(c.samples), text(c.drift_ppm), text(c.typical_ns)]);
    all.insert("Injectors' clocks", clocks.collect());
    let rails = paper.rails.iter().map(|r| {
        let outside = r.outside_ns.unwrap_or(0);
        let mv = [r.least_mv, r.mean_mv, r.most_mv].map(|mv| mv.to_string());
        let mut row = vec![r.name.clone(), text(r.slot.clone()), number(r.readings)];
        row.extend(mv);
        row.push(number(outside));
        row
    });
    all.insert("Supply rails", rails.collect());
    let not: Vec<_> = paper.method.not_counted.iter().take(4).map(|n| number(n.count)).collect();
    all.insert("What was not counted", vec![not]);
    all
}

/// The columns of a statement's answer that the page has as well.
fn columns(what: &str) -> Option<&'static [usize]> {
    match what {
        "Gaps, the longest first" => Some(&[0, 1, 3, 4]),
        "Beginnings of excursions of rails, in whole seconds" => Some(&[0, 1]),
        "Missed shots" => Some(&[0, 1, 2, 3, 6]),
        "Orphans" => Some(&[0, 3, 4, 5, 6, 7, 8, 9]),
        "Injectors' clocks" => Some(&[3, 4, 6]),
        _ => None,
    }
}

/// Every statement of the page gives the page's numbers.
fn compare(db: &Connection, paper: &Paper) {
    let told = told(paper);
    let mut compared = 0;
    for recipe in paper.recipes.iter() {
        let Some(sql) = &recipe.sql else { continue };
        let mut found = rows(db, sql);
        compared += 1;
        match recipe.what.as_str() {
            "Settings of the run" => {
                let settings: serde_json::Value = serde_json::from_str(&found[0][0]).unwrap();
                assert_eq!(settings["window_ns"].as_i64().unwrap_or(0), paper.method.window_ns);
                continue;
            }
            "Latencies as intervals, from which the curves are estimated" => {
                let of_cells: i64 = found.iter().map(|row| row[3].parse::<i64>().unwrap()).sum();
                assert_eq!(of_cells, paper.latency.curves.iter().map(|c| c.shots - c.missed).sum::<i64>());
                continue;
            }
            "Quantiles of latency, where the curve is Kaplan and Meier's" => {
                let names: BTreeSet<_> = told[recipe.what.as_str()].iter().map(|row| row[0].clone()).collect();
                found.retain(|row| names.contains(&row[0]));
            }
            _ => {}
        }
        if let Some(columns) = columns(&recipe.what) {
            found = found.iter().map(|row| columns.iter().map(|c| row[*c].clone()).collect()).collect();
        }
        let mut is =
            told.get(recipe.what.as_str()).unwrap_or_else(|| panic!("nobody compares {}", recipe.what)).clone();
        if matches!(recipe.what.as_str(), "Shots of the run" | "What was not counted") && paper.run.totals.shots == 0 {
            // A sum over nothing is nothing.
            found = found
                .iter()
                .map(|row| row.iter().map(|v| if v.is_empty() { "0".to_owned() } else { v.clone() }).collect())
                .collect();
        }
        if matches!(recipe.what.as_str(), "Missed shots" | "Orphans") {
            assert_eq!(
                i64::try_from(found.len()).unwrap(),
                if recipe.what == "Orphans" { paper.orphans.total } else { paper.misses.total }
            );
            found.truncate(is.len());
        }
        if matches!(recipe.what.as_str(), "Forced lines and outcomes" | "Orphans, slot by slot") {
            found.sort();
            is.sort();
        }
        assert_eq!(found, is, "{}", recipe.what);
    }
    assert!(compared >= 11, "{compared}");
}

#[test]
fn every_statement_gives_the_numbers_of_the_page() {
    let (_made, db) = invented();
    let page = paper(&db, &RunRef::Newest, None);
    compare(&db, &page);
    compare(&db, &paper(&db, &RunRef::Name("trial".into()), None));
    let (_made, db) = large();
    let page = paper(&db, &RunRef::Newest, None);
    assert_eq!((page.latency.each.as_str(), page.latency.curves.len()), ("controller", 6));
    assert_eq!((page.misses.first.len(), page.misses.looked_into, page.misses.total), (50, 60, 60));
    compare(&db, &page);
}

#[test]
fn the_page_is_sound_and_the_same_every_time() {
    let (_made, db) = invented();
    let (_large, larger) = large();
    for (db, run) in [(&db, RunRef::Newest), (&db, RunRef::Name("trial".into())), (&larger, RunRef::Newest)] {
        let html = evidence::page(&paper(db, &run, None));
        let faults = checker::check(&html);
        assert!(faults.is_empty(), "{faults:#?}");
        assert!(!html.contains("http") || !html.contains("://"), "something is named that could be loaded");
        assert!(!html.contains("<script") && !html.contains("NaN"));
        assert_eq!(html, evidence::page(&paper(db, &run, None)));
    }
}

#[test]
fn a_run_that_goes_on_is_so_far_and_a_run_without_shots_knows_nothing() {
    let (_made, db) = invented();
    let page = paper(&db, &RunRef::Newest, None);
    assert_eq!((page.run.ended, page.run.number, page.run.schema), (None, 2, store::SCHEMA_VERSION));
    let html = evidence::page(&page);
    assert!(html.contains("So far.") && html.contains("No verdict: no criteria were given."));
    // The warning is said first, and what both boots said is said once.
    assert_eq!(page.run.remarks.iter().map(|r| r.warning).collect::<Vec<_>>(), [true, false]);

    let empty = paper(&db, &RunRef::Name("trial".into()), None);
    assert!(empty.run.invented && empty.latency.curves.is_empty() && empty.time.bins.is_empty());
    assert_eq!((empty.slots.len(), empty.slots[0].detection), (1, None));
    let html = evidence::page(&empty);
    assert!(html.contains("not estimable") && html.contains("[invented]"));
}

#[test]
fn counts_and_intervals_of_the_invented_run() {
    let (_made, db) = invented();
    let page = paper(&db, &RunRef::Newest, None);
    let slot = |name: &str| page.slots.iter().find(|s| s.name == name).unwrap();
    // Four of four: 0.05^(1/4) and 0.025^(1/4), Clopper and Pearson by hand.
    let a1 = slot("A1").detection.unwrap();
    assert!((a1.at_least - 0.05_f64.powf(0.25)).abs() < 1e-9 && (a1.low - 0.025_f64.powf(0.25)).abs() < 1e-9, "{a1:?}");
    assert_eq!((a1.estimate, a1.high, slot("A1").counts.judged()), (1.0, 1.0, 4));
    assert_eq!(slot("A2").detection.unwrap().estimate, 0.5);
    assert_eq!(slot("B1").blamed_on[0].slot, "B2");
    // The shot at 1060 s and what of VDD was outside then; after the reboot the rail has no kept seconds.
    let outside: Vec<_> = page.time.excursions.iter().map(|e| (e.rail.as_str(), e.worst_mv, e.shots)).collect();
    assert_eq!(outside, [("VREFCA", 570.0, 0), ("VDD", 1132.0, 1), ("VPP", 3100.0, 1)]);
    assert_eq!((page.time.gap_count, page.time.gaps.len(), page.time.gap_ns), (3, 3, 4_020_000_000));
    let shots: i64 = page.time.bins.iter().map(|b| b.detected + b.missed + b.unknowable + b.open).sum();
    assert_eq!((shots, page.time.bins.iter().map(|b| b.orphans).sum::<i64>()), (15, 3));
    assert!(page.time.bins.len() <= 400);
    // Of the orphans only one names a slot: one in 499.98 s less what was not watched of its controller.
    let rate = &page.orphans.by_slot[0];
    assert_eq!((rate.slot.as_str(), rate.orphans, page.orphans.without_place), ("B2", 1, 2));
    assert!(rate.low.unwrap() < rate.per_hour.unwrap() && rate.per_hour.unwrap() < rate.high.unwrap());
    assert!(
        page.recipes
            .iter()
            .any(|r| r.command.as_deref() == Some("flipwitness slots --db 'runs of today.db' --run burn-in-7 --json"))
    );
}

#[test]
fn what_is_in_a_slot_is_told_as_its_objects_say() {
    let made = Invented::new();
    made.change(
        r#"INSERT INTO dimm (run, slot, controller, place, layer_kinds, label, edac_mode, dev_type, mem_type, size_mb, rank) VALUES
           (2, 0, 0, '[0,0]', '[]', 'A1', 'S4ECD4ED', 'x4', 'Registered-DDR4', 16384, 1),
           (2, 0, 0, '[0,1]', '[]', 'A1', 'S4ECD4ED', 'x4', 'Registered-DDR4', 16384, 1);
           UPDATE slot SET code = 'x4-symbol' WHERE run = 2 AND slot < 2;
           UPDATE run SET settings = '{"window_ns":2000000000,"ecc":[{"slot":"A2","code":"x4-symbol"}]}' WHERE run = 2"#,
    );
    let db = made.open();
    let page = paper(&db, &RunRef::Newest, None);
    let [a1, a2] = [0, 1].map(|n| &page.slots[n].inventory);
    assert_eq!((a1.objects, a1.size_mb, a1.devices.as_deref()), (2, Some(32_768), Some("x4")));
    assert_eq!((a1.ecc_because.as_deref(), a2.ecc_because.as_deref()), (None, Some("from the settings")));
    assert_eq!((a2.objects, a2.memory.as_deref(), page.slots[2].inventory.ecc_because.as_deref()), (0, None, None));
    compare(&db, &page);
}

#[test]
fn latencies_known_only_as_intervals_are_turnbulls() {
    let made = Invented::new();
    // As if A1's errors had been seen by counters alone that are read every half second.
    made.change("UPDATE shot SET latency_min_ns = 0 WHERE run = 2 AND slot = 0");
    let db = made.open();
    let page = paper(&db, &RunRef::Newest, None);
    let told: Vec<_> = page.latency.curves.iter().map(|c| (c.name.as_str(), c.estimator)).collect();
    assert_eq!(told[..2], [("A1", Estimator::Turnbull), ("A2", Estimator::KaplanMeier)]);
    // All four intervals reach down to 0: the estimate is one step, at the end of the shortest.
    let steps = &page.latency.curves[0].steps;
    assert_eq!(steps.len(), 1);
    assert!((steps[0].share - 1.0).abs() < 1e-9 && (41_000_000..43_000_000).contains(&steps[0].at_ns), "{steps:?}");
    assert_eq!((steps[0].low, page.latency.curves[0].quantiles[2].high_ns), (None, None));
    compare(&db, &page);
}

#[test]
fn the_verdict_is_shown_as_it_was_given() {
    let (_made, db) = invented();
    let criteria = "[detection]\nat_least = 0.3\n[latency]\nquantile = 0.5\nat_most_ms = 500\n[orphans]\nat_most_per_hour = 1000.0\n[cover]\nshots_per_slot = 3\n";
    let parsed = verdict::Criteria::parse(criteria, Path::new("c.toml")).unwrap();
    let judgement = Snapshot::of(&db, &RunRef::Newest).unwrap().verdict(&parsed, MADE).unwrap();
    let judged = Judged { judgement: &judgement, from: "c.toml", text: criteria };
    let page = paper(&db, &RunRef::Newest, Some(judged));
    let shown = &page.verdict;
    assert_eq!((shown.criteria_text.as_deref(), shown.criteria_from.as_deref()), (Some(criteria), Some("c.toml")));
    assert_eq!(shown.reasons[0].to_lowercase(), judgement.sentence.to_lowercase());
    for criterion in &shown.criteria {
        for (slot, found) in criterion.slots.iter().zip(&judgement.slots) {
            assert_eq!(slot.slot, found.slot);
        }
    }
    let detection = shown.criteria.iter().find(|c| c.judges_detection).unwrap();
    let of = judgement.findings().find(|f| f.slot == "A1" && f.criterion == verdict::Criterion::Detection).unwrap();
    let a1 = detection.slots.iter().find(|s| s.slot == "A1").unwrap();
    assert_eq!(a1.answer == Answer::Met, of.verdict == verdict::Verdict::Met);
    assert_eq!(a1.bound, of.lower.map(|lower| Bound::AtLeast(Quantity::Share(lower))));
    assert_eq!((a1.against, a1.of, detection.limit), (0, 4, Some(Quantity::Share(0.3))));
    let cover = shown.criteria.iter().find(|c| c.name == "Slots covered").unwrap();
    assert!(cover.slots.iter().any(|s| (s.against, s.of) == (1, 3)), "{cover:?}");
    assert!(evidence::page(&page).contains("at_most_per_hour = 1000.0"));
    assert!(checker::check(&evidence::page(&page)).is_empty());
}
