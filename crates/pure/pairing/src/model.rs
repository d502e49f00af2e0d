//! What the run has taught, as one slot sees it: how likely what came is, and what did not come.
//!
//! It only reads; `settle` teaches. `chain`, `elsewhere` and `crowd` ask it.

use crate::fingerprints::Fingerprints;
use crate::latencies::Latencies;
use crate::rates::Rates;
use crate::table::LaneNo;
use vocabulary::{Class, FoundBy, Mono, Span};

/// What the run has taught so far, as one slot sees it.
#[derive(Clone, Copy)]
pub(crate) struct Model<'a> {
    pub(crate) rates: &'a Rates,
    pub(crate) latencies: &'a Latencies,
    pub(crate) fingerprints: &'a Fingerprints,
    pub(crate) lane: LaneNo,
    pub(crate) now: Mono,
}

impl Model<'_> {
    /// Density, per second, of a report seen then about a shot at the slot that began to be forced at `fired`.
    pub(crate) fn density(&self, found_by: FoundBy, fired: Mono, seen: Span) -> f64 {
        self.latencies.density(self.lane, found_by, fired, seen)
    }

    /// Probability that a report comes later than this.
    pub(crate) fn survival(&self, ns: i64) -> f64 {
        self.latencies.survival(self.lane, ns)
    }

    /// Probability that nothing is said of a shot within its window: nothing at all, or too late.
    pub(crate) fn unreported(&self, window: Span) -> f64 {
        self.rates.missed() + self.rates.placed() * self.survival(window.to.since(window.from))
    }

    /// Reports of one class a second that none of the slot's own shots causes.
    pub(crate) fn foreign(&self, class: Class) -> f64 {
        self.rates.background(Some(self.lane), class, self.now) + self.rates.inflow(class)
    }
}
