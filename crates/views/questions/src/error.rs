//! Why a question has no answer.

use thiserror::Error;

/// Why a question has no answer.
#[derive(Debug, Error)]
pub enum QuestionError {
    /// The database holds no run at all.
    #[error("the database holds no run yet")]
    NoRunYet,
    /// No run has the name that was asked for.
    #[error("no run is named {asked:?}; the database has: {}", existing.join(", "))]
    UnknownRun {
        /// The name that was asked for.
        asked: String,
        /// The names of all runs, the newest first.
        existing: Vec<String>,
    },
    /// No slot of the run has the name that was asked for.
    #[error("no slot of the run is named {asked:?}; it has: {}", existing.join(", "))]
    UnknownSlot {
        /// The name that was asked for.
        asked: String,
        /// The names of all slots of the run.
        existing: Vec<String>,
    },
    /// The cursor is not one that an earlier answer gave.
    #[error("{0:?} is not a cursor that an earlier answer gave")]
    BadCursor(String),
    /// The criteria do not fit the run.
    #[error("criteria: {0}")]
    Unfit(#[from] verdict::JudgeError),
    /// SQLite could not answer: locked, damaged, or not a database of this program.
    #[error("the database could not be read: {0}")]
    Database(#[from] rusqlite::Error),
}

impl QuestionError {
    /// Whether the asker can mend it by asking otherwise, as opposed to a database that cannot be read.
    #[must_use]
    pub fn is_askers(&self) -> bool {
        !matches!(self, QuestionError::Database(_) | QuestionError::NoRunYet)
    }
}
