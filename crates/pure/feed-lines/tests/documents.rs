//! The protocol's page and the samples beside it are contracts: everything that they show is read here as the program
//! reads it.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "this is test code all through: it may panic")]

use feed_lines::{Kind, LineSplitter, Parsed, Pattern, Patterns, Reply, Unit, parse, recorded};
use vocabulary::Mono;

const PAGE: &str = include_str!("../../../../docs/feed.md");

/// The lines of every fenced block of the page that begins with this.
fn blocks(fence: &str) -> Vec<&'static str> {
    let mut inside = false;
    let mut lines = Vec::new();
    for line in PAGE.lines() {
        if let Some(info) = line.strip_prefix("```") {
            inside = !inside && info == fence;
        } else if inside {
            lines.push(line);
        }
    }
    assert!(!lines.is_empty(), "no block {fence}");
    lines
}

fn check_reply(line: &str) {
    let reply: Reply = serde_json::from_str(line).unwrap_or_else(|error| panic!("{line}: {error}"));
    assert_eq!(reply.to_line().trim_end(), line);
}

fn framed(text: &str) -> Vec<(u64, String)> {
    let mut splitter = LineSplitter::new();
    let mut lines = Vec::new();
    splitter.push(text.as_bytes(), &mut lines);
    lines.into_iter().map(|framed| (framed.number, framed.line.unwrap())).collect()
}

#[test]
fn examples_of_the_page() {
    for line in blocks("json injector") {
        parse(line).unwrap_or_else(|error| panic!("{line}: {error}"));
    }
    blocks("json daemon").into_iter().for_each(check_reply);
}

#[test]
fn the_page_shows_a_session_as_it_goes() {
    let mut number = 0;
    let mut replies = 0;
    let mut pings = 0;
    for line in blocks("transcript") {
        if let Some(sent) = line.strip_prefix('>') {
            // The second block is a second connection, which begins with its hello.
            number = if sent.contains("hello") && number > 2 { 1 } else { number + 1 };
            if !sent.trim().is_empty() {
                parse(sent).unwrap_or_else(|error| panic!("{line}: {error}"));
            }
        } else {
            let told = line.strip_prefix("< ").expect("neither sent nor received");
            check_reply(told);
            let told: serde_json::Value = serde_json::from_str(told).unwrap();
            if told.get("type").is_some_and(|of| of == "ping") {
                pings += 1;
                continue;
            }
            assert_eq!(told.get("line").and_then(serde_json::Value::as_u64), Some(number), "{line}");
            replies += 1;
        }
    }
    assert_eq!((replies, pings), (4, 2));
}

#[test]
fn the_page_quotes_refusals_as_they_are() {
    let error = parse(r#"{"type":"injection","id":"b1-18","at":"A1","hold_us":-250}"#).unwrap_err();
    assert!(PAGE.contains(&Reply::Rejected { line: 5, why: error.to_string(), id: error.id }.to_line()));
}

#[test]
fn the_sample_session_is_read_and_survives_a_recording() {
    let lines = framed(include_str!("../../../../fixtures/feed/session.jsonl"));
    assert_eq!(lines.len(), 10);
    for (number, raw) in lines {
        let line = parse(&raw).unwrap_or_else(|error| panic!("line {number}: {error}")).line;
        let text = recorded(&raw, &line, (None, Mono(5)), "bench", "bench-2", Unit::default());
        let again = parse(&text).unwrap();
        assert_eq!((again.line, again.t_ns, again.feed.as_deref()), (line, Some(Mono(5)), Some("bench")));
    }
}

#[test]
fn refused_lines_get_the_expected_replies() {
    let expected = include_str!("../../../../fixtures/feed/refused.expected.jsonl");
    let lines = framed(include_str!("../../../../fixtures/feed/refused.jsonl"));
    let replies: String = lines
        .into_iter()
        .map(|(line, raw)| {
            let error = parse(&raw).expect_err(&raw);
            Reply::Rejected { line, why: error.to_string(), id: error.id }.to_line()
        })
        .collect();
    assert_eq!(replies, expected, "if this is right, write it into refused.expected.jsonl:\n{replies}");
}

#[test]
fn printed_text_is_read_by_the_patterns_of_the_page() {
    let mut kinds = Vec::new();
    let mut patterns = Vec::new();
    for line in blocks("toml") {
        if let Some(kind) = line.strip_prefix("kind = ") {
            kinds.push(Kind::parse(kind.trim_matches('"')).unwrap());
        } else if let Some(regex) = line.strip_prefix("regex = ") {
            patterns.push(Pattern::new(*kinds.last().unwrap(), regex.trim_matches('\'')).unwrap());
        }
    }
    let patterns = Patterns(patterns);
    for line in blocks("text") {
        assert!(patterns.read(line).is_some_and(|read| read.is_ok()), "{line}");
    }
    let mut injector = "old-rig".to_owned();
    let mut read = |raw: &str| {
        let Parsed { line, who, .. } = patterns.read(raw)?.unwrap();
        injector = who.unwrap_or_else(|| injector.clone());
        Some(recorded(raw, &line, (None, Mono(5)), "old-rig", &injector, Unit::Milliseconds) + "\n")
    };
    let lines = framed(include_str!("../../../../fixtures/feed/printed.txt"));
    let text: String = lines.iter().filter_map(|(_, raw)| read(raw)).collect();
    let expected = include_str!("../../../../fixtures/feed/printed.expected.jsonl");
    assert_eq!(text, expected, "if this is right, write it into printed.expected.jsonl:\n{text}");
}
