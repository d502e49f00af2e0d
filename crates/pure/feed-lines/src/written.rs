//! A line of the feed as a recording has it: the line itself, with arrival, feed and injector beside it.

use crate::{FeedLine, Unit};
use serde_json::{Map, Value, json};
use vocabulary::{At, Injection, Mono};

/// The line for a recording, without line end: what `raw` says, and `t_ns`, `feed`, `who` and `unit` at its end; beside a pong
/// also `sent_ns`, when its ping was written.
///
/// Who sends and in which unit stands beside every line but a hello, since a recording has the lines of all connections
/// one after the other, and a feed's own settings are not in it.
///
/// A line of JSON stays as it came, unknown fields and all; a line of text, which a replay without its pattern could not
/// read, becomes the JSON that `line` stands for.
#[must_use]
pub fn recorded(
    raw: &str,
    line: &FeedLine,
    (sent, arrival): (Option<Mono>, Mono),
    feed: &str,
    injector: &str,
    unit: Unit,
) -> String {
    let mut beside = Map::new();
    beside.insert("t_ns".to_owned(), arrival.0.into());
    if let Some(sent) = sent {
        beside.insert("sent_ns".to_owned(), sent.0.into());
    }
    beside.insert("feed".to_owned(), feed.into());
    if !matches!(line, FeedLine::Hello { .. }) {
        beside.insert("who".to_owned(), injector.into());
        if unit != Unit::default() {
            beside.insert("unit".to_owned(), unit.word().into());
        }
    }
    let json = serde_json::from_str::<Map<String, Value>>(raw).is_ok();
    let body = if json { raw.trim().to_owned() } else { Value::Object(fields_of(line)).to_string() };
    let head = body.strip_suffix('}').unwrap_or(&body).trim_end();
    let tail = Value::Object(beside).to_string();
    // A line that was read has a type, so the head never is an empty object.
    format!("{head},{}", tail.strip_prefix('{').unwrap_or(&tail))
}

/// The JSON form of a line.
pub(crate) fn fields_of(line: &FeedLine) -> Map<String, Value> {
    let value = match line {
        FeedLine::Hello { who, unit } => json!({ "type": "hello", "who": who, "unit": unit.word() }),
        FeedLine::Injection(injection) => injection_value(injection),
        FeedLine::Tick { t } => json!({ "type": "tick", "t": t }),
        FeedLine::Rail { name, slot, millivolts, t } => json!({
            "type": "rail", "name": name, "slot": slot.as_ref().map(at_value), "millivolts": millivolts,
            "t": t.as_deref().map(time_value),
        }),
        FeedLine::Pong { n, received, t } => json!({ "type": "pong", "n": n, "received": received, "t": t }),
        FeedLine::Bye { why } => json!({ "type": "bye", "why": why }),
    };
    match value {
        Value::Object(fields) => fields.into_iter().filter(|(_, value)| !value.is_null()).collect(),
        _ => Map::new(),
    }
}

fn injection_value(i: &Injection) -> Value {
    let spacing_us = (i.spacing_us > 0).then_some(i.spacing_us);
    json!({
        "type": "injection", "id": i.id, "t": i.t.as_deref().map(time_value), "at": at_value(&i.at), "lines": i.lines,
        "hold_us": i.hold_us, "shots": i.shots, "spacing_us": spacing_us, "force": i.force.map(|f| f.word()),
        "expect": i.expect.map(|s| s.word()), "note": i.note,
    })
}

fn at_value(at: &At) -> Value {
    match at {
        At::Label(label) => json!(label),
        At::Numbers { controller, channel: Some(channel), slot } => {
            json!({ "controller": controller, "channel": channel, "slot": slot })
        }
        At::Numbers { controller, channel: None, slot } => json!({ "controller": controller, "slot": slot }),
    }
}

/// Ticks are numbers in the feed, dates are text.
fn time_value(t: &str) -> Value {
    t.parse::<i64>().map_or_else(|_| t.into(), Value::from)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Kind, Parsed, Pattern, parse};

    #[test]
    fn json_stays_as_it_came() {
        let raw = r#" {"type":"tick", "x" : [1], "t":5 } "#;
        let line = parse(raw).unwrap().line;
        let text = recorded(raw, &line, (None, Mono(812)), "tcp:127.0.0.1:9", "rig \"4\"", Unit::Seconds);
        assert_eq!(
            text,
            r#"{"type":"tick", "x" : [1], "t":5,"feed":"tcp:127.0.0.1:9","t_ns":812,"unit":"s","who":"rig \"4\""}"#
        );
        let hello = r#"{"type":"hello","who":"rig"}"#;
        let text = recorded(hello, &parse(hello).unwrap().line, (None, Mono(1)), "f", "rig", Unit::Seconds);
        assert_eq!(text, r#"{"type":"hello","who":"rig","feed":"f","t_ns":1}"#);
        // A live line that has the recording's fields already is overruled: the last one counts.
        let raw = r#"{"type":"tick","t":5,"t_ns":3}"#;
        let again =
            parse(&recorded(raw, &parse(raw).unwrap().line, (None, Mono(812)), "f", "r", Unit::default())).unwrap();
        assert_eq!(again.t_ns, Some(Mono(812)));
        // A pong carries when its ping was written.
        let raw = r#"{"type":"pong","n":3,"t":5}"#;
        let text = recorded(raw, &parse(raw).unwrap().line, (Some(Mono(800)), Mono(812)), "f", "r", Unit::default());
        assert_eq!(text, r#"{"type":"pong","n":3,"t":5,"feed":"f","sent_ns":800,"t_ns":812,"who":"r"}"#);
        assert_eq!(parse(&text).unwrap().sent_ns, Some(Mono(800)));
    }

    #[test]
    fn text_becomes_json_that_says_the_same() {
        let pattern = r"(?<id>\d+) (?<controller>\d) (?<slot>\d) (?<t>\S+) (?<lines>\S+) (?<force>\w+) (?<shots>\d) (?<spacing_us>\d+)";
        let raw = "7 0 1 55 DQ1,DQ2 high 3 900";
        let Parsed { line, .. } = Pattern::new(Kind::Injection, pattern).unwrap().read(raw).unwrap().unwrap();
        let again = parse(&recorded(raw, &line, (None, Mono(9)), "f", "rig", Unit::Milliseconds)).unwrap();
        assert_eq!(
            again,
            Parsed {
                line,
                t_ns: Some(Mono(9)),
                sent_ns: None,
                feed: Some("f".into()),
                who: Some("rig".into()),
                unit: Some(Unit::Milliseconds)
            }
        );
    }

    #[test]
    fn every_type_survives_being_written() {
        let lines = [
            r#"{"type":"hello","who":"b","unit":"ms"}"#,
            r#"{"type":"tick","t":0}"#,
            r#"{"type":"rail","name":"VDD","slot":{"controller":0,"channel":1,"slot":0},"millivolts":1.5,"t":"2027-03-04T05:06:07Z"}"#,
            r#"{"type":"pong","n":1,"received":2,"t":3}"#,
            r#"{"type":"bye"}"#,
            r#"{"type":"injection","id":"5","at":"A1","lines":["CB0"],"expect":"fatal","note":"n","hold_us":4}"#,
        ];
        for text in lines {
            let line = parse(text).unwrap().line;
            let written = Value::Object(line.to_json()).to_string();
            assert_eq!(parse(&written).unwrap().line, line, "{written}");
        }
    }
}
