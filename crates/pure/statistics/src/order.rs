//! Bounds for a quantile from the order of a sample alone, whatever its distribution is.
//!
//! The number of values below the p-quantile is binomial with the probability p, so that the k-th smallest value is above or below it
//! with a known probability. Source: W. J. Conover, "Practical Nonparametric Statistics", confidence intervals for quantiles; H. A. David
//! and H. N. Nagaraja, "Order Statistics", 7.1. Ranks count from 1, the smallest.
//!
//! A missed shot counts as a latency longer than the window: its rank is among the last, and where a bound falls on it there is none.
//! For values that are known only to lie in intervals, an upper bound takes the right end of each and a lower bound the left end. Every
//! right end is at least the value, so that the k-th smallest right end is at least the k-th smallest value, and the bound holds
//! whatever lies in between.

use crate::error::{open_probability, reached, risk};
use crate::interval_censored::{Between, total};
use crate::{NotEstimable, binomial, plan};

/// A bound for a quantile: the value of this rank.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Rank {
    /// From 1, the smallest.
    pub rank: u64,
    /// The probability that the bound is wrong, at most what was asked for.
    pub error: f64,
}

/// The smallest rank in a sample of `n` that is an upper bound for the quantile `p`, wrong with a probability of at most `alpha`.
///
/// Errors: `p` or `alpha` not between 0 and 1; [`NotEstimable::TooFew`] where not even the largest value is one, since pⁿ is above `alpha`.
pub fn upper_rank(n: u64, p: f64, alpha: f64) -> Result<Rank, NotEstimable> {
    let (p, alpha) = (open_probability(p)?, risk(alpha)?);
    // Wrong if at least `rank` values lie below the quantile.
    let error = |rank: u64| binomial::at_least(rank, n, p);
    if n == 0 || !reached(error(n)?, alpha) {
        return Err(too_few(n, p, alpha));
    }
    let (mut wrong, mut right) = (0, n);
    while right - wrong > 1 {
        let middle = wrong + (right - wrong) / 2;
        if reached(error(middle)?, alpha) { right = middle } else { wrong = middle }
    }
    Ok(Rank { rank: right, error: error(right)? })
}

/// The largest rank in a sample of `n` that is a lower bound for the quantile `p`, wrong with a probability of at most `alpha`.
///
/// Errors: `p` or `alpha` not between 0 and 1; [`NotEstimable::TooFew`] where not even the smallest value is one, since (1 − p)ⁿ is above
/// `alpha`.
pub fn lower_rank(n: u64, p: f64, alpha: f64) -> Result<Rank, NotEstimable> {
    let (p, alpha) = (open_probability(p)?, risk(alpha)?);
    // Wrong if fewer than `rank` values lie below the quantile.
    let error = |rank: u64| binomial::at_most(rank - 1, n, p);
    if n == 0 || !reached(error(1)?, alpha) {
        return Err(too_few(n, 1.0 - p, alpha));
    }
    let (mut right, mut wrong) = (1, n.saturating_add(1));
    while wrong - right > 1 {
        let middle = right + (wrong - right) / 2;
        if reached(error(middle)?, alpha) { right = middle } else { wrong = middle }
    }
    Ok(Rank { rank: right, error: error(right)? })
}

/// One extreme value of so many is not enough; how many would be is the success-run formula again.
fn too_few(have: u64, p: f64, alpha: f64) -> NotEstimable {
    plan::shots_to_show(p, 0, alpha).map_or_else(|error| error, |need| NotEstimable::TooFew { have, need })
}

/// An upper bound for the quantile `p` of times that are known to lie in intervals, wrong with a probability of at most `alpha`: the value
/// of the [`upper_rank`] among the right ends.
///
/// Errors: as [`upper_rank`]; [`NotEstimable::Beyond`] where that value was not seen until its window ended; an interval that is none.
pub fn upper_bound(seen: &[Between], p: f64, alpha: f64) -> Result<f64, NotEstimable> {
    let n = total(seen)?;
    let bound = nth(seen.iter().map(|cell| (cell.to, cell.count)), upper_rank(n, p, alpha)?.rank);
    bound.filter(|bound| bound.is_finite()).ok_or(NotEstimable::Beyond)
}

/// A lower bound for the quantile `p` of times that are known to lie in intervals, wrong with a probability of at most `alpha`: the value
/// of the [`lower_rank`] among the left ends. What was missed has the end of its window as its left end.
///
/// Errors: as [`lower_rank`]; an interval that is none.
pub fn lower_bound(seen: &[Between], p: f64, alpha: f64) -> Result<f64, NotEstimable> {
    let n = total(seen)?;
    let bound = nth(seen.iter().map(|cell| (cell.from, cell.count)), lower_rank(n, p, alpha)?.rank);
    bound.filter(|bound| bound.is_finite()).ok_or(NotEstimable::Beyond)
}

