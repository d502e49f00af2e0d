//! What can be asked for: filters, pages, and the WHERE clauses they become.

use crate::{OutcomeWord, QuestionError, RoleWord};
use rusqlite::types::Value;
use serde::Serialize;
use vocabulary::{Mono, Severity, Wall};

/// A moment that bounds a question.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Stamp {
    /// On the monotonic clock; in a run of several boots it bounds each boot by that boot's own clock.
    Mono(Mono),
    /// A date; boots without a measured clock pair have none and are left out.
    Date(Wall),
}

/// Which shots. Everything that is set must hold.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct ShotFilter {
    /// The name of the slot that was injected.
    pub slot: Option<String>,
    /// The outcome.
    pub outcome: Option<OutcomeWord>,
    /// The injector's name.
    pub injector: Option<String>,
    /// Fired at or after.
    pub since: Option<Stamp>,
    /// Fired before.
    pub until: Option<Stamp>,
    /// Blamed on another slot, or not.
    pub misplaced: Option<bool>,
    /// With a severity that a working machine does not report there, or not.
    pub misgraded: Option<bool>,
    /// Reported as corrected where the data may be wrong, or not.
    pub dangerous: Option<bool>,
    /// After the deadline, or not.
    pub late: Option<bool>,
    /// Sharing its report with another shot, or not.
    pub shared: Option<bool>,
}

/// Which reports. Everything that is set must hold.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct ReportFilter {
    /// The name of the slot that the report blames.
    pub slot: Option<String>,
    /// What it turned out to be.
    pub role: Option<RoleWord>,
    /// How bad.
    pub severity: Option<Severity>,
    /// Seen at or after.
    pub since: Option<Stamp>,
    /// Seen before.
    pub until: Option<Stamp>,
}

/// Which gaps. Everything that is set must hold.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct GapFilter {
    /// The source that was blind.
    pub source: Option<String>,
    /// Not over before.
    pub since: Option<Stamp>,
    /// Begun before.
    pub until: Option<Stamp>,
}

/// Which part of a long answer.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Page {
    /// At most so many rows.
    pub limit: usize,
    /// Begin behind this cursor of an earlier answer.
    pub after: Option<String>,
}

impl Page {
    /// The first rows, at most `limit`.
    #[must_use]
    pub fn first(limit: usize) -> Page {
        Page { limit, after: None }
    }

    /// The cursor's two numbers; zeros for the beginning.
    pub(crate) fn cursor(&self) -> Result<(i64, i64), QuestionError> {
        let Some(text) = &self.after else { return Ok((0, 0)) };
        let number = |part: &str| part.bytes().all(|b| b.is_ascii_digit()).then(|| part.parse::<i64>().ok()).flatten();
        text.split_once('.')
            .and_then(|(a, b)| Some((number(a)?, number(b)?)))
            .ok_or_else(|| QuestionError::BadCursor(text.clone()))
    }

    /// One row more than asked for tells whether more follow.
    pub(crate) fn one_more(&self) -> i64 {
        i64::try_from(self.limit).unwrap_or(i64::MAX).saturating_add(1)
    }
}

/// Part of a long answer.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct Listing<T> {
    /// The rows.
    pub items: Vec<T>,
    /// The cursor to go on with; null when no more rows follow.
    pub next: Option<String>,
    /// Where this answer ended, also when no more rows follow: asked again with it, the question answers what came since.
    pub last: Option<String>,
}

impl<T> Listing<T> {
    /// From rows with their cursors, of which one more than `page.limit` may have been read.
    pub(crate) fn of(mut rows: Vec<(T, (i64, i64))>, page: &Page) -> Listing<T> {
        let more = rows.len() > page.limit;
        rows.truncate(page.limit);
        let last = rows.last().map(|(_, (a, b))| format!("{a}.{b}")).or_else(|| page.after.clone());
        Listing {
            items: rows.into_iter().map(|(row, _)| row).collect(),
            next: if more { last.clone() } else { None },
            last,
        }
    }
}

/// A WHERE clause in the making: conditions that must all hold, and the values of their question marks in order.
pub(crate) struct Conditions {
    sql: String,
    values: Vec<Value>,
}

impl Conditions {
    pub(crate) fn new(condition: &str, value: impl Into<Value>) -> Conditions {
        Conditions { sql: condition.to_owned(), values: vec![value.into()] }
    }

    /// A condition without a value.
    pub(crate) fn holds(&mut self, condition: &str) {
        self.sql.push_str(" AND ");
        self.sql.push_str(condition);
    }

    /// A condition with one question mark.
    pub(crate) fn with(&mut self, condition: &str, value: impl Into<Value>) {
        self.holds(condition);
        self.values.push(value.into());
    }

    /// A value for a further question mark of the last condition, or for one behind the WHERE clause.
    pub(crate) fn value(&mut self, value: impl Into<Value>) {
        self.values.push(value.into());
    }

    pub(crate) fn sql(&self) -> &str {
        &self.sql
    }

    pub(crate) fn into_values(self) -> Vec<Value> {
        self.values
    }
}
