//! What the simulated machine really did, against which the daemon's answers can be held.
//!
//! `play` writes it down from the machine's own stamps; nothing here comes from the database. Tests and the command line
//! read it.

use super::board::{SLOTS, Slot};
use super::scenario::habit;
use vocabulary::{Mono, Severity};

/// What became of one shot.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ShotTruth {
    /// The injection's id.
    pub injection: String,
    /// The shot within the injection, from 1.
    pub shot: u32,
    /// The slot whose line was forced.
    pub slot: String,
    /// What the machine reported; nothing for a miss.
    pub report: Option<ReportTruth>,
    /// Whether it was a miss because the simulated collector of corrected errors took the error.
    pub collected: bool,
}

/// What the machine reported of one shot.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ReportTruth {
    /// The slot that it blamed.
    pub blamed: String,
    /// How bad it said that it was; corrected would be right for every shot.
    pub severity: Severity,
    /// From the shot's beginning to the report's stamp, in nanoseconds.
    pub latency_ns: i64,
    /// Whether that is longer than the deadline.
    pub late: bool,
    /// Whether the report covers other shots too.
    pub shared: bool,
}

impl ShotTruth {
    /// Blamed on another slot.
    #[must_use]
    pub fn misplaced(&self) -> bool {
        self.report.as_ref().is_some_and(|r| r.blamed != self.slot)
    }

    /// Reported with another severity class than that of the one wrong bit that it was.
    #[must_use]
    pub fn misgraded(&self) -> bool {
        self.report.as_ref().is_some_and(|r| r.severity.class() != Severity::Corrected.class())
    }
}

/// One report that belongs to no shot: nobody provoked it; or, on a machine that is held up, it came after its shot's window.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct UnprovokedTruth {
    /// The slot that it blames.
    pub slot: String,
    /// Its stamp.
    pub seen: Mono,
}

/// What happened at one slot, in shots.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SlotTruth {
    /// The slot's label.
    pub slot: String,
    /// What the simulated machine does at this slot, as half a sentence.
    pub habit: &'static str,
    /// Shots fired.
    pub fired: usize,
    /// Shots that the machine reported, wherever and as whatever.
    pub reported: usize,
    /// Shots of which it said nothing.
    pub missed: usize,
    /// Shots that it blamed on the slot beside.
    pub blamed_on_neighbour: usize,
    /// Shots that it reported as uncorrected.
    pub misgraded: usize,
    /// Shots that it reported after the deadline.
    pub late: usize,
    /// Shots that share their report with others.
    pub shared: usize,
    /// Reports about this slot that belong to no shot.
    pub unprovoked: usize,
    /// Times at which its supply was outside the limits: readings of it that were, each with others around it that were not.
    pub excursions: usize,
}

/// All slots of the board in order.
pub(super) fn by_slot(shots: &[ShotTruth], unprovoked: &[UnprovokedTruth], outside: &[String]) -> Vec<SlotTruth> {
    let of_slot = |slot: Slot| {
        let label = slot.label();
        let count = |is: &dyn Fn(&ShotTruth) -> bool| shots.iter().filter(|s| s.slot == label && is(s)).count();
        let reported = |is: fn(&ReportTruth) -> bool| count(&|s| s.report.as_ref().is_some_and(is));
        SlotTruth {
            habit: habit(slot),
            fired: count(&|_| true),
            reported: reported(|_| true),
            missed: count(&|s| s.report.is_none()),
            blamed_on_neighbour: count(&ShotTruth::misplaced),
            misgraded: count(&ShotTruth::misgraded),
            late: reported(|r| r.late),
            shared: reported(|r| r.shared),
            excursions: outside.iter().filter(|slot| **slot == label).count(),
            unprovoked: unprovoked.iter().filter(|u| u.slot == label).count(),
            slot: label,
        }
    };
    SLOTS.into_iter().map(of_slot).collect()
}
