//! The latency densities of a run: for each way in which errors are found over all slots, and from there for each slot.
//!
//! A report's density is that of the way in which it was found; how long nothing comes is told by all kinds together, in the shares
//! in which they report. `chain` and `settle` look things up here, and `settle` teaches.

use crate::latency::Latency;
use crate::table::LaneNo;
use serde::{Deserialize, Serialize};
use vocabulary::{FoundBy, Mono, Span};

/// How many ways there are in which an error is found. Each list of densities has one for each, in the order of [`FoundBy`].
const KINDS: usize = FoundBy::ALL.len();

/// See the module's page.
#[derive(Default, Serialize, Deserialize)]
pub(crate) struct Latencies {
    overall: [Latency; KINDS],
    lanes: Vec<[Option<Latency>; KINDS]>,
    /// The only kind that was ever seen, as long as that is so.
    only: Option<usize>,
    several: bool,
}

impl Latencies {
    /// Learns from a latency at a slot that is one with this probability.
    pub(crate) fn learn(&mut self, lane: LaneNo, found_by: FoundBy, ns: i64, weight: f64) {
        let kind = found_by as usize;
        self.several |= self.only.is_some_and(|only| only != kind);
        self.only = Some(kind);
        let Some(overall) = self.overall.get_mut(kind) else { return };
        overall.learn(ns, weight);
        if self.lanes.len() <= lane {
            self.lanes.resize_with(lane + 1, Default::default);
        }
        if let Some(own) = self.lanes.get_mut(lane).and_then(|lane| lane.get_mut(kind)) {
            own.get_or_insert_with(|| overall.of_a_slot()).learn_at_slot(ns, weight, overall);
        }
    }

    /// Density, per second, of a report seen then about a shot at the slot that began to be forced at `fired`.
    pub(crate) fn density(&self, lane: LaneNo, found_by: FoundBy, fired: Mono, seen: Span) -> f64 {
        let Some(latency) = self.of(lane, found_by as usize) else { return 0.0 };
        let (from, to) = (seen.from.since(fired), seen.to.since(fired));
        if to > from {
            let seconds = to.saturating_sub(from) as f64 / 1e9;
            return (latency.survival(from) - latency.survival(to)).max(0.0) / seconds;
        }
        latency.density(to.max(0))
    }

    /// What that density is not above, found quickly.
    pub(crate) fn density_at_most(&self, lane: LaneNo, found_by: FoundBy, fired: Mono, seen: Span) -> f64 {
        let Some(latency) = self.of(lane, found_by as usize) else { return 0.0 };
        latency.density_at_most(seen.from.since(fired))
    }

    /// Probability that a report about a shot at the slot comes later than this.
    pub(crate) fn survival(&self, lane: LaneNo, ns: i64) -> f64 {
        if !self.several {
            return self.of(lane, self.only.unwrap_or(0)).map_or(1.0, |latency| latency.survival(ns));
        }
        let (mut sum, mut all) = (0.0, 0.0);
        for kind in 0..KINDS {
            let Some(latency) = self.of(lane, kind) else { continue };
            // A trace of every kind, so that something is known of a slot that none was seen at.
            let weight = latency.total() + 1e-3 * self.overall.get(kind).map_or(0.0, Latency::total) + 1e-9;
            sum += weight * latency.survival(ns);
            all += weight;
        }
        sum / all
    }

    /// The latency in nanoseconds that one report in a hundred exceeds, at the slot and of the kind where that is longest;
    /// nothing before a hundred reports.
    pub(crate) fn longest_usual(&self) -> Option<i64> {
        let all: f64 = self.overall.iter().map(Latency::total).sum();
        let known = self.lanes.iter().flatten().flatten().chain(&self.overall).filter(|l| l.total() >= 0.05 * all);
        known.map(|latency| latency.exceeded(0.01)).max().filter(|_| all >= 100.0)
    }

    pub(crate) fn told(&self) -> [f64; 6] {
        [10, 40, 100, 300, 900, 3000].map(|ms| self.overall.first().map_or(0.0, |l| l.survival(ms * 1_000_000)))
    }

    fn of(&self, lane: LaneNo, kind: usize) -> Option<&Latency> {
        let own = self.lanes.get(lane).and_then(|lane| lane.get(kind)).and_then(Option::as_ref);
        own.or(self.overall.get(kind))
    }
}
