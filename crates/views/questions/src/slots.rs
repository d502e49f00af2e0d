//! The question `slots`: what became of the shots at each slot.

use crate::chance::Chance;
use crate::{Latency, Listing, Page, QuestionError, Snapshot};
use rusqlite::Row;
use serde::Serialize;
use std::collections::BTreeMap;
use std::sync::Arc;

/// One slot of the run.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct SlotRow {
    /// The slot's name, unique in the run.
    pub slot: Arc<str>,
    /// The memory controller, where known.
    pub controller: Option<i64>,
    /// The channel, where the controller has channels.
    pub channel: Option<i64>,
    /// The slot's number within its channel, or the only number that there is.
    pub number: Option<i64>,
    /// Layer positions of the slot's first EDAC object, top layer first.
    pub place: Vec<i16>,
    /// Shots at this slot: detected + missed + unknowable + open.
    pub shots: i64,
    /// Shots with at least one report that fits.
    pub detected: i64,
    /// Shots whose window closed with none, while every source was watching.
    pub missed: i64,
    /// Shots whose window overlaps a gap.
    pub unknowable: i64,
    /// Shots that are not settled yet.
    pub open: i64,
    /// Shots that share their report with another shot.
    pub shared: i64,
    /// Shots that were blamed on another slot.
    pub misplaced: i64,
    /// Shots reported with another severity class than expected.
    pub misgraded: i64,
    /// Shots detected after the deadline.
    pub late: i64,
    /// Reports that blame this slot and that no shot explains.
    pub orphans: i64,
    /// Further reports explained by already detected shots at this slot.
    pub echoes: i64,
    /// Latencies of the detected shots; null when none has one.
    pub latency_ns: Option<Latency>,
    /// The widest interval of these latencies, nanoseconds: how exactly each of them is known at the worst.
    pub latency_uncertainty_ns: Option<i64>,
    /// detected / (detected + missed); null when that is 0 / 0.
    pub detection_rate: Option<f64>,
    /// The mean of the shots' probabilities of detection; null when no shot has one.
    pub detection_estimate: Option<f64>,
    /// How sure the answers about the shots are.
    #[serde(flatten)]
    pub doubt: Doubt,
    /// What chance alone would have done.
    #[serde(flatten)]
    pub chance: Chance,
    /// The slots that misplaced shots were blamed on, where the report names one, most shots first.
    pub blamed_on: Vec<BlamedOn>,
}

/// A slot that took the blame for another.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct BlamedOn {
    /// The slot that the reports name.
    pub slot: Arc<str>,
    /// How many shots.
    pub shots: i64,
}

/// How many shots have an answer that is not sure.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize)]
pub struct Doubt {
    /// Shots whose answer has a confidence below 0.9.
    pub unsure: i64,
    /// Of these, shots whose answer has a confidence below 0.5: more likely wrong than right.
    pub guessed: i64,
    /// unsure / (detected + missed); null when that is 0 / 0.
    pub unsure_share: Option<f64>,
}

/// part / whole, where there is anything to divide by.
pub(crate) fn share(part: i64, whole: i64) -> Option<f64> {
    // Counts of shots are far below 2^53, from where on an f64 cannot hold every whole number.
    (whole > 0).then(|| part as f64 / whole as f64)
}

/// The sums that the database keeps of a slot's shots, or of several slots'.
#[derive(Clone, Copy, Default)]
pub(crate) struct Sums {
    pub(crate) injections: i64,
    pub(crate) shots: i64,
    pub(crate) detected: i64,
    pub(crate) missed: i64,
    pub(crate) unknowable: i64,
    pub(crate) misplaced: i64,
    pub(crate) misgraded: i64,
    pub(crate) late: i64,
    pub(crate) shared: i64,
    rated: i64,
    rated_ppb: i64,
    unsure: i64,
    guessed: i64,
}

