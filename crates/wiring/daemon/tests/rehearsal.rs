//! The whole daemon on the simulated machine: what the database answers is what the machine really did, to the shot.

#![allow(clippy::unwrap_used, reason = "a test")]

use daemon::{RehearseOrder, Rehearsed, ShotTruth, rehearse};
use questions::{
    OutcomeWord, Page, RailFilter, ReportFilter, ReportRow, RunRef, ShotFilter, ShotRow, SlotRow, Snapshot, Strength,
};
use std::path::Path;
use tokio::sync::watch;

struct Answers {
    slots: Vec<SlotRow>,
    shots: Vec<ShotRow>,
    orphans: Vec<ReportRow>,
    reports: Vec<ReportRow>,
}

fn ask(db: &Path, run: &str) -> Answers {
    let connection = store::open_read(db).unwrap();
    let snapshot = Snapshot::of(&connection, &RunRef::Name(run.to_owned())).unwrap();
    let all = Page::first(10_000);
    Answers {
        slots: snapshot.slots().unwrap(),
        shots: snapshot.shots(&ShotFilter::default(), &all).unwrap().items,
        orphans: snapshot.orphans(&ReportFilter::default(), &all).unwrap().items,
        reports: snapshot.reports(&ReportFilter::default(), &all).unwrap().items,
    }
}

/// Everything that the truth says of a shot, in the words of the database.
type Told = (String, i64, String, OutcomeWord, Option<String>, Option<String>, Option<i64>, [bool; 4]);

fn truth_of(shot: &ShotTruth) -> Told {
    let report = shot.report.as_ref();
    (
        shot.injection.clone(),
        i64::from(shot.shot),
        shot.slot.clone(),
        if report.is_some() { OutcomeWord::Detected } else { OutcomeWord::Missed },
        report.map(|r| r.blamed.clone()).filter(|_| shot.misplaced()),
        report.map(|r| r.severity.word().to_owned()),
        report.map(|r| r.latency_ns),
        [shot.misplaced(), shot.misgraded(), report.is_some_and(|r| r.late), report.is_some_and(|r| r.shared)],
    )
}

fn answer_of(shot: &ShotRow) -> Told {
    (
        shot.injection.clone(),
        shot.shot,
        shot.slot.as_deref().unwrap_or_default().to_owned(),
        shot.outcome,
        shot.blamed_slot.as_deref().map(str::to_owned).filter(|_| shot.misplaced),
        shot.severity.clone(),
        shot.latency_ns,
        [shot.misplaced, shot.misgraded, shot.late, shot.shared],
    )
}

fn compare(done: &Rehearsed, answers: &Answers) {
    let numbers = |shots: usize| i64::try_from(shots).unwrap();
    let truth: Vec<_> = done
        .slots
        .iter()
        .map(|s| {
            let counts = [s.fired, s.reported, s.missed, 0, s.blamed_on_neighbour, s.misgraded, s.late, s.shared];
            (s.slot.clone(), counts.map(numbers), numbers(s.unprovoked), 0, numbers(s.excursions))
        })
        .collect();
    let found: Vec<_> = answers
        .slots
        .iter()
        .map(|s| {
            let unsettled = s.unknowable + s.open;
            let counts = [s.shots, s.detected, s.missed, unsettled, s.misplaced, s.misgraded, s.late, s.shared];
            (s.slot.to_string(), counts, s.orphans, s.echoes, s.supply.rail_excursions.unwrap_or(0))
        })
        .collect();
    assert_eq!(found, truth);
    let truth: Vec<Told> = done.shots.iter().map(truth_of).collect();
    let found: Vec<Told> = answers.shots.iter().map(answer_of).collect();
    assert_eq!(found, truth);
    let truth: Vec<_> = done.unprovoked.iter().map(|u| (u.slot.clone(), u.seen.0)).collect();
    let mut found: Vec<_> =
        answers.orphans.iter().map(|o| (o.slot.as_deref().unwrap_or_default().to_owned(), o.seen_ns)).collect();
    // They are told in the order of settling.
    found.sort_by_key(|(_, seen)| *seen);
    assert_eq!(found, truth);
}

/// Whether the machine stood still in a way that leaves more than one right answer: a wrong blame came after the deadline as well,
/// which no plan has, so that a miss beside an error that nobody provoked is as likely; or looks at the machine, of which
/// there is one a second, were so far apart that what was collected may belong to either of two misses.
fn is_held_up(done: &Rehearsed, db: &Path) -> bool {
    let late = done.shots.iter().any(|shot| shot.misplaced() && shot.report.as_ref().is_some_and(|r| r.late));
    let looks = "SELECT count(*) FROM machine_count WHERE at_ns - from_ns > 1250000000";
    late || store::open_read(db).unwrap().query_row(looks, [], |row| row.get::<_, i64>(0)).unwrap() > 0
}

async fn rehearsed_without_a_hold_up(home: &Path) -> (RehearseOrder, Rehearsed) {
    for attempt in 0..6 {
        let db = home.join(format!("runs-{attempt}.db"));
        let order = RehearseOrder { seconds: 5, run: Some("short".into()), ..RehearseOrder::new(db) };
        let (_stop, stopped) = watch::channel(false);
        let done = rehearse(&order, stopped).await.unwrap();
        if !is_held_up(&done, &order.db) {
            return (order, done);
        }
    }
    panic!("the machine was held up in every rehearsal");
}

