//! Checkpoints: kept in their turn, one for each boot, and what is given back after one.

use crate::fixture::{SECOND, answer, begun, order, place, report, seen, start, witness};
use store::{Checkpoint, Record, Store};
use vocabulary::{Gap, Mono, Outcome, ShotKey, Source, Span};

fn checkpoint(horizon: i64, next_witness: i64, last_injection: i64) -> Checkpoint {
    Checkpoint {
        horizon: Mono(horizon * SECOND),
        spacing_ns: (horizon > 20).then_some(900_000_000),
        next_witness,
        last_injection,
        version: "0.1.0".into(),
        state: vec![0, 255, 7, u8::try_from(horizon).unwrap()],
    }
}

fn kept(c: &Checkpoint) -> Record {
    Record::Checkpoint(Box::new(c.clone()))
}

fn gap(from: i64, to: i64) -> Record {
    let span = Span::new(Mono(from * SECOND), Mono(to * SECOND));
    Record::Gap(Gap { span, of: "counter".into(), controller: None, why: format!("from {from}") })
}

#[test]
fn the_newest_checkpoint_of_a_boot_is_kept() {
    let at = place();
    let (mut store, first) = begun(&at.db);
    assert_eq!(store.checkpoint(first.boot).unwrap(), None);
    let (old, new) = (checkpoint(20, 1, 0), checkpoint(30, 4, 2));
    store.write(&[kept(&old), kept(&new)]).unwrap();
    let second = store.begin(&start(Some("r"), "boot-b")).unwrap();
    store.write(&[kept(&old)]).unwrap();
    drop(store);
    let mut store = Store::open(&at.db).unwrap();
    assert_eq!(store.checkpoint(first.boot).unwrap(), Some(new));
    assert_eq!(store.checkpoint(second.boot).unwrap(), Some(old.clone()));
    store.forget_checkpoint(first.boot).unwrap();
    assert_eq!(store.checkpoint(first.boot).unwrap(), None);
    assert_eq!(store.checkpoint(second.boot).unwrap(), Some(old));
}

#[test]
fn a_batch_that_fails_leaves_the_checkpoint_before_it() {
    let at = place();
    let (mut store, begun) = begun(&at.db);
    let old = checkpoint(20, 1, 0);
    store.write(&[kept(&old)]).unwrap();
    let other = rusqlite::Connection::open(&at.db).unwrap();
    other.execute_batch("CREATE TRIGGER no BEFORE INSERT ON gap BEGIN SELECT RAISE(ABORT, 'refused'); END").unwrap();
    store.write(&[kept(&checkpoint(30, 4, 2)), gap(1, 2)]).unwrap_err();
    assert_eq!(store.checkpoint(begun.boot).unwrap(), Some(old));
}

#[test]
fn what_came_after_a_checkpoint_is_given_back_settled_or_not() {
    let at = place();
    let (mut store, begun) = begun(&at.db);
    let key = |injection| ShotKey { injection, n: 1 };
    let missed = |injection| Record::Shot(Box::new(answer(key(injection), Outcome::Missed, None)));
    let mut batch = vec![order(1, "before", 2, 10), order(2, "on disk only", 1, 20)];
    batch.extend([1, 2].map(|id| witness(id, seen(Source::McEvent, Mono(id * SECOND)))));
    // Made when the second injection was on disk, but not acknowledged yet.
    let c = checkpoint(25, 3, 1);
    batch.extend([gap(1, 14), gap(2, 15), kept(&c)]);
    batch.extend([order(3, "after", 1, 24), missed(1), missed(3), gap(26, 27)]);
    batch.extend([3, 4].map(|id| witness(id, seen(Source::McEvent, Mono(id * SECOND)))));
    batch.push(Record::Report(Box::new(report(1, &[3], Mono(3 * SECOND), None))));
    store.write(&batch).unwrap();

    let back = store.restore_after(begun.run, begun.boot, &c, 10 * SECOND).unwrap();
    let shots: Vec<_> = back.shots.iter().map(|s| (s.shot.name.as_ref(), s.settled.map(|s| s.outcome))).collect();
    assert_eq!(shots, [("inj1/on disk only", None), ("inj1/after", Some(Outcome::Missed))]);
    assert_eq!(back.witnesses.iter().map(|w| (w.id, w.report)).collect::<Vec<_>>(), [(3, Some(1)), (4, None)]);
    // All that reach to within the margin, those from before the checkpoint too: they can be given twice.
    assert_eq!(back.gaps.iter().map(|g| g.why.as_str()).collect::<Vec<_>>(), ["from 2", "from 26"]);
    let numbers = store.numbers(begun.run).unwrap();
    assert_eq!((back.numbers, numbers.next_witness, numbers.next_report), (numbers, 5, 2));
    assert_eq!(numbers.last_injection, 3);

    // Another boot of the same run has nothing of it.
    let second = store.begin(&start(Some("r"), "boot-b")).unwrap();
    let back = store.restore_after(second.run, second.boot, &c, 10 * SECOND).unwrap();
    assert_eq!((back.shots.len(), back.witnesses.len(), back.gaps.len()), (0, 0, 0));
}
