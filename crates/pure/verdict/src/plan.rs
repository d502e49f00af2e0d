//! How many shots the criteria need, how far apart, for how long, and with what chance a good machine passes.
//!
//! The counts are those that `judge` will ask for: the exact binomial test at the level of one of so many slots, with the
//! allowance for unprovoked reports that the verdict will make for a run of that length. So they can be one or two above the
//! success-run formula ⌈ln(1 − C) / ln R⌉. What is assumed about the machine is in the [`Setup`], and said in the plan. The
//! command `plan` calls this.

use crate::criteria::{Criteria, Fault, Method};
use crate::finding::Criterion;
use crate::reckoning::Reckoning;
pub use crate::spacing::{Banks, CALM_MS, CHECK_INTERVAL_S, EDAC_POLL_MS, STORM_END_POLLS, Way, storm_begins_at};
use crate::words::count;
use crate::{lines, notes};
use serde::Serialize;
use std::cmp::Reverse;
use thiserror::Error;

/// A slot that will be shot at.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct PlanSlot {
    /// Its name.
    pub name: String,
    /// Its memory controller, where known.
    pub controller: Option<u16>,
    /// Its channel, where known.
    pub channel: Option<u16>,
}

/// What is known or assumed of the machine and the run to come.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Setup {
    /// The machine's slots.
    pub slots: Vec<PlanSlot>,
    /// How corrected errors are found.
    pub way: Way,
    /// Which slots share a bank.
    pub banks: Banks,
    /// How many slots the injector can shoot at in turn without being moved; all without it.
    pub at_once: Option<u32>,
    /// For how long after a shot a report is still the shot's, in milliseconds; without it no allowance is made for unprovoked
    /// reports.
    pub window_ms: Option<u64>,
    /// What pairing said in an earlier run was far enough between two shots at one slot, in milliseconds.
    pub advised_ms: Option<u64>,
    /// Unprovoked reports that each slot is expected to send, an hour.
    pub orphans_per_hour: f64,
}

/// Why there is no plan.
#[derive(Clone, PartialEq, Eq, Debug, Error)]
pub enum PlanError {
    /// The criteria contradict themselves.
    #[error("criteria: {0}")]
    Criteria(#[from] Fault),
    /// There is no slot to shoot at.
    #[error("there is no slot to plan for")]
    NoSlot,
    /// The criteria name a slot that the machine does not have.
    #[error("cover.slots: the machine has no slot {0:?}")]
    UnknownSlot(String),
    /// The background is no rate.
    #[error("orphans_per_hour: must be 0 or more, and finite")]
    Background,
    /// More shots than anybody fires.
    #[error("{0}: no number of shots within reach would show it")]
    OutOfReach(&'static str),
}

/// A plan.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Plan {
    /// What it takes, in one sentence.
    pub sentence: String,
    /// The slots that are shot at.
    pub slots: Vec<String>,
    /// Shots at each slot.
    pub shots_per_slot: u64,
    /// Shots at all slots.
    pub shots: u64,
    /// How long it takes, hours.
    pub hours: f64,
    /// The criterion that needs the most shots.
    pub decided_by: Criterion,
    /// The confidence of the statement about each slot.
    pub confidence_per_slot: f64,
    /// For detection with a fixed number of shots: one row for each number of allowed misses.
    pub rows: Vec<Row>,
    /// For detection by the sequential test.
    pub sequential: Option<InSequence>,
    /// What each criterion needs.
    pub needs: Vec<Need>,
    /// The banks and their slots: the slots of a bank in turn, all banks side by side.
    pub banks: Vec<Bank>,
    /// Why the shots must be so far apart.
    pub spacing_reason: String,
    /// Which lines to force in turn; nothing where the criteria name none.
    pub lines: Option<LinePlan>,
    /// What the plan assumes, and what to look at before starting.
    pub notes: Vec<String>,
    /// What is known or assumed of the machine.
    pub setup: Setup,
}

/// A test of a fixed size.
#[derive(Clone, Copy, PartialEq, Debug, Serialize)]
pub struct Row {
    /// How many misses each slot may have.
    pub allowed_misses: u64,
    /// Shots at each slot.
    pub shots_per_slot: u64,
    /// Shots at all slots.
    pub shots: u64,
    /// How long it takes, hours.
    pub hours: f64,
    /// The chance that a slot as good as `detection.good` passes, of 1; nothing where the criteria do not say what is good.
    pub slot_passes_if_good: Option<f64>,
    /// The chance that all slots pass if each is as good as that, of 1.
    pub passes_if_good: Option<f64>,
    /// The chance that a slot just at `detection.at_least` does not pass, of 1.
    pub slot_fails_at_limit: f64,
    /// Whether this is the one to take.
    pub recommended: bool,
}

/// What Wald's test takes at each slot.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct InSequence {
    /// After how many shots it accepts, by misses: the first entry is without a miss.
    pub accepts_after: Vec<u64>,
    /// How many shots it takes on average at a slot as good as `detection.good`; nothing where that would take too long to
    /// calculate.
    pub shots_if_good: Option<f64>,
    /// The same at a slot just at `detection.at_least`.
    pub shots_at_limit: Option<f64>,
    /// The chance that it accepts a slot as good as `detection.good`, of 1.
    pub accepts_if_good: Option<f64>,
    /// The chance that it accepts a slot just at `detection.at_least`, of 1.
    pub accepts_at_limit: Option<f64>,
}

