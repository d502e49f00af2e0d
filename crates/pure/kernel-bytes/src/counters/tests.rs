//! A counter book against small histories of readings, and against a plain sum.

use super::*;
use proptest::prelude::*;
use vocabulary::{Severity, Source};

const MS: i64 = 1_000_000;
const S: i64 = 1_000_000_000;

/// A controller as the kernel keeps it, with two objects, of which readings can be taken.
#[derive(Clone, Debug, Default)]
struct Model {
    total: PerClass<u32>,
    noinfo: PerClass<u32>,
    places: [PerClass<u32>; 2],
    /// Errors on an object that sysfs does not show.
    unseen: PerClass<u32>,
    loaded: i64,
}

const PLACES: [Layers; 2] = [Layers([0, 0, -1]), Layers([1, 0, -1])];

impl Model {
    /// What `edac_ce_error()` and `edac_ue_error()` do: 0 and 1 are objects, 2 is "no info", 3 an object not shown.
    fn error(&mut self, class: Class, at: usize, count: u32) {
        let counter = match at {
            0 | 1 => self.places[at].get_mut(class),
            2 => self.noinfo.get_mut(class),
            _ => self.unseen.get_mut(class),
        };
        *counter = counter.wrapping_add(count);
        *self.total.get_mut(class) = self.total.get(class).wrapping_add(count);
    }

    fn reset(&mut self, now: i64) {
        *self = Model { loaded: now, ..Model::default() };
    }

    fn reading(&self, now: i64, full: bool) -> ControllerReading {
        ControllerReading {
            controller: 3,
            read: Span::new(Mono(now), Mono(now + 1000)),
            since_reset_s: full.then_some(((now - self.loaded) / S) as u64),
            totals: self.total,
            full: full.then(|| FullReading {
                noinfo: self.noinfo,
                places: (0..2)
                    .map(|i| PlaceReading { layers: PLACES[i], label: ["A1", "B1"][i].into(), values: self.places[i] })
                    .collect(),
                totals_after: self.total,
            }),
        }
    }

    fn read(&self, book: &mut CounterBook, now: i64) -> Taken {
        let taken = book.take(&self.reading(now, book.wants_full(3, self.total)));
        book.end_round(Mono(now));
        taken
    }
}

fn told(taken: &Taken) -> Vec<(Layers, Severity, u32, i64, i64)> {
    taken.witnesses.iter().map(|w| (w.layers, w.severity, w.count, w.span.from.0, w.span.to.0)).collect()
}

#[test]
fn what_the_kernel_counts_is_told_with_its_interval() {
    // edac_ce_error(), edac_ue_error() in drivers/edac/edac_mc.c.
    let mut m = Model::default();
    m.error(Class::Corrected, 0, 7);
    let mut book = CounterBook::new(Start::Fresh);
    assert!(m.read(&mut book, S).is_empty(), "what was counted before the run is not part of it");
    m.error(Class::Corrected, 0, 5);
    let taken = m.read(&mut book, S + 100 * MS);
    assert_eq!(told(&taken), [(PLACES[0], Severity::Corrected, 5, S, S + 100 * MS + 1000)]);
    let w = &taken.witnesses[0];
    assert_eq!((w.source, w.controller, w.label.as_deref()), (Source::Counter, Some(3), Some("A1")));
    // An informational error without a place goes to the uncorrected counters and to "no info".
    m.error(Class::NotCorrected, 2, 3);
    let taken = m.read(&mut book, S + 200 * MS);
    assert_eq!(told(&taken), [(Layers::UNKNOWN, Severity::Uncorrected, 3, S + 100 * MS, S + 200 * MS + 1000)]);
    assert_eq!(taken.witnesses[0].label, None);
    // A count of 0 moves nothing.
    m.error(Class::Corrected, 0, 0);
    assert!(m.read(&mut book, S + 300 * MS).is_empty());
}

#[test]
fn totals_are_enough_while_nothing_moves() {
    let mut m = Model::default();
    let mut book = CounterBook::new(Start::Fresh);
    let full: Vec<bool> = (0..23)
        .map(|i| {
            let full = book.wants_full(3, m.total);
            m.read(&mut book, i * 100 * MS);
            full
        })
        .collect();
    let expected: Vec<bool> = (0..23).map(|i| i % 10 == 0).collect();
    assert_eq!(full, expected);
    // The interval of a step begins at the last quiet read, not at the last full one.
    m.error(Class::Corrected, 1, 1);
    assert_eq!(told(&m.read(&mut book, 2300 * MS)), [(PLACES[1], Severity::Corrected, 1, 2200 * MS, 2300 * MS + 1000)]);
}

