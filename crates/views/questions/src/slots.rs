//! The question `slots`: what became of the shots at each slot.

use crate::{Latency, Listing, Page, QuestionError, Snapshot};
use rusqlite::params;
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
    /// detected / (detected + missed); null when that is 0 / 0.
    pub detection_rate: Option<f64>,
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

/// detected / (detected + missed), where there is anything to divide by.
pub(crate) fn detection_rate(detected: i64, missed: i64) -> Option<f64> {
    // Counts of shots are far below 2^53, from where on an f64 cannot hold every whole number.
    (detected + missed > 0).then(|| detected as f64 / (detected + missed) as f64)
}

/// The words by which SQLite finds the few notable shots through a partial index, if the database has one.
pub(crate) const NOTABLE: &str = "(outcome <> 'detected' OR misplaced + misgraded + late + shared > 0)";

impl Snapshot<'_> {
    /// All slots of the run in order of their numbers, those without shots too.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn slots(&self) -> Result<Vec<SlotRow>, QuestionError> {
        let mut rows: BTreeMap<i64, SlotRow> = self
            .slots
            .iter()
            .map(|(slot, facts)| {
                let row = SlotRow {
                    slot: facts.name.clone(),
                    controller: facts.controller,
                    channel: facts.channel,
                    number: facts.number,
                    place: facts.place.clone(),
                    shots: 0,
                    detected: 0,
                    missed: 0,
                    unknowable: 0,
                    open: 0,
                    shared: 0,
                    misplaced: 0,
                    misgraded: 0,
                    late: 0,
                    orphans: 0,
                    echoes: 0,
                    latency_ns: None,
                    detection_rate: None,
                    blamed_on: Vec::new(),
                };
                (*slot, row)
            })
            .collect();
        for (slot, row) in &mut rows {
            self.count_outcomes(*slot, row)?;
        }
        self.count_notable(&mut rows)?;
        self.count_reports(&mut rows)?;
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

    /// Counts the outcomes of a slot's shots, and takes the latencies of the detected ones.
    ///
    /// One outcome of one slot at a time only steps along the index; a GROUP BY over both takes four times as long.
    /// The latencies come in no order: an index that sorted them would make each settling of a shot write to a random page.
    fn count_outcomes(&self, slot: i64, row: &mut SlotRow) -> Result<(), QuestionError> {
        let mut ask =
            self.db.prepare_cached("SELECT count(*) FROM shot WHERE run = ?1 AND slot = ?2 AND outcome IS ?3")?;
        let mut count = |outcome: Option<&str>| ask.query_row(params![self.run, slot, outcome], |row| row.get(0));
        (row.missed, row.unknowable, row.open) = (count(Some("missed"))?, count(Some("unknowable"))?, count(None)?);
        let mut ask = self
            .db
            .prepare_cached("SELECT latency_ns FROM shot WHERE run = ?1 AND slot = ?2 AND outcome = 'detected'")?;
        let mut answer = ask.query([self.run, slot])?;
        let mut latencies: Vec<i64> = Vec::new();
        while let Some(found) = answer.next()? {
            row.detected += 1;
            latencies.extend(found.get::<_, Option<i64>>(0)?);
        }
        row.latency_ns = Latency::of(&mut latencies);
        row.shots = row.detected + row.missed + row.unknowable + row.open;
        row.detection_rate = detection_rate(row.detected, row.missed);
        Ok(())
    }

    /// The plus sign keeps SQLite from walking all shots in the order of their slots, only to save itself some sorting.
    fn count_notable(&self, rows: &mut BTreeMap<i64, SlotRow>) -> Result<(), QuestionError> {
        let mut ask = self.db.prepare_cached(&format!(
            "SELECT slot, blamed_slot, sum(misplaced), sum(misgraded), sum(late), sum(shared) FROM shot
             WHERE run = ?1 AND {NOTABLE} GROUP BY +slot, blamed_slot ORDER BY +slot, sum(misplaced) DESC, blamed_slot",
        ))?;
        let mut answer = ask.query([self.run])?;
        while let Some(found) = answer.next()? {
            let Some(row) = rows.get_mut(&found.get(0)?) else { continue };
            let misplaced: i64 = found.get(2)?;
            row.misplaced += misplaced;
            row.misgraded += found.get::<_, i64>(3)?;
            row.late += found.get::<_, i64>(4)?;
            row.shared += found.get::<_, i64>(5)?;
            if let (Some(slot), true) = (self.slot_name(found.get(1)?), misplaced > 0) {
                row.blamed_on.push(BlamedOn { slot, shots: misplaced });
            }
        }
        Ok(())
    }

    fn count_reports(&self, rows: &mut BTreeMap<i64, SlotRow>) -> Result<(), QuestionError> {
        let mut orphans = self
            .db
            .prepare_cached("SELECT slot, count(*) FROM report WHERE run = ?1 AND role = 'orphan' GROUP BY slot")?;
        let mut answer = orphans.query([self.run])?;
        while let Some(found) = answer.next()? {
            if let Some(row) = found.get::<_, Option<i64>>(0)?.and_then(|slot| rows.get_mut(&slot)) {
                row.orphans = found.get(1)?;
            }
        }
        // An echo belongs to the slot of the shot that explains it, whatever slot the echo itself blames.
        let mut echoes = self.db.prepare_cached(
            "SELECT i.slot, count(*) FROM report role
             CROSS JOIN report o ON o.run = role.run AND o.report = role.report
             CROSS JOIN injection i ON i.injection = o.injection
             WHERE role.run = ?1 AND role.role = 'echo' GROUP BY i.slot",
        )?;
        let mut answer = echoes.query([self.run])?;
        while let Some(found) = answer.next()? {
            if let Some(row) = rows.get_mut(&found.get(0)?) {
                row.echoes = found.get(1)?;
            }
        }
        Ok(())
    }
}
