//! How fast two clocks run apart, as an interval, and what that makes of a length of time.

/// How fast both clocks may run apart, in parts per million: two ordinary crystals of 50 ppm each (common practice).
pub const MOST_DRIFT_PPM: i64 = 100;

const PER_PPM: i64 = 1_000_000;
const WHOLE: i128 = 1_000_000_000_000;

/// A clock that is 100 ppm slow makes kernel time grow by 100.01 parts per million of its own time; the rest is for rounding.
const MOST: i64 = MOST_DRIFT_PPM * PER_PPM + 20_000;

/// A crystal follows its temperature, so a rate that was measured over minutes holds for the next ones only to within this.
/// One part per million is a few degrees on an ordinary crystal (common practice).
const WANDER: i64 = PER_PPM;

/// By how much kernel time minus injector time may change, in parts per trillion of injector time: an interval.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Drift {
    pub(crate) lo: i64,
    pub(crate) hi: i64,
}

impl Drift {
    /// What is known before anything was measured.
    pub const PRIOR: Drift = Drift { lo: -MOST, hi: MOST };

    /// The most that the difference can grow over `ns` of the injector's time, which may be negative; rounded up.
    #[must_use]
    pub fn most(self, ns: i64) -> i64 {
        up(if ns >= 0 { self.hi } else { self.lo }, ns)
    }

    /// The least that it can grow, which usually is negative; rounded down.
    #[must_use]
    pub fn least(self, ns: i64) -> i64 {
        down(if ns >= 0 { self.lo } else { self.hi }, ns)
    }

    /// The same with room for a rate that does not stay as it was measured, and within what is possible at all; the prior where
    /// nothing is left.
    pub(crate) fn believed(self) -> Drift {
        let lo = self.lo.saturating_sub(WANDER).max(Drift::PRIOR.lo);
        let hi = self.hi.saturating_add(WANDER).min(Drift::PRIOR.hi);
        if lo <= hi { Drift { lo, hi } } else { Drift::PRIOR }
    }
}

/// `slope` of `ns`, rounded down.
pub(crate) fn down(slope: i64, ns: i64) -> i64 {
    clamped((i128::from(slope) * i128::from(ns)).div_euclid(WHOLE))
}

/// `slope` of `ns`, rounded up.
pub(crate) fn up(slope: i64, ns: i64) -> i64 {
    clamped(-(-i128::from(slope) * i128::from(ns)).div_euclid(WHOLE))
}

/// The slope of a rise over a positive run, in parts per trillion, rounded down; nothing for a run of nothing.
pub(crate) fn slope(rise: i64, run: i64) -> Option<i64> {
    (run > 0).then(|| clamped((i128::from(rise) * WHOLE).div_euclid(i128::from(run))))
}

pub(crate) fn clamped(value: i128) -> i64 {
    i64::try_from(value).unwrap_or(if value < 0 { i64::MIN } else { i64::MAX })
}

/// The rate of the injector's clock in parts per billion, fast is positive: the other sign of a slope.
pub(crate) fn ppb(slope: i64) -> i64 {
    slope.saturating_neg() / 1000
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn twenty_parts_per_million_of_a_day() {
        // Plain arithmetic: 20 ppm are 1.728 s a day and 72 ms an hour.
        let drift = Drift { lo: -20 * PER_PPM, hi: 20 * PER_PPM };
        assert_eq!(drift.most(86_400_000_000_000), 1_728_000_000);
        assert_eq!(drift.least(3_600_000_000_000), -72_000_000);
        // Backwards in time the signs are exchanged.
        assert_eq!(drift.most(-3_600_000_000_000), 72_000_000);
    }

    #[test]
    fn bounds_round_outwards_and_stop_at_the_ends() {
        assert_eq!((Drift::PRIOR.most(1), Drift::PRIOR.least(1)), (1, -1));
        for ns in [i64::MIN, i64::MAX] {
            assert!(Drift::PRIOR.least(ns) < Drift::PRIOR.most(ns));
        }
        assert_eq!(slope(i64::MIN, 1), Some(i64::MIN));
        assert_eq!(slope(1, 0), None);
        let impossible = Drift { lo: 5_000 * PER_PPM, hi: 6_000 * PER_PPM };
        assert_eq!(impossible.believed(), Drift::PRIOR);
        assert_eq!(Drift { lo: 0, hi: 0 }.believed(), Drift { lo: -WANDER, hi: WANDER });
    }
}
