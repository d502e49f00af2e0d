//! The aggregates against plain loops over the raw rows, on many small databases of random content.
#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    reason = "this is test code all through, also outside of the functions marked as tests"
)]

mod support;

use questions::{OutcomeWord, Page, ReportFilter, RunRef, ShotFilter, Snapshot};
use rusqlite::{Connection, params};
use support::Invented;

/// Numbers that look random and are the same each time: splitmix64 of Steele, Lea and Flood, "Fast splittable
/// pseudorandom number generators", OOPSLA 2014.
struct Dice(u64);

impl Dice {
    fn below(&mut self, n: i64) -> i64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) % n.cast_unsigned()).cast_signed()
    }

    fn chance(&mut self, percent: i64) -> bool {
        self.below(100) < percent
    }
}

/// A shot as it was put in.
#[derive(Clone, Debug)]
struct Put {
    run: i64,
    injection: i64,
    shot: i64,
    slot: i64,
    injector: &'static str,
    fired: i64,
    outcome: Option<&'static str>,
    latency: Option<i64>,
    misplaced: bool,
    misgraded: bool,
    late: bool,
    shared: bool,
    blamed: Option<i64>,
    confidence: Option<f64>,
    detected_p: Option<f64>,
}

/// A report as it was put in.
#[derive(Clone, Debug)]
struct PutReport {
    run: i64,
    report: i64,
    slot: Option<i64>,
    role: &'static str,
    shot_slot: Option<i64>,
}

const SLOTS: i64 = 5;

fn fill(db: &Connection, dice: &mut Dice) -> (Vec<Put>, Vec<PutReport>) {
    let (mut shots, mut reports) = (Vec::new(), Vec::new());
    for run in 1..=2 {
        db.execute(
            "INSERT INTO run VALUES (?1, 'r' || ?1, 'replay', NULL, '0', '{\"window_ns\":5000000000}', ?1, NULL)",
            [run],
        )
        .unwrap();
        // An hour, and one minute in a gap.
        db.execute("INSERT INTO boot VALUES (?1, ?1, 'b' || ?1, '6.12', 0, 3660000000000)", [run]).unwrap();
        let sql = "INSERT INTO gap VALUES (?1, ?1, ?1, 'counter', NULL, 1000000000, 61000000000, 'gone')";
        db.execute(sql, [run]).unwrap();
        for slot in 0..SLOTS {
            let sql = "INSERT INTO slot VALUES (?1, ?2, 'S' || ?2, 'S' || ?2, 0, ?2, 0, '[]')";
            db.execute(sql, [run, slot]).unwrap();
        }
    }
    // Injections of both runs take turns, so that the numbers of one run have holes.
    for injection in 1..=dice.below(60) {
        let (run, slot) = (1 + dice.below(2), dice.below(SLOTS - 1));
        let injector = if dice.chance(50) { "one" } else { "two" };
        let sql =
            "INSERT INTO injection VALUES (?1, ?2, ?2, ?3, 'i' || ?1, 'f', ?4, 0, '[]', 1, 1, 0, NULL, NULL, NULL, '')";
        db.execute(sql, params![injection, run, injector, slot]).unwrap();
        for shot in 1..=1 + dice.below(4) {
            let outcome = [Some("detected"), Some("detected"), Some("missed"), Some("unknowable"), None]
                [usize::try_from(dice.below(5)).unwrap()];
            let seen = outcome == Some("detected");
            let misplaced = seen && dice.chance(30);
            let rated = (seen || outcome == Some("missed")) && dice.chance(90);
            let put = Put {
                run,
                injection,
                shot,
                slot,
                injector,
                fired: dice.below(1000),
                outcome,
                latency: (seen && dice.chance(90)).then(|| dice.below(20)),
                misplaced,
                misgraded: seen && dice.chance(20),
                late: seen && dice.chance(20),
                shared: seen && dice.chance(20),
                blamed: (misplaced && dice.chance(70)).then(|| dice.below(SLOTS)),
                confidence: rated.then(|| dice.below(101) as f64 / 100.0),
                // Eighths add up without rounding in any order.
                detected_p: rated.then(|| dice.below(9) as f64 / 8.0),
            };
            db.execute(
                "INSERT INTO shot VALUES (?1, ?2, ?3, ?3, ?4, ?5, ?5, ?6, NULL, NULL, ?7, ?8, ?9, ?10, ?11, ?12, NULL, ?13, NULL, ?14)",
                params![
                    put.injection, put.shot, put.run, put.slot, put.fired, put.outcome, put.latency, put.misplaced,
                    put.misgraded, put.late, put.shared, put.blamed, put.confidence, put.detected_p
                ],
            )
            .unwrap();
            shots.push(put);
        }
    }
    for number in 1..=dice.below(40) {
        let run = 1 + dice.below(2);
        let explains = shots.iter().filter(|s| s.run == run).nth(usize::try_from(dice.below(20)).unwrap());
        let role = match explains {
            None => "orphan",
            Some(_) => ["match", "echo"][usize::try_from(dice.below(2)).unwrap()],
        };
        let put = PutReport {
            run,
            report: number,
            slot: dice.chance(60).then(|| dice.below(SLOTS)),
            role,
            shot_slot: explains.map(|s| s.slot),
        };
        db.execute(
            "INSERT INTO witness (witness, boot, run, source, from_ns, t_ns, known_ns, severity, count, report)
             VALUES (?1, ?2, ?2, 'mc_event', ?1, ?1, ?1, 'corrected', 1, ?1)",
            params![number, run],
        )
        .unwrap();
        db.execute(
            "INSERT INTO report (run, report, boot, seen_from_ns, seen_ns, slot, severity, count, role, injection, shot, anchor, witnesses)
             VALUES (?1, ?2, ?1, ?2, ?2, ?3, 'corrected', 1, ?4, ?5, ?6, ?2, 1)",
            params![run, number, put.slot, role, explains.map(|s| s.injection), explains.map(|s| s.shot)],
        )
        .unwrap();
        reports.push(put);
    }
    (shots, reports)
}

