//! Order statistics of latencies, from the cells in which the database counts them.

use crate::kept::Cell;
use serde::Serialize;

/// Latencies of one slot's detected shots in nanoseconds. The least and the greatest really occurred. The quantiles are rounded up, by
/// less than 1/32 of themselves (`vocabulary::LATENCY_CELL_PART`) and not beyond the greatest: a latency is never told to be
/// shorter than it was.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Latency {
    /// The least.
    pub min: i64,
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
    /// From cells in order of their upper ends, and the least and the greatest latency; nothing when there are none.
    ///
    /// The quantile of p percent is the nearest rank: the smallest latency with at least p percent of all at or below
    /// it, which has rank ceil(p * n / 100), counted from 1. This is definition 1 of Hyndman and Fan, "Sample Quantiles in
    /// Statistical Packages", The American Statistician 50 (1996): no value between two measured ones is made up. Told is the upper
    /// end of the cell that holds it.
    pub(crate) fn of(cells: &[Cell], (min, max): (i64, i64)) -> Option<Latency> {
        let count: i64 = cells.iter().map(|cell| cell.shots).sum();
        let at = |percent: i64| {
            let mut missing = (percent.saturating_mul(count).saturating_add(99)) / 100;
            let holds = |cell: &&Cell| {
                missing -= cell.shots;
                missing <= 0
            };
            cells.iter().find(holds).map(|cell| cell.to_ns.min(max))
        };
        Some(Latency { min, p50: at(50)?, p95: at(95)?, p99: at(99)?, max })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use vocabulary::LatencyCell;

    fn cells(latencies: impl Iterator<Item = i64>) -> Vec<Cell> {
        let mut ends: Vec<i64> = latencies.map(|latency| LatencyCell::of(0, latency).to_ns).collect();
        ends.sort_unstable();
        ends.into_iter().map(|to_ns| Cell { from_ns: 0, to_ns, shots: 1, watched: 1 }).collect()
    }

    #[test]
    fn nearest_rank_by_hand() {
        // Rank ceil(p * n / 100), counted from 1 (Hyndman and Fan 1996, definition 1). Up to 64 nothing is rounded; from there on
        // to 128 every second number is kept, and to 256 every fourth.
        assert_eq!(Latency::of(&[], (0, 0)), None);
        for (n, p50, p95, p99) in
            [(1, 1, 1, 1), (4, 2, 4, 4), (60, 30, 57, 60), (100, 50, 96, 100), (101, 51, 96, 100), (200, 100, 192, 200)]
        {
            let told = Latency::of(&cells(1..=n), (1, n));
            assert_eq!(told, Some(Latency { min: 1, p50, p95, p99, max: n }), "n = {n}");
        }
    }

    #[test]
    fn what_is_told_is_never_beyond_the_greatest() {
        let told = Latency::of(&cells([1001, 1003].into_iter()), (1001, 1003)).unwrap();
        assert_eq!((told.p50, told.p99, told.max), (1003, 1003, 1003));
    }
}
