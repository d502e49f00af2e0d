//! What the database keeps of each slot for a verdict: counts of the shots that were watched, latencies in cells, and lines.
//!
//! A verdict counts only shots whose whole window was watched. Of a shot that was not, only the detected twin would show, so both
//! are left out, and how many there were is told. All of it is read from small tables that `store` keeps as it writes.

use crate::{QuestionError, Snapshot};
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::Arc;

/// The shots of a slot that a verdict may count, and how many it must leave out.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct WatchedRow {
    /// The slot's name.
    pub slot: Arc<str>,
    /// All shots: detected + missed + left_out + unknowable + open.
    pub shots: i64,
    /// Detected, and the whole window was watched.
    pub detected: i64,
    /// Missed: a miss is only claimed where everything was watched.
    pub missed: i64,
    /// Detected, but not everything was watched: without a report it would have been unknowable.
    pub left_out: i64,
    /// Not detected, and not everything was watched.
    pub unknowable: i64,
    /// Not settled yet.
    pub open: i64,
    /// Of the detected: blamed on another slot.
    pub misplaced: i64,
    /// Of the detected: reported with another severity class than expected.
    pub misgraded: i64,
    /// Of the detected: reported as corrected where the data may be wrong. They are no pass.
    pub dangerous: i64,
    /// Of the detected: with a report that names a slot, right or wrong.
    pub placed: i64,
    /// Of the detected: after the deadline.
    pub late: i64,
    /// How many of detected + missed have a probability of detection.
    pub rated: i64,
    /// The sum of these probabilities: divided by `rated`, the estimated detection rate.
    pub rated_sum: f64,
    /// The sum of p (1 - p) over them: the variance of the number detected, as far as it is from not knowing which report is whose.
    pub rated_variance: f64,
}

/// The latencies of a slot's detected shots.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct SlotCells {
    /// The slot's name.
    pub slot: Arc<str>,
    /// The least latency, nanoseconds, not rounded.
    pub least_ns: i64,
    /// The greatest latency, nanoseconds, not rounded.
    pub most_ns: i64,
    /// In order of their upper, then of their lower ends; none is empty.
    pub cells: Vec<Cell>,
}

/// How many latencies lie in one interval: see [`vocabulary::LatencyCell`] for how its ends are rounded outward.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize)]
pub struct Cell {
    /// The lower end, nanoseconds, rounded down.
    pub from_ns: i64,
    /// The upper end, nanoseconds, rounded up.
    pub to_ns: i64,
    /// How many shots.
    pub shots: i64,
    /// Of these, shots whose whole window was watched.
    pub watched: i64,
}

/// What became of the shots of a slot that forced one line.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct LineRow {
    /// The slot's name.
    pub slot: Arc<str>,
    /// The line's JEDEC name.
    pub line: String,
    /// All shots, open ones too.
    pub shots: i64,
    /// Detected.
    pub detected: i64,
    /// Missed.
    pub missed: i64,
    /// Not detected, and not everything was watched.
    pub unknowable: i64,
    /// Of the detected, shots whose whole window was watched.
    pub watched: i64,
}

impl Snapshot<'_> {
    /// What a verdict may count, one row for each slot of the run in order of its number; slots without shots too.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn watched_slots(&self) -> Result<Vec<WatchedRow>, QuestionError> {
        let sums = self.sums()?;
        let row = |(slot, facts): (&i64, &crate::snapshot::SlotFacts)| {
            let sums = sums.get(slot).copied().unwrap_or_default();
            WatchedRow {
                slot: facts.name.clone(),
                shots: sums.shots,
                detected: sums.watched,
                missed: sums.missed,
                left_out: sums.detected - sums.watched,
                unknowable: sums.unknowable,
                open: sums.open(),
                misplaced: sums.watched_misplaced,
                misgraded: sums.watched_misgraded,
                dangerous: sums.watched_dangerous,
                placed: sums.watched_placed,
                late: sums.watched_late,
                rated: sums.watched_rated,
                rated_sum: sums.watched_rated_ppb as f64 / 1e9,
                rated_variance: sums.watched_spread_ppb as f64 / 1e9,
            }
        };
        Ok(self.slots.iter().map(row).collect())
    }

    /// The latencies of each slot that has any, in order of the slots' numbers.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn latency_cells(&self) -> Result<Vec<SlotCells>, QuestionError> {
        let sums = self.sums()?;
        let mut slots = Vec::new();
        for (slot, cells) in self.cells()? {
            let extremes = sums.get(&slot).and_then(|sums| sums.latency);
            if let (Some(name), Some((least_ns, most_ns))) = (self.slot_name(Some(slot)), extremes) {
                slots.push(SlotCells { slot: name, least_ns, most_ns, cells });
            }
        }
        Ok(slots)
    }

    /// What became of the shots by slot and line, in order of the slots' numbers and of the lines' names; a shot with several
    /// lines counts for each of them.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn lines(&self) -> Result<Vec<LineRow>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT slot, line, shots, detected, missed, unknowable, watched FROM line_total WHERE run = ?1 ORDER BY slot, line",
        )?;
        let mut answer = ask.query([self.run])?;
        let mut rows = Vec::new();
        while let Some(found) = answer.next()? {
            let Some(slot) = self.slot_name(found.get(0)?) else { continue };
            rows.push(LineRow {
                slot,
                line: found.get(1)?,
                shots: found.get(2)?,
                detected: found.get(3)?,
                missed: found.get(4)?,
                unknowable: found.get(5)?,
                watched: found.get(6)?,
            });
        }
        Ok(rows)
    }

    /// The cells of each slot's latencies, in order of their upper, then of their lower ends: the order of the table's key.
    pub(crate) fn cells(&self) -> Result<BTreeMap<i64, Vec<Cell>>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT slot, to_ns, from_ns, shots, watched FROM latency_cell WHERE run = ?1 ORDER BY slot, to_ns, from_ns",
        )?;
        let mut answer = ask.query([self.run])?;
        let mut slots: BTreeMap<i64, Vec<Cell>> = BTreeMap::new();
        while let Some(found) = answer.next()? {
            let (to_ns, from_ns) = (found.get(1)?, found.get(2)?);
            let cell = Cell { from_ns, to_ns, shots: found.get(3)?, watched: found.get(4)? };
            slots.entry(found.get(0)?).or_default().push(cell);
        }
        Ok(slots)
    }
}
