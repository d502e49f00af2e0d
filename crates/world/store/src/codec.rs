//! How values of the vocabulary look in a column: words, JSON arrays of positions, unsigned numbers kept as signed.

use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, Value, ValueRef};
use std::fmt::Write as _;
use std::sync::Arc;
use vocabulary::{Class, Layers, Outcome, Severity, Source};

/// A JSON array of layer positions, such as `[1,0]`.
pub(crate) struct Place(pub(crate) Layers);

impl ToSql for Place {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        let mut text = String::with_capacity(12);
        text.push('[');
        for (i, position) in self.0.trimmed().iter().enumerate() {
            let comma = if i == 0 { "" } else { "," };
            // Writing into a String cannot fail.
            let _ = write!(text, "{comma}{position}");
        }
        text.push(']');
        Ok(ToSqlOutput::Owned(Value::Text(text)))
    }
}

impl FromSql for Place {
    fn column_result(value: ValueRef<'_>) -> FromSqlResult<Place> {
        let positions: Vec<i16> = json(value.as_str()?)?;
        Ok(Place(Layers::from_slice(&positions)))
    }
}

/// A column that holds JSON made by this crate.
pub(crate) fn json<T: serde::de::DeserializeOwned>(text: &str) -> FromSqlResult<T> {
    serde_json::from_str(text).map_err(FromSqlError::other)
}

/// A value that became a word, and the word's way back.
pub(crate) struct Word<T>(pub(crate) T);

macro_rules! words {
    ($kind:ty, $all:expr, $word:expr) => {
        impl FromSql for Word<$kind> {
            fn column_result(value: ValueRef<'_>) -> FromSqlResult<Word<$kind>> {
                let text = value.as_str()?;
                let word: fn($kind) -> &'static str = $word;
                $all.into_iter().find(|v| word(*v) == text).map(Word).ok_or(FromSqlError::InvalidType)
            }
        }
    };
}

words!(Outcome, [Outcome::Detected, Outcome::Missed, Outcome::Unknowable], Outcome::word);
words!(
    Severity,
    [Severity::Corrected, Severity::Uncorrected, Severity::Deferred, Severity::Fatal, Severity::Info],
    Severity::word
);
words!(Source, [Source::McEvent, Source::MceRecord, Source::Counter], Source::word);
words!(Class, [Class::Corrected, Class::NotCorrected], class_word);

/// The word for a class of severities, as in the table `counter`.
pub(crate) fn class_word(class: Class) -> &'static str {
    match class {
        Class::Corrected => "corrected",
        Class::NotCorrected => "not corrected",
    }
}

/// An unsigned 64-bit number as the signed one with the same bits, since SQLite has no unsigned ones.
pub(crate) fn signed(n: Option<u64>) -> Option<i64> {
    n.map(u64::cast_signed)
}

/// The way back from [`signed`].
pub(crate) fn unsigned(n: Option<i64>) -> Option<u64> {
    n.map(i64::cast_unsigned)
}

/// Microseconds as nanoseconds, at most what a column holds.
pub(crate) fn micros_to_nanos(us: i64) -> i64 {
    us.saturating_mul(1_000)
}

/// A number of the feed as a column holds it: at most `i64::MAX`.
pub(crate) fn clamped(n: u64) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

/// A shared text as a column takes it.
pub(crate) fn text(t: &Option<Arc<str>>) -> Option<&str> {
    t.as_deref()
}