#[tokio::test]
async fn the_answers_are_the_truth() {
    let home = tempfile::tempdir().unwrap();
    let (order, done) = rehearsed_without_a_hold_up(home.path()).await;
    let answers = ask(&order.db, &done.run);
    compare(&done, &answers);
    assert_eq!((done.run.as_str(), done.cut_short, done.slots.len()), ("short", false, 8));
    assert!(done.endpoint.ip().is_loopback() && done.endpoint.port() > 0);

    // A truth in which nothing happens would prove nothing.
    let total = |of: fn(&daemon::SlotTruth) -> usize| done.slots.iter().map(of).sum::<usize>();
    assert!(total(|s| s.fired) >= 28);
    assert!(total(|s| s.missed) >= 1 && total(|s| s.blamed_on_neighbour) >= 1 && total(|s| s.unprovoked) >= 1);
    assert_eq!((total(|s| s.misgraded), total(|s| s.shared)), (1, 3));
    assert!(total(|s| s.late) >= 1);
    assert_eq!(total(|s| s.excursions), 1);

    // Every report is told by its trace event and has the machine-check record with it. The counter's step is with it too,
    // unless one step showed two errors of a slot.
    assert!(answers.reports.iter().all(|r| r.source == "mc_event" && r.witnesses >= 2), "{:?}", answers.reports);
    assert!(answers.reports.iter().filter(|r| r.witnesses >= 3).count() > answers.reports.len() / 2);
    assert!(answers.shots.iter().all(|s| s.injector == "simulated-injector"));

    // The supply that was too low, with the limits of the simulated machine's memory.
    let connection = store::open_read(&order.db).unwrap();
    let snapshot = Snapshot::of(&connection, &RunRef::Name(done.run.clone())).unwrap();
    let rails = snapshot.rails(&RailFilter::default(), &Page::first(10)).unwrap().items;
    let [vdd] = rails.as_slice() else { panic!("{rails:#?}") };
    assert_eq!((vdd.slot.as_deref(), vdd.rail.as_str(), vdd.min_limit_mv), (Some("LEFT_B2"), "VDD", Some(1140.0)));
    assert_eq!((vdd.readings, vdd.outside, vdd.min_mv, vdd.max_mv), (4, Some(1), 1128.0, 1200.5));
    assert!(vdd.outside_ns > Some(0) && vdd.outside_ns < Some(vdd.covered_ns), "{vdd:#?}");
    drop(snapshot);

    // Of each miss the first cause is the true one: the collector took the error, or none happened.
    let misses = ShotFilter { outcome: Some(OutcomeWord::Missed), ..ShotFilter::default() };
    let connection = store::open_read(&order.db).unwrap();
    let snapshot = Snapshot::of(&connection, &RunRef::Name(done.run.clone())).unwrap();
    let misses = snapshot.shots_with_causes(&misses, &Page::first(100)).unwrap().items;
    let first = |shot: &ShotRow| shot.causes.as_ref().and_then(|causes| causes.first()).map(|c| (c.word, c.strength));
    let collected = |shot: &ShotRow| done.shots.iter().any(|s| s.injection == shot.injection && s.collected);
    assert!(misses.iter().any(collected), "{misses:#?}");
    for miss in &misses {
        match first(miss) {
            Some((cause, _)) if collected(miss) => assert_eq!(cause, "collector", "{miss:#?}"),
            // On a machine that is held up, looks are rare, and one may show what was taken from another miss.
            Some((cause, strength)) => {
                assert!(cause == "nothing_seen" || (cause, strength) == ("collector", Strength::Possible), "{miss:#?}");
            }
            None => panic!("no cause: {miss:#?}"),
        }
    }

    // The injector answers pings, and its clock is known by the round trips over a local socket.
    let clocks = snapshot.clocks().unwrap();
    assert_eq!(clocks.len(), 1);
    assert_eq!(
        (clocks[0].how.as_str(), clocks[0].resets, clocks[0].jumps, clocks[0].contradictions),
        ("two-way", 0, 0, 0)
    );
    assert!(clocks[0].pongs >= 5 && clocks[0].ticks >= 2, "{clocks:?}");
    assert!(clocks[0].uncertainty_ns < Some(20_000_000) && clocks[0].means.contains("known to within"), "{clocks:?}");

    // The name is taken now, and a rehearsal is always a new run.
    let (_stop, stopped) = watch::channel(false);
    let refused = rehearse(&order, stopped).await.unwrap_err().to_string();
    assert!(refused.contains("has a run named \"short\" already"), "{refused}");
}

#[tokio::test]
async fn a_rehearsal_can_be_stopped_at_any_time() {
    let home = tempfile::tempdir().unwrap();
    let order = RehearseOrder { seconds: 600, ..RehearseOrder::new(home.path().join("runs.db")) };
    let (stop, stopped) = watch::channel(false);
    let (done, ()) = tokio::join!(rehearse(&order, stopped), async {
        tokio::time::sleep(std::time::Duration::from_millis(1500)).await;
        stop.send(true).unwrap();
    });
    let done = done.unwrap();
    assert!(done.cut_short && done.run.starts_with("rehearsal-"), "{}", done.run);
    let answers = ask(&order.db, &done.run);
    // What was reported stays so; of what was not, nobody can say any more that it never would have been.
    for (truth, found) in done.shots.iter().zip(&answers.shots) {
        let outcomes = match truth.report {
            Some(_) => [OutcomeWord::Detected].as_slice(),
            None => &[OutcomeWord::Unknowable, OutcomeWord::Missed],
        };
        assert!(outcomes.contains(&found.outcome), "{truth:?} {found:?}");
    }
    assert_eq!(answers.shots.len(), done.shots.len());
}