#[test]
fn the_total_moves_before_the_object() {
    let mut m = Model::default();
    let mut book = CounterBook::new(Start::Fresh);
    m.read(&mut book, 0);
    *m.total.get_mut(Class::Corrected) += 1;
    assert!(m.read(&mut book, 100 * MS).is_empty());
    assert!(book.wants_full(3, m.total), "as long as they do not agree, everything is read");
    *m.places[0].get_mut(Class::Corrected) += 1;
    assert_eq!(told(&m.read(&mut book, 200 * MS)), [(PLACES[0], Severity::Corrected, 1, 100 * MS, 200 * MS + 1000)]);
    for i in 3..20 {
        assert!(m.read(&mut book, i * 100 * MS).is_empty());
    }
}

#[test]
fn an_error_on_an_object_that_is_not_shown_is_told_without_a_place() {
    let mut m = Model::default();
    let mut book = CounterBook::new(Start::Fresh);
    m.read(&mut book, 0);
    m.error(Class::Corrected, 3, 2);
    assert!(m.read(&mut book, 100 * MS).is_empty(), "one reading is no proof");
    assert_eq!(told(&m.read(&mut book, 200 * MS)), [(Layers::UNKNOWN, Severity::Corrected, 2, 0, 200 * MS + 1000)]);
    for i in 3..30 {
        assert!(m.read(&mut book, i * 100 * MS).is_empty());
    }
}

#[test]
fn a_reset_is_a_gap_and_what_was_counted_since_is_told() {
    // mci_reset_counters_store() in drivers/edac/edac_mc_sysfs.c zeroes all counters and the time.
    let mut m = Model::default();
    let mut book = CounterBook::new(Start::Fresh);
    m.error(Class::Corrected, 0, 9);
    m.read(&mut book, 10 * S);
    m.reset(10 * S + 50 * MS);
    m.error(Class::Corrected, 1, 4);
    // In the middle of the kernel's zeroing: the total is new, an object is old.
    let mut half = m.clone();
    *half.places[0].get_mut(Class::Corrected) = 9;
    assert!(half.read(&mut book, 10 * S + 100 * MS).is_empty());
    assert_eq!(book.end_round(Mono(10 * S + 100 * MS)), Mono(10 * S), "nothing after the last good read is told yet");
    let taken = m.read(&mut book, 10 * S + 200 * MS);
    assert_eq!(told(&taken), [(PLACES[1], Severity::Corrected, 4, 10 * S, 10 * S + 200 * MS + 1000)]);
    assert_eq!(taken.gaps.len(), 1);
    let gap = &taken.gaps[0];
    assert_eq!(
        (gap.span, gap.of.as_str(), gap.controller),
        (Span::new(Mono(10 * S), Mono(10 * S + 200 * MS + 1000)), "counter", Some(3))
    );
    m.error(Class::Corrected, 1, 1);
    assert_eq!(told(&m.read(&mut book, 10 * S + 300 * MS))[0].2, 1);
}

#[test]
fn a_reset_of_idle_counters_shows_in_the_time_only() {
    let mut m = Model::default();
    let mut book = CounterBook::new(Start::Fresh);
    for i in 0..25 {
        m.read(&mut book, 10 * S + i * 100 * MS);
    }
    m.reset(12 * S + 450 * MS);
    let mut gaps = Vec::new();
    for i in 25..50 {
        gaps.extend(m.read(&mut book, 10 * S + i * 100 * MS).gaps);
    }
    assert_eq!(gaps.len(), 1);
    assert_eq!(gaps[0].span.from, Mono(12 * S), "the last read that had the time in it");
}

#[test]
fn wrap_and_absurd_values() {
    // u32 counters: 4294967295 + 1 is 0.
    let mut m = Model::default();
    let mut book = CounterBook::new(Start::Fresh);
    m.error(Class::Corrected, 0, u32::MAX - 2);
    m.read(&mut book, 0);
    m.error(Class::Corrected, 0, 5);
    let taken = m.read(&mut book, 100 * MS);
    assert_eq!((told(&taken)[0].2, taken.gaps.len()), (5, 0));
    // A value that jumps by billions is no count of errors.
    m.error(Class::Corrected, 1, 3_000_000_000);
    let taken = m.read(&mut book, 200 * MS);
    let taken2 = m.read(&mut book, 300 * MS);
    assert!(taken.witnesses.is_empty() && taken2.witnesses.is_empty());
    assert!(!taken.gaps.is_empty() || !taken2.gaps.is_empty());
    m.error(Class::Corrected, 1, 1);
    assert_eq!(told(&m.read(&mut book, 400 * MS))[0].2, 1);
}

