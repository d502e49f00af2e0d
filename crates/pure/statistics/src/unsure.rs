//! A detection rate from pairs that are not sure: every shot has a probability that it was detected.
//!
//! Counting the most likely answer of each shot is biased; the sum of the probabilities is not, if they mean what they say. Its error
//! has two parts that add up, by the law of total variance: the shots are a sample, as always, and it is not known which of them were
//! detected. The second part is Σ p (1 − p) for probabilities that are independent of one another; those of neighbours who compete for
//! one report are not, but what one gains the other loses, so that the sum errs towards too much.
//!
//! The interval is the exact one for as many sure shots as carry the same information, the effective number. Source: E. L. Korn and B. I.
//! Graubard, "Confidence intervals for proportions with small expected number of positive counts estimated from survey data", Survey
//! Methodology 24 (1998) 193-201, without their factor for few sampling units; to first order in the share of missing information
//! (D. B. Rubin, "Multiple Imputation for Nonresponse in Surveys" (1987)). With sure pairs it is the exact interval.

use crate::error::risk;
use crate::{Interval, NotEstimable, proportion};

/// What is needed of the probabilities, to be added up over shots.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Unsure {
    /// How many shots.
    pub shots: u64,
    /// The sum of their probabilities p.
    pub detected: f64,
    /// The sum of p (1 − p).
    pub doubt: f64,
}

/// A rate with its error, both parts of it.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Rate {
    /// The detection rate: the mean probability.
    pub rate: f64,
    /// Variance of the rate because the shots are a sample: (x + 1)(n − x + 1) / (n + 2)² / n, which is not 0 where all or none were detected.
    pub sampling: f64,
    /// Variance of the rate because it is not known which were detected: Σ p (1 − p) / n².
    pub assignment: f64,
    /// How many sure shots would say as much.
    pub effective_shots: f64,
}

impl Unsure {
    /// Adds a shot that was detected with the probability `p`; what lies outside of 0 to 1 counts as the nearer of both.
    pub fn add(&mut self, p: f64) {
        let p = p.clamp(0.0, 1.0);
        self.shots += 1;
        self.detected += p;
        self.doubt += p * (1.0 - p);
    }

    /// The rate and its variances.
    ///
    /// Errors: no shots, or sums that no probabilities have.
    pub fn rate(&self) -> Result<Rate, NotEstimable> {
        if self.shots == 0 {
            return Err(NotEstimable::Nothing);
        }
        let n = self.shots as f64;
        // Added up in floating point, the sum of ones may be a little more than their number.
        let possible = |sum: f64| sum >= 0.0 && sum <= n * (1.0 + 1e-9);
        if !possible(self.detected) || !possible(self.doubt) {
            return Err(NotEstimable::Argument("the sums are not those of probabilities"));
        }
        let x = self.detected.min(n);
        let smoothed = (x + 1.0) / (n + 2.0);
        let sampling = smoothed * ((n - x + 1.0) / (n + 2.0)) / n;
        let assignment = self.doubt / n / n;
        Ok(Rate { rate: x / n, sampling, assignment, effective_shots: n * (sampling / (sampling + assignment)) })
    }

    /// The interval of the rate, with `alpha`/2 at each end.
    ///
    /// Errors: as [`Unsure::rate`], `alpha` not between 0 and 1.
    pub fn interval(&self, alpha: f64) -> Result<Interval, NotEstimable> {
        risk(alpha)?;
        Ok(Interval { lower: self.lower(alpha / 2.0)?, upper: self.upper(alpha / 2.0)? })
    }

    /// The one-sided lower bound of the rate. Errors as [`Unsure::interval`].
    pub fn lower(&self, alpha: f64) -> Result<f64, NotEstimable> {
        let (rate, alpha) = (self.rate()?, risk(alpha)?);
        Ok(proportion::lower(rate.rate * rate.effective_shots, rate.effective_shots, alpha))
    }

