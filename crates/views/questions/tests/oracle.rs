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
use verdict::{RunState, Share};
use vocabulary::Wall;

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
    latency_min: Option<i64>,
    watched: Option<bool>,
    lines: Vec<String>,
    misplaced: bool,
    misgraded: bool,
    late: bool,
    shared: bool,
    dangerous: bool,
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
            let sql = "INSERT INTO slot (run, slot, name, label, controller, channel, number, place, code)
                       VALUES (?1, ?2, 'S' || ?2, 'S' || ?2, 0, ?2, 0, '[]', iif(?2 % 2 = 0, 'some code', NULL))";
            db.execute(sql, [run, slot]).unwrap();
        }
    }
    // Injections of both runs take turns, so that the numbers of one run have holes.
    for injection in 1..=dice.below(60) {
        let (run, slot) = (1 + dice.below(2), dice.below(SLOTS - 1));
        let injector = if dice.chance(50) { "one" } else { "two" };
        let lines: Vec<String> = (0..3).filter(|_| dice.chance(60)).map(|n| format!("DQ{n}")).collect();
        let sql =
            "INSERT INTO injection (injection, boot, run, injector, id, feed, slot, arrived_ns, lines, hold_us, shots, spacing_us, force, expect, note, line, seen_ppm)
             VALUES (?1, ?2, ?2, ?3, 'i' || ?1, 'f', ?4, 0, ?5, 1, 1, 0, NULL, NULL, NULL, '', nullif(?1 % 3, 0) * 250000)";
        let lines_json = serde_json::Value::from(lines.clone()).to_string();
        db.execute(sql, params![injection, run, injector, slot, lines_json]).unwrap();
        for shot in 1..=1 + dice.below(4) {
            let outcome = [Some("detected"), Some("detected"), Some("missed"), Some("unknowable"), None]
                [usize::try_from(dice.below(5)).unwrap()];
            let seen = outcome == Some("detected");
            let misplaced = seen && dice.chance(30);
            let rated = (seen || outcome == Some("missed")) && dice.chance(90);
            // Nanoseconds up to minutes, each power of two as often as any other.
            let power = dice.below(38);
            let latency = (seen && dice.chance(90)).then(|| dice.below(1 << power));
            let put = Put {
                run,
                injection,
                shot,
                slot,
                injector,
                fired: dice.below(1000),
                outcome,
                latency,
                latency_min: latency.filter(|_| dice.chance(90)).map(|latency| dice.below(latency + 1)),
                watched: outcome.map(|outcome| outcome == "missed" || (seen && dice.chance(80))),
                lines: lines.clone(),
                misplaced,
                misgraded: seen && dice.chance(20),
                late: seen && dice.chance(20),
                shared: seen && dice.chance(20),
                dangerous: seen && dice.chance(10),
                blamed: (misplaced && dice.chance(70)).then(|| dice.below(SLOTS)),
                confidence: rated.then(|| dice.below(101) as f64 / 100.0),
                // Eighths add up without rounding in any order.
                detected_p: rated.then(|| dice.below(9) as f64 / 8.0),
            };
            db.execute(
                "INSERT INTO shot (injection, shot, run, boot, slot, fired_ns, fired_to_ns, outcome, latency_ns, misplaced, misgraded,
                                   late, shared, blamed_slot, confidence, detected_p, latency_min_ns, watched, dangerous)
                 VALUES (?1, ?2, ?3, ?3, ?4, ?5, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17)",
                params![
                    put.injection, put.shot, put.run, put.slot, put.fired, put.outcome, put.latency, put.misplaced,
                    put.misgraded, put.late, put.shared, put.blamed, put.confidence, put.detected_p, put.latency_min, put.watched,
                    put.dangerous
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
            assert_eq!(row.watched, count(&shots, |s| s.outcome == Some("detected") && s.watched == Some(true)));
            assert_eq!(row.missed, outcome(Some("missed")));
            assert_eq!(row.unknowable, outcome(Some("unknowable")));
            assert_eq!(row.open, outcome(None));
            assert_eq!(row.misplaced, count(&shots, |s| s.misplaced));
            assert_eq!(row.misgraded, count(&shots, |s| s.misgraded));
            assert_eq!(row.dangerous, count(&shots, |s| s.dangerous));
            // See `fill`: of every third injection it is not known, and each says that it is one shot.
            let first_shots = shots.iter().filter(|s| s.shot == 1);
            let seen: Vec<f64> =
                first_shots.map(|s| s.injection % 3).filter(|n| *n > 0).map(|n| n as f64 / 4.0).collect();
            let mean = (!seen.is_empty()).then(|| seen.iter().sum::<f64>() / seen.len() as f64);
            assert_eq!(row.seen_p.is_some(), mean.is_some());
            assert!((row.seen_p.unwrap_or(0.0) - mean.unwrap_or(0.0)).abs() < 1e-12, "{:?} {mean:?}", row.seen_p);
            assert_eq!(row.late, count(&shots, |s| s.late));
            assert_eq!(row.shared, count(&shots, |s| s.shared));
            assert_eq!(row.orphans, count(&reports, |r| r.role == "orphan" && r.slot == Some(slot)));
            assert_eq!(row.echoes, count(&reports, |r| r.role == "echo" && r.shot_slot == Some(slot)));
            let latencies: Vec<i64> = shots.iter().filter_map(|s| s.latency).collect();
            let told = row.latency_ns;
            assert_eq!(
                told.map(|l| (l.min, l.max)),
                latencies.iter().min().copied().zip(latencies.iter().max().copied())
            );
            for (percent, told) in
                [50, 95, 99].into_iter().zip(told.map_or([None; 3], |l| [l.p50, l.p95, l.p99].map(Some)))
            {
                let exact = quantile(&latencies, percent);
                let close = |(told, exact): (i64, i64)| told == exact || exact < told && (told - exact) * 32 < exact;
                assert_eq!(told.is_some(), exact.is_some());
                assert!(told.zip(exact).is_none_or(close), "{told:?} for {percent} % of {latencies:?}");
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
        assert_eq!(totals.watched, sum(|s| s.watched));
        assert_eq!(totals.missed, sum(|s| s.missed));
        assert_eq!(totals.unknowable, sum(|s| s.unknowable));
        assert_eq!(totals.open, sum(|s| s.open));
        assert_eq!(totals.misplaced, sum(|s| s.misplaced));
        assert_eq!(totals.misgraded, sum(|s| s.misgraded));
        assert_eq!(totals.dangerous, sum(|s| s.dangerous));
        assert_eq!(totals.late, sum(|s| s.late));
        assert_eq!(totals.shared, sum(|s| s.shared));
        assert_eq!(totals.echoes, sum(|s| s.echoes));
        assert_eq!(totals.orphans - totals.orphans_without_place, sum(|s| s.orphans));
        assert_eq!(totals.reports, i64::try_from(reports.len()).unwrap());
        assert_eq!(totals.matches, count(&reports, |r| r.role == "match"));
    });
}

/// The evidence for a verdict is what plain counting gives.
fn told_as_evidence(run: &Snapshot<'_>, all: &[Put]) {
    let told = run.evidence(Wall(0)).unwrap();
    assert_eq!((told.run, told.window_ns), (format!("r{}", run.run()), Some(5_000_000_000)));
    // No clock was ever measured in this run: nobody can say that it is being watched.
    assert_eq!(told.state, RunState::CutOff);
    assert_eq!(told.slots.len(), 5);
    for (number, slot) in (0..).zip(&told.slots) {
        let shots: Vec<&Put> = all.iter().filter(|s| s.slot == number).collect();
        let is = |word| move |s: &&&Put| s.outcome == word;
        let many = |n: usize| u64::try_from(n).unwrap();
        let count = |which: &dyn Fn(&&&Put) -> bool| many(shots.iter().filter(which).count());
        let seen: Vec<&Put> =
            shots.iter().filter(is(Some("detected"))).filter(|s| s.watched == Some(true)).copied().collect();
        let of_seen = |which: &dyn Fn(&Put) -> bool| many(seen.iter().filter(|s| which(s)).count());
        assert_eq!(
            [slot.shots, slot.detected, slot.missed, slot.unknowable, slot.open, slot.detected_watched],
            [
                many(shots.len()),
                count(&is(Some("detected"))),
                count(&is(Some("missed"))),
                count(&is(Some("unknowable"))),
                count(&is(None)),
                many(seen.len())
            ]
        );
        let placed = of_seen(&|s| s.blamed.is_some());
        let misplaced = of_seen(&|s| s.misplaced);
        assert_eq!(slot.misplaced, Share { count: misplaced, of: placed.max(misplaced) });
        assert_eq!(slot.misgraded, Share { count: of_seen(&|s| s.misgraded), of: many(seen.len()) });
        // Slots of even number have a code, see `fill`.
        let dangerous = of_seen(&|s| s.dangerous);
        assert_eq!(
            slot.dangerous,
            Share { count: dangerous, of: if number % 2 == 0 { many(seen.len()) } else { dangerous } }
        );
        assert_eq!(slot.late, of_seen(&|s| s.late));
        // An hour, and the same for all slots of the controller.
        assert_eq!(slot.watched_ns, 3_600_000_000_000);

        let counts: Vec<&Put> = shots.iter().filter(|s| s.watched == Some(true)).copied().collect();
        let rated: Vec<f64> = counts.iter().filter_map(|s| s.detected_p).collect();
        assert_eq!(slot.rated.is_some(), !rated.is_empty() && rated.len() == counts.len());
        if let Some(told) = slot.rated {
            assert_eq!(told.detected, rated.iter().sum::<f64>());
            assert_eq!(told.variance, rated.iter().map(|p| p * (1.0 - p)).sum::<f64>());
        }
        let cells: u64 = slot.latencies.iter().map(|cell| cell.shots).sum();
        assert_eq!(cells, of_seen(&|s| s.latency.is_some()));
        let mut names: Vec<&String> = counts.iter().flat_map(|s| &s.lines).collect();
        names.sort();
        names.dedup();
        assert_eq!(slot.lines.iter().map(|line| &line.line).collect::<Vec<_>>(), names);
        for line in &slot.lines {
            let forced: Vec<&&Put> = counts.iter().filter(|s| s.lines.contains(&line.line)).collect();
            let detected = forced.iter().filter(|s| s.outcome == Some("detected")).count();
            assert_eq!((line.shots, line.detected), (many(forced.len()), many(detected)));
        }
    }
}

#[test]
fn what_is_kept_for_a_verdict_is_what_the_rows_add_up_to() {
    each_database(|run, all, _, _| {
        let detected = |s: &&Put| s.outcome == Some("detected");
        let watched = |s: &&Put| s.watched == Some(true);
        for (slot, row) in (0..).zip(run.watched_slots().unwrap()) {
            let shots: Vec<&Put> = all.iter().filter(|s| s.slot == slot).collect();
            let seen: Vec<&Put> = shots.iter().copied().filter(watched).collect();
            assert_eq!(row.shots, count(&shots, |_| true));
            assert_eq!(
                (row.detected, row.missed),
                (count(&seen, detected), count(&shots, |s| s.outcome == Some("missed")))
            );
            assert_eq!(row.left_out, count(&shots, |s| detected(s) && !watched(s)));
            assert_eq!(row.detected + row.missed + row.left_out + row.unknowable + row.open, row.shots);
            assert_eq!(row.misplaced, count(&seen, |s| s.misplaced));
            assert_eq!(row.misgraded, count(&seen, |s| s.misgraded));
            assert_eq!(row.dangerous, count(&seen, |s| s.dangerous));
            assert_eq!(row.placed, count(&seen, |s| s.blamed.is_some()));
            assert_eq!(row.late, count(&seen, |s| s.late));
            let rated: Vec<f64> = seen.iter().filter_map(|s| s.detected_p).collect();
            assert_eq!(row.rated, count(&rated, |_| true));
            // Eighths, and products of them, are exact.
            assert_eq!(row.rated_sum, rated.iter().sum::<f64>());
            assert_eq!(row.rated_variance, rated.iter().map(|p| p * (1.0 - p)).sum::<f64>());
        }

        told_as_evidence(run, &all);

        let cells = run.latency_cells().unwrap();
        for of_slot in &cells {
            assert!(of_slot.cells.is_sorted_by_key(|cell| (cell.to_ns, cell.from_ns)) && !of_slot.cells.is_empty());
            let shots: Vec<&Put> = all.iter().filter(|s| *of_slot.slot == *format!("S{}", s.slot)).collect();
            for cell in &of_slot.cells {
                let here = |s: &&&Put| {
                    s.latency.is_some_and(|latency| {
                        let ends = vocabulary::LatencyCell::of(s.latency_min.unwrap_or(0), latency);
                        (ends.from_ns, ends.to_ns) == (cell.from_ns, cell.to_ns)
                    })
                };
                let here: Vec<&Put> = shots.iter().filter(here).copied().collect();
                assert!(cell.shots > 0);
                assert_eq!((cell.shots, cell.watched), (count(&here, |_| true), count(&here, watched)), "{cell:?}");
            }
            let latencies: Vec<i64> = shots.iter().filter_map(|s| s.latency).collect();
            assert_eq!(Some(of_slot.least_ns), latencies.iter().min().copied());
            assert_eq!(Some(of_slot.most_ns), latencies.iter().max().copied());
        }
        let kept: i64 = cells.iter().flat_map(|of_slot| &of_slot.cells).map(|cell| cell.shots).sum();
        assert_eq!(kept, count(&all, |s| s.latency.is_some()), "no latency is in no cell");

        let lines = run.lines().unwrap();
        for row in &lines {
            let here = |s: &&Put| *row.slot == *format!("S{}", s.slot) && s.lines.contains(&row.line);
            let shots: Vec<&Put> = all.iter().filter(here).collect();
            assert_eq!(row.shots, count(&shots, |_| true));
            assert_eq!(row.detected, count(&shots, detected));
            assert_eq!(row.missed, count(&shots, |s| s.outcome == Some("missed")));
            assert_eq!(row.unknowable, count(&shots, |s| s.outcome == Some("unknowable")));
            assert_eq!(row.watched, count(&shots, |s| detected(s) && watched(s)));
        }
        let forced: usize = all.iter().map(|s| s.lines.len()).sum();
        assert_eq!(lines.iter().map(|row| row.shots).sum::<i64>(), i64::try_from(forced).unwrap());
    });
}

#[test]
fn every_filter_gives_exactly_its_shots_page_by_page() {
    each_database(|run, all, _, dice| {
        for _ in 0..8 {
            let mut flag = || dice.chance(25).then(|| dice.chance(70));
            let (misplaced, misgraded, late, shared, dangerous) = (flag(), flag(), flag(), flag(), flag());
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
                dangerous,
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
                    && filter.dangerous.is_none_or(|f| f == s.dangerous)
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