/// The smallest latency with at least `percent` of all at or below it, by the words of the definition.
fn quantile(latencies: &[i64], percent: usize) -> Option<i64> {
    let enough = |l: &&i64| latencies.iter().filter(|x| x <= l).count() * 100 >= percent * latencies.len();
    latencies.iter().filter(enough).min().copied()
}

fn count<T>(rows: &[T], which: impl Fn(&T) -> bool) -> i64 {
    i64::try_from(rows.iter().filter(|row| which(row)).count()).unwrap()
}

fn each_database(check: impl Fn(&Snapshot<'_>, Vec<Put>, Vec<PutReport>, &mut Dice)) {
    for seed in 0..40 {
        let made = Invented::empty();
        let mut dice = Dice(seed);
        let (shots, reports) = made.fill(|db| fill(db, &mut dice));
        let db = made.open();
        for run in 1..=2 {
            let snapshot = Snapshot::of(&db, &RunRef::Number(run)).unwrap();
            let of_run = |s: &&Put| s.run == run;
            let shots: Vec<Put> = shots.iter().filter(of_run).cloned().collect();
            let reports = reports.iter().filter(|r| r.run == run).cloned().collect();
            check(&snapshot, shots, reports, &mut dice);
        }
    }
}

#[test]
fn slots_and_totals_are_what_the_rows_add_up_to() {
    each_database(|run, all, reports, _| {
        let slots = run.slots().unwrap();
        assert_eq!(slots.len(), 5);
        for (slot, row) in (0..).zip(&slots) {
            let shots: Vec<&Put> = all.iter().filter(|s| s.slot == slot).collect();
            let outcome = |word| count(&shots, |s| s.outcome == word);
            assert_eq!(*row.slot, *format!("S{slot}"));
            assert_eq!(row.shots, i64::try_from(shots.len()).unwrap());
            assert_eq!(row.detected, outcome(Some("detected")));
            assert_eq!(row.missed, outcome(Some("missed")));
            assert_eq!(row.unknowable, outcome(Some("unknowable")));
            assert_eq!(row.open, outcome(None));
            assert_eq!(row.misplaced, count(&shots, |s| s.misplaced));
            assert_eq!(row.misgraded, count(&shots, |s| s.misgraded));
            assert_eq!(row.late, count(&shots, |s| s.late));
            assert_eq!(row.shared, count(&shots, |s| s.shared));
            assert_eq!(row.orphans, count(&reports, |r| r.role == "orphan" && r.slot == Some(slot)));
            assert_eq!(row.echoes, count(&reports, |r| r.role == "echo" && r.shot_slot == Some(slot)));
            let latencies: Vec<i64> = shots.iter().filter_map(|s| s.latency).collect();
            let told = row.latency_ns;
            for (percent, is) in [
                (50, told.map(|l| l.p50)),
                (95, told.map(|l| l.p95)),
                (99, told.map(|l| l.p99)),
                (100, told.map(|l| l.max)),
            ] {
                assert_eq!(is, quantile(&latencies, percent), "{percent} % of {latencies:?}");
            }
            let judged = row.detected + row.missed;
            assert_eq!(row.detection_rate, (judged > 0).then(|| row.detected as f64 / judged as f64));
            let rated: Vec<f64> = shots.iter().filter_map(|s| s.detected_p).collect();
            let estimate = (!rated.is_empty()).then(|| rated.iter().sum::<f64>() / rated.len() as f64);
            assert_eq!(row.detection_estimate, estimate);
            let below = |least: f64| count(&shots, |s| s.confidence.is_some_and(|c| c < least));
            assert_eq!((row.doubt.unsure, row.doubt.guessed), (below(0.9), below(0.5)));
            assert_eq!(row.doubt.unsure_share, (judged > 0).then(|| below(0.9) as f64 / judged as f64));
            // The run was watched for an hour with a window of 5 s, see `fill`.
            let by_chance = 1.0 - (-5.0 * row.orphans as f64 / 3600.0).exp();
            let close = |told: Option<f64>, is: f64| told.is_some_and(|told| (told - is).abs() < 1e-12);
            assert!(close(row.chance.chance, by_chance), "{:?}", row.chance);
            assert!(close(row.chance.accidental.map(|n| n / 1e3), judged as f64 * by_chance / 1e3));
            assert!(close(row.chance.orphans_per_hour, row.orphans as f64));
            let corrected = row.detection_rate.map(|rate| ((rate - by_chance) / (1.0 - by_chance)).max(0.0));
            assert!(row.chance.detection_corrected.zip(corrected).is_none_or(|(told, is)| (told - is).abs() < 1e-12));
            assert_eq!(row.chance.detection_corrected.is_some(), corrected.is_some());
            let blamed: i64 = row.blamed_on.iter().map(|b| b.shots).sum();
            assert_eq!(blamed, count(&shots, |s| s.misplaced && s.blamed.is_some()));
            for on in &row.blamed_on {
                assert_eq!(on.shots, count(&shots, |s| s.blamed.is_some_and(|b| *on.slot == *format!("S{b}"))));
            }
            assert!(row.blamed_on.is_sorted_by_key(|b| (-b.shots, b.slot.clone())));
        }
        let totals = run.run_summary().unwrap().totals;
        let sum = |of: fn(&questions::SlotRow) -> i64| slots.iter().map(of).sum::<i64>();
        assert_eq!(totals.shots, sum(|s| s.shots));
        assert_eq!(totals.doubt.unsure, sum(|s| s.doubt.unsure));
        assert_eq!(totals.doubt.guessed, sum(|s| s.doubt.guessed));
        let rated: Vec<f64> = all.iter().filter_map(|s| s.detected_p).collect();
        let estimate = (!rated.is_empty()).then(|| rated.iter().sum::<f64>() / rated.len() as f64);
        assert_eq!(totals.detection_estimate, estimate);
        assert_eq!(totals.detected, sum(|s| s.detected));
        assert_eq!(totals.missed, sum(|s| s.missed));
        assert_eq!(totals.unknowable, sum(|s| s.unknowable));
        assert_eq!(totals.open, sum(|s| s.open));
        assert_eq!(totals.misplaced, sum(|s| s.misplaced));
        assert_eq!(totals.misgraded, sum(|s| s.misgraded));
        assert_eq!(totals.late, sum(|s| s.late));
        assert_eq!(totals.shared, sum(|s| s.shared));
        assert_eq!(totals.echoes, sum(|s| s.echoes));
        assert_eq!(totals.orphans - totals.orphans_without_place, sum(|s| s.orphans));
        assert_eq!(totals.reports, i64::try_from(reports.len()).unwrap());
        assert_eq!(totals.matches, count(&reports, |r| r.role == "match"));
    });
}

#[test]
fn every_filter_gives_exactly_its_shots_page_by_page() {
    each_database(|run, all, _, dice| {
        for _ in 0..8 {
            let mut flag = || dice.chance(25).then(|| dice.chance(70));
            let (misplaced, misgraded, late, shared) = (flag(), flag(), flag(), flag());
            let filter = ShotFilter {
                slot: dice.chance(30).then(|| format!("S{}", dice.below(SLOTS))),
                outcome: dice.chance(40).then(|| OutcomeWord::ALL[usize::try_from(dice.below(4)).unwrap()]),
                injector: dice.chance(30).then(|| "one".to_owned()),
                since: dice.chance(30).then(|| questions::Stamp::Mono(vocabulary::Mono(dice.below(700)))),
                until: dice.chance(30).then(|| questions::Stamp::Mono(vocabulary::Mono(300 + dice.below(700)))),
                misplaced,
                misgraded,
                late,
                shared,
            };
            let bound = |stamp: Option<questions::Stamp>| match stamp {
                Some(questions::Stamp::Mono(at)) => Some(at.0),
                _ => None,
            };
            let fits = |s: &&Put| {
                filter.slot.as_ref().is_none_or(|name| *name == format!("S{}", s.slot))
                    && filter.outcome.is_none_or(|o| o.word() == s.outcome.unwrap_or("open"))
                    && filter.injector.as_ref().is_none_or(|i| i == s.injector)
                    && bound(filter.since).is_none_or(|at| s.fired >= at)
                    && bound(filter.until).is_none_or(|at| s.fired < at)
                    && filter.misplaced.is_none_or(|f| f == s.misplaced)
                    && filter.misgraded.is_none_or(|f| f == s.misgraded)
                    && filter.late.is_none_or(|f| f == s.late)
                    && filter.shared.is_none_or(|f| f == s.shared)
            };
            let expected: Vec<(String, i64)> =
                all.iter().filter(fits).map(|s| (format!("i{}", s.injection), s.shot)).collect();
            let limit = usize::try_from(1 + dice.below(7)).unwrap();
            let (mut got, mut after) = (Vec::new(), None);
            loop {
                let page = run.shots(&filter, &Page { limit, after }).unwrap();
                assert!(page.items.len() == limit || page.next.is_none());
                got.extend(page.items.into_iter().map(|s| (s.injection, s.shot)));
                after = page.next;
                if after.is_none() {
                    break;
                }
            }
            assert_eq!(got, expected, "{filter:?}");
        }
    });
}

#[test]
fn orphans_are_the_reports_of_that_role_page_by_page() {
    each_database(|run, _, reports, _| {
        let expected: Vec<i64> = reports.iter().filter(|r| r.role == "orphan").map(|r| r.report).collect();
        let (mut got, mut after) = (Vec::new(), None);
        loop {
            let page = run.orphans(&ReportFilter::default(), &Page { limit: 3, after }).unwrap();
            got.extend(page.items.iter().filter_map(|r| r.report));
            after = page.next;
            if after.is_none() {
                break;
            }
        }
        assert_eq!(got, expected);
    });
}
