//! How often a report that nothing provoked falls into a shot's window and passes for a detection: at a slot, with an upper
//! bound.
//!
//! The background is measured: the orphans of the slot over the time in which it was watched, as a Poisson rate. A criterion
//! must not be met by a module's own errors, so "met" is tested against the upper bound, and "not met" as if there were no
//! background. Formulas: `statistics::chance`. The criteria of detection and latency call this.

use crate::SlotEvidence;
use statistics::{chance, poisson};

/// The probability of an unprovoked report in a window.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct ByChance {
    /// With the rate as measured.
    pub(crate) expected: f64,
    /// With the upper bound of the rate; 1 where the slot was not watched for any time, and 0 where there is no window to fall
    /// into.
    pub(crate) most: f64,
}

impl ByChance {
    /// At this slot, in a window of so many nanoseconds; `alpha` is the probability that `most` is wrong.
    pub(crate) fn of(slot: &SlotEvidence, window_ns: Option<u64>, alpha: f64) -> ByChance {
        let Some(window_ns) = window_ns else { return ByChance { expected: 0.0, most: 0.0 } };
        let (window_s, watched_s) = (window_ns as f64 / 1e9, slot.watched_ns as f64 / 1e9);
        match poisson::exact_upper(slot.orphans, watched_s, alpha) {
            Ok(most) => ByChance {
                expected: chance::in_window(slot.orphans as f64 / watched_s, window_s),
                most: chance::in_window(most, window_s),
            },
            Err(_) => ByChance { expected: 0.0, most: 1.0 },
        }
    }

    /// Whether chance detects so much that nothing can be inferred from a detection.
    pub(crate) fn hides_all(&self) -> bool {
        self.most >= chance::NOTHING_TO_INFER
    }

    /// The largest share of misses that may be seen where `bad` may be missed really: chance covers some of them.
    ///
    /// The other side of Abbott's correction: a detection of p is seen as p + (1 − p) c, so a share of misses of m as m (1 − c).
    pub(crate) fn seen(&self, bad: f64) -> f64 {
        bad * (1.0 - self.most)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bounds_of_the_background() {
        // 10 an hour and 5 s: 1 - exp(-10/3600*5) = 0.013793; no orphan in an hour is at most 2.9957 an hour at 95 % (Garwood
        // 1936).
        let hour = 3_600_000_000_000;
        let slot = |orphans, watched_ns| SlotEvidence { orphans, watched_ns, ..SlotEvidence::default() };
        let ten = ByChance::of(&slot(10, hour), Some(5_000_000_000), 0.05);
        assert!((ten.expected - 0.013_793).abs() < 1e-6 && ten.most > ten.expected, "{ten:?}");
        let none = ByChance::of(&slot(0, hour), Some(5_000_000_000), 0.05);
        assert!(
            none.expected == 0.0 && (none.most - (1.0 - (-2.995_732_f64 * 5.0 / 3600.0).exp())).abs() < 1e-8,
            "{none:?}"
        );
        assert!((none.seen(0.01) - 0.01 * (1.0 - none.most)).abs() < 1e-18);
        assert_eq!(ByChance::of(&slot(0, 0), Some(1), 0.05).most, 1.0);
        assert!(ByChance::of(&slot(0, 0), Some(1), 0.05).hides_all());
        assert_eq!(ByChance::of(&slot(9, 0), None, 0.05).most, 0.0);
    }
}
