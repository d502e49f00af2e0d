//! Typed access to the fields of a line, with refusals that name the field and what was found in it.
//!
//! A field that holds `null` is absent: many JSON writers say it so.

use crate::Reason;
use serde_json::{Map, Value};

/// The fields of one JSON object.
#[derive(Clone, Copy)]
pub(crate) struct Fields<'a> {
    map: &'a Map<String, Value>,
    /// The object's own name within the line with a dot behind it, or nothing for the line itself.
    within: &'static str,
}

impl<'a> Fields<'a> {
    pub(crate) fn new(map: &'a Map<String, Value>, within: &'static str) -> Fields<'a> {
        Fields { map, within }
    }

    pub(crate) fn get(self, field: &str) -> Option<&'a Value> {
        self.map.get(field).filter(|value| !value.is_null())
    }

    pub(crate) fn missing(self, field: &str, wanted: &str) -> Reason {
        Reason::Missing { field: format!("{}{field}", self.within), wanted: wanted.to_owned() }
    }

    pub(crate) fn wrong(self, field: &str, wanted: impl Into<String>, found: &Value) -> Reason {
        Reason::Wrong { field: format!("{}{field}", self.within), wanted: wanted.into(), found: told(found) }
    }

    /// A string, which may be empty.
    pub(crate) fn text(self, field: &str) -> Result<Option<&'a str>, Reason> {
        match self.get(field) {
            None => Ok(None),
            Some(Value::String(text)) => Ok(Some(text)),
            Some(other) => Err(self.wrong(field, "a string", other)),
        }
    }

    /// A string that must be there and say something.
    pub(crate) fn name(self, field: &str, wanted: &str) -> Result<&'a str, Reason> {
        match self.get(field) {
            None => Err(self.missing(field, wanted)),
            Some(Value::String(text)) if !text.trim().is_empty() => Ok(text),
            Some(other) => Err(self.wrong(field, wanted, other)),
        }
    }

    /// A whole number within limits, both included. `1000.0` and `1e3` are whole numbers too.
    pub(crate) fn integer(self, field: &str, least: i64, most: i64) -> Result<Option<i64>, Reason> {
        let Some(value) = self.get(field) else { return Ok(None) };
        match whole(value).filter(|n| (least..=most).contains(n)) {
            Some(n) => Ok(Some(n)),
            None if most == i64::MAX => Err(self.wrong(field, format!("an integer of {least} or more"), value)),
            None => Err(self.wrong(field, format!("an integer from {least} to {most}"), value)),
        }
    }

    /// A word out of a list.
    pub(crate) fn word<T>(
        self,
        field: &str,
        wanted: &str,
        parse: impl Fn(&str) -> Option<T>,
    ) -> Result<Option<T>, Reason> {
        let Some(value) = self.get(field) else { return Ok(None) };
        match value.as_str().and_then(parse) {
            Some(word) => Ok(Some(word)),
            None => Err(self.wrong(field, wanted, value)),
        }
    }
}

/// The whole number that a JSON number is, if it is one that 64 bits hold.
pub(crate) fn whole(value: &Value) -> Option<i64> {
    if let Some(n) = value.as_i64() {
        return Some(n);
    }
    // Beyond 2^53 a fraction could have been lost on the way here, so that the number would be a guess.
    let float = value.as_f64().filter(|_| !value.is_u64())?;
    #[expect(clippy::cast_possible_truncation, reason = "checked to be whole and within 2^53")]
    (float.fract() == 0.0 && float.abs() <= 9_007_199_254_740_992.0).then_some(float as i64)
}

/// A value as a refusal shows it: short, and clear about its type.
pub(crate) fn told(value: &Value) -> String {
    match value {
        Value::Null => "null".to_owned(),
        Value::Bool(b) => b.to_string(),
        Value::Number(n) => n.to_string(),
        Value::String(text) => format!("the text {:?}", shortened(text)),
        Value::Array(_) => "an array".to_owned(),
        Value::Object(_) => "an object".to_owned(),
    }
}

/// The beginning of a text; a refusal must not carry 64 KiB back over a serial line.
pub(crate) fn shortened(text: &str) -> String {
    const LONGEST: usize = 40;
    let mut short: String = text.chars().take(LONGEST).collect();
    if short.len() < text.len() {
        short.push('…');
    }
    short
}
