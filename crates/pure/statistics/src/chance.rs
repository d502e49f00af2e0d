//! How many matches chance alone would make, and a detection rate without them.
//!
//! A shot accepts a report for the length of its window. A module that errs by itself also sends reports, and one of these may fall
//! into a window and pass for a detection. Unprovoked reports are taken as a Poisson process: independent of the shots and of one
//! another, at a constant rate. The crate `questions` calls this with the rate measured in the run.

use crate::error::{probability, risk};
use crate::{Interval, NotEstimable, poisson, proportion};

/// At or above this, windows are hit by chance so often that a detection says nothing: the correction would divide by less than a
/// hundredth, and make the noise of the counts a hundred times as large.
pub const NOTHING_TO_INFER: f64 = 0.99;

/// The probability of at least one unrelated report in a window.
///
/// `rate_per_s` is the rate of unrelated reports, `window_s` the length of the window; neither is negative. The complement of the
/// Poisson probability of no event in the window: 1 − exp(−λW).
#[must_use]
pub fn in_window(rate_per_s: f64, window_s: f64) -> f64 {
    -libm::expm1(-rate_per_s * window_s)
}

/// How many of `shots` have an unrelated report in their window, on average: N (1 − exp(−λW)), to first order NλW.
///
/// `in_window` is [`in_window`] of one shot. More windows than shots can never be hit, however high the rate is.
#[must_use]
pub fn accidental(shots: u64, in_window: f64) -> f64 {
    shots as f64 * in_window
}

/// The detection rate that the machine has when chance detects at the rate `by_chance` what it does not detect: (p − c) / (1 − c).
///
/// Nothing where chance alone detects nearly everything ([`NOTHING_TO_INFER`]), and 0 where chance alone would have detected more
/// than was observed. Source: W. S. Abbott, "A method of computing the effectiveness of an insecticide", Journal of Economic
/// Entomology 18 (1925) 265-267.
#[must_use]
pub fn corrected(observed: f64, by_chance: f64) -> Option<f64> {
    (by_chance < NOTHING_TO_INFER).then(|| ((observed - by_chance) / (1.0 - by_chance)).max(0.0))
}

/// An interval for the detection rate without what chance detects, where the probability of that is known: `detected` of `shots`, `by_chance`
/// for each, wrong with a probability of at most `alpha`/2 at each end.
///
/// [`corrected`] grows with the observed rate, so that it may be applied to both ends of the exact interval
/// ([`proportion::exact`]). That `by_chance` was itself measured is not in this one; it is in [`corrected_from_background`]. Errors: no
/// shots, a probability out of range, [`NotEstimable::Chance`] where [`corrected`] has no answer.
pub fn corrected_interval(detected: u64, shots: u64, by_chance: f64, alpha: f64) -> Result<Interval, NotEstimable> {
    let by_chance = probability(by_chance)?;
    corrected_ends(proportion::exact(detected, shots, alpha)?, Interval { lower: by_chance, upper: by_chance })
}

/// An interval for the detection rate without what chance detects, where chance was measured: `orphans` unprovoked reports in `watched_s`
/// seconds, and shots that accept a report for `window_s` seconds each.
///
/// Half of `alpha` is spent on the observed rate and half on the rate of orphans ([`poisson::exact`]); each end takes the worse end of
/// both, and by Bonferroni's inequality all holds with a probability of at least 1 − `alpha`. The two need not be independent. Errors: as
/// [`corrected_interval`], no time watched, a window that is negative.
pub fn corrected_from_background(
    (detected, shots): (u64, u64),
    (orphans, watched_s): (u64, f64),
    window_s: f64,
    alpha: f64,
) -> Result<Interval, NotEstimable> {
    if !(window_s >= 0.0 && window_s.is_finite()) {
        return Err(NotEstimable::Argument("a window is not a length of time"));
    }
    let half = risk(alpha)? / 2.0;
    let observed = proportion::exact(detected, shots, half)?;
    let rate = poisson::exact(orphans, watched_s, half)?;
    let by_chance = Interval { lower: in_window(rate.lower, window_s), upper: in_window(rate.upper, window_s) };
    corrected_ends(observed, by_chance)
}

fn corrected_ends(observed: Interval, by_chance: Interval) -> Result<Interval, NotEstimable> {
    let lower = corrected(observed.lower, by_chance.upper).ok_or(NotEstimable::Chance)?;
    let upper = corrected(observed.upper, by_chance.lower).ok_or(NotEstimable::Chance)?;
    Ok(Interval { lower, upper })
}