    /// The one-sided upper bound of the rate. Errors as [`Unsure::interval`].
    pub fn upper(&self, alpha: f64) -> Result<f64, NotEstimable> {
        let (rate, alpha) = (self.rate()?, risk(alpha)?);
        Ok(proportion::upper(rate.rate * rate.effective_shots, rate.effective_shots, alpha))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn of(p: &[f64]) -> Unsure {
        let mut sums = Unsure::default();
        p.iter().for_each(|p| sums.add(*p));
        sums
    }

    #[test]
    fn sure_pairs_have_the_exact_interval() {
        for (x, n) in [(0, 20), (1, 29), (20, 20), (81, 263)] {
            let sums = Unsure { shots: n, detected: x as f64, doubt: 0.0 };
            let (told, exact) = (sums.interval(0.05).unwrap(), proportion::exact(x, n, 0.05).unwrap());
            assert!((told.lower - exact.lower).abs() < 1e-13 && (told.upper - exact.upper).abs() < 1e-13, "{x} of {n}");
            assert_eq!(sums.rate().unwrap().effective_shots, n as f64);
        }
    }

    #[test]
    fn doubt_widens() {
        // By hand: n = 4, x = 2, doubt 4 × 0.25 = 1; sampling (3 × 3)/36/4 = 1/16, assignment 1/16, so that half of the shots are left.
        let rate = of(&[0.5; 4]).rate().unwrap();
        assert_eq!(rate, Rate { rate: 0.5, sampling: 0.0625, assignment: 0.0625, effective_shots: 2.0 });
        let mut before = 0.0;
        for doubtful in [0.0, 0.01, 0.1, 0.3, 0.5] {
            let sums = of(&[vec![1.0 - doubtful; 50], vec![doubtful; 50]].concat());
            let told = sums.interval(0.05).unwrap();
            assert!(told.lower < 0.5 && told.upper > 0.5 && told.upper - told.lower > before);
            before = told.upper - told.lower;
        }
        // A little doubt about each of many good pairs costs a little.
        let nearly = of(&[1.0 - 1e-6; 1000]);
        let (told, exact) = (nearly.lower(0.05).unwrap(), proportion::exact_lower(1000, 1000, 0.05).unwrap());
        assert!(told < exact && told > exact - 1e-5, "{told} {exact}");
    }

    #[test]
    fn the_variance_is_what_sampling_and_assignment_make() {
        // Shots are detected with 0.7 each, and look bright with 0.95 if they were and with 0.3 if they were not. The probability that
        // is told of a shot is the share of detected ones among those that look like it.
        let (good, look_if_detected, look_if_missed) = (0.7_f64, 0.95_f64, 0.3_f64);
        let bright = good * look_if_detected / (good * look_if_detected + (1.0 - good) * look_if_missed);
        let dark =
            good * (1.0 - look_if_detected) / (good * (1.0 - look_if_detected) + (1.0 - good) * (1.0 - look_if_missed));
        let share = good * look_if_detected + (1.0 - good) * look_if_missed;
        let mean = share * bright + (1.0 - share) * dark;
        assert!((mean - good).abs() < 1e-12, "probabilities that mean what they say add up to the truth");
        let doubt = share * bright * (1.0 - bright) + (1.0 - share) * dark * (1.0 - dark);
        let spread = share * (bright - good).powi(2) + (1.0 - share) * (dark - good).powi(2);
        // The law of total variance, which the sum of both parts rests on.
        assert!((doubt + spread - good * (1.0 - good)).abs() < 1e-12);
        let n = 100_000;
        let sums = Unsure { shots: n, detected: mean * n as f64, doubt: doubt * n as f64 };
        let rate = sums.rate().unwrap();
        let both = (good * (1.0 - good) + doubt) / n as f64;
        assert!(((rate.sampling + rate.assignment) / both - 1.0).abs() < 1e-4);
    }

    #[test]
    fn no_answer() {
        assert_eq!(Unsure::default().rate(), Err(NotEstimable::Nothing));
        assert!(Unsure { shots: 3, detected: 4.0, doubt: 0.0 }.rate().is_err());
        assert!(Unsure { shots: 3, detected: f64::NAN, doubt: 0.0 }.rate().is_err());
        assert!(Unsure { shots: 3, detected: 1.0, doubt: -1.0 }.interval(0.05).is_err());
        assert!(of(&[0.5, 0.5]).interval(1.0).is_err());
    }
}
