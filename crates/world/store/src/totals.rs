//! The totals that the store keeps as it writes, so that questions need not count a million rows.
//!
//! A batch adds up what it changes, slot by slot, and writes the sums once before it is committed: in the same transaction as
//! the rows, so that both say the same after any crash. Triggers would be shorter, and halve the rate at which shots are
//! stored. Sums are whole numbers, so that they do not depend on how records were batched. `write` and `restore` call this.

use rusqlite::{Connection, params};
use std::collections::BTreeMap;
use vocabulary::{Outcome, ReportAnswer, ShotAnswer};

/// SQL that counts all totals anew, for databases that were filled by hand: those of tests and benchmarks.
pub const RECOUNT: &str = include_str!("totals.sql");

/// Below this confidence an answer is unsure.
const SURE: f64 = 0.9;
/// Below this it is more likely wrong than right.
const GUESSED: f64 = 0.5;

/// What is added to one slot.
#[derive(Clone, Copy, Default)]
struct OfSlot {
    injections: i64,
    shots: i64,
    detected: i64,
    missed: i64,
    unknowable: i64,
    misplaced: i64,
    misgraded: i64,
    late: i64,
    shared: i64,
    rated: i64,
    rated_ppb: i64,
    unsure: i64,
    guessed: i64,
}

/// What a transaction adds to the totals of a run.
#[derive(Default)]
pub(crate) struct Totals {
    slots: BTreeMap<i64, OfSlot>,
    reports: BTreeMap<(&'static str, i64), i64>,
    /// The widest latency of each slot.
    widths: BTreeMap<i64, i64>,
}

impl Totals {
    /// An injection that is new, with its shots.
    pub(crate) fn injection(&mut self, slot: i64, shots: u32) {
        let of = self.slots.entry(slot).or_default();
        of.injections += 1;
        of.shots += i64::from(shots);
    }

    /// Shots of a slot that were open, and that nobody can know anything about any more.
    pub(crate) fn unknowable(&mut self, slot: i64, shots: i64) {
        self.slots.entry(slot).or_default().unknowable += shots;
    }

    /// The answer about a shot of a slot that was open.
    pub(crate) fn shot(&mut self, slot: i64, a: &ShotAnswer) {
        let of = self.slots.entry(slot).or_default();
        match a.outcome {
            Outcome::Detected => of.detected += 1,
            Outcome::Missed => of.missed += 1,
            Outcome::Unknowable => of.unknowable += 1,
        }
        of.misplaced += i64::from(a.misplaced);
        of.misgraded += i64::from(a.misgraded);
        of.late += i64::from(a.late);
        of.shared += i64::from(a.shared);
        if let Some(p) = a.detected_p {
            of.rated += 1;
            of.rated_ppb += (p * 1e9).round() as i64;
        }
        if let (Some(least), Some(most)) = (a.latency_min_ns, a.latency_ns) {
            let widest = self.widths.entry(slot).or_default();
            *widest = most.saturating_sub(least).max(*widest);
        }
        of.unsure += i64::from(a.confidence.is_some_and(|c| c < SURE));
        of.guessed += i64::from(a.confidence.is_some_and(|c| c < GUESSED));
    }

    /// A report that is new.
    pub(crate) fn report(&mut self, a: &ReportAnswer) {
        let slot = a.slot.map_or(-1, |slot| i64::from(slot.0));
        *self.reports.entry((a.role.word(), slot)).or_default() += 1;
    }

    /// Adds everything to what is kept.
    pub(crate) fn write(&self, conn: &Connection, run: i64) -> rusqlite::Result<()> {
        for (slot, of) in &self.slots {
            let mut add = conn.prepare_cached(
                "INSERT INTO slot_total (run, slot, injections, shots, detected, missed, unknowable, misplaced, misgraded, late,
                                         shared, rated, rated_ppb, unsure, guessed)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)
                 ON CONFLICT (run, slot) DO UPDATE SET
                    injections = injections + excluded.injections, shots = shots + excluded.shots,
                    detected = detected + excluded.detected, missed = missed + excluded.missed,
                    unknowable = unknowable + excluded.unknowable, misplaced = misplaced + excluded.misplaced,
                    misgraded = misgraded + excluded.misgraded, late = late + excluded.late, shared = shared + excluded.shared,
                    rated = rated + excluded.rated, rated_ppb = rated_ppb + excluded.rated_ppb,
                    unsure = unsure + excluded.unsure, guessed = guessed + excluded.guessed",
            )?;
            add.execute(params![
                run,
                slot,
                of.injections,
                of.shots,
                of.detected,
                of.missed,
                of.unknowable,
                of.misplaced,
                of.misgraded,
                of.late,
                of.shared,
                of.rated,
                of.rated_ppb,
                of.unsure,
                of.guessed
            ])?;
        }
        for (slot, width) in &self.widths {
            let mut add = conn.prepare_cached(
                "INSERT INTO latency_width (run, slot, width_ns) VALUES (?1, ?2, ?3)
                 ON CONFLICT (run, slot) DO UPDATE SET width_ns = max(width_ns, excluded.width_ns)",
            )?;
            add.execute(params![run, slot, width])?;
        }
        for ((role, slot), reports) in &self.reports {
            let mut add = conn.prepare_cached(
                "INSERT INTO report_total (run, role, slot, reports) VALUES (?1, ?2, ?3, ?4)
                 ON CONFLICT (run, role, slot) DO UPDATE SET reports = reports + excluded.reports",
            )?;
            add.execute(params![run, role, slot, reports])?;
        }
        Ok(())
    }
}
