//! Beginning, naming, continuing and ending runs.

use crate::fixture::{BEGAN, SECOND, begun, book, counter, place, start};
use store::{Record, RunKind, Store, StoreError};
use vocabulary::{ClockPair, Mono, Wall};

#[test]
fn a_run_without_a_name_gets_the_date_and_goes_on_until_it_is_ended() {
    let at = place();
    let mut store = Store::open(&at.db).unwrap();
    let first = store.begin(&start(None, "boot-a")).unwrap();
    assert_eq!((first.name.as_str(), &first.continued), ("run-20270304-050607", &None));
    drop(store);
    let mut store = Store::open(&at.db).unwrap();
    let again = store.begin(&start(None, "boot-a")).unwrap();
    assert_eq!((again.run, again.boot, again.name.as_str()), (first.run, first.boot, "run-20270304-050607"));
    assert!(again.continued.is_some());

    // A run of another kind is not taken for it.
    let mut rehearsal = start(None, "boot-a");
    rehearsal.kind = RunKind::Rehearse;
    let rehearsal = store.begin(&rehearsal).unwrap();
    assert_ne!(rehearsal.run, first.run);
    assert_eq!(rehearsal.name, "run-20270304-050607-2");

    store.begin(&start(None, "boot-a")).unwrap();
    store.write(&[Record::RunEnded { wall: Wall(BEGAN.0 + SECOND) }]).unwrap();
    let next = store.begin(&start(None, "boot-a")).unwrap();
    assert_eq!((next.name.as_str(), &next.continued), ("run-20270304-050607-3", &None));
}

#[test]
fn a_named_run_is_continued_with_what_it_knew() {
    let at = place();
    let (mut store, first) = begun(&at.db);
    let slots = book();
    let mut batch: Vec<Record> = slots.slots().iter().cloned().map(Record::Slot).collect();
    batch.push(Record::Counters(vec![counter(&[], 1), counter(&[0, 1], 40)]));
    batch.push(Record::Counters(vec![counter(&[0, 1], 41)]));
    batch.push(Record::Watched(Mono(30 * SECOND)));
    batch.push(Record::Watched(Mono(29 * SECOND)));
    batch.push(Record::RunEnded { wall: BEGAN });
    store.write(&batch).unwrap();
    drop(store);

    let mut store = Store::open(&at.db).unwrap();
    let mut later = start(Some("r"), "boot-a");
    later.pair = ClockPair { mono: Mono(60 * SECOND), wall: Wall(BEGAN.0 + 59 * SECOND) };
    later.settings_json = r#"{"window_ms":5}"#.into();
    let again = store.begin(&later).unwrap();
    assert_eq!((again.run, again.boot), (first.run, first.boot));
    let had = again.continued.unwrap();
    assert!(had.same_boot);
    assert_eq!(had.watched, Some(Mono(30 * SECOND)), "an earlier time does not take it back");
    assert_eq!(had.slots, slots.slots());
    assert_eq!(had.counters, [counter(&[0, 1], 41), counter(&[], 1)]);
    assert_eq!(had.settings_json, r#"{"window_ms":1000}"#);

    let conn = store::open_read(&at.db).unwrap();
    let ended: Option<i64> = conn.query_row("SELECT ended_wall_ns FROM run", [], |r| r.get(0)).unwrap();
    assert_eq!(ended, None, "a continued run has not ended");
    let pairs: i64 = conn.query_row("SELECT count(*) FROM clock_pair", [], |r| r.get(0)).unwrap();
    assert_eq!(pairs, 2);
}

#[test]
fn a_reboot_is_a_new_boot_of_the_same_run_with_counters_at_zero() {
    let at = place();
    let (mut store, first) = begun(&at.db);
    store.write(&[Record::Counters(vec![counter(&[], 9)])]).unwrap();
    let after = store.begin(&start(Some("r"), "boot-b")).unwrap();
    assert_eq!(after.run, first.run);
    assert_ne!(after.boot, first.boot);
    let had = after.continued.unwrap();
    assert_eq!((had.same_boot, had.watched, had.counters), (false, None, vec![]));
}

#[test]
fn a_name_of_another_kind_and_records_without_a_run_are_refused() {
    let at = place();
    let mut store = Store::open(&at.db).unwrap();
    let told = store.write(&[Record::Watched(Mono(1))]).unwrap_err();
    assert!(matches!(told, StoreError::NotBegun { .. }));
    store.begin(&start(Some("r"), "boot-a")).unwrap();
    let mut replay = start(Some("r"), "boot-a");
    replay.kind = RunKind::Replay;
    let told = store.begin(&replay).unwrap_err();
    assert!(told.to_string().contains("run \"r\" is a `watch` run"), "{told}");
    // The refusal leaves the run that was begun in force.
    store.write(&[Record::Watched(Mono(2 * SECOND))]).unwrap();
}
