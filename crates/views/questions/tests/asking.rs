//! Runs by name, bounds by date, following what comes, and questions that have no answer.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "this is test code all through, also outside of the functions marked as tests"
)]

mod support;

use questions::{
    GapFilter, Page, QuestionError, ReportFilter, RoleWord, RunRef, ShotFilter, Snapshot, Stamp, printable,
};
use support::Invented;
use vocabulary::{Mono, Severity, Wall};

#[test]
fn a_run_is_found_by_name_by_number_or_as_the_newest() {
    let made = Invented::new();
    let db = made.open();
    for (asked, run) in [
        (RunRef::Newest, 2),
        (RunRef::Name("trial".into()), 1),
        (RunRef::Number(1), 1),
        (RunRef::Name("burn-in-7".into()), 2),
    ] {
        assert_eq!(Snapshot::of(&db, &asked).unwrap().run(), run);
    }
}

#[test]
fn what_does_not_exist_is_told_with_what_does() {
    let made = Invented::new();
    let db = made.open();
    let told = |run: &RunRef| Snapshot::of(&db, run).err().unwrap().to_string();
    assert_eq!(
        told(&RunRef::Name("burn-in".into())),
        "no run is named \"burn-in\"; the database has: burn-in-7, trial"
    );
    assert_eq!(told(&RunRef::Number(9)), "no run is named \"number 9\"; the database has: burn-in-7, trial");

    let run = Snapshot::of(&db, &RunRef::Name("trial".into())).unwrap();
    let nowhere = ShotFilter { slot: Some("Z9".into()), ..ShotFilter::default() };
    let error = run.shots(&nowhere, &Page::first(1)).unwrap_err();
    assert_eq!(error.to_string(), "no slot of the run is named \"Z9\"; it has: A1");
    for cursor in ["", "1", "1.2.3", "-1.0", "a.b", "+1.0", "99999999999999999999.0"] {
        let page = Page { limit: 1, after: Some(cursor.into()) };
        let error = run.gaps(&GapFilter::default(), &page).unwrap_err();
        assert!(matches!(error, QuestionError::BadCursor(_)) && error.is_askers(), "{cursor}");
    }

    let made = Invented::empty();
    let db = made.open();
    assert!(matches!(Snapshot::of(&db, &RunRef::Newest), Err(QuestionError::NoRunYet)));
    assert!(matches!(Snapshot::of(&db, &RunRef::Name("x".into())), Err(QuestionError::NoRunYet)));
}

#[test]
fn dates_bound_every_boot_by_its_own_clock() {
    let made = Invented::new();
    let db = made.open();
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    let shots = |since, until| {
        let filter = ShotFilter { since, until, ..ShotFilter::default() };
        run.shots(&filter, &Page::first(100)).unwrap().items.len()
    };
    let date = |text| Some(Stamp::Date(Wall::parse_rfc3339(text).unwrap()));
    assert_eq!(shots(None, None), 15);
    // Four of A1, three of A2; the bound itself belongs to what follows it.
    assert_eq!(shots(None, date("2027-03-04T05:01:40Z")), 7);
    assert_eq!(shots(date("2027-03-04T05:01:40Z"), None), 8);
    // The second boot, whose monotonic stamps are smaller than those of the first one.
    assert_eq!(shots(date("2027-03-04T06:00:00Z"), None), 4);
    assert_eq!(shots(date("2027-03-04T07:00:00+01:00"), date("2027-03-04T06:01:00Z")), 1);
    assert_eq!(shots(Some(Stamp::Mono(Mono(1_100_000_000_000))), None), 4);

    // Without a measured pair, a date cannot bound that boot, and its rows have no date.
    drop(run);
    made.change("DELETE FROM clock_pair WHERE boot = 3");
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    let filter = ShotFilter { since: date("2027-03-04T00:00:00Z"), ..ShotFilter::default() };
    assert_eq!(run.shots(&filter, &Page::first(100)).unwrap().items.len(), 11);
    let all = run.shots(&ShotFilter::default(), &Page::first(100)).unwrap();
    assert!(all.items.iter().all(|s| s.fired.is_some() == (s.boot == 2)));
    let table = questions::shots_table(&all, &run.run_summary().unwrap());
    assert!(table.contains("  boot 3 + 199.500 s") && table.contains("  2027-03-04 05:00:10.000  "), "{table}");
}

#[test]
fn gaps_are_bounded_by_what_they_overlap() {
    let made = Invented::new();
    let db = made.open();
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    let gaps = |source: Option<&str>, since, until| {
        let stamp = |ns: i64| Some(Stamp::Mono(Mono(ns * 1_000_000_000)));
        let filter = GapFilter { source: source.map(str::to_owned), since: stamp(since), until: stamp(until) };
        run.gaps(&filter, &Page::first(10)).unwrap().items.iter().map(|g| g.gap).collect::<Vec<_>>()
    };
    assert_eq!(gaps(None, 0, 2000), [1, 2, 3]);
    assert_eq!(gaps(None, 1070, 1071), [1]);
    assert_eq!(gaps(None, 1072, 1073), [1, 2]);
    assert_eq!(gaps(Some("counter"), 0, 2000), [2]);
    assert_eq!(gaps(Some("feed"), 0, 2000), [0; 0]);
}