/// The value with this rank among counted values.
fn nth(values: impl Iterator<Item = (f64, u64)>, rank: u64) -> Option<f64> {
    let mut values: Vec<(f64, u64)> = values.filter(|(_, count)| *count > 0).collect();
    values.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut so_far = 0;
    values
        .into_iter()
        .find(|(_, count)| {
            so_far += count;
            so_far >= rank
        })
        .map(|(value, _)| value)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranks_and_coverage() {
        // n, p, ranks and coverage for 95 % at both sides. The medians are those of table A.7 of textbooks of nonparametric statistics
        // (9: 96.1 %, 10: 97.9 %, 15: 96.5 %, 20: 95.9 %); the others are calculated.
        let table = [
            (9, 0.5, (2, 8), 0.960_938),
            (10, 0.5, (2, 9), 0.978_516),
            (15, 0.5, (4, 12), 0.964_844),
            (20, 0.5, (6, 15), 0.958_611),
            (100, 0.5, (40, 61), 0.964_800),
            (100, 0.9, (84, 96), 0.955_69),
            (200, 0.95, (184, 197), 0.967_152),
            (500, 0.95, (465, 485), 0.960_50),
            (1000, 0.99, (983, 997), 0.976_09),
            (500, 0.99, (490, 500), 0.980_19),
        ];
        for (n, p, ranks, coverage) in table {
            let (lower, upper) = (lower_rank(n, p, 0.025).unwrap(), upper_rank(n, p, 0.025).unwrap());
            assert_eq!((lower.rank, upper.rank), ranks, "{n} {p}");
            assert!((1.0 - lower.error - upper.error - coverage).abs() < 1e-5, "{n} {p}: {lower:?} {upper:?}");
        }
    }

    #[test]
    fn the_largest_value_is_a_bound_from_so_many_on() {
        for (n, p, confidence) in
            [(59, 0.95, 0.951_505), (299, 0.99, 0.950_464), (29, 0.9, 0.952_899), (2995, 0.999, 0.950_038)]
        {
            let bound = upper_rank(n, p, 0.05).unwrap();
            assert_eq!(bound.rank, n);
            assert!((1.0 - bound.error - confidence).abs() < 1e-5, "{n}: {bound:?}");
            assert_eq!(upper_rank(n - 1, p, 0.05), Err(NotEstimable::TooFew { have: n - 1, need: n }));
        }
        assert_eq!(lower_rank(4, 0.5, 0.05), Err(NotEstimable::TooFew { have: 4, need: 5 }));
        assert_eq!(lower_rank(5, 0.5, 0.05).unwrap().rank, 1);
        assert_eq!(upper_rank(0, 0.5, 0.05), Err(NotEstimable::TooFew { have: 0, need: 5 }));
    }

    #[test]
    fn bounds_from_intervals() {
        // 59 values: the largest bounds the 0.95-quantile from above with 95 %.
        let exact: Vec<Between> = (1..=59).map(|i| Between::exactly(f64::from(i), 1)).collect();
        assert_eq!(upper_bound(&exact, 0.95, 0.05), Ok(59.0));
        assert_eq!(lower_bound(&exact, 0.5, 0.05), Ok(23.0));
        // Seen only by polls, the bounds go to the ends of the intervals.
        let polled = [
            Between { from: 0.0, to: 20.0, count: 20 },
            Between { from: 20.0, to: 40.0, count: 20 },
            Between { from: 40.0, to: 60.0, count: 19 },
        ];
        assert_eq!(upper_bound(&polled, 0.95, 0.05), Ok(60.0));
        assert_eq!(lower_bound(&polled, 0.5, 0.05), Ok(20.0));
        // One was missed: nothing can be said of the 0.95-quantile from above, but of the median it can.
        let missed = [&exact[..58], &[Between::not_until(300.0, 1)]].concat();
        assert_eq!(upper_bound(&missed, 0.95, 0.05), Err(NotEstimable::Beyond));
        assert_eq!(upper_bound(&missed, 0.5, 0.05), Ok(37.0));
    }

    #[test]
    fn no_answer() {
        assert_eq!(upper_bound(&[], 0.5, 0.05), Err(NotEstimable::Nothing));
        assert_eq!(lower_bound(&[Between::exactly(1.0, 0)], 0.5, 0.05), Err(NotEstimable::Nothing));
        for (from, to) in [(2.0, 1.0), (f64::NAN, 1.0), (1.0, f64::NAN), (f64::INFINITY, f64::INFINITY)] {
            let told = upper_bound(&[Between { from, to, count: 100 }], 0.5, 0.05);
            assert!(matches!(told, Err(NotEstimable::Argument(_))), "{from} {to}: {told:?}");
        }
        assert!(upper_rank(10, 1.0, 0.05).is_err() && lower_rank(10, 0.5, 0.0).is_err());
    }
}
