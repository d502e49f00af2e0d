//! What must hold for every load: one answer each, whatever the order and the batches in which inputs came.
#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

mod common;
use common::*;
use pairing::{Answer, Checkpoint, Engine, Input, NotResumed, Settings};
use proptest::prelude::*;
use vocabulary::{Blame, Outcome, Role, Severity, Sighted};

/// A load in which much happens at the same instants, so that ties are common.
fn load() -> impl Strategy<Value = Vec<Input>> {
    let shots = proptest::collection::vec((0u32..4, 0i64..40), 0..25);
    let witnesses = proptest::collection::vec((0u32..4, 0i64..45, 0u8..12, 0u32..4), 0..40);
    let gaps = proptest::collection::vec((0i64..60, 0i64..3), 0..2);
    (shots, witnesses, gaps).prop_map(|(shots, witnesses, gaps)| {
        let mut inputs = Vec::new();
        for (i, (slot, t)) in shots.into_iter().enumerate() {
            inputs.push(shot_expecting(i as i64, slot, t * 250, Some(Severity::Corrected)));
        }
        for (i, (slot, t, kind, count)) in witnesses.into_iter().enumerate() {
            let (id, ms) = (i as i64, t * 250);
            inputs.push(Input::Witness(match kind {
                0 => record(id, ms, None),
                1 => record(id, ms, Some(0x1000 * u64::from(slot))),
                2 => Sighted { blame: Blame::Anywhere, ..event(id, slot, ms) },
                3 => Sighted { severity: Severity::Uncorrected, ..event(id, slot, ms) },
                4 | 5 => counter(id, slot, ms - 250, ms, count),
                6 => Sighted { address: Some(0x1000 * u64::from(slot)), ..event(id, slot, ms) },
                _ => Sighted { count, ..event(id, slot, ms) },
            }));
        }
        inputs.extend(gaps.into_iter().map(|(from, length)| gap(from * 250, (from + length) * 250)));
        inputs
    })
}

/// Pushes in the given order, each input no later than its time, going on in steps of `step` ms. After each step whose bit is
/// set in `restarts` the engine is put away and taken up again.
fn stepwise(inputs: &[Input], step: i64, restarts: u64) -> Vec<Answer> {
    let known = |i: &Input| match i {
        Input::Gap(g) => g.span.from,
        Input::Shot(o) => o.0.known,
        Input::Witness(w) => w.known,
    };
    let mut engine = engine(settings());
    let mut answers = Vec::new();
    let (mut now, mut n) = (-1_000, 0);
    while now < 60_000 {
        let next = now + step;
        for input in inputs.iter().filter(|i| known(i) > at(now) && known(i) <= at(next)) {
            engine.push(input.clone());
        }
        engine.advance(at(next), &mut answers);
        if restarts >> (n % 64) & 1 == 1 {
            engine = Engine::resume(settings(), &engine.checkpoint()).unwrap();
        }
        (now, n) = (next, n + 1);
    }
    engine.finish(&mut answers);
    answers
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn order_and_batches_change_nothing(inputs in load(), seed in any::<u64>(), step in 1i64..3000) {
        let want = run(settings(), inputs.clone()).0;
        let mut shuffled = inputs.clone();
        // A small deterministic shuffle; the seed comes from proptest.
        let mut state = seed | 1;
        for i in (1..shuffled.len()).rev() {
            state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            shuffled.swap(i, (state >> 33) as usize % (i + 1));
        }
        prop_assert_eq!(&run(settings(), shuffled.clone()).0, &want);
        prop_assert_eq!(&stepwise(&shuffled, step, 0), &want);
    }

    #[test]
    fn everything_is_answered_exactly_once(inputs in load()) {
        let shots = inputs.iter().filter(|i| matches!(i, Input::Shot(_))).count();
        let witnesses: Vec<i64> = inputs.iter().filter_map(|i| if let Input::Witness(w) = i { Some(w.id) } else { None }).collect();
        let got = run(settings(), inputs);
        let mut keys: Vec<_> = got.shots().iter().map(|s| s.key).collect();
        keys.dedup();
        prop_assert_eq!(keys.len(), shots);
        let count = |o| got.shots().iter().filter(|s| s.outcome == o).count();
        prop_assert_eq!(count(Outcome::Detected) + count(Outcome::Missed) + count(Outcome::Unknowable), shots);

        // Every witness is in exactly one report, or spent.
        let mut used: Vec<i64> = got.reports().iter().flat_map(|r| r.witnesses.clone()).chain(got.spent()).collect();
        used.sort_unstable();
        let mut all = witnesses.clone();
        all.sort_unstable();
        prop_assert_eq!(used, all);

        // Reports are numbered from 1 without holes, and cover no more shots than they count errors.
        let numbers: Vec<i64> = got.reports().iter().map(|r| r.report).collect();
        prop_assert_eq!(numbers, (1..=got.reports().len() as i64).collect::<Vec<_>>());
        for report in got.reports() {
            let covered = got.shots().iter().filter(|s| s.report == Some(report.report)).count();
            prop_assert!(covered <= report.count.max(1) as usize);
            prop_assert_eq!(covered > 0, report.role == Role::Match);
        }
        for shot in got.shots() {
            prop_assert_eq!(shot.outcome == Outcome::Detected, shot.report.is_some());
            prop_assert_eq!(shot.outcome == Outcome::Unknowable, shot.why.is_some());
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn a_restart_at_any_point_changes_nothing(inputs in load(), step in 100i64..3000, restarts in any::<u64>()) {
        prop_assert_eq!(stepwise(&inputs, step, restarts), run(settings(), inputs).0);
    }
}

#[test]
fn a_checkpoint_that_does_not_fit_is_refused() {
    let mut engine = Engine::new(settings(), 1);
    engine.push(shot(1, 0, 1000));
    engine.advance(at(2000), &mut Vec::new());
    let good = engine.checkpoint();
    assert_eq!(good.horizon, at(2000));
    let with = |state: Vec<u8>| Engine::resume(settings(), &Checkpoint { state, ..good.clone() }).err();
    let mut other = good.state.clone();
    other[0] = 200;
    assert_eq!(with(other), Some(NotResumed::OtherForm { found: 200, wanted: 2 }));
    assert!(matches!(with(vec![1, 0]), Some(NotResumed::Damaged(_))));
    assert!(matches!(with(good.state[..good.state.len() - 1].to_vec()), Some(NotResumed::Damaged(_))));
    let stricter = Settings { deadline_ns: Some(1), ..settings() };
    assert_eq!(Engine::resume(stricter, &good).err(), Some(NotResumed::OtherSettings));
}

#[test]
fn memory_follows_the_window() {
    let mut engine = Engine::new(settings(), 1);
    let mut answers = Vec::new();
    let mut most = 0;
    for i in 0..1500 {
        engine.push(shot(i, (i % 8) as u32, i * 100));
        engine.push(Input::Witness(event(i, (i % 8) as u32, i * 100 + 30)));
        engine.advance(at(i * 100), &mut answers);
        let (shots, reports, _) = engine.sizes();
        most = most.max(shots + reports);
    }
    // Ten a second, each held for the window and then for the memory: 150 s of run, some 25 s of it held.
    let bound = (2 * settings().memory_ns() / (100 * MS)) as usize * 2;
    assert!(most < bound, "{most} held, {bound} allowed");
    engine.finish(&mut answers);
    assert_eq!((engine.sizes().0, engine.sizes().1), (0, 0));
    assert_eq!(engine.horizon(), at(149_900));
}
