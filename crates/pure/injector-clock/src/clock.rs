//! One injector's clock: takes its lines, and says where on the kernel's clock a `t` lies.

use crate::counter::{Counter, Reading};
use crate::drift::{Drift, ppb, up};
use crate::epoch::{Bounds, Epoch, Fit};
use crate::exchange::offset_and_round_trip;
use crate::hull::Point;
use crate::queue::Spread;
use crate::{ClockEvent, Exchange, ExchangeError, How, Summary};
use feed_lines::{Stamp, Unit};
use vocabulary::{ClockPair, Mono, Span};

/// Events that wait to be taken; more are only counted.
const EVENTS: usize = 16;

/// See the module's page.
pub struct InjectorClock {
    unit: Unit,
    slack_ns: i64,
    counter: Counter,
    epoch: Option<Epoch>,
    spread: Spread,
    heard: Mono,
    round_trip_ns: Option<i64>,
    ticks: u64,
    pongs: u64,
    resets: u64,
    wraps: u64,
    jumps: u64,
    contradictions: u64,
    events: Vec<ClockEvent>,
    work: u64,
}

impl InjectorClock {
    /// A clock of which nothing is known but the unit. `slack_ns` is the longest time that the fastest line may need; it counts
    /// as long as no ping is answered.
    #[must_use]
    pub fn new(unit: Unit, slack_ns: i64) -> InjectorClock {
        InjectorClock {
            unit,
            slack_ns: slack_ns.max(0),
            counter: Counter::new(unit.ns_per_tick()),
            epoch: None,
            spread: Spread::default(),
            heard: Mono::default(),
            round_trip_ns: None,
            ticks: 0,
            pongs: 0,
            resets: 0,
            wraps: 0,
            jumps: 0,
            contradictions: 0,
            events: Vec::new(),
            work: 0,
        }
    }

    /// A line of the injector came, whatever it says. Another unit than before means that what was learned is in the wrong unit.
    pub fn hear(&mut self, unit: Unit, arrival: Mono) {
        self.heard = self.heard.max(arrival);
        if self.unit != unit {
            self.unit = unit;
            self.counter = Counter::new(unit.ns_per_tick());
            self.epoch = None;
        }
    }

    /// A tick line came. Only for lines whose `t` was read as they were sent: the `t` of an injection may be planned.
    pub fn tick(&mut self, ticks: i64, arrival: Mono) {
        self.heard = self.heard.max(arrival);
        self.ticks = self.ticks.saturating_add(1);
        self.read(ticks, arrival, false);
    }

    /// A ping was answered.
    ///
    /// # Errors
    /// When the four stamps cannot be; then nothing is taken from them.
    pub fn exchange(&mut self, exchange: Exchange) -> Result<(), ExchangeError> {
        let Exchange { sent, received, ticks, arrived } = exchange;
        let took_ns = arrived.since(sent);
        if took_ns < 0 {
            return Err(ExchangeError::BeforeItsPing(took_ns.saturating_neg()));
        }
        let backwards = ExchangeError::Backwards { received, t: ticks };
        let held_ns = self.counter.between_ns(received, ticks).ok_or(backwards)?;
        let per_tick = self.unit.ns_per_tick();
        // A tick's own width at both ends, and a clock that runs fast.
        let too_fast = up(Drift::PRIOR.hi, held_ns).saturating_add(per_tick.saturating_mul(2));
        if held_ns.saturating_sub(too_fast) > took_ns {
            return Err(if received > ticks { backwards } else { ExchangeError::HeldTooLong { held_ns, took_ns } });
        }
        self.pongs = self.pongs.saturating_add(1);
        self.heard = self.heard.max(arrived);
        let above = self.read(ticks, arrived, true);
        // The clock reached the tick after `received` only after the ping was written.
        let came = above.x.saturating_sub(held_ns).saturating_add(per_tick);
        let below = Point { x: came, y: sent.0.saturating_sub(came) };
        let stamps = (sent.0, above.x.saturating_sub(held_ns), above.x, arrived.0);
        let (_, round_trip_ns) = offset_and_round_trip(stamps.0, stamps.1, stamps.2, stamps.3);
        self.round_trip_ns = Some(self.round_trip_ns.map_or(round_trip_ns, |least| least.min(round_trip_ns)).max(0));
        let back = self.epoch.as_mut().map_or(0, |epoch| epoch.set_back_ns(below));
        if back > 0 {
            self.jump(above, true, back, true);
        }
        if let Some(epoch) = &mut self.epoch {
            epoch.take_ping(below);
            let torn_ns = epoch.bounds(epoch.last()).torn_ns;
            if torn_ns > 0 {
                self.contradictions = self.contradictions.saturating_add(1);
                self.tell(ClockEvent::Contradiction { by_ns: torn_ns });
            }
        }
        Ok(())
    }

