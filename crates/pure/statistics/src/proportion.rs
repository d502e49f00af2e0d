//! What a count out of a number says about the rate behind it: exact and Wilson intervals.
//!
//! Trials are independent and each has the same probability. For a rate close to 1 ask for the misses: the answer is the mirror image,
//! and numbers near 0 have more digits than numbers near 1.

use crate::beta::{Tail, quantile};
use crate::error::risk;
use crate::{Interval, NotEstimable, normal};

/// `count` and `of` as numbers, if there is something to estimate from.
pub(crate) fn counted(count: u64, of: u64) -> Result<(f64, f64), NotEstimable> {
    if of == 0 {
        return Err(NotEstimable::Nothing);
    }
    if count > of {
        Err(NotEstimable::Argument("more were counted than there are"))
    } else {
        Ok((count as f64, of as f64))
    }
}

/// The exact interval, which holds the true rate with a probability of at least 1 − `alpha` whatever the rate is; each end is wrong with
/// a probability of at most `alpha`/2.
///
/// Source: C. J. Clopper and E. S. Pearson, "The use of confidence or fiducial limits illustrated in the case of the binomial",
/// Biometrika 26 (1934) 404-413; as quantiles of the beta distribution, NIST/SEMATECH e-Handbook 7.2.4.1. Errors: nothing was counted,
/// `count` is more than `of`, `alpha` is not between 0 and 1.
pub fn exact(count: u64, of: u64, alpha: f64) -> Result<Interval, NotEstimable> {
    risk(alpha)?;
    Ok(Interval { lower: exact_lower(count, of, alpha / 2.0)?, upper: exact_upper(count, of, alpha / 2.0)? })
}

/// The exact one-sided lower bound: the true rate is at least this, wrong with a probability of at most `alpha`. 0 where nothing of
/// `of` was counted.
///
/// Source and errors as [`exact`].
pub fn exact_lower(count: u64, of: u64, alpha: f64) -> Result<f64, NotEstimable> {
    let (x, n) = counted(count, of)?;
    Ok(lower(x, n, risk(alpha)?))
}

/// The exact one-sided upper bound: the true rate is at most this, wrong with a probability of at most `alpha`. 1 where all of `of`
/// were counted.
///
/// Source and errors as [`exact`].
pub fn exact_upper(count: u64, of: u64, alpha: f64) -> Result<f64, NotEstimable> {
    let (x, n) = counted(count, of)?;
    Ok(upper(x, n, risk(alpha)?))
}

/// The lower bound for counts that need not be whole; 0 ≤ `x` ≤ `n`.
pub(crate) fn lower(x: f64, n: f64, alpha: f64) -> f64 {
    if x <= 0.0 {
        0.0
    } else if x >= n {
        // The tail is x^n.
        libm::exp(libm::log(alpha) / n)
    } else {
        quantile(x, n - x + 1.0, Tail::Lower, alpha)
    }
}

/// The upper bound for counts that need not be whole; 0 ≤ `x` ≤ `n`.
pub(crate) fn upper(x: f64, n: f64, alpha: f64) -> f64 {
    if x >= n {
        1.0
    } else if x <= 0.0 {
        -libm::expm1(libm::log(alpha) / n)
    } else {
        quantile(x + 1.0, n - x, Tail::Upper, alpha)
    }
}

/// Wilson's interval: shorter than the exact one, and holding the true rate with a probability of about 1 − `alpha` on average over
/// rates, not for each.
///
/// Centre (p + z²/2n) / (1 + z²/n), half width z / (1 + z²/n) √(p (1 − p)/n + z²/4n²), with z the normal quantile. Source: E. B. Wilson,
/// "Probable inference, the law of succession, and statistical inference", Journal of the American Statistical Association 22 (1927)
/// 209-212. Errors as [`exact`].
pub fn wilson(count: u64, of: u64, alpha: f64) -> Result<Interval, NotEstimable> {
    let (x, n) = counted(count, of)?;
    let z = normal::exceeded_with(risk(alpha)? / 2.0);
    let middle = x + z * z / 2.0;
    let root = z * libm::sqrt(x * ((n - x) / n) + z * z / 4.0);
    // The product of both ends is x² / (n (n + z²)): the lower one without a difference of what is nearly equal.
    let upper = if count == of { 1.0 } else { (middle + root) / (n + z * z) };
    Ok(Interval { lower: x * (x / n) / (middle + root), upper })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn exact_intervals() {
        // count, of, 1 - alpha, lower, upper, source.
        let table = [
            (4, 20, 0.90, 0.071_354, 0.401_028, "NIST/SEMATECH e-Handbook 7.2.4.2"),
            (0, 20, 0.95, 0.0, 0.168_433, "Newcombe, Statistics in Medicine 17 (1998) 857-872"),
            (81, 263, 0.95, 0.252_737, 0.367_622, "Newcombe 1998"),
            (1, 29, 0.95, 0.000_873, 0.177_644, "Newcombe 1998"),
            (15, 148, 0.95, 0.057_844, 0.161_650, "Newcombe 1998"),
            (99, 100, 0.95, 0.945_541, 0.999_747, "calculated"),
            (998, 1000, 0.95, 0.992_794, 0.999_758, "calculated"),
            (10, 10, 0.95, 0.691_503, 1.0, "calculated"),
        ];
        for (count, of, confidence, lower, upper, source) in table {
            let told = exact(count, of, 1.0 - confidence).unwrap();
            assert!((told.lower - lower).abs() < 2e-6 && (told.upper - upper).abs() < 2e-6, "{source}: {told:?}");
        }
    }

    #[test]
    fn one_sided_bounds() {
        // C^(1/n), success run; and 3/n for no event in n is 1 - C^(1/n).
        for (n, lower) in [(299, 0.990_031), (59, 0.950_492), (10, 0.741_134), (1000, 0.997_009)] {
            assert!((exact_lower(n, n, 0.05).unwrap() - lower).abs() < 1e-6);
            assert!((exact_upper(0, n, 0.05).unwrap() - (1.0 - lower)).abs() < 1e-6);
        }
        assert!((exact_upper(0, 100, 0.05).unwrap() - 0.029_513).abs() < 1e-6);
    }

    #[test]
    fn wilson_intervals() {
        let table = [
            (15, 148, 0.95, 0.062_386, 0.160_487, "Newcombe 1998"),
            (81, 263, 0.95, 0.255_289, 0.366_210, "Newcombe 1998"),
            (0, 20, 0.95, 0.0, 0.161_125, "Newcombe 1998"),
            (1, 29, 0.95, 0.006_113, 0.171_755, "Newcombe 1998"),
            (99, 100, 0.95, 0.945_514, 0.998_233, "calculated"),
            (1000, 1000, 0.95, 0.996_173, 1.0, "calculated"),
            (4, 20, 0.90, 0.093_118, 0.378_377, "calculated"),
        ];
        for (count, of, confidence, lower, upper, source) in table {
            let told = wilson(count, of, 1.0 - confidence).unwrap();
            assert!((told.lower - lower).abs() < 1e-6 && (told.upper - upper).abs() < 1e-6, "{source}: {told:?}");
        }
    }

    #[test]
    fn no_answer() {
        for ask in [exact, wilson] {
            assert_eq!(ask(0, 0, 0.05), Err(NotEstimable::Nothing));
            assert!(matches!(ask(3, 2, 0.05), Err(NotEstimable::Argument(_))));
            for alpha in [0.0, 1.0, -1.0, f64::NAN] {
                assert!(matches!(ask(1, 2, alpha), Err(NotEstimable::Argument(_))), "{alpha}");
            }
        }
    }
}