#[test]
fn controllers_go_and_come_back() {
    let mut m = Model { loaded: 0, ..Model::default() };
    let mut book = CounterBook::new(Start::Fresh);
    m.error(Class::Corrected, 0, 9);
    m.read(&mut book, 10 * S);
    assert_eq!(book.unread(3, Mono(10 * S + 900 * MS), "gone"), None, "a reading that fails once is no gap");
    assert_eq!(book.end_round(Mono(10 * S + 900 * MS)), Mono(10 * S));
    let gap = book.unread(3, Mono(11 * S), "gone").unwrap();
    assert_eq!((gap.span, gap.why.as_str()), (Span::new(Mono(10 * S), Mono(11 * S)), "gone"));
    assert_eq!(book.end_round(Mono(11 * S)), Mono(11 * S));
    assert_eq!(book.unread(3, Mono(12 * S), "gone").unwrap().span, Span::new(Mono(11 * S), Mono(12 * S)));
    assert_eq!(book.unread(9, Mono(12 * S), "gone"), None, "never seen, so nothing is missed");
    // The driver is loaded again and has counted.
    m.reset(14 * S);
    m.error(Class::Corrected, 1, 2);
    m.read(&mut book, 15 * S);
    let taken = m.read(&mut book, 15 * S + 100 * MS);
    assert_eq!(told(&taken), [(PLACES[1], Severity::Corrected, 2, 13 * S + 100 * MS + 1000, 15 * S + 100 * MS + 1000)]);
    assert_eq!(taken.gaps[0].span, Span::new(Mono(10 * S), Mono(15 * S + 100 * MS + 1000)));
    // Another one appears: its driver is younger than the last look.
    let mut other = m.reading(16 * S, true);
    other.controller = 4;
    other.since_reset_s = Some(0);
    let taken = book.take(&other);
    assert_eq!(told(&taken), [(PLACES[1], Severity::Corrected, 2, 15 * S + 100 * MS, 16 * S + 1000)]);
    // And one that was there all the time but could not be read before: what it holds is old.
    other.controller = 5;
    other.since_reset_s = Some(3600);
    assert!(book.take(&other).is_empty());
}

#[test]
fn a_restart_counts_what_came_in_between() {
    let mut m = Model::default();
    let mut book = CounterBook::new(Start::Fresh);
    m.error(Class::Corrected, 0, 7);
    m.error(Class::Corrected, 3, 1);
    m.error(Class::NotCorrected, 2, 2);
    m.read(&mut book, 10 * S);
    let stored = book.values();
    assert!(stored.iter().all(|v| v.controller == 3 && v.read == Mono(10 * S)));
    let value = |layers, class| stored.iter().find(|v| v.layers == layers && v.class == class).unwrap().value;
    assert_eq!(value(PLACES[0], Class::Corrected), 7);
    assert_eq!(value(Layers::UNKNOWN, Class::Corrected), 1);
    assert_eq!(value(Layers::UNKNOWN, Class::NotCorrected), 2);

    m.error(Class::Corrected, 0, 3);
    m.error(Class::Corrected, 2, 4);
    let mut book = CounterBook::new(Start::Baseline(stored.clone()));
    assert_eq!(book.values(), stored, "nothing read, nothing changed");
    let taken = m.read(&mut book, 20 * S);
    assert_eq!(
        told(&taken),
        [
            (PLACES[0], Severity::Corrected, 3, 10 * S, 20 * S + 1000),
            (Layers::UNKNOWN, Severity::Corrected, 4, 10 * S, 20 * S + 1000)
        ]
    );
    assert!(taken.gaps.is_empty());
    m.error(Class::NotCorrected, 2, 1);
    assert_eq!(told(&m.read(&mut book, 21 * S)), [(Layers::UNKNOWN, Severity::Uncorrected, 1, 20 * S, 21 * S + 1000)]);

    // The driver was loaded again while nobody looked, and has counted further than the stored value since.
    m.reset(30 * S);
    m.error(Class::Corrected, 0, 50);
    let mut book = CounterBook::new(Start::Baseline(stored.clone()));
    m.read(&mut book, 40 * S);
    let taken = m.read(&mut book, 40 * S + 100 * MS);
    assert_eq!(
        told(&taken),
        [(PLACES[0], Severity::Corrected, 50, 29 * S + 100 * MS + 1000, 40 * S + 100 * MS + 1000)]
    );
    assert_eq!(taken.gaps[0].span.from, Mono(10 * S));

    // A controller of the baseline that is not there is a gap.
    let mut book = CounterBook::new(Start::Baseline(stored));
    assert_eq!(book.unread(3, Mono(40 * S), "gone").unwrap().span, Span::new(Mono(10 * S), Mono(40 * S)));
}

