//! With any queue, drift, wrap or reset, the true time lies in the stated interval; and nothing that an injector can send makes
//! the arithmetic panic.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

use feed_lines::Unit;
use injector_clock::{DEFAULT_SLACK_NS, Exchange, How, InjectorClock};
use proptest::prelude::*;
use vocabulary::{ClockPair, Mono};

const US: i64 = 1_000;
const MS: i64 = 1_000_000;
const S: i64 = 1_000_000_000;
const ROUND: i64 = 1 << 32;

fn pair() -> ClockPair {
    ClockPair::default()
}

/// A simulated injector: a crystal of some error, a counter that wraps or not, and a line that keeps its order.
struct Injector {
    unit: Unit,
    ppb: i64,
    switched_on: i64,
    began_at: i64,
    wraps: bool,
    /// The last line has arrived by then.
    line: i64,
}

impl Injector {
    /// What the counter shows, without its wraps.
    fn full(&self, now: i64) -> i64 {
        let on = i128::from(now - self.switched_on);
        let ns = on + on * i128::from(self.ppb) / 1_000_000_000;
        i64::try_from(ns).unwrap() / self.unit.ns_per_tick() + self.began_at
    }

    fn shows(&self, now: i64) -> i64 {
        self.shown(self.full(now))
    }

    fn shown(&self, full: i64) -> i64 {
        if self.wraps { full % ROUND } else { full }
    }

    /// When a line arrives that leaves now and needs so long.
    fn arrives(&mut self, now: i64, way: i64) -> Mono {
        self.line = self.line.max(now + way);
        Mono(self.line)
    }
}

#[derive(Clone, Debug)]
struct Step {
    wait: i64,
    way: i64,
    back: i64,
    held: i64,
    /// 0..6 tick, 6..9 ping, 9 reset.
    what: u8,
    ahead: i64,
}

fn steps(longest: i64) -> impl Strategy<Value = Vec<Step>> {
    // Ways are mostly short, sometimes very long: queues, and bursts of lines that arrive together behind a long one.
    let way = || prop_oneof![4 => 0..2 * MS, 2 => 0..50 * MS, 1 => 0..3 * S];
    let step = (1..longest, way(), way(), 0..20 * MS, 0u8..10, -2 * S..S)
        .prop_map(|(wait, way, back, held, what, ahead)| Step { wait, way, back, held, what, ahead });
    prop::collection::vec(step, 1..250)
}

