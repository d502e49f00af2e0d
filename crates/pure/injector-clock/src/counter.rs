//! The injector's counter without its wraps: many count in 32 bits, and begin again at 0 after 2^32.
//!
//! A counter that goes back was reset, unless it goes on where a 32-bit counter would be: then it has wrapped, perhaps several
//! times while nothing was heard. A counter that was ever seen above 32 bits does not wrap, nor does one of nanoseconds.

/// One round of a 32-bit counter.
const ROUND: i64 = 1 << 32;
/// A `t` that would lie nearly a round ahead lies so far back, since the counter went around before its first reading.
const JUST_NS: i64 = 60_000_000_000;
/// Readings of two tasks of one firmware may overtake each other by this much.
const OVERTAKEN_NS: i64 = 1_000_000;
/// By how much a reading may be later than the wrap says: the line was in a queue, or the clock has drifted meanwhile.
const LATE_NS: i64 = 10_000_000_000;

/// See the module's page.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Counter {
    ns_per_tick: i64,
    /// What has gone by in whole rounds.
    base: i64,
    /// The last reading, and when it arrived.
    last: Option<(i64, i64)>,
    /// It has more than 32 bits.
    wide: bool,
}

/// How a reading follows the ones before. Times are the injector's, in nanoseconds.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Reading {
    /// As it should.
    Goes(i64),
    /// After so many wraps.
    Wrapped(i64, i64),
    /// It went back: a reset.
    Back(i64),
}

impl Counter {
    pub(crate) fn new(ns_per_tick: i64) -> Counter {
        // Nanoseconds would go around every four seconds, which a slow line cannot be told from.
        Counter { ns_per_tick, base: 0, last: None, wide: ns_per_tick == 1 }
    }

    /// Takes a reading. `offset` is kernel time minus injector time as far as it is known.
    pub(crate) fn read(&mut self, ticks: i64, arrival: i64, offset: Option<i64>) -> Reading {
        self.wide |= ticks >= ROUND;
        let before = self.last.replace((ticks, arrival));
        let x = self.ns(self.base.saturating_add(ticks));
        let (Some((last, heard)), Some(offset)) = (before, offset) else { return Reading::Goes(x) };
        let round = self.round_ns();
        let may_wrap = !self.wide && (ticks < last || arrival.saturating_sub(heard) > round / 2);
        if may_wrap {
            // How much later than that the line would be, if no wrap were between.
            let late = i128::from(arrival) - i128::from(offset) - i128::from(x);
            let rounds = (late + i128::from(round / 2)).div_euclid(i128::from(round));
            let left = late - rounds * i128::from(round);
            if rounds >= 1 && left.abs() <= i128::from(LATE_NS.min(round / 8)) {
                let rounds = crate::drift::clamped(rounds);
                self.base = self.base.saturating_add(ROUND.saturating_mul(rounds));
                return Reading::Wrapped(self.ns(self.base.saturating_add(ticks)), rounds);
            }
        }
        if ticks < last && self.ns(last.saturating_sub(ticks)) <= OVERTAKEN_NS {
            self.last = Some((last, heard));
        } else if ticks < last {
            *self = Counter { last: Some((ticks, arrival)), ..Counter::new(self.ns_per_tick) };
            return Reading::Back(self.ns(ticks));
        }
        Reading::Goes(x)
    }

    /// The time that a `t` means which is no reading: of the rounds that it can mean, the one nearest to `now`, the injector's
    /// time as the line came.
    pub(crate) fn time_of(&self, ticks: i64, now: i64) -> i64 {
        let x = self.ns(self.base.saturating_add(ticks));
        if self.wide || ticks >= ROUND || self.last.is_none() {
            return x;
        }
        let round = self.round_ns();
        // A small number is in the next round only where this one's is long over; one in the round before needs a wrap that was
        // seen, or one that must just have been.
        let ahead = x.saturating_sub(now);
        if now.saturating_sub(x) > round / 2 {
            x.saturating_add(round)
        } else if (self.base > 0 && ahead > round / 2) || ahead > round.saturating_sub(JUST_NS) {
            x.saturating_sub(round)
        } else {
            x
        }
    }

