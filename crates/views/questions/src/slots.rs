//! The question `slots`: what became of the shots at each slot.

use crate::chance::Chance;
use crate::{Latency, Listing, Page, QuestionError, SlotSupply, Snapshot};
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
    /// Of these, shots whose whole window was watched: one without a report would have been missed. The others flatter the rate, and
    /// a verdict leaves them out.
    pub watched: i64,
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
    /// Shots reported with a severity class that a working machine does not report there.
    pub misgraded: i64,
    /// Shots reported as corrected where the data may be wrong.
    pub dangerous: i64,
    /// Shots detected after the deadline.
    pub late: i64,
    /// Reports that blame this slot and that no shot explains.
    pub orphans: i64,
    /// Further reports explained by already detected shots at this slot, whatever slot they blame.
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
    /// The ECC code that the slot is taken to have; null where nobody knows.
    pub code: Option<Arc<str>>,
    /// The mean probability that a shot made an error that was read and reported; null where that is not known.
    pub seen_p: Option<f64>,
    /// What chance alone would have done.
    #[serde(flatten)]
    pub chance: Chance,
    /// How its supply rails kept to their limits.
    #[serde(flatten)]
    pub supply: SlotSupply,
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

impl Snapshot<'_> {
    /// All slots of the run in order of their numbers, those without shots too.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn slots(&self) -> Result<Vec<SlotRow>, QuestionError> {
        let sums = self.sums()?;
        let orphans = self.orphans_by_slot()?;
        let background = self.background()?;
        let cells = self.cells()?;
        let supplies = self.supplies()?;
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
                watched: sums.watched,
                missed: sums.missed,
                unknowable: sums.unknowable,
                open: sums.open(),
                shared: sums.shared,
                misplaced: sums.misplaced,
                misgraded: sums.misgraded,
                dangerous: sums.dangerous,
                late: sums.late,
                orphans,
                echoes: sums.echoes,
                latency_ns: cells
                    .get(slot)
                    .zip(sums.latency)
                    .and_then(|(cells, extremes)| Latency::of(cells, extremes)),
                latency_uncertainty_ns: sums.latency_width,
                detection_rate: sums.detection_rate(),
                detection_estimate: sums.detection_estimate(),
                doubt: sums.doubt(),
                code: facts.code.clone(),
                seen_p: sums.seen_p(),
                chance: background.chance(facts.controller, orphans, &sums),
                supply: supplies.get(slot).copied().unwrap_or_default(),
                blamed_on: Vec::new(),
            };
            rows.insert(*slot, row);
        }
        self.tell_blamed(&mut rows)?;
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

    fn tell_blamed(&self, rows: &mut BTreeMap<i64, SlotRow>) -> Result<(), QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT slot, blamed_slot, shots FROM blame_total WHERE run = ?1 ORDER BY slot, shots DESC, blamed_slot",
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

    pub(crate) fn orphans_by_slot(&self) -> Result<BTreeMap<i64, i64>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT slot, reports FROM report_total WHERE run = ?1 AND role = 'orphan' AND slot >= 0",
        )?;
        let counts = ask.query_map([self.run], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(counts.collect::<rusqlite::Result<_>>()?)
    }
}