fn unit() -> impl Strategy<Value = Unit> {
    prop_oneof![Just(Unit::Nanoseconds), Just(Unit::Microseconds), Just(Unit::Milliseconds)]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Two-way: nothing is assumed of queues, in either direction.
    #[test]
    fn with_pings_the_truth_is_inside(
        steps in steps(8 * S),
        unit in unit(),
        ppb in -100_000i64..=100_000,
        to_wrap in 0i64..200_000_000,
        wraps: bool,
    ) {
        // A counter of nanoseconds must not wrap: a line may be later than its four seconds.
        let wraps = wraps && unit != Unit::Nanoseconds;
        let began_at = if wraps { ROUND - to_wrap } else { to_wrap };
        let mut injector = Injector { unit, ppb, switched_on: 0, began_at, wraps, line: 0 };
        let mut clock = InjectorClock::new(unit, DEFAULT_SLACK_NS);
        let (mut now, mut ready, mut last) = (5 * S, false, 5 * S);
        for step in steps {
            now += step.wait;
            match step.what {
                0..6 if ready => {
                    last = now;
                    clock.tick(injector.shows(now), injector.arrives(now, step.way));
                }
                what => {
                    // A counter that is not behind its last reading hides the reset.
                    if what == 9 && !wraps && injector.full(last) * unit.ns_per_tick() > 5 * S {
                        (injector.switched_on, injector.began_at) = (now, 0);
                        now += 2 * MS;
                    }
                    let sent = Mono(now);
                    now += step.back;
                    let received = injector.shows(now);
                    now += step.held;
                    let ticks = injector.shows(now);
                    last = now;
                    let before = clock.summary();
                    let exchange = Exchange { sent, received, ticks, arrived: injector.arrives(now, step.way) };
                    clock.exchange(exchange).unwrap();
                    ready = true;
                    let after = clock.summary();
                    prop_assert_eq!(after.pongs, before.pongs + 1);
                }
            }
            now = now.max(injector.line);
            if ready && clock.summary().how == How::TwoWay {
                prop_assert_eq!((clock.summary().jumps, clock.summary().contradictions), (0, 0));
                let truth = (now + step.ahead).max(injector.switched_on);
                let full = injector.full(truth);
                let text = injector.shown(full).to_string();
                let span = clock.place(Some(&text), Mono(now), pair());
                prop_assert!(span.from.0 <= truth && truth <= span.to.0, "{} {:?} {:?}", truth, span, clock.summary());
            }
        }
    }

    /// One-way: as long as one line in a few is faster than the slack, however slow and bursty the others are.
    #[test]
    fn with_ticks_alone_the_truth_is_inside(
        steps in steps(2 * S),
        fastest in 0i64..DEFAULT_SLACK_NS,
        unit in unit(),
        ppb in -100_000i64..=100_000,
        to_wrap in 0i64..200_000_000,
    ) {
        let wraps = unit == Unit::Microseconds;
        let began_at = if wraps { ROUND - to_wrap } else { to_wrap };
        let mut injector = Injector { unit, ppb, switched_on: 0, began_at, wraps, line: 0 };
        let mut clock = InjectorClock::new(unit, DEFAULT_SLACK_NS);
        let (mut now, mut since_fast, mut last) = (5 * S, 99, 5 * S);
        for step in steps {
            now += step.wait;
            if step.what == 9 && !wraps && injector.full(last) * unit.ns_per_tick() > 5 * S {
                (injector.switched_on, injector.began_at, since_fast) = (now, 0, 99);
                now += 2 * MS;
            }
            since_fast += 1;
            // A fast line needs a queue that is empty.
            let way = if since_fast > 5 {
                since_fast = 0;
                now = now.max(injector.line);
                fastest
            } else {
                fastest + step.way
            };
            last = now;
            clock.tick(injector.shows(now), injector.arrives(now, way));
            let truth = (now + step.ahead).max(injector.switched_on);
            let text = injector.shown(injector.full(truth)).to_string();
            let span = clock.place(Some(&text), Mono(injector.line.max(now)), pair());
            prop_assert!(span.from.0 <= truth && truth <= span.to.0, "{} {:?} {:?}", truth, span, clock.summary());
        }
        prop_assert_eq!(clock.summary().jumps, 0);
    }

    /// Nothing that an injector can send makes the arithmetic panic, and an interval has its ends in order.
    #[test]
    fn any_numbers(
        lines in prop::collection::vec((any::<bool>(), any::<[i64; 4]>(), 0u8..3), 0..60),
        slack in any::<i64>(),
        seconds: bool,
    ) {
        let unit = if seconds { Unit::Seconds } else { Unit::Nanoseconds };
        let mut clock = InjectorClock::new(unit, slack);
        for (tick, [a, b, c, d], small) in lines {
            let shrink = |v: i64| match small { 0 => v, 1 => v % ROUND, _ => v % 1_000_000_000_000 };
            let (a, b, c, d) = (shrink(a), shrink(b), shrink(c), shrink(d));
            if tick {
                clock.tick(a, Mono(b));
            } else {
                let _ = clock.exchange(Exchange { sent: Mono(a), received: b, ticks: c, arrived: Mono(d) });
            }
            let span = clock.place(Some(&(b.unsigned_abs() >> 1).to_string()), Mono(d), pair());
            prop_assert!(span.from <= span.to);
            let _ = (clock.summary(), clock.take_events());
        }
    }
}

/// A small generator of its own, so that the long simulation is the same everywhere.
struct Random(u64);

impl Random {
    fn below(&mut self, bound: i64) -> i64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 1) as i64 % bound
    }

    /// A queue: mostly a little, one line in ten up to 40 ms, one in a thousand up to 4 s.
    fn way(&mut self) -> i64 {
        let tail = match self.below(1000) {
            0 => 4 * S,
            1..100 => 40 * MS,
            _ => 3 * MS,
        };
        self.below(tail)
    }
}

