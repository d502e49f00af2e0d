//! The clock by small stories; `tests/truth.rs` has the generated ones.

use super::*;
use crate::DEFAULT_SLACK_NS;
use vocabulary::Wall;

const PAIR: ClockPair = ClockPair { mono: Mono(1_000_000_000), wall: Wall(1_798_761_600_000_000_000) };
const US: i64 = 1_000;
const MS: i64 = 1_000_000;
const S: i64 = 1_000_000_000;

fn micros(slack_ns: i64) -> InjectorClock {
    InjectorClock::new(Unit::Microseconds, slack_ns)
}

/// An exchange whose ping and pong took these times; the injector's clock is `offset` behind the kernel's.
fn exchange(at: i64, offset: i64, ping: i64, held: i64, pong: i64) -> Exchange {
    Exchange {
        sent: Mono(at),
        received: (at + ping - offset) / US,
        ticks: (at + ping + held - offset) / US,
        arrived: Mono(at + ping + held + pong),
    }
}

#[test]
fn no_time_is_the_arrival_and_dates_are_as_wide_as_written() {
    let clock = micros(DEFAULT_SLACK_NS);
    assert_eq!(clock.place(None, Mono(7), PAIR), Span::point(Mono(7)));
    assert_eq!(clock.place(Some("nonsense"), Mono(7), PAIR), Span::point(Mono(7)));
    // 1798761600 is 2027-01-01T00:00:00Z.
    let at = |text| clock.place(Some(text), Mono(7), PAIR);
    assert_eq!(at("2027-01-01T00:00:00.000000000Z"), Span::point(Mono(1_000_000_000)));
    assert_eq!(at("2027-01-01T00:00:00.250Z"), Span::new(Mono(1_250_000_000), Mono(1_250_999_999)));
    assert_eq!(at("2027-01-01T01:00:01+01:00"), Span::new(Mono(2_000_000_000), Mono(2_999_999_999)));
    assert_eq!((clock.summary().how, clock.summary().uncertainty_ns), (How::Arrival, None));
}

#[test]
fn the_fastest_line_shows_the_clock() {
    let mut clock = micros(5 * MS);
    assert_eq!(clock.place(Some("10"), Mono(9 * MS), PAIR), Span::new(Mono(4 * MS), Mono(9 * MS)));
    // The injector's clock began at 1 s of the kernel's; the lines need 3, 1 and 2 ms.
    for (tick_ms, way_ms) in [(100, 3), (200, 1), (300, 2)] {
        clock.tick(tick_ms * 1000, Mono((1000 + tick_ms + way_ms) * MS));
    }
    // 100 ms beside the fastest line; 100.02 ppm of these are 10.002 us, of 100 ms and a tick 10.003.
    let span = clock.place(Some("300000"), Mono(0), PAIR);
    assert_eq!(span, Span::new(Mono(1296 * MS - 999 - 10_002), Mono(1301 * MS + 10_003 + 999)));
    assert_eq!(clock.summary().how, How::OneWay);
}

#[test]
fn pongs_assume_nothing() {
    let mut clock = micros(DEFAULT_SLACK_NS);
    // Ticks that are 50 ms late would be taken for 20 ms late at the most.
    clock.tick(1_000_000, Mono(11 * S + 50 * MS));
    clock.exchange(exchange(12 * S, 10 * S, 300 * US, 40 * US, 700 * US)).unwrap();
    let summary = clock.summary();
    assert_eq!((summary.how, summary.round_trip_ns, summary.pongs), (How::TwoWay, Some(MS), 1));
    assert!(summary.uncertainty_ns.unwrap() < MS + 3 * US, "{summary:?}");
    let span = clock.place(Some("3000000"), Mono(13 * S), PAIR);
    assert!(span.from <= Mono(13 * S) && Mono(13 * S) <= span.to, "{span:?}");
    // A second later: a round trip, and 100 ppm of that second on both sides.
    assert!(span.to.since(span.from) < MS + 210 * US, "{span:?}");
    // The best of both directions counts, also of different exchanges.
    clock.exchange(exchange(13 * S, 10 * S, 100 * US, 0, 5 * MS)).unwrap();
    clock.exchange(exchange(14 * S, 10 * S, 5 * MS, 0, 100 * US)).unwrap();
    assert!(clock.summary().uncertainty_ns.unwrap() < 310 * US, "{:?}", clock.summary());
}

