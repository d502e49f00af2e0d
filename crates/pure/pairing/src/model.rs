//! What the run has taught, as one slot sees it: how likely what came is, and what did not come.
//!
//! It only reads; `settle` teaches. `chain`, `elsewhere` and `crowd` ask it.

use crate::fingerprints::Fingerprints;
use crate::latencies::Latencies;
use crate::rates::Rates;
use crate::table::LaneNo;
use serde::{Deserialize, Serialize};
use vocabulary::{Class, Expected, FoundBy, Mono, Span};

/// Everything that the run has taught so far.
#[derive(Default, Serialize, Deserialize)]
pub(crate) struct Learned {
    pub(crate) rates: Rates,
    pub(crate) latencies: Latencies,
    pub(crate) fingerprints: Fingerprints,
}

impl Learned {
    /// As the slot in this lane sees it now.
    pub(crate) fn at(&self, lane: LaneNo, now: Mono) -> Model<'_> {
        let Learned { rates, latencies, fingerprints } = self;
        Model { rates, latencies, fingerprints, lane, now }
    }
}

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

    /// How well a report on the slot in lane `reported` agrees with a shot at this slot, in its severity class and its syndrome.
    pub(crate) fn agrees(
        &self,
        (expect, forced): (Expected, u64),
        reported: LaneNo,
        (class, syndrome): (Class, Option<u64>),
    ) -> f64 {
        self.rates.graded(expect, class) * self.fingerprints.ratio(self.lane, forced, reported, syndrome)
    }

    /// Probability that a report comes later than this.
    pub(crate) fn survival(&self, ns: i64) -> f64 {
        self.latencies.survival(self.lane, ns)
    }

    /// Probability that nothing is said of a shot within its window, or the part of it that has passed: nothing at all, or later.
    pub(crate) fn unreported(&self, window: Span) -> f64 {
        self.rates.missed() + self.rates.placed() * self.survival(window.to.since(window.from))
    }

    /// Reports of one class a second that none of the slot's own shots causes.
    pub(crate) fn foreign(&self, class: Class) -> f64 {
        self.rates.background(Some(self.lane), class, self.now) + self.rates.inflow(class)
    }
}
