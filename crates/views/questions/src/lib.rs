//! The one place where questions to the database live.
//!
//! A [`Snapshot`] is one run as the database stood at one moment; each question is a method of it and answers in rows.
//! The rows are what the JSON is made from (they serialize with the documented keys) and what the tables for people are
//! made from ([`slots_table`] and its neighbours), so the command line, the endpoint and the printed report cannot
//! disagree. The crate only reads: it never writes to the database, never decides an outcome, and reads no clock.
//! The command line, crate `endpoint` and the daemon call it.

mod chance;
mod clock;
mod dates;
mod error;
mod filter;
mod gaps;
mod judgement;
mod kept;
mod paper;
mod quantile;
mod rails;
mod reports;
mod runs;
mod setup;
mod shots;
mod slots;
mod snapshot;
mod summary;
mod sums;
mod table;
mod text;
mod why;
mod words;

pub use chance::Chance;
pub use clock::{ClockRow, QueueNs};
pub use dossier::{Cause, Evidence, Strength};
pub use error::QuestionError;
pub use filter::{GapFilter, Listing, Page, ReportFilter, ShotFilter, Stamp};
pub use gaps::GapRow;
pub use kept::{Cell, LineRow, SlotCells, WatchedRow};
pub use paper::{Judged, PaperOrder};
pub use quantile::Latency;
pub use rails::{RailFilter, RailRow, SlotSupply};
pub use reports::ReportRow;
pub use runs::{RunRow, runs};
pub use shots::ShotRow;
pub use slots::{BlamedOn, Doubt, SlotRow};
pub use snapshot::{RunRef, Snapshot};
pub use summary::{BootLine, GapTotal, RemarkLine, RunSummary, Totals};
pub use table::{
    clock_table, gaps_table, orphans_table, plan_table, rails_table, reports_table, run_text, runs_table, shots_table,
    slots_table, verdict_table, why_table,
};
pub use text::printable;
pub use words::{OutcomeWord, RoleWord};
