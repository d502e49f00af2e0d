//! How many matches chance alone would make, and a detection rate without them.
//!
//! A shot accepts a report for the length of its window. A module that errs by itself also sends reports, and one of these may fall
//! into a window and pass for a detection. Unprovoked reports are taken as a Poisson process: independent of the shots and of one
//! another, at a constant rate. The crate `questions` calls this with the rate measured in the run.

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
}
