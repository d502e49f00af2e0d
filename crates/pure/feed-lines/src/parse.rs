//! Reads one line of a feed: JSON in, a [`FeedLine`] or a reason out.
//!
//! Fields that the protocol does not know are not looked at and not refused, since whoever stores the line stores it as it
//! came. Must not resolve slots or times: that needs the machine. Callers are the feed receiver and the replay.

use crate::fields::{Fields, shortened, told, whole};
use crate::{FeedLine, LineError, Parsed, Reason, Stamp, Unit, canonical_signal};
use serde_json::{Map, Value};
use vocabulary::{At, Force, Injection, Mono, Severity};

/// The most shots that one injection may have.
pub const MAX_SHOTS: u32 = 100_000;

/// The longest `hold_us` and `spacing_us`: one day. Sums over all shots of an injection then fit in 64 bits of nanoseconds.
pub const MAX_DURATION_US: u64 = 86_400_000_000;

const TYPE_WANTED: &str = "one of hello, injection, tick, rail, pong, bye";
const UNIT_WANTED: &str = "one of \"ns\", \"us\", \"ms\", \"s\"";
const SLOT_WANTED: &str = "a slot's label, or an object such as {\"controller\":0,\"channel\":1,\"slot\":0}";
const ID_WANTED: &str = "a string that is not empty, or an integer";
const TIME_WANTED: &str = "an integer of 0 or more (the injector's ticks) or an RFC 3339 date and time";
const LINES_WANTED: &str = "an array of JEDEC line names";

/// Reads one line of JSON, without its line end.
///
/// # Errors
///
/// What is wrong, in words for the injector, and the line's `id` where it could be read.
pub fn parse(line: &str) -> Result<Parsed, LineError> {
    match serde_json::from_str(line) {
        Ok(Value::Object(map)) => parse_object(&map),
        Ok(other) => Err(Reason::NotAnObject(told(&other)).into()),
        Err(error) => Err(Reason::NotJson(json_reason(&error)).into()),
    }
}

/// Reads the fields of one line, however they were written down.
pub(crate) fn parse_object(map: &Map<String, Value>) -> Result<Parsed, LineError> {
    let fields = Fields::new(map, "");
    read(fields).map_err(|why| LineError { why, id: id(fields).ok() })
}

fn read(fields: Fields<'_>) -> Result<Parsed, Reason> {
    let line = match fields.name("type", TYPE_WANTED)? {
        "injection" => FeedLine::Injection(injection(fields)?),
        "tick" => FeedLine::Tick { t: ticks(fields, "t")?.ok_or_else(|| fields.missing("t", "the injector's ticks"))? },
        "rail" => rail(fields)?,
        "hello" => FeedLine::Hello {
            who: fields.name("who", "the injector's name, a string that is not empty")?.to_owned(),
            unit: fields.word("unit", UNIT_WANTED, Unit::parse)?.unwrap_or_default(),
        },
        "pong" => {
            let t = ticks(fields, "t")?.ok_or_else(|| fields.missing("t", "the injector's ticks"))?;
            let n = fields.integer("n", 0, i64::MAX)?.ok_or_else(|| fields.missing("n", "the number of the ping"))?;
            FeedLine::Pong { n: n.unsigned_abs(), received: ticks(fields, "received")?.unwrap_or(t), t }
        }
        "bye" => FeedLine::Bye { why: fields.text("why")?.map(str::to_owned) },
        other => return Err(Reason::UnknownType(shortened(other))),
    };
    let hello = matches!(line, FeedLine::Hello { .. });
    Ok(Parsed {
        t_ns: fields.integer("t_ns", 0, i64::MAX)?.map(Mono),
        sent_ns: fields.integer("sent_ns", 0, i64::MAX)?.map(Mono),
        feed: fields.text("feed")?.map(str::to_owned),
        who: if hello { None } else { fields.text("who")?.map(str::to_owned) },
        unit: if hello { None } else { fields.word("unit", UNIT_WANTED, Unit::parse)? },
        line,
    })
}

fn injection(fields: Fields<'_>) -> Result<Injection, Reason> {
    let shots = fields.integer("shots", 1, i64::from(MAX_SHOTS))?.and_then(|n| u32::try_from(n).ok()).unwrap_or(1);
    let spacing_us = duration(fields, "spacing_us", if shots > 1 { 1 } else { 0 })?;
    if shots > 1 && spacing_us.is_none() {
        return Err(Reason::NoSpacing);
    }
    Ok(Injection {
        id: id(fields)?,
        t: time(fields)?,
        at: slot(fields, "at")?.ok_or_else(|| fields.missing("at", SLOT_WANTED))?,
        lines: signals(fields)?,
        hold_us: duration(fields, "hold_us", 0)?.unwrap_or(0),
        shots,
        spacing_us: spacing_us.unwrap_or(0),
        force: fields.word("force", "one of \"low\", \"high\", \"invert\"", force)?,
        expect: fields.word(
            "expect",
            "one of \"corrected\", \"uncorrected\", \"deferred\", \"fatal\", \"info\"",
            Severity::parse,
        )?,
        note: fields.text("note")?.map(str::to_owned),
    })
}

