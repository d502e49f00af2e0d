//! The exact tests and bounds as the criteria need them: of whole counts, one-sided, at a level of their own.
//!
//! Crate `statistics` has the formulas and their sources. Where it has no answer, nothing is shown: the tests say no.

use statistics::{binomial, plan, proportion};

/// Whether `bad` of `of` show that the share of bad ones is at most `limit`: P(at most `bad` | `limit`) ≤ `alpha`.
pub(crate) fn shows_at_most(bad: u64, of: u64, limit: f64, alpha: f64) -> bool {
    of > 0 && binomial::at_most(bad, of, limit).is_ok_and(|p| reached(p, alpha))
}

/// Whether `bad` of `of` show that the share of bad ones is above `limit`: P(at least `bad` | `limit`) ≤ `alpha`.
pub(crate) fn shows_above(bad: u64, of: u64, limit: f64, alpha: f64) -> bool {
    of > 0 && binomial::at_least(bad, of, limit).is_ok_and(|p| reached(p, alpha))
}

/// The exact one-sided lower bound of a share.
pub(crate) fn lower(count: u64, of: u64, alpha: f64) -> Option<f64> {
    proportion::exact_lower(count, of, alpha).ok()
}

/// The exact one-sided upper bound of a share.
pub(crate) fn upper(count: u64, of: u64, alpha: f64) -> Option<f64> {
    proportion::exact_upper(count, of, alpha).ok()
}

/// How many trials show a share of at most `limit` if no more than `bad` of them are bad.
pub(crate) fn trials_for(bad: u64, limit: f64, alpha: f64) -> Option<u64> {
    plan::shots_to_show(1.0 - limit, bad, alpha).ok()
}

/// Whether a calculated probability is as small as was asked for; the last digits of both are rounded.
fn reached(p: f64, alpha: f64) -> bool {
    p <= alpha * (1.0 + 1e-12)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn tests_and_bounds_say_the_same() {
        for (bad, of) in [(0, 299), (0, 298), (1, 473), (1, 472), (5, 100), (20, 20), (0, 1)] {
            for alpha in [0.05, 0.01, 0.2] {
                let upper = upper(bad, of, alpha).unwrap();
                let lower = lower(bad, of, alpha).unwrap();
                for limit in [0.01, 0.03, 0.2, 0.9] {
                    assert_eq!(
                        shows_at_most(bad, of, limit, alpha),
                        upper <= limit,
                        "{bad}/{of} {alpha} {limit} {upper}"
                    );
                    assert_eq!(
                        shows_above(bad, of, limit, alpha),
                        lower >= limit,
                        "{bad}/{of} {alpha} {limit} {lower}"
                    );
                }
            }
        }
        assert!(!shows_at_most(0, 0, 0.5, 0.05) && !shows_above(0, 0, 0.5, 0.05));
    }
}
