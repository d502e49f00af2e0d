//! How late reports came: a curve for each slot, or for each controller of a large machine, with quantiles.
//!
//! Only watched shots count, as everywhere on the page. Where the latencies are known well enough the curve is Kaplan and Meier's,
//! otherwise Turnbull's; the rule is [`IS_WIDE`]. Quantiles have intervals by order statistics, which hold for both. `paper` calls
//! this.

use super::Case;
use crate::kept::Cell;
use crate::sums::count;
use crate::{QuestionError, Snapshot};
use evidence::model::{Curve, Estimator, Latency, Quantile, Step};
use statistics::interval_censored::Between;
use statistics::{kaplan_meier, order, turnbull};
use std::collections::BTreeMap;

/// More slots with shots than this have a curve for each controller instead.
pub(super) const MOST_SLOTS: usize = 40;
/// The quantiles that are told.
pub(super) const QUANTILES: [f64; 3] = [0.5, 0.95, 0.99];
/// A latency is known closely if its interval is no longer than this part of it, or than [`CLOSE_NS`]: the kept cells are up to 1/16 wide
/// by themselves, and on the page's axis less cannot be seen.
const CLOSE_PART: i64 = 8;
const CLOSE_NS: i64 = 1_000_000;
/// From this part of latencies on that are not known closely, the estimate takes all of them as intervals: one in twenty.
const WIDE_PART: i64 = 20;
/// The same in words, for the page.
pub(super) const RULE: &str = "The curve is Kaplan and Meier's, at the upper end of what is known of each latency, where at least \
     19 of 20 latencies are known to within an eighth of themselves or a millisecond. Otherwise it is Turnbull's, which takes each \
     latency as the interval that it lies in, and has no band; that is so where counters were read or banks were polled.";

/// What one curve is made from.
#[derive(Default)]
struct Counted {
    cells: Vec<Cell>,
    watched: i64,
    missed: i64,
}

impl Snapshot<'_> {
    pub(super) fn paper_latency(&self, case: &Case<'_>) -> Result<Latency, QuestionError> {
        let asked = case.order.judged.and_then(|judged| judged.judgement.criteria.latency);
        let by_slot = case.slots.iter().filter(|s| s.watched + s.missed > 0).count() <= MOST_SLOTS;
        let mut cells: BTreeMap<i64, Vec<Cell>> = self.cells()?;
        // In the order of the slots, or of the controllers.
        let mut all: Vec<(String, Counted)> = Vec::new();
        let mut places: BTreeMap<(i64, String), usize> = BTreeMap::new();
        for ((number, facts), slot) in self.slots.iter().zip(&case.slots) {
            if slot.watched + slot.missed == 0 {
                continue;
            }
            let (rank, name) = if by_slot {
                (*number, slot.slot.to_string())
            } else {
                let name = |c: i64| format!("controller {c}");
                (facts.controller.unwrap_or(i64::MAX), facts.controller.map_or("no known controller".to_owned(), name))
            };
            let place = *places.entry((rank, name.clone())).or_insert_with(|| {
                all.push((name, Counted::default()));
                all.len() - 1
            });
            if let Some((_, counted)) = all.get_mut(place) {
                counted.cells.extend(cells.remove(number).unwrap_or_default());
                counted.watched += slot.watched;
                counted.missed += slot.missed;
            }
        }
        Ok(Latency {
            each: if by_slot { "slot" } else { "controller" }.to_owned(),
            limit_ns: asked.and_then(|l| i64::try_from(l.at_most_ms.saturating_mul(1_000_000)).ok()),
            limit_share: asked.map(|l| l.quantile),
            window_ns: case.window_ns,
            curves: all.into_iter().map(|(name, counted)| curve(name, &counted, case)).collect(),
        })
    }
}

fn is_wide(cell: &Cell) -> bool {
    let width = cell.to_ns.saturating_sub(cell.from_ns);
    width > CLOSE_NS && width > cell.to_ns / CLOSE_PART
}

