//! One run as the database stood at one moment.

use crate::QuestionError;
use crate::dates::Dates;
use crate::filter::{Conditions, Stamp};
use rusqlite::{Connection, OptionalExtension, Transaction};
use std::collections::BTreeMap;
use std::sync::Arc;

/// Which run a question is about.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub enum RunRef {
    /// The run that began last.
    #[default]
    Newest,
    /// By its name.
    Name(String),
    /// By its number in the database.
    Number(i64),
}

impl From<Option<String>> for RunRef {
    /// As the command line has it: the name, if one was given.
    fn from(name: Option<String>) -> RunRef {
        name.map_or(RunRef::Newest, RunRef::Name)
    }
}

/// One run as the database stood at one moment: all answers of one snapshot agree with one another.
///
/// It holds a read transaction, which keeps SQLite from recycling its write-ahead log: keep it for an answer, not for a
/// session.
pub struct Snapshot<'c> {
    pub(crate) db: Transaction<'c>,
    pub(crate) run: i64,
    pub(crate) dates: Dates,
    pub(crate) boots: Vec<i64>,
    pub(crate) slots: BTreeMap<i64, SlotFacts>,
}

/// What the database says about a slot.
pub(crate) struct SlotFacts {
    pub(crate) name: Arc<str>,
    pub(crate) controller: Option<i64>,
    pub(crate) channel: Option<i64>,
    pub(crate) number: Option<i64>,
    pub(crate) place: Vec<i16>,
    pub(crate) code: Option<Arc<str>>,
}

impl<'c> Snapshot<'c> {
    /// The run as the database stands now.
    ///
    /// # Errors
    /// When there is no such run, or the database cannot be read.
    pub fn of(connection: &'c Connection, run: &RunRef) -> Result<Snapshot<'c>, QuestionError> {
        let db = connection.unchecked_transaction()?;
        let run = find(&db, run)?;
        let dates = Dates::load(&db, run)?;
        let boots = db
            .prepare_cached("SELECT boot FROM boot WHERE run = ?1 ORDER BY boot")?
            .query_map([run], |row| row.get(0))?
            .collect::<rusqlite::Result<_>>()?;
        let slots = load_slots(&db, run)?;
        Ok(Snapshot { db, run, dates, boots, slots })
    }

    /// The run's number in the database.
    #[must_use]
    pub fn run(&self) -> i64 {
        self.run
    }

    /// A slot's name.
    pub(crate) fn slot_name(&self, slot: Option<i64>) -> Option<Arc<str>> {
        slot.map(|s| self.slots.get(&s).map_or_else(|| format!("slot number {s}").into(), |facts| facts.name.clone()))
    }

    /// The number of the slot with that name.
    pub(crate) fn slot_named(&self, name: &str) -> Result<i64, QuestionError> {
        let found = self.slots.iter().find(|(_, facts)| *facts.name == *name).map(|(slot, _)| *slot);
        found.ok_or_else(|| QuestionError::UnknownSlot {
            asked: name.to_owned(),
            existing: self.slots.values().map(|facts| facts.name.to_string()).collect(),
        })
    }

    /// Adds the condition that a stamp lies in [since, until); `ends` and `begins` are the columns compared, which are the
    /// same one for a moment and the two ends for an interval.
    pub(crate) fn between(
        &self,
        to: &mut Conditions,
        boot: &str,
        (begins, ends): (&str, &str),
        since: Option<Stamp>,
        until: Option<Stamp>,
    ) {
        if since.is_none() && until.is_none() {
            return;
        }
        let stamp = |bound: Option<Stamp>, boot: i64, absent: i64| match bound {
            None => Some(absent),
            Some(Stamp::Mono(at)) => Some(at.0),
            Some(Stamp::Date(date)) => self.dates.stamp(boot, date),
        };
        let mut choices = Vec::new();
        let mut values = Vec::new();
        for number in &self.boots {
            if let (Some(from), Some(to)) = (stamp(since, *number, i64::MIN), stamp(until, *number, i64::MAX)) {
                choices.push(format!("({boot} = ? AND {ends} >= ? AND {begins} < ?)"));
                values.extend([*number, from, to]);
            }
        }
        if choices.is_empty() {
            choices.push("0".to_owned());
        }
        to.holds(&format!("({})", choices.join(" OR ")));
        for value in values {
            to.value(value);
        }
    }

    /// How long after the forcing a report is still the shot's, in this run; nothing where its settings do not say.
    pub(crate) fn window_ns(&self) -> Result<Option<i64>, QuestionError> {
        let mut ask = self.db.prepare_cached("SELECT json_extract(settings, '$.window_ns') FROM run WHERE run = ?1")?;
        Ok(ask.query_row([self.run], |row| row.get(0))?)
    }
}

fn find(db: &Connection, run: &RunRef) -> Result<i64, QuestionError> {
    let found = match run {
        // The number settles it when two runs began in the same nanosecond.
        RunRef::Newest => db
            .prepare_cached("SELECT run FROM run ORDER BY started_wall_ns DESC, run DESC LIMIT 1")?
            .query_row([], |row| row.get(0)),
        RunRef::Name(name) => {
            db.prepare_cached("SELECT run FROM run WHERE name = ?1")?.query_row([name], |row| row.get(0))
        }
        RunRef::Number(number) => {
            db.prepare_cached("SELECT run FROM run WHERE run = ?1")?.query_row([number], |row| row.get(0))
        }
    };
    if let Some(found) = found.optional()? {
        return Ok(found);
    }
    let existing: Vec<String> = db
        .prepare_cached("SELECT name FROM run ORDER BY started_wall_ns DESC, run DESC")?
        .query_map([], |row| row.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    match run {
        _ if existing.is_empty() => Err(QuestionError::NoRunYet),
        RunRef::Newest => Err(QuestionError::NoRunYet),
        RunRef::Name(asked) => Err(QuestionError::UnknownRun { asked: asked.clone(), existing }),
        RunRef::Number(number) => Err(QuestionError::UnknownRun { asked: format!("number {number}"), existing }),
    }
}

fn load_slots(db: &Connection, run: i64) -> Result<BTreeMap<i64, SlotFacts>, QuestionError> {
    let mut ask =
        db.prepare_cached("SELECT slot, name, controller, channel, number, place, code FROM slot WHERE run = ?1")?;
    let slots = ask.query_map([run], |row| {
        let facts = SlotFacts {
            name: row.get(1)?,
            controller: row.get(2)?,
            channel: row.get(3)?,
            number: row.get(4)?,
            place: json_column(row, 5)?,
            code: row.get(6)?,
        };
        Ok((row.get(0)?, facts))
    })?;
    Ok(slots.collect::<rusqlite::Result<_>>()?)
}

/// A column that holds JSON, or nothing.
pub(crate) fn optional_json_column<T: serde::de::DeserializeOwned>(
    row: &rusqlite::Row<'_>,
    index: usize,
) -> rusqlite::Result<Option<T>> {
    match row.get_ref(index)? {
        rusqlite::types::ValueRef::Null => Ok(None),
        _ => json_column(row, index).map(Some),
    }
}

/// A column that holds JSON.
pub(crate) fn json_column<T: serde::de::DeserializeOwned>(
    row: &rusqlite::Row<'_>,
    index: usize,
) -> rusqlite::Result<T> {
    let text = row.get_ref(index)?.as_str()?;
    serde_json::from_str(text)
        .map_err(|e| rusqlite::Error::FromSqlConversionFailure(index, rusqlite::types::Type::Text, Box::new(e)))
}
