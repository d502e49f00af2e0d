//! What an earlier run says of the machine, for the plan of the next one.
//!
//! Its slots with their places, how the kernel was set to find corrected errors, the window, the spacing that pairing found enough, and
//! the background. What cannot be known (which slots share a bank, how many the injector reaches at once) is left to whoever asks.
//! `plan` of the command line calls this.

use crate::snapshot::json_column;
use crate::{QuestionError, Snapshot};
use rusqlite::OptionalExtension;
use verdict::plan::{Banks, PlanSlot, Setup, Way};
use vocabulary::MachineSettings;

impl Snapshot<'_> {
    /// The machine as this run knew it.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn setup(&self) -> Result<Setup, QuestionError> {
        let small = |n: Option<i64>| n.and_then(|n| u16::try_from(n).ok());
        let slots = self.slots.values().map(|facts| PlanSlot {
            name: facts.name.to_string(),
            controller: small(facts.controller),
            channel: small(facts.channel),
        });
        // In milliseconds, rounded up, so that what is advised is enough.
        let ms = |ns: i64| u64::try_from(ns).ok().map(|ns| ns.div_ceil(1_000_000));
        let orphans = self.slots()?.iter().filter_map(|slot| slot.chance.orphans_per_hour).fold(0.0, f64::max);
        Ok(Setup {
            slots: slots.collect(),
            way: self.newest_settings()?.map_or(Way::Interrupt, |settings| Way::of(&settings)),
            banks: Banks::default(),
            at_once: None,
            window_ms: self.window_ns()?.and_then(ms),
            advised_ms: self.enough_spacing_ns()?.and_then(ms),
            // Every slot is to pass, the noisiest one too.
            orphans_per_hour: orphans,
        })
    }

    fn newest_settings(&self) -> Result<Option<MachineSettings>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT settings FROM machine_setting JOIN boot USING (boot) WHERE run = ?1 ORDER BY boot DESC, at_ns DESC LIMIT 1",
        )?;
        Ok(ask.query_row([self.run], |row| json_column(row, 0)).optional()?)
    }
}
