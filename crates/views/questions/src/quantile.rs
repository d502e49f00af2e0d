//! Order statistics of latencies.

use serde::Serialize;

/// Latencies of one slot's detected shots in nanoseconds, each one a latency that really occurred.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Latency {
    /// The median.
    pub p50: i64,
    /// 95 % were at most this.
    pub p95: i64,
    /// 99 % were at most this.
    pub p99: i64,
    /// The greatest.
    pub max: i64,
}

impl Latency {
    /// From latencies in any order, which it reorders; nothing when there are none.
    ///
    /// The quantile of p percent is the nearest rank: the smallest latency with at least p percent of all at or below
    /// it, which has rank ceil(p * n / 100), counted from 1. This is definition 1 of Hyndman and Fan, "Sample Quantiles in
    /// Statistical Packages", The American Statistician 50 (1996): no value between two measured ones is made up.
    pub(crate) fn of(latencies: &mut [i64]) -> Option<Latency> {
        let count = latencies.len();
        let mut at = |percent: usize| {
            let index = (percent * count).div_ceil(100).checked_sub(1)?;
            Some(*latencies.select_nth_unstable(index).1)
        };
        Some(Latency { p50: at(50)?, p95: at(95)?, p99: at(99)?, max: at(100)? })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nearest_rank_by_hand() {
        // Rank ceil(p * n / 100), counted from 1 (Hyndman and Fan 1996, definition 1).
        assert_eq!(Latency::of(&mut []), None);
        for (n, p50, p95, p99) in
            [(1, 1, 1, 1), (4, 2, 4, 4), (100, 50, 95, 99), (101, 51, 96, 100), (200, 100, 190, 198)]
        {
            let mut shuffled: Vec<i64> = (1..=n).collect();
            shuffled.sort_by_key(|i| i * 997 % 1009);
            assert_eq!(Latency::of(&mut shuffled), Some(Latency { p50, p95, p99, max: n }), "n = {n}");
        }
    }
}
