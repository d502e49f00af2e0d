//! What an engineer asks of a platform, how many shots that takes, and whether a run's counts show it.
//!
//! [`Criteria`] are read from a file or a table of the configuration. [`plan`](plan::plan) says from them how many injections,
//! at which spacing, for how long. [`judge`](judge::judge) holds the counts of a run against them: met, not met, or not enough
//! evidence, for each slot and criterion, with every number that led there. [`junit`](junit::junit) writes the same for a
//! pipeline.
//!
//! Values in, values out: nothing here reads a database, a clock or a file, and nothing decides what became of a shot. The crate
//! `questions` counts the [`Evidence`]; the command line, the endpoint and the printed report show the answers.

pub mod criteria;
pub mod evidence;
pub mod judge;
pub mod junit;
pub mod plan;
pub mod words;

mod chance;
mod cover;
mod detection;
mod doubt;
mod exact;
mod finding;
mod latency;
mod lines;
mod notes;
mod orphans;
mod reckoning;
mod sequential;
mod share;
mod spacing;
mod together;

pub use criteria::{Criteria, CriteriaError};
pub use evidence::{Evidence, LatencyCell, LineEvidence, Rated, RunState, Share, SlotEvidence};
pub use finding::{
    Ask, Bound, Criterion, Finding, Judgement, More, NotJudged, Number, Refused, SlotJudgement, Value, Verdict,
};
pub use judge::JudgeError;