impl Sums {
    /// What a question selects, each in the place that [`Sums::read`] looks for it.
    pub(crate) const COLUMNS: &str = "shots, detected, missed, unknowable, misplaced, misgraded, late, shared, rated, \
        rated_ppb, unsure, guessed, injections";

    pub(crate) fn read(row: &Row<'_>) -> rusqlite::Result<Sums> {
        Ok(Sums {
            shots: row.get(0)?,
            detected: row.get(1)?,
            missed: row.get(2)?,
            unknowable: row.get(3)?,
            misplaced: row.get(4)?,
            misgraded: row.get(5)?,
            late: row.get(6)?,
            shared: row.get(7)?,
            rated: row.get(8)?,
            rated_ppb: row.get(9)?,
            unsure: row.get(10)?,
            guessed: row.get(11)?,
            injections: row.get(12)?,
        })
    }

    pub(crate) fn add(&mut self, other: &Sums) {
        self.injections += other.injections;
        self.shots += other.shots;
        self.detected += other.detected;
        self.missed += other.missed;
        self.unknowable += other.unknowable;
        self.misplaced += other.misplaced;
        self.misgraded += other.misgraded;
        self.late += other.late;
        self.shared += other.shared;
        self.rated += other.rated;
        self.rated_ppb += other.rated_ppb;
        self.unsure += other.unsure;
        self.guessed += other.guessed;
    }

    /// Shots that were detected or missed.
    pub(crate) fn judged(&self) -> i64 {
        self.detected + self.missed
    }

    /// Shots that are not settled yet.
    pub(crate) fn open(&self) -> i64 {
        self.shots - self.detected - self.missed - self.unknowable
    }

    pub(crate) fn detection_rate(&self) -> Option<f64> {
        share(self.detected, self.judged())
    }

    pub(crate) fn detection_estimate(&self) -> Option<f64> {
        (self.rated > 0).then(|| self.rated_ppb as f64 / 1e9 / self.rated as f64)
    }

    pub(crate) fn doubt(&self) -> Doubt {
        Doubt { unsure: self.unsure, guessed: self.guessed, unsure_share: share(self.unsure, self.judged()) }
    }
}

