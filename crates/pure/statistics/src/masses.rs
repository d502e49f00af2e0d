//! Where an estimate from intervals can have probability: the innermost intervals, and which of them each observation covers.
//!
//! Only intervals that begin with some left end and end with the next right end, with no other end between, can have any. Source: B. W.
//! Turnbull, "The empirical distribution function with arbitrarily grouped, censored and truncated data", Journal of the Royal
//! Statistical Society B 38 (1976) 290-295. `turnbull` calls this.

use crate::interval_censored::Between;

/// Which side of a value an end lies on, in the order of the line: an exact time begins before everything at its value has ended, and an
/// interval that begins at a value does not hold it.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Side {
    BeginsWith,
    Ends,
    BeginsAfter,
}

type End = (f64, Side);

fn before(a: &End, b: &End) -> core::cmp::Ordering {
    a.0.total_cmp(&b.0).then(a.1.cmp(&b.1))
}

/// Observations that cover the same innermost intervals.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Span {
    /// The first innermost interval that is covered.
    pub(crate) first: usize,
    /// The last one, included.
    pub(crate) last: usize,
    /// Their share of all observations.
    pub(crate) weight: f64,
}

/// The innermost intervals in the order of time, and the observations by what they cover.
pub(crate) fn of(seen: &[Between], total: u64) -> (Vec<(f64, f64)>, Vec<Span>) {
    // Adding 0 makes the negative zero, which the order would tell apart, the positive one.
    let ends_of = |cell: &Between| {
        let side = if cell.from == cell.to { Side::BeginsWith } else { Side::BeginsAfter };
        ((cell.from + 0.0, side), (cell.to + 0.0, Side::Ends))
    };
    let cells = || seen.iter().filter(|cell| cell.count > 0);
    let mut ends: Vec<End> = cells().map(ends_of).flat_map(|(left, right)| [left, right]).collect();
    ends.sort_by(before);
    ends.dedup();
    let innermost: Vec<(End, End)> = ends
        .iter()
        .zip(ends.iter().skip(1))
        .filter(|(left, right)| left.1 != Side::Ends && right.1 == Side::Ends)
        .map(|(left, right)| (*left, *right))
        .collect();

    let mut spans: Vec<(usize, usize, u64)> = cells()
        .map(|cell| {
            let (left, right) = ends_of(cell);
            let first = innermost.partition_point(|inner| before(&inner.0, &left).is_lt());
            let after = innermost.partition_point(|inner| before(&inner.1, &right).is_le());
            (first, after.saturating_sub(1), cell.count)
        })
        .collect();
    spans.sort_unstable();
    let mut merged: Vec<(usize, usize, u64)> = Vec::new();
    for (first, last, count) in spans {
        match merged.last_mut() {
            Some(same) if (same.0, same.1) == (first, last) => same.2 += count,
            _ => merged.push((first, last, count)),
        }
    }
    let total = total as f64;
    let spans = merged.into_iter().map(|(first, last, count)| Span { first, last, weight: count as f64 / total });
    (innermost.into_iter().map(|(left, right)| (left.0, right.0)).collect(), spans.collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn innermost() {
        let cell = |from, to| Between { from, to, count: 1 };
        // (1, 3], (2, 4], (5, 6]: innermost (2, 3] and (5, 6], the example of the manual of a general statistics program.
        let (inner, spans) = of(&[cell(1.0, 3.0), cell(2.0, 4.0), cell(5.0, 6.0)], 3);
        assert_eq!(inner, [(2.0, 3.0), (5.0, 6.0)]);
        assert_eq!(spans.iter().map(|s| (s.first, s.last)).collect::<Vec<_>>(), [(0, 0), (1, 1)]);
        assert!((spans[0].weight - 2.0 / 3.0).abs() < 1e-15);
        // What was not seen until 2 may be after 2, but is not at 2; what is before or at 2 may be.
        let (inner, spans) = of(&[Between::exactly(2.0, 1), Between::not_until(2.0, 1), cell(0.0, 2.0)], 3);
        assert_eq!(inner, [(2.0, 2.0), (2.0, f64::INFINITY)]);
        assert_eq!(spans.iter().map(|s| (s.first, s.last)).collect::<Vec<_>>(), [(0, 0), (1, 1)]);
        // Both zeros are one time.
        let (inner, _) = of(&[Between::exactly(0.0, 1), Between::exactly(-0.0, 1)], 2);
        assert_eq!(inner, [(0.0, 0.0)]);
    }
}
