//! What a restarted engine gets back, and boots that are over.

use crate::fixture::{SECOND, answer, begun, fill, machine_check, order, place, seen, start, witness};
use store::{Record, Settled, shot_name};
use vocabulary::{Gap, Mono, Outcome, ShotKey, SlotId, Source, Span};

#[test]
fn values_come_back_as_they_went_in() {
    let at = place();
    let (mut store, begun) = begun(&at.db);
    fill(&mut store);
    let back = store.restore(begun.run, begun.boot, 60 * SECOND).unwrap();
    assert_eq!((back.numbers.next_witness, back.numbers.next_report), (4, 3));
    let first = Mono(10 * SECOND + 40_000_000);
    let expected = [seen(Source::McEvent, first), machine_check(first), seen(Source::McEvent, Mono(20 * SECOND))];
    for (got, (want, report)) in back.witnesses.iter().zip(expected.iter().zip([1, 1, 2])) {
        assert_eq!((&got.witness, got.report, got.known), (want, Some(report), want.span.to));
    }
    assert_eq!(back.witnesses.iter().map(|w| w.id).collect::<Vec<_>>(), [1, 2, 3]);
    let shot = &back.shots[1];
    assert_eq!(shot.shot.key, ShotKey { injection: 1, n: 2 });
    assert_eq!((shot.shot.name.as_ref(), shot.shot.slot), ("inj1/i-1", SlotId(0)));
    assert_eq!(shot.shot.name, shot_name("inj1", "i-1"));
    let fired = 10 * SECOND + SECOND / 2;
    assert_eq!(shot.shot.fired, Span::new(Mono(fired), Mono(fired + 1_000)));
    assert_eq!((shot.shot.hold_ns, shot.shot.known), (200_000, Mono(10 * SECOND + 5_000)));
    assert_eq!(shot.shot.expect, vocabulary::Expected::only(vocabulary::Severity::Corrected));
    let settled: Vec<_> = back.shots.iter().map(|s| s.settled).collect();
    let told = |outcome, report: Option<i64>| {
        let (blamed, severity) = (report.map(|_| SlotId(0)), report.map(|_| vocabulary::Severity::Corrected));
        Some(Settled { outcome, report, blamed, severity })
    };
    assert_eq!(
        settled,
        [told(Outcome::Detected, Some(1)), told(Outcome::Missed, None), told(Outcome::Unknowable, None), None, None]
    );
    let gap = Span::new(Mono(11 * SECOND), Mono(12 * SECOND));
    assert_eq!(back.gaps, [Gap { span: gap, of: "mc_event".into(), controller: None, why: "ring overrun".into() }]);
}

#[test]
fn the_horizon_is_the_oldest_open_shot_or_the_time_watched() {
    let at = place();
    let (mut store, begun) = begun(&at.db);
    let key = |injection| ShotKey { injection, n: 1 };
    let missed = |injection| Record::Shot(Box::new(answer(key(injection), Outcome::Missed, None)));
    let gap = |from: i64, to: i64| {
        let span = Span::new(Mono(from * SECOND), Mono(to * SECOND));
        Record::Gap(Gap { span, of: "counter".into(), controller: Some(1), why: "driver gone".into() })
    };
    let mut batch = vec![order(1, "old", 1, 100), order(2, "open", 1, 150), order(3, "new", 1, 200)];
    batch.extend([missed(1), missed(3), gap(90, 99), gap(80, 141)]);
    batch.push(witness(1, seen(Source::McEvent, Mono(139 * SECOND))));
    batch.push(witness(2, seen(Source::McEvent, Mono(140 * SECOND))));
    batch.push(Record::Watched(Mono(205 * SECOND)));
    store.write(&batch).unwrap();

    let names = |store: &store::Store, margin: i64| {
        let back = store.restore(begun.run, begun.boot, margin * SECOND).unwrap();
        let shots: Vec<String> = back.shots.iter().map(|s| s.shot.name.to_string()).collect();
        let witnesses: Vec<i64> = back.witnesses.iter().map(|w| w.id).collect();
        (shots.join(" "), witnesses, back.gaps.len())
    };
    assert_eq!(names(&store, 10), ("inj1/open inj1/new".into(), vec![2], 1));
    assert_eq!(names(&store, 51), ("inj1/old inj1/open inj1/new".into(), vec![1, 2], 2));
    // Once nothing is open, the time watched is the horizon.
    store.write(&[missed(2)]).unwrap();
    assert_eq!(names(&store, 4), (String::new(), vec![], 0));
    assert_eq!(names(&store, 5), ("inj1/new".into(), vec![], 0));
}

#[test]
fn a_long_hold_and_a_late_witness_are_not_old() {
    let at = place();
    let (mut store, begun) = begun(&at.db);
    let mut held = order(1, "held", 1, 10);
    if let Record::Injection { injection, .. } = &mut held {
        injection.hold_us = 60_000_000;
    }
    let late = seen(Source::Counter, Mono(10 * SECOND));
    let late = Record::Witness { id: 1, known: Mono(65 * SECOND), witness: late.into(), slot: None };
    let missed = Record::Shot(Box::new(answer(ShotKey { injection: 1, n: 1 }, Outcome::Missed, None)));
    store.write(&[held, missed, late, Record::Watched(Mono(75 * SECOND))]).unwrap();
    let kept = [1, 5, 10].map(|margin| {
        let back = store.restore(begun.run, begun.boot, margin * SECOND).unwrap();
        (back.shots.len(), back.witnesses.len())
    });
    assert_eq!(kept, [(0, 0), (1, 0), (1, 1)]);
}

#[test]
fn shots_that_were_open_when_the_machine_went_down_are_unknowable() {
    let at = place();
    let (mut store, first) = begun(&at.db);
    fill(&mut store);
    let second = store.begin(&start(Some("r"), "boot-b")).unwrap();
    store.write(&[order(5, "i-2", 1, 3)]).unwrap();

    let before = store.open_before(second.run, second.boot).unwrap();
    let keys: Vec<_> = before.iter().map(|o| (o.boot, o.shot.key.injection, o.shot.key.n)).collect();
    assert_eq!(keys, [(first.boot, 1, 4), (first.boot, 1, 5)]);
    assert_eq!(store.restore(second.run, second.boot, SECOND).unwrap().shots.len(), 1, "the new boot has its own");

    assert_eq!(store.close_earlier_boots(second.run, second.boot).unwrap(), 2);
    assert_eq!(store.close_earlier_boots(second.run, second.boot).unwrap(), 0);
    assert!(store.open_before(second.run, second.boot).unwrap().is_empty());
    let conn = store::open_read(&at.db).unwrap();
    let told: (i64, i64) = conn
        .query_row(
            "SELECT count(*) FILTER (WHERE why = 'the machine went down during the window'),
                    count(*) FILTER (WHERE outcome IS NULL) FROM shot WHERE outcome IS NULL OR shot > 3",
            [],
            |r| Ok((r.get(0)?, r.get(1)?)),
        )
        .unwrap();
    assert_eq!(told, (2, 1));
}