    /// From one stamp to a later one, across a wrap if need be; nothing if the clock ran backwards.
    pub(crate) fn between_ns(&self, from: i64, to: i64) -> Option<i64> {
        let ticks = to.saturating_sub(from);
        if ticks >= 0 {
            return Some(self.ns(ticks));
        }
        let may_wrap = !self.wide && from < ROUND && ticks < -ROUND / 2;
        may_wrap.then(|| self.ns(ticks.saturating_add(ROUND)))
    }

    pub(crate) fn ns(&self, ticks: i64) -> i64 {
        ticks.saturating_mul(self.ns_per_tick)
    }

    fn round_ns(&self) -> i64 {
        self.ns(ROUND)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const US: i64 = 1_000;
    const S: i64 = 1_000_000_000;

    #[test]
    fn wraps_are_told_from_resets() {
        // Microseconds: a round is 4294.967296 s. The kernel's clock is 100 s ahead.
        let offset = Some(100 * S);
        let near = Counter { last: Some((ROUND - 500_000, 4394 * S)), ..Counter::new(US) };
        // Half a second later, and 3 ms on its way.
        let wrapped = near.clone().read(500_000, 4394 * S + S + 3_000_000, offset);
        assert_eq!(wrapped, Reading::Wrapped((ROUND + 500_000) * US, 1));
        // The same small number a minute later is a reset.
        assert_eq!(near.clone().read(500_000, 4455 * S, offset), Reading::Back(500_000 * US));
        // Nothing heard for three hours, and back to where three rounds lead.
        let ticks = 3 * ROUND + 9_000_000;
        let long = near.clone().read(9_000_000, ticks * US + 100 * S, offset);
        assert_eq!(long, Reading::Wrapped(ticks * US, 3));
        // Two lines that overtook each other are neither.
        let mut overtaken = near;
        assert_eq!(overtaken.read(ROUND - 500_400, 4394 * S, offset), Reading::Goes((ROUND - 500_400) * US));
        assert_eq!(overtaken.last, near.last);
        // A counter that was seen above 32 bits does not wrap.
        let mut wide = Counter::new(US);
        wide.read(ROUND + 5, 4395 * S, None);
        assert_eq!(wide.read(7, 4396 * S, offset), Reading::Back(7 * US));
    }

    #[test]
    fn a_t_around_a_wrap_is_the_nearest_one() {
        let round = ROUND * US;
        let near = Counter { last: Some((ROUND - 500_000, 0)), ..Counter::new(US) };
        assert_eq!(near.time_of(20_000, round - S / 2), round + 20_000 * US, "planned behind the wrap");
        assert_eq!(near.time_of(ROUND - 5, round - S / 2), round - 5 * US);
        let behind = Counter { base: ROUND, last: Some((10_000, 0)), ..Counter::new(US) };
        assert_eq!(behind.time_of(ROUND - 5, round + S), round - 5 * US, "told behind the wrap");
        assert_eq!(behind.time_of(20_000, round + S), round + 20_000 * US);
        // In the first round nothing was before, unless it would be a round ahead.
        let young = Counter { last: Some((10, 0)), ..Counter::new(US) };
        assert_eq!(young.time_of(ROUND - 100_000_000, S), round - 100 * S);
        assert_eq!(young.time_of(ROUND - 5, S), -5 * US);
    }

    #[test]
    fn a_ping_may_be_held_across_a_wrap() {
        let counter = Counter::new(US);
        assert_eq!(counter.between_ns(5, 9), Some(4 * US));
        assert_eq!(counter.between_ns(ROUND - 1, 2), Some(3 * US));
        assert_eq!(counter.between_ns(9, 5), None);
    }
}
