//! How many shots a claim needs, and the chance that a machine passes.
//!
//! The claim is "detection is at least R, wrong with a probability of at most alpha". It is shown with n shots of which at most c are
//! missed where the exact one-sided lower bound is then at least R, which is: P(at most c misses | R) ≤ alpha.
//!
//! This is the classical (frequentist) number. With a flat prior, as some calculators have it, one shot less would do for c = 0: 298
//! instead of 299 for 0.99 with 95 %; that belief about a machine nobody has looked at is not used here.

use crate::error::{open_probability, reached, risk};
use crate::{NotEstimable, binomial};

/// No plan is sought beyond this many shots: a year of them at 30,000 a second.
pub const MOST_SHOTS: u64 = 1_000_000_000_000;

/// A test of a fixed size.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Plan {
    /// How many shots.
    pub shots: u64,
    /// How many of them may be missed.
    pub allowed_misses: u64,
    /// The probability that this passes if detection is as good as was assumed.
    pub chance_to_pass: f64,
}

/// The fewest shots of which `allowed_misses` may be missed and that still show a detection of at least `rate`.
///
/// Without a miss this is ⌈ln alpha / ln rate⌉, the success-run formula. Source: ARL-TR-5214 (2010) treats the same binomial problem.
/// Errors: `rate` or `alpha` not between 0 and 1, more than [`MOST_SHOTS`].
pub fn shots_to_show(rate: f64, allowed_misses: u64, alpha: f64) -> Result<u64, NotEstimable> {
    shots_from(allowed_misses.saturating_add(1), rate, allowed_misses, alpha)
}

/// As [`shots_to_show`], where fewer than `at_least` are known to be too few.
fn shots_from(at_least: u64, rate: f64, allowed_misses: u64, alpha: f64) -> Result<u64, NotEstimable> {
    let (rate, alpha) = (open_probability(rate)?, risk(alpha)?);
    let enough = |shots: u64| -> Result<bool, NotEstimable> {
        let lucky = if allowed_misses == 0 {
            libm::exp(shots as f64 * libm::log(rate))
        } else {
            binomial::at_most(allowed_misses, shots, 1.0 - rate)?
        };
        Ok(reached(lucky, alpha))
    };
    let (mut few, mut step) = (at_least.saturating_sub(1), 1u64);
    let mut many = at_least;
    while !enough(many)? {
        if many >= MOST_SHOTS {
            return Err(NotEstimable::Unreachable { limit: MOST_SHOTS });
        }
        few = many;
        many = many.saturating_add(step);
        step = step.saturating_mul(2);
    }
    while many - few > 1 {
        let middle = few + (many - few) / 2;
        if enough(middle)? { many = middle } else { few = middle }
    }
    Ok(many)
}

/// The probability that at most `allowed_misses` of `shots` are missed where detection is `detection`.
///
/// Error: `detection` is not from 0 to 1.
pub fn chance_to_pass(shots: u64, allowed_misses: u64, detection: f64) -> Result<f64, NotEstimable> {
    binomial::at_most(allowed_misses, shots, 1.0 - detection)
}

