//! The one place that reads a clock.
//!
//! Everything else takes the time as an argument, so that a recorded run gives the answers of the live one.

use nix::time::{ClockId, clock_gettime};
use vocabulary::{ClockPair, Mono, Wall};

#[allow(clippy::disallowed_methods, reason = "this crate is the place that reads clocks")]
fn read(clock: ClockId) -> i64 {
    // Both clocks exist on every Linux; a failure would be a broken kernel, and zero is then as good as any answer.
    clock_gettime(clock).map_or(0, |t| t.tv_sec() * 1_000_000_000 + t.tv_nsec())
}

/// CLOCK_MONOTONIC now: the clock that the trace ring is set to.
pub fn mono() -> Mono {
    Mono(read(ClockId::CLOCK_MONOTONIC))
}

/// CLOCK_REALTIME now, for people only; it never orders events.
pub fn wall() -> Wall {
    Wall(read(ClockId::CLOCK_REALTIME))
}

/// A measured pair of both clocks: the tightest of a few attempts, each bracketed by two monotonic readings.
pub fn pair() -> ClockPair {
    let attempt = || {
        let before = mono();
        let wall = wall();
        let after = mono();
        (after.0 - before.0, ClockPair { mono: Mono(before.0 + (after.0 - before.0) / 2), wall })
    };
    let mut best = attempt();
    for _ in 0..4 {
        let next = attempt();
        if next.0 < best.0 {
            best = next;
        }
    }
    best.1
}

/// A timer for benchmarks and progress displays, never for results.
pub fn elapsed_since(start: Mono) -> std::time::Duration {
    std::time::Duration::from_nanos(u64::try_from(mono().0 - start.0).unwrap_or(0))
}