/// A million ticks of an injector whose crystal is off and wanders, and whose lines queue: every time is inside its interval,
/// and the work for each tick does not grow with their number.
#[test]
fn a_million_ticks_stay_within_their_bound_at_constant_work() {
    let mut random = Random(0x9E37_79B9_7F4A_7C15);
    let mut injector = Injector {
        unit: Unit::Microseconds,
        ppb: 43_210,
        switched_on: 0,
        began_at: ROUND - 5_000_000,
        wraps: true,
        line: 0,
    };
    let mut clock = InjectorClock::new(Unit::Microseconds, DEFAULT_SLACK_NS);
    let mut now = 10 * S;
    let (mut placed, mut wide) = (0, 0);
    for n in 1..=1_000_000_i64 {
        now += 100 * MS;
        let way = random.way();
        clock.tick(injector.shows(now), injector.arrives(now, way));
        if n % 10 == 0 {
            let truth = now - random.below(S);
            let text = injector.shown(injector.full(truth)).to_string();
            let span = clock.place(Some(&text), Mono(injector.line.max(now)), pair());
            assert!(span.from.0 <= truth && truth <= span.to.0, "tick {n}: {truth} {span:?} {:?}", clock.summary());
            placed += 1;
            // The slack, and the drift of a minute and a half.
            wide += i64::from(n > 1000 && span.to.since(span.from) > 32 * MS);
        }
        if [10_000, 100_000, 1_000_000].contains(&n) {
            assert!(clock.work() < 5 * n.unsigned_abs(), "{} looks at {n} ticks", clock.work());
        }
    }
    let summary = clock.summary();
    // A hundred thousand seconds are 23 rounds of 4295 s; the first had just begun.
    assert_eq!((summary.ticks, summary.wraps, summary.resets, summary.jumps), (1_000_000, 23, 0, 0));
    let (drift, bound) = (summary.drift_ppb.unwrap(), summary.drift_bound_ppb.unwrap());
    assert!((drift - 43_210).abs() <= bound && bound < 60_000, "{summary:?}");
    // When one line that was held up follows another, it may look as if the clock had been set back.
    assert!(wide * 1000 < placed, "{wide} of {placed} are wide");
}

/// The same with a ping every five seconds: the interval is a round trip wide, not the slack.
#[test]
fn pings_make_it_narrow() {
    let mut random = Random(77);
    let mut injector =
        Injector { unit: Unit::Microseconds, ppb: -61_000, switched_on: 0, began_at: 0, wraps: false, line: 0 };
    let mut clock = InjectorClock::new(Unit::Microseconds, DEFAULT_SLACK_NS);
    let mut now = 10 * S;
    for n in 0..50_000_i64 {
        now = (now + 5 * S).max(injector.line);
        let sent = Mono(now);
        now += 150 * US + random.below(2 * MS);
        let received = injector.shows(now);
        now += random.below(300 * US);
        let ticks = injector.shows(now);
        let way = 150 * US + random.below(2 * MS);
        clock.exchange(Exchange { sent, received, ticks, arrived: injector.arrives(now, way) }).unwrap();
        let truth = now + random.below(S);
        let span = clock.place(Some(&injector.shows(truth).to_string()), Mono(now), pair());
        assert!(span.from.0 <= truth && truth <= span.to.0, "{truth} {span:?} {:?}", clock.summary());
        if n > 1000 {
            // The best round trips are 0.3 ms, and grow by some parts per million of up to ten minutes.
            assert!(span.to.since(span.from) < 1300 * US, "{span:?} {:?}", clock.summary());
        }
    }
    let summary = clock.summary();
    let (drift, bound) = (summary.drift_ppb.unwrap(), summary.drift_bound_ppb.unwrap());
    assert!((drift + 61_000).abs() <= bound && bound < 3_000, "{summary:?}");
    assert_eq!((summary.how, summary.jumps), (How::TwoWay, 0));
    assert!(summary.round_trip_ns.unwrap() >= 300 * US);
}