/// What a criterion needs.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Need {
    /// Which.
    pub criterion: Criterion,
    /// Shots at each slot; nothing where it is not shots that count.
    pub shots_per_slot: Option<u64>,
    /// Watched hours; nothing where it is not time that counts.
    pub hours: Option<f64>,
    /// The same in words.
    pub text: String,
}

/// Slots that share a bank.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Bank {
    /// Its place, such as `mc0 channel 1`.
    pub name: String,
    /// Its slots, to be shot at in turn.
    pub slots: Vec<String>,
    /// From one shot at the bank to the next, milliseconds.
    pub spacing_ms: u64,
    /// How long its shots take, hours.
    pub hours: f64,
}

/// Lines to force in turn.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct LinePlan {
    /// The lines, as ranges.
    pub lines: String,
    /// How many.
    pub count: u64,
    /// How many shots at each slot force each of them, if they are forced one after another, over and over.
    pub shots_per_line: u64,
    /// The same in words.
    pub text: String,
}

/// A plan for these criteria on this machine.
///
/// # Errors
/// When the criteria contradict themselves or do not fit the machine, or nothing within reach is enough.
pub fn plan(criteria: &Criteria, setup: &Setup) -> Result<Plan, PlanError> {
    criteria.check()?;
    if !(setup.orphans_per_hour.is_finite() && setup.orphans_per_hour >= 0.0) {
        return Err(PlanError::Background);
    }
    let reckoning = Reckoning::of(criteria, setup)?;
    let mut needs = Vec::new();
    let (mut rows, mut in_sequence, mut misses) = (Vec::new(), None, 0);
    if let Some(asked) = &criteria.detection {
        match criteria.method {
            Method::Fixed => {
                rows = reckoning.rows(asked)?;
                let row = rows.iter().find(|row| row.recommended).or(rows.first());
                let row = row.ok_or(PlanError::OutOfReach("detection"))?;
                misses = row.allowed_misses;
                let text = format!("{}, of which {misses} may be missed", count(row.shots_per_slot, "shot", "shots"));
                needs.push(Need {
                    criterion: Criterion::Detection,
                    shots_per_slot: Some(row.shots_per_slot),
                    hours: None,
                    text,
                });
            }
            Method::Sequential => {
                let (told, shots) = reckoning.in_sequence(asked)?;
                let text = format!("some {}, until the sequential test has decided", count(shots, "shot", "shots"));
                needs.push(Need { criterion: Criterion::Detection, shots_per_slot: Some(shots), hours: None, text });
                in_sequence = Some(told);
            }
        }
    }
    needs.extend(reckoning.other_needs(criteria, misses)?);

    let most = needs.iter().filter_map(|need| Some((need.shots_per_slot?, need.criterion)));
    // Of equals the first: it is listed first.
    let most = most.max_by_key(|(shots, criterion)| (*shots, Reverse(*criterion)));
    let (shots_per_slot, by_shots) = most.unwrap_or((0, Criterion::Orphans));
    let watched = needs.iter().filter_map(|need| need.hours).fold(0.0, f64::max);
    let shooting = reckoning.hours(shots_per_slot);
    let (hours, decided_by) = if watched > shooting { (watched, Criterion::Orphans) } else { (shooting, by_shots) };
    let shots = shots_per_slot.saturating_mul(reckoning.slots.len() as u64);
    let banks = reckoning.bank_plans(shots_per_slot);
    let all_lines = criteria.lines();
    let lines = (!all_lines.is_empty()).then(|| line_plan(&all_lines, shots_per_slot));
    let sentence = format!(
        "{} at each of {}, {} in all: {}.",
        count(shots_per_slot, "shot", "shots"),
        count(reckoning.slots.len() as u64, "slot", "slots"),
        shots,
        duration(hours)
    );
    Ok(Plan {
        sentence,
        slots: reckoning.slots.iter().map(|slot| slot.name.clone()).collect(),
        shots_per_slot,
        shots,
        hours,
        decided_by,
        confidence_per_slot: 1.0 - reckoning.alpha,
        notes: notes::notes(criteria, setup, &rows),
        rows,
        sequential: in_sequence,
        needs,
        banks,
        spacing_reason: notes::spacing_reason(setup),
        lines,
        setup: setup.clone(),
    })
}

/// All lines in turn, over and over.
fn line_plan(all: &[String], shots_per_slot: u64) -> LinePlan {
    let (count, ranges) = (all.len() as u64, lines::compress(all));
    let shots_per_line = shots_per_slot / count.max(1);
    let text = format!(
        "at each slot force {ranges} one after another, a line a shot, and begin again: each of the {count} lines is \
         forced at least {}",
        if shots_per_line == 1 { "once".to_owned() } else { format!("{shots_per_line} times") }
    );
    LinePlan { lines: ranges, count, shots_per_line, text }
}

/// Hours as people say them.
fn duration(hours: f64) -> String {
    match hours {
        h if h < 2.0 => format!("{:.1} minutes", h * 60.0),
        h if h < 48.0 => format!("{h:.1} hours"),
        h => format!("{:.1} days", h / 24.0),
    }
}

#[cfg(test)]
#[path = "plan_tests.rs"]
mod tests;