/// The rate at which events of two independent Poisson streams lie within `within_s` of one another, either one first: 2τr₁r₂,
/// where windows rarely overlap. Rates in events a second, the result in coincidences a second.
///
/// Source: G. F. Knoll, "Radiation Detection and Measurement", the chapter on time coincidence (chance coincidences).
#[must_use]
pub fn coincidences(rate_1_per_s: f64, rate_2_per_s: f64, within_s: f64) -> f64 {
    2.0 * within_s * rate_1_per_s * rate_2_per_s
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn probability_in_a_window() {
        // Poisson: P(at least one) = 1 - exp(-λW), here by hand: λW = 10/3600 * 5 = 0.0138889 and so on.
        let table = [
            (10.0 / 3600.0, 5.0, 0.013_793, 1e-6),
            (0.0, 5.0, 0.0, 0.0),
            (1.0, 0.0, 0.0, 0.0),
            (1.0, core::f64::consts::LN_2, 0.5, 1e-15),
            (1.0, 300.0, 1.0, 0.0),
            // 1 - exp(-x) calculated as it is written has lost four digits here.
            (1e-12, 1.0, 1e-12, 1e-23),
        ];
        for (rate, window, p, within) in table {
            let told = in_window(rate, window);
            assert!((told - p).abs() <= within, "{rate} a second, {window} s: {told}, not {p}");
        }
    }

    #[test]
    fn accidental_matches() {
        // To first order NλW: 1000 shots of 5 s at 10 an hour are 13.89, less what falls into one window twice.
        let few = accidental(1000, in_window(10.0 / 3600.0, 5.0));
        assert!((few - 13.793).abs() < 1e-3, "{few}");
        let first_order = 1000.0 * 1e-6 * 5.0;
        assert!((accidental(1000, in_window(1e-6, 5.0)) / first_order - 1.0).abs() < 1e-5);
        assert!((accidental(7, in_window(1.0, 300.0)) - 7.0).abs() < 1e-9);
        assert_eq!(accidental(0, 0.5), 0.0);
    }

    #[test]
    fn abbott() {
        // (p - c) / (1 - c), Abbott 1925: 0.96 observed with 0.2 by chance is 0.95, and no chance changes nothing.
        let table = [
            (0.96, 0.2, Some(0.95)),
            (0.99, 0.0, Some(0.99)),
            (1.0, 0.5, Some(1.0)),
            (0.2, 0.2, Some(0.0)),
            (0.1, 0.2, Some(0.0)),
            (1.0, in_window(1.0, 300.0), None),
            (1.0, f64::NAN, None),
        ];
        for (observed, by_chance, is) in table {
            let told = corrected(observed, by_chance);
            let close = told.zip(is).is_none_or(|(a, b)| (a - b).abs() < 1e-12);
            assert!(told.is_some() == is.is_some() && close, "{observed} {by_chance}: {told:?}, not {is:?}");
        }
    }

    #[test]
    fn coincidences_of_two_streams() {
        // 2 τ r1 r2 with τ = 1 µs and 1000 a second each: two a second.
        assert!((coincidences(1000.0, 1000.0, 1e-6) - 2.0).abs() < 1e-12);
        assert_eq!(coincidences(1000.0, 0.0, 1e-6), 0.0);
    }

    #[test]
    fn intervals_without_chance() {
        let told = corrected_interval(96, 100, 0.2, 0.05).unwrap();
        let exact = proportion::exact(96, 100, 0.05).unwrap();
        assert!(
            (told.lower - (exact.lower - 0.2) / 0.8).abs() < 1e-15
                && (told.upper - (exact.upper - 0.2) / 0.8).abs() < 1e-15
        );
        assert!(told.lower < 0.95 && told.upper > 0.95);
        assert_eq!(corrected_interval(96, 100, 0.0, 0.05), Ok(exact));
        // Where chance would have done as well, nothing is shown.
        assert_eq!(corrected_interval(10, 100, 0.3, 0.05).unwrap().lower, 0.0);
        assert_eq!(corrected_interval(100, 100, 0.995, 0.05), Err(NotEstimable::Chance));
        assert!(corrected_interval(1, 0, 0.1, 0.05).is_err() && corrected_interval(1, 2, f64::NAN, 0.05).is_err());
    }

    #[test]
    fn intervals_from_a_background() {
        // By hand from its parts: 10 orphans in an hour, 5 s windows, each at 97.5 %.
        let told = corrected_from_background((96, 100), (10, 3600.0), 5.0, 0.05).unwrap();
        let (observed, rate) = (proportion::exact(96, 100, 0.025).unwrap(), poisson::exact(10, 3600.0, 0.025).unwrap());
        assert_eq!(Some(told.lower), corrected(observed.lower, in_window(rate.upper, 5.0)));
        assert_eq!(Some(told.upper), corrected(observed.upper, in_window(rate.lower, 5.0)));
        // Measuring chance costs something.
        let known = corrected_interval(96, 100, in_window(10.0 / 3600.0, 5.0), 0.05).unwrap();
        assert!(told.lower < known.lower && told.upper > known.upper);
        // A quiet hour is not a promise of silence: none seen may still be 4.4 an hour.
        let quiet = corrected_from_background((100, 100), (0, 3600.0), 5.0, 0.05).unwrap();
        assert!(quiet.lower < proportion::exact_lower(100, 100, 0.0125).unwrap() && quiet.upper == 1.0);
        // Watched for too short a time, chance may do everything.
        let blind = corrected_from_background((100, 100), (0, 1.0), 300.0, 0.05);
        assert_eq!(blind, Err(NotEstimable::Chance));
        assert_eq!(corrected_from_background((1, 2), (0, 0.0), 5.0, 0.05), Err(NotEstimable::Nothing));
        assert!(corrected_from_background((1, 2), (0, 1.0), f64::INFINITY, 0.05).is_err());
    }
}