impl Snapshot<'_> {
    /// All slots of the run in order of their numbers, those without shots too.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn slots(&self) -> Result<Vec<SlotRow>, QuestionError> {
        let sums = self.sums()?;
        let orphans = self.orphans_by_slot()?;
        let widths = self.latency_widths()?;
        let background = self.background()?;
        let mut rows = BTreeMap::new();
        for (slot, facts) in &self.slots {
            let sums = sums.get(slot).copied().unwrap_or_default();
            let orphans = orphans.get(slot).copied().unwrap_or(0);
            let row = SlotRow {
                slot: facts.name.clone(),
                controller: facts.controller,
                channel: facts.channel,
                number: facts.number,
                place: facts.place.clone(),
                shots: sums.shots,
                detected: sums.detected,
                missed: sums.missed,
                unknowable: sums.unknowable,
                open: sums.open(),
                shared: sums.shared,
                misplaced: sums.misplaced,
                misgraded: sums.misgraded,
                late: sums.late,
                orphans,
                echoes: 0,
                latency_ns: if sums.detected > 0 { self.latency(*slot)? } else { None },
                latency_uncertainty_ns: widths.get(slot).copied(),
                detection_rate: sums.detection_rate(),
                detection_estimate: sums.detection_estimate(),
                doubt: sums.doubt(),
                chance: background.chance(facts.controller, orphans, &sums),
                blamed_on: Vec::new(),
            };
            rows.insert(*slot, row);
        }
        self.tell_blamed(&mut rows)?;
        self.count_echoes(&mut rows)?;
        Ok(rows.into_values().collect())
    }

    /// The slots a page at a time, or the one slot of a name.
    ///
    /// # Errors
    /// When there is no slot of that name, the cursor is not one of this question, or the database cannot be read.
    pub fn slots_page(&self, slot: Option<&str>, page: &Page) -> Result<Listing<SlotRow>, QuestionError> {
        let (after, _) = page.cursor()?;
        let wanted = slot.map(|name| self.slot_named(name)).transpose()?;
        let rows = self.slots.keys().zip(self.slots()?).filter(|(slot, _)| wanted.is_none_or(|w| w == **slot));
        // The cursor is the slot's number plus 1, since numbers begin at 0 and so does the cursor of the beginning.
        let rows = rows.map(|(slot, row)| (row, (*slot + 1, 0))).filter(|(_, (cursor, _))| *cursor > after);
        Ok(Listing::of(rows.collect(), page))
    }

    /// What the database keeps of each slot that has shots.
    pub(crate) fn sums(&self) -> Result<BTreeMap<i64, Sums>, QuestionError> {
        let mut ask =
            self.db.prepare_cached(&format!("SELECT {}, slot FROM slot_total WHERE run = ?1", Sums::COLUMNS))?;
        let sums = ask.query_map([self.run], |row| Ok((row.get(13)?, Sums::read(row)?)))?;
        Ok(sums.collect::<rusqlite::Result<_>>()?)
    }

    /// The latencies of a slot's detected shots come in no order: an index that sorted them would make each settling of a shot
    /// write to a random page.
    fn latency(&self, slot: i64) -> Result<Option<Latency>, QuestionError> {
        let mut ask = self
            .db
            .prepare_cached("SELECT latency_ns FROM shot WHERE run = ?1 AND slot = ?2 AND outcome = 'detected'")?;
        let mut answer = ask.query([self.run, slot])?;
        let mut latencies: Vec<i64> = Vec::new();
        while let Some(found) = answer.next()? {
            latencies.extend(found.get::<_, Option<i64>>(0)?);
        }
        Ok(Latency::of(&mut latencies))
    }

    fn tell_blamed(&self, rows: &mut BTreeMap<i64, SlotRow>) -> Result<(), QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT slot, blamed_slot, count(*) FROM shot WHERE run = ?1 AND misplaced > 0 AND blamed_slot IS NOT NULL
             GROUP BY slot, blamed_slot ORDER BY slot, count(*) DESC, blamed_slot",
        )?;
        let mut answer = ask.query([self.run])?;
        while let Some(found) = answer.next()? {
            let Some(row) = rows.get_mut(&found.get(0)?) else { continue };
            if let Some(slot) = self.slot_name(found.get(1)?) {
                row.blamed_on.push(BlamedOn { slot, shots: found.get(2)? });
            }
        }
        Ok(())
    }

    fn latency_widths(&self) -> Result<BTreeMap<i64, i64>, QuestionError> {
        let mut ask = self.db.prepare_cached("SELECT slot, width_ns FROM latency_width WHERE run = ?1")?;
        let widths = ask.query_map([self.run], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(widths.collect::<rusqlite::Result<_>>()?)
    }

    pub(crate) fn orphans_by_slot(&self) -> Result<BTreeMap<i64, i64>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT slot, reports FROM report_total WHERE run = ?1 AND role = 'orphan' AND slot >= 0",
        )?;
        let counts = ask.query_map([self.run], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(counts.collect::<rusqlite::Result<_>>()?)
    }

    /// An echo belongs to the slot of the shot that explains it, whatever slot the echo itself blames.
    fn count_echoes(&self, rows: &mut BTreeMap<i64, SlotRow>) -> Result<(), QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT i.slot, count(*) FROM report role
             CROSS JOIN report o ON o.run = role.run AND o.report = role.report
             CROSS JOIN injection i ON i.injection = o.injection
             WHERE role.run = ?1 AND role.role = 'echo' GROUP BY i.slot",
        )?;
        let mut answer = ask.query([self.run])?;
        while let Some(found) = answer.next()? {
            if let Some(row) = rows.get_mut(&found.get(0)?) {
                row.echoes = found.get(1)?;
            }
        }
        Ok(())
    }
}
