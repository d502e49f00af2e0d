//! Floods: whatever comes, the fuse holds a bounded number of things. And how errors were found.
use super::*;
use vocabulary::{Blame, Layers, Mono, Severity, SlotId, Source, Span};

fn seen(source: Source, slot: u32, at: Mono) -> Sighted {
    Sighted {
        known: at,
        span: Span::point(at),
        source,
        controller: Some(0),
        layers: Layers([0, 0, -1]),
        severity: Severity::Corrected,
        count: 1,
        address: None,
        syndrome: None,
        synthetic: false,
        found_by: FoundBy::Interrupt,
        blame: Blame::Slot(SlotId(slot)),
        id: at.0,
    }
}

fn record(at: Mono) -> Sighted {
    Sighted { controller: None, blame: Blame::Anywhere, ..seen(Source::MceRecord, 0, at) }
}

#[test]
fn a_flood_of_events_of_one_counter_is_kept_as_few_and_still_explains_every_count() {
    let (settings, mut fuse) = (Settings::default(), Fuse::default());
    for n in 0..100_000 {
        let event = Sighted { count: 1 + (n % 3) as u32, ..seen(Source::McEvent, 0, Mono(n * 10_000)) };
        assert_eq!(fuse.event(&event, Some(n as u64), &settings), None);
    }
    assert_eq!((fuse.counters.sizes(), fuse.groups.len()), ((256, 1, 0), 256));
    let all: u32 = (0..100_000).map(|n| 1 + n % 3).sum();
    let span = Span { from: Mono(0), to: Mono(1_000_000_000) };
    let step = Sighted { count: all, span, ..seen(Source::Counter, 0, Mono(1_000_000_000)) };
    assert!(matches!(fuse.step(step), Explained::By(Some(0))));
    assert_eq!(fuse.counters.sizes(), (0, 1, 0));
}

#[test]
fn counters_that_nobody_knows_are_forgotten() {
    let (settings, mut fuse) = (Settings::default(), Fuse::default());
    let mut most = 0;
    for n in 0..20_000u32 {
        // Every event names another counter; a thousand a second.
        fuse.event(&seen(Source::McEvent, n, Mono(i64::from(n) * 1_000_000)), Some(u64::from(n)), &settings);
        most = most.max(fuse.counters.sizes().1);
    }
    assert_eq!(most, 4096);
    // All at once there is no room for more, and what is there still explains.
    let mut fuse = Fuse::default();
    for n in 0..20_000u32 {
        fuse.event(&seen(Source::McEvent, n, Mono(0)), Some(u64::from(n)), &settings);
    }
    assert_eq!(fuse.counters.sizes(), (4096, 4096, 0));
    assert!(matches!(fuse.step(seen(Source::Counter, 7, Mono(0))), Explained::By(Some(7))));
}

#[test]
fn of_a_flood_of_records_the_oldest_stop_waiting() {
    let (settings, mut fuse) = (Settings::default(), Fuse::default());
    let mut crowded = Vec::new();
    for n in 0..20_000 {
        assert!(fuse.record(record(Mono(n)), &settings).is_err());
        crowded.extend(fuse.crowded_out().map(|r| r.id));
    }
    assert_eq!(fuse.records.len(), 4096);
    assert_eq!(crowded, (0..20_000 - 4096).collect::<Vec<i64>>());
    assert!(fuse.record_due(1).is_none());
    assert_eq!(fuse.record_due(20_000).map(|r| r.id), Some(19_999));
}

#[test]
fn a_source_whose_time_goes_backwards_still_has_its_counts_explained() {
    let (settings, mut fuse) = (Settings::default(), Fuse::default());
    for at in [i64::MAX, 5_000_000_000, i64::MIN, 4_000_000_000, 0] {
        fuse.event(&seen(Source::McEvent, 0, Mono(at)), Some(at.unsigned_abs()), &settings);
        assert!(fuse.record(Sighted { id: at, ..record(Mono(at)) }, &settings).is_ok());
    }
    let span = Span { from: Mono(3_900_000_000), to: Mono(5_100_000_000) };
    let step = Sighted { count: 2, span, ..seen(Source::Counter, 0, Mono(5_100_000_000)) };
    assert!(matches!(fuse.step(step), Explained::By(Some(5_000_000_000))));
}

#[test]
fn how_the_error_of_an_event_was_found() {
    let settings = Settings::default();
    let found = |event: FoundBy, records: &[(FoundBy, bool)]| {
        let mut fuse = Fuse::default();
        for (found_by, synthetic) in records {
            let (found_by, synthetic) = (*found_by, *synthetic);
            assert!(fuse.record(Sighted { found_by, synthetic, ..record(Mono(1)) }, &settings).is_err());
        }
        fuse.found_by(&Sighted { found_by: event, ..seen(Source::McEvent, 0, Mono(2)) }, &settings)
    };
    use FoundBy::{Firmware, Interrupt, Polling};
    // arch/x86/kernel/cpu/mce/core.c: no time stamp in a record of the periodic timer; mce/apei.c: records of firmware.
    assert_eq!(found(Interrupt, &[]), Interrupt);
    assert_eq!(found(Interrupt, &[(Interrupt, false)]), Interrupt);
    assert_eq!(found(Interrupt, &[(Polling, false)]), Polling);
    assert_eq!(found(Interrupt, &[(Firmware, true)]), Firmware);
    // The bank's own record knows better than firmware's copy; firmware's own event came in firmware's time.
    assert_eq!(found(Interrupt, &[(Firmware, true), (Polling, false)]), Polling);
    assert_eq!(found(Firmware, &[(Polling, false)]), Firmware);
}
