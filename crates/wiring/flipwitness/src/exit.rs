//! Exit statuses. They are those of BSD's `sysexits.h`, which leave 0 to 63 to what a command answers.

use daemon::ConfigError;
use questions::QuestionError;
use std::io::ErrorKind;
use store::StoreError;
use verdict::plan::PlanError;
use verdict::{CriteriaError, JudgeError};

/// What `preflight` answers: nothing is wrong.
pub(crate) const READY: u8 = 0;
/// What `preflight` answers: a run is possible, with warnings.
pub(crate) const READY_WITH_WARNINGS: u8 = 1;
/// What `preflight` answers: errors will not be reported.
pub(crate) const NOT_ABLE: u8 = 2;

/// The command line was wrong (`EX_USAGE`).
pub(crate) const USAGE: u8 = 64;
/// The question cannot be answered as asked: no such run, slot or cursor (`EX_DATAERR`).
pub(crate) const DATA: u8 = 65;
/// There is no database, or no run in it; or a file to read is not there (`EX_NOINPUT`).
pub(crate) const NO_INPUT: u8 = 66;
/// The database is damaged or belongs to another program (`EX_SOFTWARE`).
pub(crate) const DAMAGED: u8 = 70;
/// The database cannot be created there (`EX_CANTCREAT`).
pub(crate) const CANNOT_CREATE: u8 = 73;
/// Reading or writing failed: disk full, read-only, or worse (`EX_IOERR`).
pub(crate) const IO: u8 = 74;
/// Somebody else holds the database: try again later (`EX_TEMPFAIL`).
pub(crate) const LOCKED: u8 = 75;
/// The database is of another version of the program (`EX_PROTOCOL`).
pub(crate) const VERSION: u8 = 76;
/// The configuration is wrong (`EX_CONFIG`).
pub(crate) const CONFIG: u8 = 78;

/// Words on the command line that do not go together.
#[derive(Debug, thiserror::Error)]
#[error("{0}")]
pub(crate) struct WrongUsage(pub(crate) &'static str);

/// The status for an error.
pub(crate) fn status(error: &anyhow::Error) -> u8 {
    for cause in error.chain() {
        if let Some(error) = cause.downcast_ref::<StoreError>() {
            return of_store(error);
        }
        if let Some(error) = cause.downcast_ref::<QuestionError>() {
            return match error {
                QuestionError::NoRunYet => NO_INPUT,
                QuestionError::Database(_) => IO,
                QuestionError::Unfit(error) => of_judge(error),
                _ => DATA,
            };
        }
        if cause.is::<WrongUsage>() {
            return USAGE;
        }
        if let Some(error) = cause.downcast_ref::<PlanError>() {
            return of_plan(error);
        }
        if cause.is::<ConfigError>() || cause.is::<CriteriaError>() {
            return CONFIG;
        }
        if let Some(error) = cause.downcast_ref::<std::io::Error>() {
            return if error.kind() == ErrorKind::NotFound { NO_INPUT } else { IO };
        }
    }
    1
}

fn of_judge(error: &JudgeError) -> u8 {
    match error {
        JudgeError::UnknownSlot { .. } => DATA,
        JudgeError::Criteria(_) | JudgeError::LatencyBehindWindow { .. } => CONFIG,
        // Only a database that somebody else has changed holds such counts.
        JudgeError::SlotTwice(_) | JudgeError::Evidence { .. } => DAMAGED,
    }
}

fn of_plan(error: &PlanError) -> u8 {
    match error {
        PlanError::UnknownSlot(_) | PlanError::NoSlot => DATA,
        PlanError::Background => USAGE,
        PlanError::Criteria(_) | PlanError::OutOfReach(_) => CONFIG,
    }
}

fn of_store(error: &StoreError) -> u8 {
    match error {
        StoreError::NoDatabase { .. } => NO_INPUT,
        StoreError::NoDirectory { .. } => CANNOT_CREATE,
        StoreError::Locked { .. } => LOCKED,
        StoreError::Newer { .. } | StoreError::Older { .. } => VERSION,
        StoreError::NotOurs { .. } | StoreError::Damaged { .. } => DAMAGED,
        StoreError::OtherKind { .. } => DATA,
        _ => IO,
    }
}

/// Whoever read the output has had enough, which is no failure.
pub(crate) fn is_broken_pipe(error: &anyhow::Error) -> bool {
    error.chain().any(|cause| cause.downcast_ref::<std::io::Error>().is_some_and(|e| e.kind() == ErrorKind::BrokenPipe))
}
