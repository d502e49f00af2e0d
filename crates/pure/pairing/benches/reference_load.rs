//! The reference load: `cargo bench -p pairing --bench reference_load`.
//!
//! 32 DIMMs, Poisson shots at 20 a second over all, latency lognormal with median 40 ms and 99th percentile 900 ms, 1 % misses,
//! 2 % unprovoked reports, 1 % reported at another slot, 2 % merged in pairs of one slot and severity within a second, 0.5 % with
//! the other severity, 5 % uncorrectable, no addresses. Everything is drawn from a seed; nothing is measured on a machine.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a measurement run by hand"
)]

#[path = "reference_load/load.rs"]
mod load;

use load::{Load, Truth};
use pairing::{Answer, Engine, Settings};
use std::time::Instant;
use vocabulary::Outcome;

fn main() {
    let shots: usize = std::env::args().skip(1).find_map(|a| a.parse().ok()).unwrap_or(100_000);
    let rate: f64 = std::env::args().skip(2).find_map(|a| a.parse().ok()).unwrap_or(20.0);
    let load = Load::draw(shots, rate, 1);
    let truth = &load.truth;
    let mut engine = Engine::new(Settings::default(), 1);
    for slot in 0..32 {
        engine.know_slot(vocabulary::SlotId(slot), Some(0));
    }
    let mut answers = Vec::new();
    let inputs = load.inputs.clone();
    let began = Instant::now();
    for (n, (at, input)) in inputs.into_iter().enumerate() {
        engine.push(input);
        if n % 1024 == 0 {
            engine.advance(at.minus(1), &mut answers);
        }
    }
    engine.finish(&mut answers);
    let took = began.elapsed();
    println!("{shots} shots at {rate} a second: {took:.2?}, {:.2} us a shot", took.as_secs_f64() * 1e6 / shots as f64);
    judge(truth, &answers);
}

fn judge(truth: &[Truth], answers: &[Answer]) {
    let mut anchor_of = std::collections::HashMap::new();
    for answer in answers {
        if let Answer::Report(report) = answer {
            anchor_of.insert(report.report, report.anchor);
        }
    }
    let (mut reported, mut right, mut missed, mut said, mut found) = (0, 0, 0, 0, 0);
    let mut detected = 0;
    for answer in answers {
        let Answer::Shot(shot) = answer else { continue };
        let real = &truth[shot.key.injection as usize];
        match real.report {
            Some(id) => {
                reported += 1;
                right += usize::from(shot.report.is_some_and(|r| anchor_of[&r] == id));
            }
            None => missed += 1,
        }
        if shot.outcome == Outcome::Missed {
            said += 1;
            found += usize::from(real.report.is_none());
        }
        detected += usize::from(shot.outcome == Outcome::Detected);
    }
    let share = |a: usize, b: usize| 100.0 * a as f64 / b.max(1) as f64;
    println!(
        "  true pairs {:.2} %, misses: recall {:.1} % precision {:.1} %, detection rate {:.3} % told, {:.3} % real",
        share(right, reported),
        share(found, missed),
        share(found, said),
        share(detected, truth.len()),
        share(reported, truth.len())
    );
}
