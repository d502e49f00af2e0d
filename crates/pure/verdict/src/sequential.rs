//! Wald's sequential test of detection: the lines at which misses are few enough to accept, or too many.
//!
//! The test decides between a good machine, which detects the share `good`, and one that detects `at_least` and no more.
//! Passing the latter has the probability 1 − confidence, failing the former `false_alarm`; both are divided among the slots
//! where statements hold together. Whether a line is passed may be asked at any time and as often as one likes. Source: A.
//! Wald, "Sequential Analysis" (1947); formulas in `statistics::sequential`. `detection` and `plan` call this.

use crate::criteria::Detection;
use statistics::sequential::{Decision, Outlook, Sequential};
use statistics::several;

/// The two lines.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Lines {
    test: Sequential,
}

/// The lines for one of `slots` slots; `by_chance` is the share of misses that chance covers. Nothing where there is no `good`,
/// or no test between the two.
pub(crate) fn lines(asked: &Detection, alpha: f64, slots: usize, by_chance: f64) -> Option<Lines> {
    let seen = |detected: f64| (1.0 - detected) * (1.0 - by_chance);
    let false_alarm = several::for_each(asked.false_alarm, slots);
    let test = Sequential::new(seen(asked.good?), seen(asked.at_least), false_alarm, several::for_each(alpha, slots));
    test.ok().map(|test| Lines { test })
}

impl Lines {
    pub(crate) fn accepts(&self, shots: u64, misses: u64) -> bool {
        shots > 0 && self.test.decide(shots, misses) == Decision::Accept
    }

    pub(crate) fn rejects(&self, shots: u64, misses: u64) -> bool {
        shots > 0 && self.test.decide(shots, misses) == Decision::Reject
    }

    /// As many misses, or fewer, accept; negative where none do.
    pub(crate) fn accept_at(&self, shots: u64) -> f64 {
        self.test.s * shots as f64 - self.test.h1
    }

    /// As many misses, or more, reject.
    pub(crate) fn reject_from(&self, shots: u64) -> f64 {
        self.test.s * shots as f64 + self.test.h2
    }

    /// After how many shots so many misses are accepted.
    pub(crate) fn first_accept(&self, misses: u64) -> u64 {
        self.test.first_accept(misses)
    }

    /// What the test does with a machine that detects `detected`; nothing where it would take too long to say.
    ///
    /// A test that is still open after twenty times the earliest acceptance is ended there: that share is the outlook's `open`.
    pub(crate) fn outlook(&self, detected: f64) -> Option<Outlook> {
        const MOST_WORK: f64 = 3e7;
        let limit = self.first_accept(0).saturating_mul(20);
        let work = limit as f64 * (self.test.h1 + self.test.h2 + 2.0);
        if work > MOST_WORK { None } else { self.test.outlook(1.0 - detected, limit).ok() }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn published_lines() {
        // NIST/SEMATECH e-Handbook 6.2.6, from memory and calculated: p1 = 0.01, p2 = 0.10, α = 0.05, β = 0.10.
        let asked = Detection { at_least: 0.90, good: Some(0.99), false_alarm: 0.05 };
        let told = lines(&asked, 0.10, 1, 0.0).unwrap();
        assert!(
            (told.accept_at(0) + 0.938_862).abs() < 1e-6 && (told.reject_from(0) - 1.205_379).abs() < 1e-6,
            "{told:?}"
        );
        assert!((told.accept_at(1000) - (39.747 - 0.938_862)).abs() < 1e-3, "{told:?}");
        assert_eq!([0, 1, 2].map(|misses| told.first_accept(misses)), [24, 49, 74]);
        assert!(told.rejects(19, 2) && !told.rejects(20, 2) && told.accepts(24, 0) && !told.accepts(23, 0));
        // Calculated from the same formulas: p1 = 0.001, p2 = 0.01, α = β = 0.05.
        let asked = Detection { at_least: 0.99, good: Some(0.999), false_alarm: 0.05 };
        let told = lines(&asked, 0.05, 1, 0.0).unwrap();
        assert!(
            (told.accept_at(0) + 1.273_75).abs() < 1e-5 && (told.reject_from(0) - 1.273_75).abs() < 1e-5,
            "{told:?}"
        );
        assert!((told.accept_at(1_000_000) - (3915.0 - 1.0)).abs() < 1.0);
        assert_eq!(told.first_accept(0), 326);
    }

    #[test]
    fn several_slots_and_chance_need_more() {
        let asked = Detection { at_least: 0.99, good: Some(0.999), false_alarm: 0.05 };
        let first = |slots, by_chance| lines(&asked, 0.05, slots, by_chance).unwrap().first_accept(0);
        assert!(first(8, 0.0) > first(1, 0.0) && first(1, 0.1) > first(1, 0.0));
        assert!(lines(&Detection { good: None, ..asked }, 0.05, 1, 0.0).is_none());
        assert!(lines(&asked, 0.05, 1, 1.0).is_none());
    }
}
