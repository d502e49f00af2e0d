//! How probable a count is when the probability of each is known: tails of the binomial distribution, and the exact tests.
//!
//! The tails are incomplete beta functions, so that they cost the same for ten shots and for 10¹². Source of the relation:
//! M. Abramowitz and I. A. Stegun, "Handbook of Mathematical Functions", 26.5.24.

use crate::beta;
use crate::error::probability;
use crate::{NotEstimable, proportion};

/// The probability of at most `k` in `n` trials with the probability `p` each.
///
/// Error: `p` is not from 0 to 1.
pub fn at_most(k: u64, n: u64, p: f64) -> Result<f64, NotEstimable> {
    probability(p)?;
    Ok(if k >= n { 1.0 } else { libm::exp(beta::tails(k as f64 + 1.0, (n - k) as f64, p, 1.0 - p).ln_upper) })
}

/// The probability of at least `k` in `n` trials with the probability `p` each.
///
/// Error: `p` is not from 0 to 1.
pub fn at_least(k: u64, n: u64, p: f64) -> Result<f64, NotEstimable> {
    probability(p)?;
    Ok(if k == 0 {
        1.0
    } else if k > n {
        0.0
    } else {
        libm::exp(beta::tails(k as f64, (n - k) as f64 + 1.0, p, 1.0 - p).ln_lower)
    })
}

/// The exact one-sided test that detection is at least `rate`: the probability of `detected` or more of `shots` if it were only
/// `rate`, the p-value against "detection is less than `rate`".
///
/// It is at most `alpha` exactly where [`proportion::exact_lower`] at `alpha` is at least `rate`. Source: W. J. Conover, "Practical
/// Nonparametric Statistics", the binomial test. Errors: no shots, more detected than shots, or `rate` not from 0 to 1.
pub fn p_value_at_least(detected: u64, shots: u64, rate: f64) -> Result<f64, NotEstimable> {
    proportion::counted(detected, shots)?;
    at_least(detected, shots, rate)
}

/// The exact one-sided test that detection is below `rate`: the probability of `detected` or fewer of `shots` if it were `rate`.
///
/// Small where the claim "at least `rate`" is refuted. Source and errors as [`p_value_at_least`].
pub fn p_value_below(detected: u64, shots: u64, rate: f64) -> Result<f64, NotEstimable> {
    proportion::counted(detected, shots)?;
    at_most(detected, shots, rate)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The sum as it is defined, for small n.
    fn summed(from: u64, to: u64, n: u64, p: f64) -> f64 {
        let choose = |k: u64| (0..k).fold(1.0, |c, i| c * (n - i) as f64 / (i + 1) as f64);
        (from..=to).map(|k| choose(k) * p.powi(k as i32) * (1.0 - p).powi((n - k) as i32)).sum()
    }

    #[test]
    fn sums_by_hand() {
        for n in [1, 2, 7, 30, 60] {
            for k in 0..=n {
                for p in [1e-9, 0.01, 0.3, 0.5, 0.97, 1.0 - 1e-9] {
                    let (low, high) = (at_most(k, n, p).unwrap(), at_least(k, n, p).unwrap());
                    for (told, is) in [(low, summed(0, k, n, p)), (high, summed(k, n, n, p))] {
                        // What is smaller than the smallest number is 0.
                        let close = if is < 1e-290 { told < 1e-280 } else { (told / is - 1.0).abs() < 1e-12 };
                        assert!(close, "{k} of {n} with {p}: {told}, not {is}");
                    }
                }
            }
        }
    }

    #[test]
    fn ends() {
        assert_eq!(at_most(5, 5, 0.3), Ok(1.0));
        assert_eq!(at_least(0, 5, 0.3), Ok(1.0));
        assert_eq!(at_least(6, 5, 0.3), Ok(0.0));
        assert_eq!(at_most(4, 5, 1.0), Ok(0.0));
        assert_eq!(at_most(0, 5, 0.0), Ok(1.0));
        assert_eq!(at_least(1, 5, 0.0), Ok(0.0));
        assert_eq!(at_least(5, 5, 1.0), Ok(1.0));
        assert!(at_least(1, 5, f64::NAN).is_err() && at_most(1, 5, 1.5).is_err());
    }

    #[test]
    fn tests_of_a_rate() {
        // 299 of 299 shows at least 0.99 with 95 %: 0.99^299 = 0.0495.
        assert!((p_value_at_least(299, 299, 0.99).unwrap() - 0.049_536).abs() < 1e-6);
        assert!(p_value_at_least(298, 298, 0.99).unwrap() > 0.05);
        assert!(p_value_below(280, 299, 0.99).unwrap() < 1e-9);
        assert_eq!(p_value_at_least(0, 0, 0.5), Err(NotEstimable::Nothing));
        assert!(p_value_below(6, 5, 0.5).is_err());
    }
}