    /// Where on the kernel's clock a `t` lies, for a line that came at `arrival`.
    ///
    /// Without a `t` it is the arrival. A date is taken through `pair`, and is as wide as its last digit. Ticks are an interval
    /// that is at least one tick wide; as long as no line has told the injector's clock they say nothing, and the answer is what
    /// the arrival tells: at that time, or up to the slack before it. Text that is no time counts as no `t`.
    #[must_use]
    pub fn place(&self, t: Option<&str>, arrival: Mono, pair: ClockPair) -> Span {
        match Stamp::read(t) {
            None | Some(Stamp::Arrival) => Span::point(arrival),
            Some(Stamp::Date { at, resolution_ns }) => {
                let from = pair.mono_at(at);
                Span { from, to: from.plus(resolution_ns - 1) }
            }
            Some(Stamp::Ticks(ticks)) => {
                let Some(epoch) = &self.epoch else {
                    return Span { from: arrival.minus(self.slack_ns), to: arrival };
                };
                let now = arrival.0.saturating_sub(epoch.offset());
                let begins = self.counter.time_of(ticks, now);
                let ends = begins.saturating_add(self.unit.ns_per_tick());
                let (from, to) = (epoch.bounds(begins).lo, epoch.bounds(ends).hi);
                Span::new(Mono(begins).plus(from), Mono(ends).plus(to).minus(1))
            }
        }
    }

    /// What happened since the last call.
    pub fn take_events(&mut self) -> Vec<ClockEvent> {
        std::mem::take(&mut self.events)
    }

    /// What is known of the clock.
    #[must_use]
    pub fn summary(&self) -> Summary {
        let bounds = self.epoch.as_ref().map(|epoch| epoch.bounds(epoch.last()));
        let width = |b: Bounds| b.hi.saturating_sub(b.lo).saturating_add(self.unit.ns_per_tick() - 1);
        let how = match &self.epoch {
            None => How::Arrival,
            Some(epoch) if epoch.holds_pong(epoch.last()) => How::TwoWay,
            Some(_) => How::OneWay,
        };
        let (slope, drift) = self.epoch.as_ref().map_or((None, Drift::PRIOR), Epoch::slope);
        let middle = slope.unwrap_or(0);
        let bound = drift.hi.saturating_sub(middle).max(middle.saturating_sub(drift.lo));
        Summary {
            how,
            at: self.heard,
            uncertainty_ns: bounds.map(width),
            round_trip_ns: self.round_trip_ns,
            drift_ppb: slope.map(ppb),
            drift_bound_ppb: self.epoch.is_some().then_some(bound / 1000 + 1),
            ticks: self.ticks,
            pongs: self.pongs,
            resets: self.resets,
            wraps: self.wraps,
            jumps: self.jumps,
            contradictions: self.contradictions,
            queue: self.spread.queue(),
        }
    }

    /// How many points were looked at so far, over all lines: in proportion to the lines, however long it goes on.
    #[must_use]
    pub fn work(&self) -> u64 {
        self.work.saturating_add(self.epoch.as_ref().map_or(0, Epoch::work))
    }

    /// Takes a reading of the clock, and answers the point above the curve that it is.
    fn read(&mut self, ticks: i64, arrival: Mono, is_pong: bool) -> Point {
        let offset = self.epoch.as_ref().map(Epoch::offset);
        let x = match self.counter.read(ticks, arrival.0, offset) {
            Reading::Goes(x) => x,
            Reading::Wrapped(x, rounds) => {
                self.wraps = self.wraps.saturating_add(rounds.unsigned_abs());
                x
            }
            Reading::Back(x) => {
                self.resets = self.resets.saturating_add(1);
                self.tell(ClockEvent::Reset);
                self.end_epoch();
                x
            }
        };
        let point = Point { x, y: arrival.0.saturating_sub(x) };
        let Some(epoch) = &mut self.epoch else {
            self.epoch = Some(Epoch::new(point, is_pong, self.late_ns()));
            return point;
        };
        match epoch.fit(point, is_pong) {
            Fit::Fits(queued_ns) => {
                self.spread.add(queued_ns);
                epoch.take(point, is_pong);
            }
            Fit::TooSoon(by_ns, proven) => self.jump(point, is_pong, by_ns.saturating_neg(), proven),
            Fit::TooLate(by_ns) => {
                let fastest = epoch.fastest_late().unwrap_or(point);
                self.jump(fastest, is_pong, by_ns, false);
                if let Some(epoch) = self.epoch.as_mut().filter(|_| fastest.x < point.x) {
                    epoch.take(point, is_pong);
                }
            }
        }
        point
    }

    /// By how much the fastest line can lie above the curve: its way, and what the clock did not show of its last tick.
    fn late_ns(&self) -> i64 {
        self.slack_ns.saturating_add(self.unit.ns_per_tick() - 1)
    }

    /// Begins anew with a point above the curve.
    fn jump(&mut self, from: Point, is_pong: bool, by_ns: i64, proven: bool) {
        self.jumps = self.jumps.saturating_add(1);
        self.tell(ClockEvent::Jumped { by_ns, proven });
        self.end_epoch();
        self.epoch = Some(Epoch::new(from, is_pong, self.late_ns()));
    }

    fn end_epoch(&mut self) {
        self.work = self.work();
        self.epoch = None;
    }

    fn tell(&mut self, event: ClockEvent) {
        if self.events.len() < EVENTS {
            self.events.push(event);
        }
    }
}

#[cfg(test)]
#[path = "clock_tests.rs"]
mod tests;
