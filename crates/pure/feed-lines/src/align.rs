//! The injector's clock on the kernel's: where on CLOCK_MONOTONIC a `t` of the feed lies.
//!
//! A tick line that says `t` arrives a little after the injector's clock showed `t`, never before. So arrival minus tick
//! is the offset between both clocks plus the way through queues and wires, and the least of many comes closest to the
//! offset (the lower envelope of Moon, Skelly and Towsley, IEEE INFOCOM 1999, without its slope). What even the fastest
//! line needed cannot be seen from one direction; the answer is an interval that allows for it and for the drift of
//! crystals. Must not read a clock; the pipeline owns one alignment per injector, live and in a replay alike.

use crate::{Stamp, Unit};
use std::collections::VecDeque;
use vocabulary::{ClockPair, Mono, Span};

/// How long the fastest line may have been on its way: 16 ms for the latency timer of a USB serial bridge (the default
/// in FTDI's application note AN232B-04 and in the kernel's `drivers/usb/serial/ftdi_sio.c`), 1 ms for a USB frame, and
/// 3 ms for thirty characters at 115200 baud.
pub const DEFAULT_SLACK_NS: i64 = 20_000_000;

/// How fast both clocks may run apart, in parts per million: two ordinary crystals of 50 ppm each.
pub const DRIFT_PPM: i64 = 100;

/// Samples older than this say little about the offset of now.
const WINDOW_NS: i64 = 60_000_000_000;
const WINDOW_SAMPLES: usize = 64;

#[derive(Clone, Copy, Debug)]
struct Sample {
    arrival: Mono,
    tick_ns: i64,
}

impl Sample {
    fn offset_ns(self) -> i64 {
        self.arrival.0.saturating_sub(self.tick_ns)
    }
}

/// One injector's clock, as its tick lines of the last minute show it.
#[derive(Clone, Debug)]
pub struct Alignment {
    unit: Unit,
    slack_ns: i64,
    samples: VecDeque<Sample>,
}

impl Alignment {
    /// A clock of which nothing is known but the unit. `slack_ns` is the longest time that the fastest line may need.
    #[must_use]
    pub fn new(unit: Unit, slack_ns: i64) -> Alignment {
        Alignment { unit, slack_ns: slack_ns.max(0), samples: VecDeque::new() }
    }

    /// A hello came: another unit means that what was learned is in the wrong unit.
    pub fn set_unit(&mut self, unit: Unit) {
        if self.unit != unit {
            self.unit = unit;
            self.samples.clear();
        }
    }

    /// A tick line came. Only for lines whose `t` was read as they were sent: the `t` of an injection may be planned.
    pub fn observe(&mut self, ticks: i64, arrival: Mono) {
        let sample = Sample { arrival, tick_ns: self.ns(ticks) };
        // A counter that goes back was reset, and everything before is about another clock. An arrival that goes back
        // is another boot.
        if self.samples.back().is_some_and(|last| sample.tick_ns < last.tick_ns || arrival < last.arrival) {
            self.samples.clear();
        }
        self.samples.push_back(sample);
        while self.samples.len() > WINDOW_SAMPLES
            || self.samples.front().is_some_and(|first| arrival.since(first.arrival) > WINDOW_NS)
        {
            self.samples.pop_front();
        }
    }

    /// Where on the kernel's clock a `t` lies, for a line that came at `arrival`.
    ///
    /// Without a `t` it is the arrival. A date is taken through `pair`, and is as wide as its last digit. Ticks are an
    /// interval around the estimate; as long as no tick line has come they say nothing, and the answer is what the arrival
    /// tells: at that time, or up to the slack before it. Text that is no time counts as no `t`.
    #[must_use]
    pub fn place(&self, t: Option<&str>, arrival: Mono, pair: ClockPair) -> Span {
        match Stamp::read(t) {
            None | Some(Stamp::Arrival) => Span::point(arrival),
            Some(Stamp::Date { at, resolution_ns }) => {
                let from = pair.mono_at(at);
                Span { from, to: from.plus(resolution_ns - 1) }
            }
            Some(Stamp::Ticks(ticks)) => {
                let Some(best) = self.samples.iter().min_by_key(|sample| sample.offset_ns()) else {
                    return Span { from: arrival.minus(self.slack_ns), to: arrival };
                };
                let tick_ns = self.ns(ticks);
                let estimate = Mono(best.offset_ns().saturating_add(tick_ns));
                let drift =
                    |sample: &Sample| tick_ns.saturating_sub(sample.tick_ns).saturating_abs() / (1_000_000 / DRIFT_PPM);
                let most_drift = self.samples.iter().map(drift).max().unwrap_or(0);
                // Even the fastest line was on its way for some time, so the truth lies before the estimate; only drift
                // since that line can put it after. Which line was the fastest is not known for sure: with drift, any
                // line of the window may look so.
                Span { from: estimate.minus(self.slack_ns).minus(most_drift), to: estimate.plus(drift(best)) }
            }
        }
    }

