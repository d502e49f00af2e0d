//! EDAC counters: from readings to counter steps and gaps.
//!
//! The task that reads sysfs feeds every reading to a [`CounterBook`] and sends on what comes back. The book decides, it
//! never reads: time is in the readings. Its rules follow `edac_ce_error()`, `edac_ue_error()` and
//! `mci_reset_counters_store()` in the kernel's `drivers/edac/`: counters are unsigned 32-bit numbers that wrap, the
//! controller's total moves before the object's, and driver load or a write to `reset_counters` sets all to zero.

mod book;
mod controller;

pub use book::{CounterBook, Start};

use std::sync::Arc;
use vocabulary::{Class, Gap, Layers, Mono, Span, Witness};

/// The largest step that is believed: 2^24 errors between two reads. A value that goes down by a step larger than this
/// (modulo 2^32) has not wrapped but was reset.
pub(crate) const PLAUSIBLE: u32 = 1 << 24;

/// One value for corrected errors (`ce`) and one for all others (`ue`).
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Default)]
pub struct PerClass<T> {
    /// Of corrected errors.
    pub corrected: T,
    /// Of uncorrected, deferred, fatal and informational ones: the kernel counts all of them together.
    pub not_corrected: T,
}

impl<T> PerClass<T> {
    /// Both classes.
    pub(crate) const CLASSES: [Class; 2] = [Class::Corrected, Class::NotCorrected];

    /// The value of one class.
    #[must_use]
    pub fn get(&self, class: Class) -> &T {
        match class {
            Class::Corrected => &self.corrected,
            Class::NotCorrected => &self.not_corrected,
        }
    }

    /// The value of one class.
    pub fn get_mut(&mut self, class: Class) -> &mut T {
        match class {
            Class::Corrected => &mut self.corrected,
            Class::NotCorrected => &mut self.not_corrected,
        }
    }
}

/// What was read of one controller in one go.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ControllerReading {
    /// The controller.
    pub controller: u16,
    /// From just before the first file was read to just after the last.
    pub read: Span,
    /// `seconds_since_reset`, where it was read.
    pub since_reset_s: Option<u64>,
    /// `ce_count` and `ue_count`, read first.
    pub totals: PerClass<u32>,
    /// Everything below the totals; none if only they were read.
    pub full: Option<FullReading>,
}

/// What was read below a controller's totals.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct FullReading {
    /// `ce_noinfo_count` and `ue_noinfo_count`.
    pub noinfo: PerClass<u32>,
    /// Every `dimm` or `rank` object.
    pub places: Vec<PlaceReading>,
    /// The totals again, read last: where they have not moved, the rest fits to them.
    pub totals_after: PerClass<u32>,
}

/// The counters of one `dimm` or `rank` object.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct PlaceReading {
    /// Its position; as many layers are known as the controller has.
    pub layers: Layers,
    /// Its label at present.
    pub label: Arc<str>,
    /// `dimm_ce_count` and `dimm_ue_count`.
    pub values: PerClass<u32>,
}

/// The last known value of one counter: what must survive a restart of the daemon.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct CounterValue {
    /// The controller.
    pub controller: u16,
    /// The position; [`Layers::UNKNOWN`] for the errors of the controller that no object's counter holds.
    pub layers: Layers,
    /// What it counts.
    pub class: Class,
    /// How many so far.
    pub value: u32,
    /// Everything up to here is in `value`.
    pub read: Mono,
}

/// What a reading told.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Taken {
    /// Counter steps, each over the interval between two reads.
    pub witnesses: Vec<Witness>,
    /// Intervals whose counts are not known.
    pub gaps: Vec<Gap>,
}

impl Taken {
    /// Whether nothing was told.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.witnesses.is_empty() && self.gaps.is_empty()
    }
}

#[cfg(test)]
mod tests;
