//! The reference load: `cargo bench -p pairing --bench reference_load [-- SHOTS [RATE [SEED]] [python3]]`.
//!
//! 32 DIMMs, Poisson shots at 20 a second over all, latency lognormal with median 40 ms and 99th percentile 900 ms, 1 % misses,
//! 2 % unprovoked reports, 1 % reported at another slot, 2 % merged in pairs of one slot and severity within a second, 0.5 % with
//! the other severity, 5 % uncorrectable, no addresses. Everything is drawn from a seed; nothing is measured on a machine.
//!
//! With a Python that has numpy and scipy, `assignment.py` beside this solves the very same load with
//! `scipy.optimize.linear_sum_assignment` and the parameters that it was drawn from, in the same run.

#![allow(
    clippy::unwrap_used,
    clippy::indexing_slicing,
    clippy::print_stdout,
    clippy::disallowed_methods,
    reason = "a measurement run by hand"
)]

#[path = "reference_load/judge.rs"]
mod judge;
#[path = "reference_load/load.rs"]
mod load;

use load::Load;
use pairing::{Answer, Engine, Settings};
use std::time::{Duration, Instant};

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with('-')).collect();
    let numbers: Vec<f64> = words.iter().map_while(|word| word.parse().ok()).collect();
    let number = |n: usize, otherwise: f64| numbers.get(n).copied().unwrap_or(otherwise);
    let (shots, rate, seed) = (number(0, 100_000.0) as usize, number(1, 20.0), number(2, 1.0) as u64);
    let load = Load::draw(shots, rate, seed);

    // Growth: the same rate, a tenth and a hundredth of the shots.
    for part in [100, 10] {
        let small = Load::draw(shots / part, rate, seed);
        if small.truth.len() >= 1_000 {
            told_time(small.truth.len(), rate, pair(&small).0);
        }
    }
    let (took, answers, (most, bytes)) = pair(&load);
    told_time(shots, rate, took);
    println!("  held at most {most} shots and reports; a checkpoint takes {bytes} bytes at the end");
    judge::judge(&load, &answers);
    if let Some(python) = words.get(numbers.len()) {
        judge::against_scipy(&load, rate, python, took);
    }
}

fn told_time(shots: usize, rate: f64, took: Duration) {
    let each = took.as_secs_f64() * 1e6 / shots as f64;
    println!("{shots} shots at {rate} a second: {:.3} s, {each:.2} us a shot", took.as_secs_f64());
}

/// Runs the engine over the load, as it would live: a little at a time.
fn pair(load: &Load) -> (Duration, Vec<Answer>, (usize, usize)) {
    let mut engine = Engine::new(Settings::default(), 1);
    for slot in 0..32 {
        engine.know_slot(vocabulary::SlotId(slot), Some(0));
    }
    let mut answers = Vec::with_capacity(load.inputs.len());
    let inputs = load.inputs.clone();
    let mut most = 0;
    let began = Instant::now();
    for (n, (at, input)) in inputs.into_iter().enumerate() {
        engine.push(input);
        if n % 1024 == 0 {
            engine.advance(at.minus(1), &mut answers);
            let (shots, reports, _) = engine.sizes();
            most = most.max(shots + reports);
        }
    }
    let bytes = engine.checkpoint().state.len();
    engine.finish(&mut answers);
    (began.elapsed(), answers, (most, bytes))
}