#[test]
fn a_reset_counter_begins_anew() {
    let mut clock = InjectorClock::new(Unit::Milliseconds, 0);
    clock.tick(50_000, Mono(60 * S));
    clock.tick(10, Mono(60 * S + 500 * MS));
    assert_eq!(clock.take_events(), [ClockEvent::Reset]);
    let at = clock.place(Some("10"), Mono(0), PAIR);
    // A tick of a millisecond is a millisecond wide, and the line may have left at any time in it.
    assert_eq!(at, Span::new(Mono(60_499 * MS + 1), Mono(60_501 * MS + 100)));
    clock.hear(Unit::Milliseconds, Mono(61 * S));
    assert_eq!(clock.summary().how, How::OneWay);
    clock.hear(Unit::Seconds, Mono(61 * S));
    assert_eq!((clock.summary().how, clock.summary().resets), (How::Arrival, 1));
}

#[test]
fn a_jump_is_told_and_begins_anew() {
    // Ahead, by ticks alone: it may be the lines as well.
    let mut clock = micros(MS);
    for n in 0..10 {
        clock.tick(n * 1_000_000, Mono((100 + n) * S));
    }
    clock.tick(10_500_000, Mono(110 * S));
    let [event] = clock.take_events()[..] else { panic!() };
    assert!(matches!(event, ClockEvent::Jumped { by_ns: -500_000_000..-490_000_000, proven: false }), "{event:?}");
    assert!(event.is_warning() && event.to_string().starts_with("its clock went ahead by 49"), "{event}");

    // Back, by pongs: proven at once.
    let mut clock = micros(DEFAULT_SLACK_NS);
    clock.exchange(exchange(100 * S, 10 * S, MS, 0, MS)).unwrap();
    clock.exchange(exchange(105 * S, 10 * S + 30 * MS, MS, 0, MS)).unwrap();
    let [event] = clock.take_events()[..] else { panic!() };
    assert!(matches!(event, ClockEvent::Jumped { by_ns: 27_000_000..28_000_000, proven: true }), "{event:?}");
    assert_eq!((clock.summary().jumps, clock.summary().pongs), (1, 2));
    let span = clock.place(Some("95000000"), Mono(106 * S), PAIR);
    assert!(span.from.0 <= 105 * S + 30 * MS && 105 * S + 30 * MS <= span.to.0, "{span:?}");
}

#[test]
fn a_clock_that_was_set_back_makes_wide_answers_until_it_is_sure() {
    let mut clock = micros(MS);
    for n in 0..30 {
        clock.tick(n * 1_000_000, Mono((100 + n) * S));
    }
    // Set back by 200 ms: every line looks late by that.
    let truth = |n: i64| n * S + 100 * S + 200 * MS;
    for n in 30..34 {
        clock.tick(n * 1_000_000, Mono(truth(n)));
    }
    let span = clock.place(Some("34000000"), Mono(truth(34)), PAIR);
    assert!(span.from.0 <= 134 * S && span.to.0 >= truth(34), "both may be: {span:?}");
    assert_eq!(clock.take_events(), []);
    for n in 34..100 {
        clock.tick(n * 1_000_000, Mono(truth(n)));
    }
    assert!(matches!(clock.take_events()[..], [ClockEvent::Jumped { proven: false, .. }]));
    let span = clock.place(Some("100000000"), Mono(truth(100)), PAIR);
    assert!(span.from.0 <= truth(100) && truth(100) <= span.to.0 && span.to.since(span.from) < 12 * MS, "{span:?}");
    // One line in time, and the others were in a queue.
    let mut clock = micros(MS);
    for n in 0..30 {
        clock.tick(n * 1_000_000, Mono((100 + n) * S + if (10..20).contains(&n) { 200 * MS } else { 0 }));
    }
    assert_eq!((clock.summary().jumps, clock.summary().queue.unwrap().max_ns / MS), (0, 200));
}

