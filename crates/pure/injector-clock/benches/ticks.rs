//! What a line costs the injector's clock: `cargo bench -p injector-clock`.

use divan::{Bencher, black_box, counter::ItemsCount};
use feed_lines::Unit;
use injector_clock::{DEFAULT_SLACK_NS, Exchange, InjectorClock};
use vocabulary::{ClockPair, Mono};

fn main() {
    divan::main();
}

const TICKS: i64 = 100_000;
const SECOND: i64 = 1_000_000_000;

/// Ticks ten times a second, each up to 8 ms in a queue, by a clock that is 20 ppm fast.
fn lines() -> Vec<(i64, Mono)> {
    let way = |n: i64| (n.wrapping_mul(7919) % 97) * 83_000;
    let shows = |at: i64| (at + at / 50_000) / 1000;
    (0..TICKS).map(|n| n * SECOND / 10).map(|at| (shows(at), Mono(at + way(at / 1000)))).collect()
}

fn fed(lines: &[(i64, Mono)]) -> InjectorClock {
    let mut clock = InjectorClock::new(Unit::Microseconds, DEFAULT_SLACK_NS);
    for (ticks, arrival) in lines {
        clock.tick(*ticks, *arrival);
    }
    clock
}

#[divan::bench]
fn tick(bencher: Bencher<'_, '_>) {
    let lines = lines();
    bencher.counter(ItemsCount::new(lines.len())).bench_local(|| fed(black_box(&lines)));
}

#[divan::bench]
fn exchange(bencher: Bencher<'_, '_>) {
    let lines = lines();
    bencher.counter(ItemsCount::new(lines.len())).bench_local(|| {
        let mut clock = InjectorClock::new(Unit::Microseconds, DEFAULT_SLACK_NS);
        for (ticks, arrived) in black_box(&lines) {
            let exchange =
                Exchange { sent: arrived.minus(9_000_000), received: *ticks, ticks: *ticks, arrived: *arrived };
            let _ = clock.exchange(exchange);
        }
        clock
    });
}

#[divan::bench]
fn place(bencher: Bencher<'_, '_>) {
    let lines = lines();
    let clock = fed(&lines);
    let (ticks, arrival) = lines.last().copied().unwrap_or_default();
    let text = (ticks - 1000).to_string();
    let pair = ClockPair::default();
    bencher.counter(ItemsCount::new(1usize)).bench_local(|| clock.place(Some(black_box(&text)), arrival, pair));
}
