//! How long one answer takes: bounds, plans, and estimates from the cells of a histogram.
//!
//! Run with `cargo bench -p statistics`; divan prints the time of one call.

#![allow(clippy::unwrap_used, reason = "a measurement run by hand")]

use divan::black_box;
use statistics::interval_censored::Between;
use statistics::kaplan_meier::{self, Row};
use statistics::sequential::Sequential;
use statistics::{binomial, order, plan, poisson, proportion, several, turnbull};

fn main() {
    divan::main();
}

const COUNTS: [(u64, u64); 5] =
    [(299, 300), (9_990, 10_000), (500_000, 1_000_000), (999_990, 1_000_000), (500_000_000, 1_000_000_000)];

#[divan::bench(args = COUNTS)]
fn clopper_pearson_lower((count, of): (u64, u64)) -> f64 {
    proportion::exact_lower(black_box(count), of, 0.05).unwrap()
}

#[divan::bench(args = COUNTS)]
fn wilson((count, of): (u64, u64)) -> f64 {
    proportion::wilson(black_box(count), of, 0.05).unwrap().lower
}

#[divan::bench(args = COUNTS)]
fn binomial_tail((count, of): (u64, u64)) -> f64 {
    binomial::at_least(black_box(count), of, 0.99).unwrap()
}

#[divan::bench(args = [3_u64, 900, 1_000_000])]
fn garwood_upper(events: u64) -> f64 {
    poisson::exact_upper(black_box(events), 3600.0, 0.05).unwrap()
}

#[divan::bench(args = [(0_u64, 0.99), (2, 0.999), (50, 0.9999)])]
fn shots_to_show((misses, rate): (u64, f64)) -> u64 {
    plan::shots_to_show(black_box(rate), misses, 0.05).unwrap()
}

#[divan::bench]
fn smallest_plan() -> u64 {
    plan::smallest(black_box(0.999), 0.05, 0.9995, 0.9, 1000).unwrap().shots
}

#[divan::bench]
fn sequential_outlook() -> f64 {
    Sequential::new(0.001, 0.01, 0.05, 0.05).unwrap().outlook(black_box(0.002), 5000).unwrap().accepted
}

#[divan::bench]
fn holm_over_64_slots(bencher: divan::Bencher) {
    let p: Vec<f64> = (0..64).map(|i| f64::from(i * 37 % 64) / 6400.0).collect();
    bencher.bench(|| several::holm(black_box(&p)).unwrap());
}

#[divan::bench]
fn kaplan_meier_2000_rows(bencher: divan::Bencher) {
    let row = |i: u32| Row { time: f64::from(i), events: u64::from(i * 7 % 900), censored: u64::from(i % 3) };
    let rows: Vec<Row> = (0..2000).map(row).collect();
    bencher.bench(|| kaplan_meier::estimate(black_box(&rows), 0.05).unwrap());
}

/// Shots by latency: half of them seen exactly to a millisecond, half only by a poll once a second, one of a hundred missed.
fn cells() -> Vec<Between> {
    let mut state = 1_u64;
    let mut draw = |below: u64| {
        state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (state >> 33) % below
    };
    let mut cells = vec![Between::not_until(5000.0, 10_000)];
    for _ in 0..1000 {
        let latency = (draw(60) * draw(60) / 2 + draw(900) * draw(10) / 9) as f64;
        cells.push(Between { from: latency, to: latency + 1.0, count: 1 + draw(1000) });
        let before = (latency - draw(1000) as f64).max(0.0);
        cells.push(Between { from: before, to: before + 1000.0, count: 1 + draw(1000) });
    }
    cells
}

#[divan::bench]
fn turnbull_2000_cells(bencher: divan::Bencher) {
    let cells = cells();
    let told = turnbull::estimate(&cells).unwrap();
    assert!(told.converged());
    bencher.bench(|| turnbull::estimate(black_box(&cells)).unwrap());
}

#[divan::bench]
fn quantile_bound_of_2000_cells(bencher: divan::Bencher) {
    let cells = cells();
    bencher.bench(|| order::upper_bound(black_box(&cells), 0.95, 0.05).unwrap());
}
