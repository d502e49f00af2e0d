//! A ping and its pong: the four time stamps of RFC 5905 section 8.

use thiserror::Error;
use vocabulary::Mono;

/// A ping and its pong. The kernel's stamps are in nanoseconds of CLOCK_MONOTONIC, the injector's in its ticks.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Exchange {
    /// T1: right before the ping was written.
    pub sent: Mono,
    /// T2: the injector's clock as the ping came in.
    pub received: i64,
    /// T3: the injector's clock as the pong went out.
    pub ticks: i64,
    /// T4: when the pong arrived.
    pub arrived: Mono,
}

/// Why the stamps of an exchange cannot be.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Error)]
pub enum ExchangeError {
    /// The pong was here before its ping was written.
    #[error("the pong arrived {0} ns before its ping was sent")]
    BeforeItsPing(i64),
    /// The injector's clock went back between ping and pong.
    #[error("`received` is {received}, which is after `t`, {t}: the clock ran backwards")]
    Backwards {
        /// The stamp of the ping.
        received: i64,
        /// The stamp of the pong.
        t: i64,
    },
    /// The injector says that it held the ping for longer than ping and pong took together.
    #[error("`received` and `t` say that the ping was held for {held_ns} ns, but ping and pong took only {took_ns} ns")]
    HeldTooLong {
        /// By the injector's clock.
        held_ns: i64,
        /// By the kernel's.
        took_ns: i64,
    },
}

/// Offset and round trip, (T2-T1 + T3-T4)/2 and (T4-T1)-(T3-T2), of four stamps in nanoseconds.
///
/// The offset is the injector's clock minus the kernel's, and is true to within half of the round trip (RFC 5905 section 8).
/// The bounds that [`crate::InjectorClock`] works with are these two in another form: T1-T2 and T4-T3.
#[must_use]
pub(crate) fn offset_and_round_trip(t1: i64, t2: i64, t3: i64, t4: i64) -> (i64, i64) {
    let d = |to: i64, from: i64| i128::from(to) - i128::from(from);
    let offset = (d(t2, t1) + d(t3, t4)).div_euclid(2);
    (crate::drift::clamped(offset), crate::drift::clamped(d(t4, t1) - d(t3, t2)))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_four_stamps() {
        // RFC 5905 section 8, the formulas computed by hand: T1 = 100.000, T2 = 105.020, T3 = 105.025, T4 = 100.065 seconds.
        let ms = |ms: i64| ms * 1_000_000;
        let found = offset_and_round_trip(ms(100_000), ms(105_020), ms(105_025), ms(100_065));
        assert_eq!(found, (ms(4_990), ms(60)));
        let (offset, _) = offset_and_round_trip(i64::MIN, i64::MAX, i64::MAX, i64::MIN);
        assert_eq!(offset, i64::MAX);
    }
}
