//! Shots whose time is known only as an interval: a report belongs to one wherever in the interval it was fired, and a miss is
//! claimed only when no instant of it is left open.
#![allow(clippy::unwrap_used, clippy::indexing_slicing)]

mod common;
use common::*;
use pairing::Input;
use vocabulary::{Outcome, Role, Span};

/// A shot that was fired between these, in milliseconds; held for 1 ms, with a window of 5 s.
fn between(injection: i64, slot: u32, from_ms: i64, to_ms: i64) -> Input {
    let Input::Shot(mut order) = shot(injection, slot, from_ms) else { unreachable!() };
    order.0.fired = Span::new(at(from_ms), at(to_ms));
    order.0.known = at(to_ms);
    Input::Shot(order)
}

#[test]
fn the_latency_is_as_wide_as_the_shot() {
    let got = run(settings(), vec![between(1, 0, 1000, 1008), Input::Witness(event(1, 0, 1040))]);
    let shot = got.of(1);
    assert_eq!((shot.outcome, shot.latency_min_ns, shot.latency_ns), (Outcome::Detected, Some(32 * MS), Some(40 * MS)));
    // A report within the interval may have come at once.
    let got = run(settings(), vec![between(1, 0, 1000, 1400), Input::Witness(event(1, 0, 1250))]);
    let shot = got.of(1);
    assert_eq!((shot.outcome, shot.latency_min_ns, shot.latency_ns), (Outcome::Detected, Some(0), Some(250 * MS)));
}

#[test]
fn near_the_end_of_the_window_the_latest_start_counts() {
    // The windows of the earliest and the latest start end at 6001 and 6401 ms.
    let told = |ms| {
        let got = run(settings(), vec![between(1, 0, 1000, 1400), Input::Witness(event(1, 0, ms))]);
        (got.outcome(1), got.roles()[0].1)
    };
    assert_eq!(told(6350), (Outcome::Detected, Role::Match));
    assert_eq!(told(6402), (Outcome::Missed, Role::Orphan));
    assert_eq!(told(999), (Outcome::Missed, Role::Orphan));
}

#[test]
fn a_gap_behind_the_earliest_window_still_leaves_it_unknowable() {
    let got = run(settings(), vec![between(1, 0, 1000, 1400), gap(6390, 6395), between(2, 1, 1000, 1300)]);
    assert_eq!((got.outcome(1), got.outcome(2)), (Outcome::Unknowable, Outcome::Missed));
}