#[test]
fn after_a_reboot_everything_counted_is_new() {
    let mut m = Model { loaded: 5 * S, ..Model::default() };
    m.error(Class::Corrected, 0, 2);
    let mut book = CounterBook::new(Start::Boot);
    assert_eq!(told(&m.read(&mut book, 60 * S)), [(PLACES[0], Severity::Corrected, 2, 4 * S + 1000, 60 * S + 1000)]);
    // An empty baseline says nothing.
    assert!(m.read(&mut CounterBook::new(Start::Baseline(vec![])), 60 * S).is_empty());
}

#[test]
fn objects_may_come_and_go() {
    let mut m = Model::default();
    let mut book = CounterBook::new(Start::Fresh);
    m.error(Class::Corrected, 1, 6);
    m.read(&mut book, 0);
    let mut one = m.reading(100 * MS, true);
    one.full.as_mut().unwrap().places.pop();
    assert!(book.take(&one).is_empty(), "its count is in the total still, but is not new");
    one.read = Span::point(Mono(200 * MS));
    assert!(book.take(&one).is_empty());
    for i in 3..6 {
        assert!(m.read(&mut book, i * 100 * MS).is_empty());
    }
}

proptest! {
    /// Against a plain sum: whatever happens between reads is told once, in an interval that contains it.
    #[test]
    fn every_error_is_told_once(
        ticks in proptest::collection::vec(
            proptest::collection::vec((any::<bool>(), 0..4_usize, 1..2000_u32), 0..3), 1..80),
        begin in prop_oneof![Just(0_u32), Just(u32::MAX - 3000)],
        restart_at in proptest::option::of(0..80_usize),
    ) {
        let mut m = Model::default();
        for at in 0..4 {
            m.error(Class::Corrected, at, begin / 4);
        }
        let mut book = CounterBook::new(Start::Fresh);
        let mut now = 100 * S;
        m.read(&mut book, now);
        let mut injected = [[0_u64; 3]; 2];
        let mut found = [[0_u64; 3]; 2];
        let mut told_until = Mono(now);
        let quiet = vec![vec![]; 3];
        for (i, errors) in ticks.iter().chain(&quiet).enumerate() {
            for (corrected, at, count) in errors {
                let class = if *corrected { Class::Corrected } else { Class::NotCorrected };
                m.error(class, *at, *count);
                injected[usize::from(*corrected)][(*at).min(2)] += u64::from(*count);
            }
            now += 100 * MS;
            if restart_at == Some(i) {
                book = CounterBook::new(Start::Baseline(book.values()));
            }
            let taken = book.take(&m.reading(now, book.wants_full(3, m.total)));
            prop_assert!(taken.gaps.is_empty());
            for w in taken.witnesses {
                let at = PLACES.iter().position(|p| *p == w.layers).unwrap_or(2);
                found[usize::from(w.severity == Severity::Corrected)][at] += u64::from(w.count);
                // What is on no readable counter waits for a second reading.
                prop_assert!(w.span.from >= told_until || at == 2);
                prop_assert!(w.span.to.0 == now + 1000);
            }
            told_until = book.end_round(Mono(now));
            prop_assert_eq!(told_until, Mono(now));
        }
        prop_assert_eq!(found, injected);
    }

    /// Whatever values come, no count is huge and nothing overflows.
    #[test]
    fn nonsense_never_makes_a_huge_count(
        readings in proptest::collection::vec((any::<[u32; 8]>(), 0..100_u64, any::<bool>()), 1..40)
    ) {
        let mut book = CounterBook::new(Start::Boot);
        for (i, (v, since, steady)) in readings.into_iter().enumerate() {
            let now = i as i64 * 100 * MS;
            let pair = |a: usize| PerClass { corrected: v[a], not_corrected: v[a + 1] };
            let mut reading = Model { total: pair(0), noinfo: pair(2), places: [pair(4), pair(6)], ..Model::default() }
                .reading(now, true);
            reading.since_reset_s = Some(since);
            if !steady {
                reading.full.as_mut().unwrap().totals_after = pair(6);
            }
            let taken = book.take(&reading);
            prop_assert!(taken.witnesses.iter().all(|w| w.count > 0 && w.count <= PLAUSIBLE));
            prop_assert!(book.end_round(Mono(now)) <= Mono(now));
        }
    }
}
