//! The question `verdict`: what a run's counts are, as crate `verdict` takes them, and what they say about criteria.
//!
//! Everything is read from the sums that the database keeps of each slot, never shot by shot: a million shots are judged in
//! milliseconds. What is met and what is not is decided in `verdict`; here is only counting. The command line and the endpoint
//! call it, and say what time it is: nothing here reads a clock.

use crate::sums::count;
use crate::{QuestionError, Snapshot, WatchedRow};
use rusqlite::OptionalExtension;
use std::collections::BTreeMap;
use std::sync::Arc;
use verdict::{Criteria, Evidence, Judgement, LatencyCell, LineEvidence, Rated, RunState, Share, SlotEvidence};
use vocabulary::Wall;

/// A daemon says several times a second up to when it has watched. A run that is this far behind is no longer watched by anybody; so
/// is one that is this far ahead, as of a recording whose dates are not today's.
const STALE_NS: u64 = 60_000_000_000;

impl Snapshot<'_> {
    /// What the run's counts say about the criteria, at the moment `now`.
    ///
    /// # Errors
    /// When the criteria do not fit the run, such as by a slot that it does not have, or the database cannot be read.
    pub fn verdict(&self, criteria: &Criteria, now: Wall) -> Result<Judgement, QuestionError> {
        Ok(verdict::judge::judge(criteria, &self.evidence(now)?)?)
    }

    /// The run's counts. `now` tells a run that goes on from one that was cut off.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn evidence(&self, now: Wall) -> Result<Evidence, QuestionError> {
        let (orphans, background) = (self.orphans_by_slot()?, self.background()?);
        let mut cells = self.cells()?;
        let mut lines = self.line_evidence()?;
        let slots = self.slots.iter().zip(self.watched_slots()?).map(|((slot, facts), row)| {
            let latencies = cells.remove(slot).unwrap_or_default().into_iter().filter(|cell| cell.watched > 0);
            SlotEvidence {
                name: facts.name.to_string(),
                shots: count(row.shots),
                detected: count(row.detected.saturating_add(row.left_out)),
                missed: count(row.missed),
                unknowable: count(row.unknowable),
                open: count(row.open),
                detected_watched: count(row.detected),
                rated: rated(&row),
                misplaced: share(row.misplaced, row.placed),
                misgraded: share(row.misgraded, row.detected),
                // Where nobody knows the code, nobody knows which corrections are miscorrections.
                dangerous: share(row.dangerous, if facts.code.is_some() { row.detected } else { 0 }),
                late: count(row.late),
                orphans: count(orphans.get(slot).copied().unwrap_or(0)),
                watched_ns: count(background.slot_watched_ns(facts.controller)),
                latencies: latencies
                    .map(|cell| LatencyCell { from_ns: cell.from_ns, to_ns: cell.to_ns, shots: count(cell.watched) })
                    .collect(),
                lines: lines.remove(&facts.name).unwrap_or_default(),
            }
        });
        Ok(Evidence {
            run: self.run_name()?,
            state: self.state(now)?,
            window_ns: self.window_ns()?.and_then(|ns| u64::try_from(ns).ok()),
            slots: slots.collect(),
        })
    }

    fn line_evidence(&self) -> Result<BTreeMap<Arc<str>, Vec<LineEvidence>>, QuestionError> {
        let mut lines: BTreeMap<_, Vec<LineEvidence>> = BTreeMap::new();
        for row in self.lines()?.into_iter().filter(|row| row.watched + row.missed > 0) {
            let told = LineEvidence {
                line: row.line,
                shots: count(row.watched.saturating_add(row.missed)),
                detected: count(row.watched),
            };
            lines.entry(row.slot).or_default().push(told);
        }
        Ok(lines)
    }

    fn run_name(&self) -> Result<String, QuestionError> {
        let mut ask = self.db.prepare_cached("SELECT name FROM run WHERE run = ?1")?;
        Ok(ask.query_row([self.run], |row| row.get(0))?)
    }

    fn state(&self, now: Wall) -> Result<RunState, QuestionError> {
        let mut ask = self.db.prepare_cached("SELECT ended_wall_ns IS NOT NULL FROM run WHERE run = ?1")?;
        if ask.query_row([self.run], |row| row.get(0))? {
            return Ok(RunState::Ended);
        }
        let mut ask =
            self.db.prepare_cached("SELECT boot, watched_ns FROM boot WHERE run = ?1 ORDER BY boot DESC LIMIT 1")?;
        let last: Option<(i64, i64)> = ask.query_row([self.run], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
        let until = last.and_then(|(boot, watched_ns)| self.dates.wall(boot, watched_ns));
        let is_fresh = until.is_some_and(|until| until.0.abs_diff(now.0) <= STALE_NS);
        Ok(if is_fresh { RunState::Running } else { RunState::CutOff })
    }
}

/// A part is never more than the whole: what has happened was known.
fn share(part: i64, known: i64) -> Share {
    Share { count: count(part), of: count(known.max(part)) }
}

/// Nothing where pairing has no probability for some of the shots that count: then they are taken as they are counted.
fn rated(row: &WatchedRow) -> Option<Rated> {
    let all = row.rated > 0 && row.rated == row.detected.saturating_add(row.missed);
    all.then_some(Rated { detected: row.rated_sum, variance: row.rated_variance })
}