#[test]
fn reports_are_filtered_and_followed() {
    let made = Invented::new();
    let db = made.open();
    let numbers = |filter: &ReportFilter, page: &Page| {
        let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
        let listing = run.reports(filter, page).unwrap();
        (listing.items.iter().map(|r| (r.report, r.witness)).collect::<Vec<_>>(), listing.next, listing.last)
    };
    let role = |role| ReportFilter { role: Some(role), ..ReportFilter::default() };
    let all = Page::first(100);
    assert_eq!(numbers(&role(RoleWord::Echo), &all).0, [(Some(5), 5)]);
    // The cache error is no memory error and never open; the memory error and the trace event are.
    assert_eq!(numbers(&role(RoleWord::Open), &all).0, [(None, 15), (None, 16)]);
    let severe = ReportFilter { severity: Some(Severity::Uncorrected), ..ReportFilter::default() };
    assert_eq!(numbers(&severe, &all).0, [(Some(11), 11), (Some(13), 13)]);
    let at_b2 = ReportFilter { slot: Some("B2".into()), ..ReportFilter::default() };
    assert_eq!(numbers(&at_b2, &all).0, [(Some(7), 7), (Some(9), 9), (Some(10), 10), (Some(13), 13), (None, 16)]);

    // One by one it is the same list as at once.
    let everything = ReportFilter::default();
    let at_once = numbers(&everything, &all);
    assert_eq!(at_once.0.len(), 15);
    let (mut one_by_one, mut after) = (Vec::new(), None);
    loop {
        let (items, next, _) = numbers(&everything, &Page { limit: 1, after });
        one_by_one.extend(items);
        after = next;
        if after.is_none() {
            break;
        }
    }
    assert_eq!(one_by_one, at_once.0);

    // Asked again with where it ended, only what came since is told: first a witness, then its report.
    assert_eq!(at_once.1, None);
    let from = |last: Option<String>| Page { limit: 100, after: last };
    let (nothing, _, last) = numbers(&everything, &from(at_once.2));
    assert_eq!(nothing, []);
    made.change(
        "INSERT INTO witness (witness, boot, run, source, from_ns, t_ns, known_ns, severity, count)
         VALUES (17, 3, 2, 'mc_event', 199700000000, 199700000000, 199700000000, 'corrected', 1)",
    );
    let (witness, _, last) = numbers(&everything, &from(last));
    assert_eq!(witness, [(None, 17)]);
    made.change(
        "INSERT INTO report (run, report, boot, seen_from_ns, seen_ns, slot, severity, count, role, injection, shot, anchor, witnesses)
         VALUES (2, 14, 3, 199700000000, 199700000000, NULL, 'corrected', 1, 'orphan', NULL, NULL, 17, 1);
         UPDATE witness SET report = 14 WHERE witness = 17",
    );
    assert_eq!(numbers(&everything, &from(last)).0, [(Some(14), 17)]);
}

#[test]
fn a_late_report_names_the_shot_that_it_may_be_about() {
    let made = Invented::new();
    made.change(
        "UPDATE report SET looks_like = 'late report', late_injection = 4, late_shot = 2 WHERE run = 2 AND report = 10",
    );
    let db = made.open();
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    let orphans = run.orphans(&ReportFilter::default(), &Page::first(10)).unwrap();
    let told = &orphans.items[0];
    let words = [&told.looks_like, &told.late_injector, &told.late_injection];
    assert_eq!(words.map(|word| word.as_deref()), [Some("late report"), Some("pulser"), Some("a-4")]);
    assert_eq!((told.late_shot, &told.injection), (Some(2), &None));
    let table = questions::orphans_table(&orphans, &run.run_summary().unwrap());
    assert!(table.contains("late report of a-4"), "{table}");
}

#[test]
fn a_snapshot_does_not_move() {
    let made = Invented::new();
    let db = made.open();
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    made.change("UPDATE shot SET outcome = 'missed' WHERE outcome IS NULL");
    assert_eq!(run.run_summary().unwrap().totals.missed, 1);
    drop(run);
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    assert_eq!(run.run_summary().unwrap().totals.missed, 4);
}

#[test]
fn slots_page_and_name() {
    let made = Invented::new();
    let db = made.open();
    let run = Snapshot::of(&db, &RunRef::Newest).unwrap();
    let names = |slot: Option<&str>, page: &Page| {
        let listing = run.slots_page(slot, page).unwrap();
        (listing.items.iter().map(|s| s.slot.to_string()).collect::<Vec<_>>(), listing.next)
    };
    let (first, next) = names(None, &Page::first(2));
    assert_eq!((first, next.as_deref()), (vec!["A1".to_owned(), "A2".to_owned()], Some("2.0")));
    assert_eq!(names(None, &Page { limit: 2, after: next }).0, ["B1", "B2"]);
    assert_eq!(names(Some("B1"), &Page::first(2)), (vec!["B1".to_owned()], None));
}

#[test]
fn strings_from_outside_cannot_move_the_cursor() {
    // Unicode Standard Annex #9 for the bidirectional ones; ECMA-48 for ESC and CSI (U+009B).
    let table = [
        ("plain DIMM_A1 é 漢 😀", "plain DIMM_A1 é 漢 😀"),
        ("\u{1b}[2J\r\n\t\u{7}", "\\u{1b}[2J\\r\\n\\t\\u{7}"),
        ("\u{9b}31m", "\\u{9b}31m"),
        ("a\u{202e}b\u{2066}c\u{200b}d\u{feff}", "a\\u{202e}b\\u{2066}c\\u{200b}d\\u{feff}"),
        ("\u{2028}\u{7f}", "\\u{2028}\\u{7f}"),
    ];
    for (text, shown) in table {
        assert_eq!(printable(text), shown);
    }
}