fn rail(fields: Fields<'_>) -> Result<FeedLine, Reason> {
    let name = fields.name("name", "the rail's name, such as \"VDD\"")?.to_owned();
    let value = fields.get("millivolts").ok_or_else(|| fields.missing("millivolts", "a number"))?;
    let millivolts = value.as_f64().filter(|mv| mv.is_finite());
    let millivolts = millivolts.ok_or_else(|| fields.wrong("millivolts", "a number", value))?;
    Ok(FeedLine::Rail { name, slot: slot(fields, "slot")?, millivolts, t: time(fields)? })
}

fn id(fields: Fields<'_>) -> Result<String, Reason> {
    match fields.get("id") {
        None => Err(fields.missing("id", ID_WANTED)),
        Some(Value::String(text)) if !text.trim().is_empty() => Ok(text.clone()),
        Some(Value::Number(n)) if n.is_i64() || n.is_u64() => Ok(n.to_string()),
        Some(other) => Err(fields.wrong("id", ID_WANTED, other)),
    }
}

/// A `t` in the form in which `Injection::t` keeps it: ticks in decimal, a date as it was sent.
fn time(fields: Fields<'_>) -> Result<Option<String>, Reason> {
    let Some(value) = fields.get("t") else { return Ok(None) };
    let text = match value {
        Value::String(date) => matches!(Stamp::read(Some(date)), Some(Stamp::Date { .. })).then(|| date.clone()),
        number => whole(number).filter(|n| *n >= 0).map(|n| n.to_string()),
    };
    text.map(Some).ok_or_else(|| fields.wrong("t", TIME_WANTED, value))
}

fn ticks(fields: Fields<'_>, field: &str) -> Result<Option<i64>, Reason> {
    fields.integer(field, 0, i64::MAX)
}

fn duration(fields: Fields<'_>, field: &str, least: i64) -> Result<Option<u64>, Reason> {
    let most = i64::try_from(MAX_DURATION_US).unwrap_or(i64::MAX);
    Ok(fields.integer(field, least, most)?.map(i64::unsigned_abs))
}

fn slot(fields: Fields<'_>, field: &'static str) -> Result<Option<At>, Reason> {
    let map = match fields.get(field) {
        None => return Ok(None),
        Some(Value::String(label)) if !label.trim().is_empty() => return Ok(Some(At::Label(label.clone()))),
        Some(Value::Object(map)) => map,
        Some(other) => return Err(fields.wrong(field, SLOT_WANTED, other)),
    };
    let inner = Fields::new(map, if field == "at" { "at." } else { "slot." });
    let number = |name| Ok(inner.integer(name, 0, i64::from(u16::MAX))?.and_then(|n| u16::try_from(n).ok()));
    Ok(Some(At::Numbers {
        controller: number("controller")?.ok_or_else(|| inner.missing("controller", "the controller's number"))?,
        channel: number("channel")?,
        slot: number("slot")?.ok_or_else(|| inner.missing("slot", "the slot's number in its channel"))?,
    }))
}

fn signals(fields: Fields<'_>) -> Result<Vec<String>, Reason> {
    let list = match fields.get("lines") {
        None => return Ok(Vec::new()),
        Some(Value::Array(list)) => list,
        Some(other) => return Err(fields.wrong("lines", LINES_WANTED, other)),
    };
    let mut signals: Vec<String> = Vec::with_capacity(list.len().min(128));
    for value in list {
        let name = value.as_str().ok_or_else(|| fields.wrong("lines", LINES_WANTED, value))?;
        let signal = canonical_signal(name).ok_or_else(|| Reason::UnknownSignal(shortened(name)))?;
        if signals.contains(&signal) {
            return Err(Reason::DoubledSignal(signal));
        }
        signals.push(signal);
    }
    Ok(signals)
}

fn force(word: &str) -> Option<Force> {
    [Force::Low, Force::High, Force::Invert].into_iter().find(|force| force.word() == word)
}

/// The JSON reader's reason with the column only: its line number is always 1 and would be taken for the stream's.
fn json_reason(error: &serde_json::Error) -> String {
    let text = error.to_string();
    let what = text.split(" at line ").next().unwrap_or_default();
    format!("{what}, at byte {}", error.column())
}

#[cfg(test)]
#[path = "parse_tests.rs"]
mod tests;