#[test]
fn ticks_that_contradict_the_pongs_make_answers_wider() {
    let mut clock = micros(DEFAULT_SLACK_NS);
    // The ticks are read 5 ms ahead of the clock that the pongs are read from.
    for n in 0..20 {
        let at = (100 + n) * S;
        clock.tick((at + 5 * MS - 10 * S) / US, Mono(at + US));
        clock.exchange(exchange(at + 10 * MS, 10 * S, MS, 0, MS)).unwrap();
    }
    assert!(clock.summary().contradictions > 10 && clock.summary().jumps == 0, "{:?}", clock.summary());
    assert!(matches!(clock.take_events()[..], [ClockEvent::Contradiction { by_ns: 1.. }, ..]));
    let span = clock.place(Some("110000000"), Mono(120 * S), PAIR);
    assert!(span.from.0 <= 120 * S - 5 * MS && 120 * S + MS <= span.to.0, "{span:?}");
}

#[test]
fn stamps_that_cannot_be_are_refused() {
    let mut clock = micros(DEFAULT_SLACK_NS);
    let good = exchange(10 * S, 5 * S, MS, 10 * MS, MS);
    let refused = |clock: &mut InjectorClock, bad: Exchange| clock.exchange(bad).unwrap_err().to_string();
    assert_eq!(
        refused(&mut clock, Exchange { arrived: Mono(9 * S), ..good }),
        "the pong arrived 1000000000 ns before its ping was sent"
    );
    assert_eq!(
        refused(&mut clock, Exchange { received: good.ticks + 1, ..good }),
        "`received` is 5011001, which is after `t`, 5011000: the clock ran backwards"
    );
    assert_eq!(
        refused(&mut clock, Exchange { received: good.received - 2010, ..good }),
        "`received` and `t` say that the ping was held for 12010000 ns, but ping and pong took only 12000000 ns"
    );
    assert_eq!((clock.summary().pongs, clock.summary().how), (0, How::Arrival), "nothing was taken from them");
    clock.exchange(good).unwrap();
}

#[test]
fn the_drift_is_measured_with_its_bound() {
    let mut clock = InjectorClock::new(Unit::Nanoseconds, DEFAULT_SLACK_NS);
    assert_eq!(clock.summary().drift_bound_ppb, None);
    // 37 ppm fast; round trips of 400 us, a ping every 5 s.
    let shows = |at: i64| at + at / 1_000_000 * 37;
    for n in 0..240 {
        let at = n * 5 * S;
        let exchange = Exchange {
            sent: Mono(at),
            received: shows(at + 200 * US),
            ticks: shows(at + 200 * US),
            arrived: Mono(at + 400 * US + n % 7 * MS),
        };
        clock.exchange(exchange).unwrap();
    }
    let summary = clock.summary();
    let (drift, bound) = (summary.drift_ppb.unwrap(), summary.drift_bound_ppb.unwrap());
    assert!((drift - 37_000).abs() <= bound && bound < 3_000, "{summary:?}");
    assert!(summary.uncertainty_ns.unwrap() < 430 * US, "{summary:?}");
    let queue = summary.queue.unwrap();
    assert!(queue.p50_ns >= 2 * MS && queue.max_ns >= 5 * MS, "{queue:?}");
}

#[test]
fn a_wrap_changes_nothing() {
    let round = 1_i64 << 32;
    let mut clock = micros(DEFAULT_SLACK_NS);
    let begin = round - 30_000_000;
    for n in 0..60 {
        let ticks = begin + n * 1_000_000;
        clock.tick(ticks % round, Mono(ticks * US + 7 * S + MS));
    }
    let summary = clock.summary();
    assert_eq!((summary.wraps, summary.resets, summary.jumps), (1, 0, 0));
    let arrival = Mono((begin + 60_000_000) * US + 7 * S);
    for ticks in [round - 1_000, round, round + 30_000_000, round + 31_000_000] {
        let span = clock.place(Some(&(ticks % round).to_string()), arrival, PAIR);
        let truth = ticks * US + 7 * S;
        assert!(span.from.0 <= truth && truth <= span.to.0, "{ticks}: {span:?}");
    }
}
