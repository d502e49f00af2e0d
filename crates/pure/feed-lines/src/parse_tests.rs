//! Tables of lines and what they mean.

use super::*;
use proptest::prelude::*;

fn line(text: &str) -> FeedLine {
    parse(text).unwrap_or_else(|error| panic!("{text}: {error}")).line
}

fn refusal(text: &str) -> String {
    parse(text).expect_err(text).to_string()
}

fn plain(id: &str, at: At) -> Injection {
    Injection {
        id: id.into(),
        t: None,
        at,
        lines: Vec::new(),
        hold_us: 0,
        shots: 1,
        spacing_us: 0,
        force: None,
        expect: None,
        note: None,
    }
}

#[test]
fn every_type() {
    let who = |who: &str, unit| FeedLine::Hello { who: who.into(), unit };
    assert_eq!(line(r#"{"type":"hello","who":"bench-2"}"#), who("bench-2", Unit::Microseconds));
    assert_eq!(line(r#"{"who":"b","unit":"ns","type":"hello","firmware":3}"#), who("b", Unit::Nanoseconds));
    assert_eq!(line(r#"{"type":"tick","t":123}"#), FeedLine::Tick { t: 123 });
    assert_eq!(line(r#"{"type":"tick","t":1.5e3}"#), FeedLine::Tick { t: 1500 });
    assert_eq!(line(r#"{"type":"pong","n":4,"t":9}"#), FeedLine::Pong { n: 4, received: 9, t: 9 });
    assert_eq!(line(r#"{"type":"pong","n":4,"received":7,"t":9}"#), FeedLine::Pong { n: 4, received: 7, t: 9 });
    assert_eq!(line(r#"{"type":"bye"}"#), FeedLine::Bye { why: None });
    assert_eq!(line(r#"{"type":"bye","why":"done"}"#), FeedLine::Bye { why: Some("done".into()) });
    let rail = |slot, millivolts, t| FeedLine::Rail { name: "VDD".into(), slot, millivolts, t };
    assert_eq!(line(r#"{"type":"rail","name":"VDD","millivolts":1203.5}"#), rail(None, 1203.5, None));
    assert_eq!(
        line(r#"{"type":"rail","name":"VDD","slot":"A1","millivolts":1200,"t":5}"#),
        rail(Some(At::Label("A1".into())), 1200.0, Some("5".into()))
    );
}

#[test]
fn injections() {
    let a1 = || At::Label("A1".into());
    assert_eq!(line(r#"{"type":"injection","id":"x","at":"A1"}"#), FeedLine::Injection(plain("x", a1())));
    let full = r#"{"type":"injection","id":17,"t":44,"at":{"controller":0,"channel":1,"slot":0},"lines":["DQ3","cb1"],
        "hold_us":250,"shots":5,"spacing_us":100000,"force":"invert","expect":"uncorrected","note":"warm","lot":[1]}"#;
    assert_eq!(
        line(&full.replace('\n', " ")),
        FeedLine::Injection(Injection {
            id: "17".into(),
            t: Some("44".into()),
            at: At::Numbers { controller: 0, channel: Some(1), slot: 0 },
            lines: vec!["DQ3".into(), "CB1".into()],
            hold_us: 250,
            shots: 5,
            spacing_us: 100_000,
            force: Some(Force::Invert),
            expect: Some(Severity::Uncorrected),
            note: Some("warm".into()),
        })
    );
    // Optional fields that are null are absent, and a controller need not have channels.
    let nulls = r#"{"type":"injection","id":"x","at":{"controller":1,"channel":null,"slot":2},"t":null,"lines":null,"note":null}"#;
    assert_eq!(line(nulls), FeedLine::Injection(plain("x", At::Numbers { controller: 1, channel: None, slot: 2 })));
    let times = [
        (r#""2027-03-04T05:06:07.089+01:00""#, "2027-03-04T05:06:07.089+01:00"),
        ("0", "0"),
        ("12.0", "12"),
        ("9223372036854775807", "9223372036854775807"),
    ];
    for (sent, kept) in times {
        let text = format!(r#"{{"type":"injection","id":"x","at":"A1","t":{sent}}}"#);
        assert_eq!(line(&text), FeedLine::Injection(Injection { t: Some(kept.into()), ..plain("x", a1()) }));
    }
}

#[test]
fn what_stands_in_a_recording() {
    let parsed = parse(r#"{"type":"tick","t":1,"t_ns":812,"feed":"bench"}"#).unwrap();
    assert_eq!((parsed.t_ns, parsed.feed.as_deref()), (Some(Mono(812)), Some("bench")));
    assert_eq!((parsed.who, parsed.unit), (None, None));
    let parsed = parse(r#"{"type":"tick","t":1,"who":"rig","unit":"ms"}"#).unwrap();
    assert_eq!((parsed.who.as_deref(), parsed.unit), (Some("rig"), Some(Unit::Milliseconds)));
    assert!(refusal(r#"{"type":"tick","t":1,"t_ns":-1}"#).starts_with("`t_ns` must be an integer of 0 or more"));
}

#[test]
fn refusals_name_the_field_and_what_was_found() {
    let cases = [
        ("", "not JSON: EOF while parsing a value, at byte 0"),
        ("hello", "not JSON: expected value, at byte 1"),
        ("\0\0{}", "not JSON: expected value, at byte 1"),
        (r#"{"type":"bye"} x"#, "not JSON: trailing characters, at byte 16"),
        ("[1]", "a line must be one JSON object; this is an array"),
        ("7", "a line must be one JSON object; this is 7"),
        ("{}", "`type` is missing: one of hello, injection, tick, rail, pong, bye"),
        (r#"{"type":3}"#, "`type` must be one of hello, injection, tick, rail, pong, bye; found 3"),
        (r#"{"type":"inject"}"#, "unknown type \"inject\"; known types are hello, injection, tick, rail, pong, bye"),
        (r#"{"type":"hello"}"#, "`who` is missing: the injector's name, a string that is not empty"),
        (
            r#"{"type":"hello","who":"b","unit":"cycles"}"#,
            "`unit` must be one of \"ns\", \"us\", \"ms\", \"s\"; found the text \"cycles\"",
        ),
        (r#"{"type":"tick"}"#, "`t` is missing: the injector's ticks"),
        (r#"{"type":"tick","t":-5}"#, "`t` must be an integer of 0 or more; found -5"),
        (r#"{"type":"tick","t":1.5}"#, "`t` must be an integer of 0 or more; found 1.5"),
        (r#"{"type":"tick","t":"5"}"#, "`t` must be an integer of 0 or more; found the text \"5\""),
        (
            r#"{"type":"tick","t":18446744073709551615}"#,
            "`t` must be an integer of 0 or more; found 18446744073709551615",
        ),
        (r#"{"type":"pong","t":1}"#, "`n` is missing: the number of the ping"),
        (r#"{"type":"rail","millivolts":1}"#, "`name` is missing: the rail's name, such as \"VDD\""),
        (
            r#"{"type":"rail","name":"VDD","millivolts":"1.2 V"}"#,
            "`millivolts` must be a number; found the text \"1.2 V\"",
        ),
        (r#"{"type":"bye","why":[]}"#, "`why` must be a string; found an array"),
    ];
    for (text, why) in cases {
        assert_eq!(refusal(text), why, "{text}");
    }
}

#[test]
fn refusals_of_injections() {
    let cases = [
        (r#""at":"A1""#, "`id` is missing: a string that is not empty, or an integer"),
        (r#""id":" ","at":"A1""#, "`id` must be a string that is not empty, or an integer; found the text \" \""),
        (r#""id":1.5,"at":"A1""#, "`id` must be a string that is not empty, or an integer; found 1.5"),
        (
            r#""id":"x""#,
            "`at` is missing: a slot's label, or an object such as {\"controller\":0,\"channel\":1,\"slot\":0}",
        ),
        (
            r#""id":"x","at":3"#,
            "`at` must be a slot's label, or an object such as {\"controller\":0,\"channel\":1,\"slot\":0}; found 3",
        ),
        (r#""id":"x","at":{"slot":0}"#, "`at.controller` is missing: the controller's number"),
        (r#""id":"x","at":{"controller":0}"#, "`at.slot` is missing: the slot's number in its channel"),
        (r#""id":"x","at":{"controller":-1,"slot":0}"#, "`at.controller` must be an integer from 0 to 65535; found -1"),
        (
            r#""id":"x","at":{"controller":0,"channel":"B","slot":0}"#,
            "`at.channel` must be an integer from 0 to 65535; found the text \"B\"",
        ),
        (r#""id":"x","at":"A1","lines":"DQ1""#, "`lines` must be an array of JEDEC line names; found the text \"DQ1\""),
        (r#""id":"x","at":"A1","lines":[1]"#, "`lines` must be an array of JEDEC line names; found 1"),
        (r#""id":"x","at":"A1","lines":["DQ1","dq1"]"#, "`lines` names DQ1 twice"),
        (r#""id":"x","at":"A1","hold_us":-1"#, "`hold_us` must be an integer from 0 to 86400000000; found -1"),
        (r#""id":"x","at":"A1","hold_us":0.5"#, "`hold_us` must be an integer from 0 to 86400000000; found 0.5"),
        (r#""id":"x","at":"A1","shots":0"#, "`shots` must be an integer from 1 to 100000; found 0"),
        (r#""id":"x","at":"A1","shots":100001"#, "`shots` must be an integer from 1 to 100000; found 100001"),
        (
            r#""id":"x","at":"A1","shots":2"#,
            "`spacing_us` is missing: with `shots` of 2 or more it says the time from one shot's start to the next",
        ),
        (
            r#""id":"x","at":"A1","shots":2,"spacing_us":0"#,
            "`spacing_us` must be an integer from 1 to 86400000000; found 0",
        ),
        (
            r#""id":"x","at":"A1","force":"up""#,
            "`force` must be one of \"low\", \"high\", \"invert\"; found the text \"up\"",
        ),
        (r#""id":"x","at":"A1","note":{}"#, "`note` must be a string; found an object"),
        (
            r#""id":"x","at":"A1","t":-3"#,
            "`t` must be an integer of 0 or more (the injector's ticks) or an RFC 3339 date and time; found -3",
        ),
        (
            r#""id":"x","at":"A1","t":"12""#,
            "`t` must be an integer of 0 or more (the injector's ticks) or an RFC 3339 date and time; found the text \"12\"",
        ),
        (
            r#""id":"x","at":"A1","t":"2027-13-01T00:00:00Z""#,
            "`t` must be an integer of 0 or more (the injector's ticks) or an RFC 3339 date and time; \
             found the text \"2027-13-01T00:00:00Z\"",
        ),
    ];
    for (fields, why) in cases {
        assert_eq!(refusal(&format!(r#"{{"type":"injection",{fields}}}"#)), why, "{fields}");
    }
    assert!(
        refusal(r#"{"type":"injection","id":"x","at":"A1","lines":["DQ64"]}"#).starts_with("`lines` names \"DQ64\"")
    );
    assert!(
        refusal(r#"{"type":"injection","id":"x","at":"A1","expect":"bad"}"#).starts_with("`expect` must be one of")
    );
}

#[test]
fn a_refusal_carries_the_id_and_stays_short() {
    let error = parse(r#"{"type":"injection","id":8,"at":"A1","shots":0}"#).unwrap_err();
    assert_eq!(error.id.as_deref(), Some("8"));
    assert_eq!(parse(r#"{"type":"injection","id":"","at":"A1"}"#).unwrap_err().id, None);
    let long = "x".repeat(60_000);
    assert!(refusal(&format!(r#"{{"type":"{long}"}}"#)).len() < 300);
    assert!(refusal(&format!(r#"{{"type":"bye","why":{{"{long}":1}}}}"#)).len() < 300);
    assert!(refusal(&format!(r#"{{"type":"injection","id":"x","at":"A1","lines":["{long}"]}}"#)).len() < 400);
}

#[test]
fn nesting_without_end_is_refused() {
    assert!(refusal(&"[".repeat(60_000)).starts_with("not JSON: recursion limit exceeded"));
}

proptest! {
    /// Nothing that comes over a line can make the parser panic.
    #[test]
    fn any_text_is_read_or_refused(text in ".*") {
        let _ = parse(&text);
    }

    /// The same for objects that nearly make sense.
    #[test]
    fn any_fields_are_read_or_refused(
        kind in prop::sample::select(vec!["hello", "injection", "tick", "rail", "pong", "bye", "x"]),
        fields in prop::collection::vec(
            (
                prop::sample::select(vec![
                    "id", "t", "at", "lines", "hold_us", "shots", "spacing_us", "force", "expect", "note", "who", "unit",
                    "name", "slot", "millivolts", "n", "received", "why", "t_ns", "feed", "other",
                ]),
                prop::sample::select(vec![
                    "0", "1", "-1", "2.0", "1e999", "1e18", "-0.0", "18446744073709551615", "null", "true", "\"A1\"", "\"low\"",
                    "\"us\"", "[]", "[\"DQ1\"]", "{}", "{\"controller\":0,\"slot\":1}", "\"2027-03-04T05:06:07Z\"",
                ]),
            ),
            0..10,
        ),
    ) {
        let mut text = format!("{{\"type\":\"{kind}\"");
        for (field, value) in &fields {
            text.push_str(&format!(",\"{field}\":{value}"));
        }
        text.push('}');
        match parse(&text) {
            Ok(Parsed { line: FeedLine::Injection(i), .. }) => {
                prop_assert!(i.shots >= 1 && i.shots <= MAX_SHOTS);
                prop_assert!(i.shots == 1 || i.spacing_us >= 1);
                prop_assert!(Stamp::read(i.t.as_deref()).is_some());
            }
            Ok(_) => {}
            Err(error) => prop_assert!(!error.to_string().is_empty()),
        }
    }
}
