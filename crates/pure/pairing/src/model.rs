//! What the run has taught, as one slot sees it: how likely what came is, and what did not come.
//!
//! It only reads; `settle` teaches. `chain`, `elsewhere` and `crowd` ask it.

use crate::fingerprints::Fingerprints;
use crate::latencies::Latencies;
use crate::rates::Rates;
use crate::table::LaneNo;
use serde::{Deserialize, Serialize};
use vocabulary::{Class, Expected, FoundBy, Mono, Span};

/// An echo below this share of what comes otherwise does not matter.
const NEGLIGIBLE_ECHO: f64 = 0.01;

/// A record of several errors is read that long after the first of them at the most, as a rule: EDAC's drivers poll once a second
/// unless they are told otherwise (`edac_mc_poll_msec` in `drivers/edac/edac_mc.c`).
const USUAL_WAIT_NS: i64 = 1_000_000_000;
/// How often it is later.
const RARE_WAIT: f64 = 0.02;

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

    /// Density, per second, of a report seen then as a further one about a shot at the slot; nothing where that is negligible
    /// beside what comes otherwise.
    pub(crate) fn echo(&self, found_by: FoundBy, fired: Mono, seen: Span, beside: f64) -> f64 {
        let echoed = self.rates.echoed();
        if echoed * self.latencies.density_at_most(self.lane, found_by, fired, seen) < NEGLIGIBLE_ECHO * beside {
            return 0.0;
        }
        echoed * self.density(found_by, fired, seen)
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

    /// Probability that nothing is said by now of a shot with this window: nothing within all of it, or later.
    pub(crate) fn unreported(&self, window: Span) -> f64 {
        let passed = self.now.min(window.to).since(window.from);
        let later = self.survival(passed) - self.survival(window.to.since(window.from));
        self.rates.missed() + self.rates.placed() * later.max(0.0)
    }

    /// Probability that a shot's own error had come before a record of several was read, and stood waiting in it.
    pub(crate) fn waited(&self, fired: Mono, seen: Span) -> f64 {
        let come = |at: Mono| 1.0 - self.survival(at.since(fired));
        let since = seen.from.min(seen.to.minus(USUAL_WAIT_NS));
        let usual = come(seen.to) - come(since);
        RARE_WAIT * come(seen.to) + (1.0 - RARE_WAIT) * usual
    }

    /// Reports of one class a second that none of the slot's own shots causes.
    pub(crate) fn foreign(&self, class: Class) -> f64 {
        self.rates.background(Some(self.lane), class, self.now) + self.rates.inflow(class)
    }
}
