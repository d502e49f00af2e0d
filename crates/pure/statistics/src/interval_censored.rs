//! A time that is known only to lie between two others: the form in which latencies come.
//!
//! A counter step happened between two reads, a polled record before the poll, and what was missed would have come after the end of the
//! window, if ever. Equal intervals are counted, so that a million shots come as the cells of a histogram.

use crate::NotEstimable;

/// So many times of which each is after `from` and not after `to`; or exactly that, where both are equal.
///
/// The unit is the caller's. `to` is infinite for what was not seen until `from`: right-censored.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Between {
    /// Nothing had happened until here.
    pub from: f64,
    /// It had happened here; infinite if that was never seen.
    pub to: f64,
    /// How many of them.
    pub count: u64,
}

impl Between {
    /// A time that is known exactly.
    #[must_use]
    pub fn exactly(time: f64, count: u64) -> Self {
        Self { from: time, to: time, count }
    }

    /// What had not happened when the watching ended.
    #[must_use]
    pub fn not_until(from: f64, count: u64) -> Self {
        Self { from, to: f64::INFINITY, count }
    }
}

/// How many there are in all, if every interval is one. Those that are counted 0 times are none.
pub(crate) fn total(seen: &[Between]) -> Result<u64, NotEstimable> {
    let mut total = 0_u64;
    for cell in seen.iter().filter(|cell| cell.count > 0) {
        // A number that is not one fails both comparisons.
        let is_interval = cell.from <= cell.to && cell.from < f64::INFINITY && cell.to > f64::NEG_INFINITY;
        if !is_interval {
            return Err(NotEstimable::Argument("an interval of time is none"));
        }
        total = total.checked_add(cell.count).ok_or(NotEstimable::Argument("more are counted than fit a number"))?;
    }
    if total == 0 { Err(NotEstimable::Nothing) } else { Ok(total) }
}