    fn ns(&self, ticks: i64) -> i64 {
        ticks.saturating_mul(self.unit.ns_per_tick())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use vocabulary::Wall;

    const PAIR: ClockPair = ClockPair { mono: Mono(1_000_000_000), wall: Wall(1_798_761_600_000_000_000) };
    const MS: i64 = 1_000_000;

    #[test]
    fn no_time_is_the_arrival_and_dates_are_as_wide_as_written() {
        let clock = Alignment::new(Unit::Microseconds, DEFAULT_SLACK_NS);
        assert_eq!(clock.place(None, Mono(7), PAIR), Span::point(Mono(7)));
        assert_eq!(clock.place(Some("nonsense"), Mono(7), PAIR), Span::point(Mono(7)));
        // 1798761600 is 2027-01-01T00:00:00Z.
        let at = |text| clock.place(Some(text), Mono(7), PAIR);
        assert_eq!(at("2027-01-01T00:00:00.000000000Z"), Span::point(Mono(1_000_000_000)));
        assert_eq!(at("2027-01-01T00:00:00.250Z"), Span::new(Mono(1_250_000_000), Mono(1_250_999_999)));
        assert_eq!(at("2027-01-01T01:00:01+01:00"), Span::new(Mono(2_000_000_000), Mono(2_999_999_999)));
    }

    #[test]
    fn the_fastest_line_shows_the_clock() {
        let mut clock = Alignment::new(Unit::Microseconds, 5 * MS);
        assert_eq!(clock.place(Some("10"), Mono(9 * MS), PAIR), Span::new(Mono(4 * MS), Mono(9 * MS)));
        // The injector's clock began at 1 s of the kernel's; the lines need 3, 1 and 9 ms.
        for (tick_ms, way_ms) in [(100, 3), (200, 1), (300, 9)] {
            clock.observe(tick_ms * 1000, Mono((1000 + tick_ms + way_ms) * MS));
        }
        // 100 ms beside the fastest line and 200 ms beside the first; 100 ppm of these are 10 us and 20 us.
        let span = clock.place(Some("300000"), Mono(0), PAIR);
        assert_eq!(span, Span::new(Mono(1296 * MS - 20_000), Mono(1301 * MS + 10_000)));
    }

    #[test]
    fn a_reset_counter_begins_anew() {
        let mut clock = Alignment::new(Unit::Milliseconds, 0);
        clock.observe(50_000, Mono(60_000 * MS));
        clock.observe(10, Mono(60_500 * MS));
        assert_eq!(clock.place(Some("10"), Mono(0), PAIR), Span::point(Mono(60_500 * MS)));
        clock.set_unit(Unit::Milliseconds);
        assert_eq!(clock.samples.len(), 1);
        clock.set_unit(Unit::Seconds);
        assert_eq!(clock.samples.len(), 0);
    }

    #[test]
    fn old_samples_leave() {
        let mut clock = Alignment::new(Unit::Nanoseconds, 0);
        for n in 0..1000 {
            clock.observe(n, Mono(n + 1));
        }
        assert_eq!(clock.samples.len(), WINDOW_SAMPLES);
        clock.observe(2000, Mono(1000 + WINDOW_NS + 1));
        assert_eq!(clock.samples.len(), 1);
    }

    proptest! {
        /// With ways up to the slack and drift up to the allowance, the truth lies in the interval.
        #[test]
        fn the_truth_is_inside(
            ways in prop::collection::vec(0i64..200_000_000, 1..200),
            fastest in 0i64..DEFAULT_SLACK_NS,
            ppm in -100i64..=100,
            epoch in 0i64..1_000_000_000_000_000,
            ahead_ms in 0i64..1000,
        ) {
            let mut clock = Alignment::new(Unit::Nanoseconds, DEFAULT_SLACK_NS);
            // The injector's clock runs at 1 + ppm/10^6 of the kernel's.
            let tick_at = |true_ns: i64| true_ns + true_ns / 1_000_000 * ppm;
            let mut arrival = 0;
            let mut now = 0;
            for (n, way) in ways.iter().enumerate() {
                now += 250 * MS;
                let way = if n % 7 == 0 { fastest } else { fastest + way };
                // A stream keeps its order.
                arrival = arrival.max(now + way);
                clock.observe(tick_at(now), Mono(epoch + arrival));
            }
            let truth = now + ahead_ms * MS;
            let span = clock.place(Some(&tick_at(truth).to_string()), Mono(epoch + arrival), PAIR);
            // Both sides round to a tick per million.
            prop_assert!(span.from.0 - 200 <= epoch + truth && epoch + truth <= span.to.0 + 200, "{span:?} {}", epoch + truth);
        }

        /// Nothing that an injector can send makes the arithmetic panic.
        #[test]
        fn any_ticks(lines in prop::collection::vec((0i64.., any::<i64>()), 0..20), t in 0i64..) {
            let mut clock = Alignment::new(Unit::Seconds, i64::MAX);
            for (ticks, arrival) in lines {
                clock.observe(ticks, Mono(arrival));
                let span = clock.place(Some(&t.to_string()), Mono(arrival), PAIR);
                prop_assert!(span.from <= span.to);
            }
        }
    }
}
