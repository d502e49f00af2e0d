//! The evidence of a run: fills the model of crate `evidence` from the database, one file for each part of the page.
//!
//! Only what is kept in sums is read, but for the time line: that takes one pass over the run's shots and one over its orphans. Every
//! list is bounded here, and says how many there are. Nothing is decided: outcomes are pairing's, intervals are formulas of crate
//! `statistics`, a verdict is crate `verdict`'s and comes as an argument. The date of the page is an argument too, so that the same
//! database gives the same page. The command line calls this.

mod calendar;
mod clocks;
mod latency;
mod lines;
mod machine;
mod method;
mod misses;
mod orphans;
mod rails;
mod recipes;
mod run;
mod slots;
mod time;
mod verdict;

use crate::summary::RunSummary;
use crate::{QuestionError, SlotRow, Snapshot};
use ::verdict::Judgement;
use calendar::Calendar;
use evidence::model::Paper;
use vocabulary::Wall;

/// What the page says beside what the database holds.
#[derive(Clone, Copy, Debug)]
pub struct PaperOrder<'a> {
    /// The database as the user named it: what the commands on the page say.
    pub database: &'a str,
    /// The version of the program that makes the page.
    pub version: &'a str,
    /// When the page is made.
    pub made: Wall,
    /// The verdict, where criteria were given.
    pub judged: Option<Judged<'a>>,
}

/// A verdict and the criteria that it was made by.
#[derive(Clone, Copy, Debug)]
pub struct Judged<'a> {
    /// The verdict.
    pub judgement: &'a Judgement,
    /// The file of the criteria as the user named it.
    pub from: &'a str,
    /// What stands in the file, word for word.
    pub text: &'a str,
}

/// What several parts of the page need.
struct Case<'a> {
    order: &'a PaperOrder<'a>,
    summary: RunSummary,
    slots: Vec<SlotRow>,
    calendar: Calendar,
    /// Confidence of intervals and bounds: that of the criteria, or the usual one.
    confidence: f64,
    window_ns: i64,
    deadline_ns: Option<i64>,
}

impl Case<'_> {
    /// The probability that an interval or a bound is wrong.
    fn alpha(&self) -> f64 {
        1.0 - self.confidence
    }
}

/// Without criteria, intervals and bounds have this confidence.
const USUAL_CONFIDENCE: f64 = 0.95;

/// The text with a capital letter at its beginning, as a sentence by itself has it.
fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| format!("{}{}", first.to_uppercase(), letters.as_str()))
}

impl Snapshot<'_> {
    /// Everything that the page of the run shows.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn paper(&self, order: &PaperOrder<'_>) -> Result<Paper, QuestionError> {
        let summary = self.run_summary()?;
        let setting = |key: &str| summary.settings.get(key).and_then(serde_json::Value::as_i64);
        let case = Case {
            order,
            slots: self.slots()?,
            calendar: Calendar::load(self)?,
            confidence: order.judged.map_or(USUAL_CONFIDENCE, |judged| judged.judgement.confidence),
            window_ns: setting("window_ns").unwrap_or(0),
            deadline_ns: setting("deadline_ns"),
            summary,
        };
        let rails = self.paper_rails(&case)?;
        let (time, seen) = self.paper_time(&case, &rails)?;
        let latency = self.paper_latency(&case)?;
        let misses = self.paper_misses(&case)?;
        let orphans = self.paper_orphans(&case)?;
        let lines = self.paper_lines()?;
        let clocks = self.paper_clocks()?;
        let method =
            self.paper_method(&case, &method::Used { latency: &latency, orphans: &orphans, seen, rails: &rails })?;
        let recipes = recipes::all(
            self,
            &case,
            &recipes::Shown { latency: &latency, time: &time, lines: &lines, clocks: &clocks, rails: &rails },
        );
        Ok(Paper {
            run: self.paper_run(&case)?,
            verdict: order.judged.map(|judged| verdict::told(&judged)).unwrap_or_default(),
            machine: self.paper_machine(&case)?,
            slots: self.paper_slots(&case)?,
            latency,
            time,
            lines,
            misses,
            orphans,
            clocks,
            rails: rails.shown,
            method,
            recipes,
        })
    }
}