/// Misses count as later than the window, and than every report; a watched detection whose latency nobody knows as later than nothing.
fn curve(name: String, counted: &Counted, case: &Case<'_>) -> Curve {
    let told: i64 = counted.cells.iter().map(|cell| cell.watched).sum();
    let wide: i64 = counted.cells.iter().filter(|cell| is_wide(cell)).map(|cell| cell.watched).sum();
    let unknown = counted.watched.saturating_sub(told).max(0);
    // Where lines are held for long, reports come behind the window: a miss had been waited for as long as they.
    let latest = counted.cells.iter().filter(|cell| cell.watched > 0).map(|cell| cell.to_ns).max();
    let waited = latest.unwrap_or(0).max(case.window_ns) as f64;
    let mut seen: Vec<Between> = counted
        .cells
        .iter()
        .filter(|cell| cell.watched > 0)
        .map(|cell| Between { from: cell.from_ns as f64, to: cell.to_ns as f64, count: count(cell.watched) })
        .collect();
    seen.push(Between::not_until(waited, count(counted.missed)));
    seen.push(Between::not_until(0.0, count(unknown)));
    seen.retain(|between| between.count > 0);

    let (estimator, steps, estimates) = if wide.saturating_mul(WIDE_PART) > told {
        let (steps, estimates) = intervals(&seen);
        (Estimator::Turnbull, steps, estimates)
    } else {
        let (steps, estimates) = closely(&seen, case.alpha());
        (Estimator::KaplanMeier, steps, estimates)
    };
    let end_of = |bound: Result<f64, statistics::NotEstimable>| bound.ok().and_then(nanoseconds);
    let alpha = case.alpha() / 2.0;
    let quantiles = QUANTILES.iter().zip(estimates).map(|(share, ns)| Quantile {
        share: *share,
        ns,
        low_ns: end_of(order::lower_bound(&seen, *share, alpha)),
        high_ns: end_of(order::upper_bound(&seen, *share, alpha)),
    });
    Curve {
        name,
        shots: counted.watched + counted.missed,
        missed: counted.missed,
        estimator,
        confidence: case.confidence,
        steps,
        quantiles: quantiles.collect(),
    }
}

/// Times of the database are whole nanoseconds below 2^62.
fn nanoseconds(ns: f64) -> Option<i64> {
    (ns.is_finite() && (0.0..4.7e18).contains(&ns)).then_some(ns as i64)
}

type Estimated = (Vec<Step>, [Option<i64>; 3]);

/// Kaplan and Meier's estimate with its band, each latency at its upper end.
fn closely(seen: &[Between], alpha: f64) -> Estimated {
    // By time: how many were detected, and of how many the watching ended. Times are whole and not negative, so that their bits are
    // in order.
    let mut at: BTreeMap<i64, (u64, u64)> = BTreeMap::new();
    for between in seen {
        if let Some(time) = nanoseconds(between.to) {
            at.entry(time).or_default().0 += between.count;
        } else if let Some(time) = nanoseconds(between.from) {
            at.entry(time).or_default().1 += between.count;
        }
    }
    let rows: Vec<kaplan_meier::Row> = at
        .into_iter()
        .map(|(time, (events, censored))| kaplan_meier::Row { time: time as f64, events, censored })
        .collect();
    let Ok(curve) = kaplan_meier::estimate(&rows, alpha) else { return Estimated::default() };
    let steps = curve.steps.iter().filter_map(|step| {
        Some(Step {
            at_ns: nanoseconds(step.time)?,
            share: 1.0 - step.survival,
            low: step.band.map(|band| 1.0 - band.upper),
            high: step.band.map(|band| 1.0 - band.lower),
        })
    });
    (steps.collect(), QUANTILES.map(|share| curve.quantile(share).ok().and_then(nanoseconds)))
}

/// Turnbull's estimate: a step at the end of each interval that has some of the probability.
fn intervals(seen: &[Between]) -> Estimated {
    let Ok(estimate) = turnbull::estimate(seen) else { return Estimated::default() };
    let mut share = 0.0;
    let mut steps = Vec::new();
    for mass in &estimate.masses {
        share += mass.mass;
        if let Some(at_ns) = nanoseconds(mass.to) {
            steps.push(Step { at_ns, share: f64::min(share, 1.0), low: None, high: None });
        }
    }
    (steps, QUANTILES.map(|share| estimate.quantile(share).ok().and_then(|within| nanoseconds(within.upper))))
}