/// The smallest plan that shows a detection of at least `rate`, and that a machine whose detection is really `detection` passes with a
/// probability of at least `chance`. The work grows with the misses it takes.
///
/// Errors: a probability out of range; no plan with up to `most_misses` allowed misses passes often enough, which is always so where
/// `detection` is not above `rate`.
pub fn smallest(rate: f64, alpha: f64, detection: f64, chance: f64, most_misses: u64) -> Result<Plan, NotEstimable> {
    let mut shots = 1;
    for allowed_misses in 0..=most_misses {
        shots = shots_from(shots.max(allowed_misses + 1), rate, allowed_misses, alpha)?;
        let chance_to_pass = chance_to_pass(shots, allowed_misses, detection)?;
        if chance_to_pass >= open_probability(chance)? {
            return Ok(Plan { shots, allowed_misses, chance_to_pass });
        }
        if detection <= rate {
            break;
        }
    }
    Err(NotEstimable::Unreachable { limit: most_misses })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::proportion::exact_lower;

    #[test]
    fn published_sizes() {
        // Rate, alpha, shots with 0, 1 and 2 misses: the success-run and binomial tables of reliability texts, calculated.
        let table = [
            (0.80, 0.10, [11, 18, 25]),
            (0.90, 0.10, [22, 38, 52]),
            (0.90, 0.05, [29, 46, 61]),
            (0.95, 0.10, [45, 77, 105]),
            (0.95, 0.05, [59, 93, 124]),
            (0.99, 0.10, [230, 388, 531]),
            (0.99, 0.05, [299, 473, 628]),
            (0.99, 0.01, [459, 662, 838]),
            (0.995, 0.05, [598, 947, 1258]),
            (0.999, 0.05, [2995, 4742, 6294]),
            (0.999, 0.01, [4603, 6636, 8403]),
            (0.9999, 0.05, [29956, 47437, 62956]),
        ];
        for (rate, alpha, sizes) in table {
            for (misses, size) in (0..).zip(sizes) {
                assert_eq!(shots_to_show(rate, misses, alpha), Ok(size), "{rate} {alpha} with {misses} misses");
                // It is the number at which the interval itself says so.
                assert!(exact_lower(size - misses, size, alpha).unwrap() >= rate * (1.0 - 1e-12));
                assert!(exact_lower(size - 1 - misses, size - 1, alpha).unwrap() < rate);
            }
        }
        // The last digit of 1 - alpha does not cost a shot: 0.9³ = 0.729.
        assert_eq!(shots_to_show(0.9, 0, 1.0 - 0.271), Ok(3));
    }

    #[test]
    fn with_a_flat_prior_it_would_be_one_less() {
        // The posterior after n of n is Beta(n + 1, 1), so that P(rate >= R) = 1 - R^(n + 1): 298 for 0.99 and 95 %.
        let shown = |n: i32| 1.0 - 0.99_f64.powi(n + 1) >= 0.95;
        assert!(shown(298) && !shown(297));
        assert_eq!(shots_to_show(0.99, 0, 0.05), Ok(299));
    }

    #[test]
    fn passing() {
        // A machine that detects 999 of 1000 passes 299 without a miss in 74 of 100 runs: 0.999^299.
        assert!((chance_to_pass(299, 0, 0.999).unwrap() - 0.999_f64.powi(299)).abs() < 1e-12);
        let plan = smallest(0.99, 0.05, 0.999, 0.9, 50).unwrap();
        assert_eq!((plan.shots, plan.allowed_misses), (473, 1));
        assert!((plan.chance_to_pass - 0.918).abs() < 1e-3, "{plan:?}");
        assert_eq!(smallest(0.99, 0.05, 0.99, 0.9, 50), Err(NotEstimable::Unreachable { limit: 50 }));
        assert_eq!(smallest(0.99, 0.05, 0.9901, 0.9, 3), Err(NotEstimable::Unreachable { limit: 3 }));
        let close = smallest(0.999, 0.05, 0.9995, 0.9, 200).unwrap();
        assert!(chance_to_pass(close.shots, close.allowed_misses, 0.9995).unwrap() >= 0.9);
        assert!(exact_lower(close.shots - close.allowed_misses, close.shots, 0.05).unwrap() >= 0.999);
    }

    #[test]
    fn no_answer() {
        assert_eq!(shots_to_show(1.0 - 1e-14, 0, 0.05), Err(NotEstimable::Unreachable { limit: MOST_SHOTS }));
        for (rate, alpha) in [(0.0, 0.05), (1.0, 0.05), (0.9, 0.0), (f64::NAN, 0.05), (0.9, f64::NAN)] {
            assert!(matches!(shots_to_show(rate, 0, alpha), Err(NotEstimable::Argument(_))));
        }
        assert!(shots_to_show(0.9, u64::MAX, 0.05).is_err());
    }
}
