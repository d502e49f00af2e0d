//! Injectors that print text of their own: a regular expression with named groups makes a line of the feed out of it.
//!
//! The groups are named like the fields of the JSON form, and what they match goes through the same checks. A line that no
//! pattern matches is not an error: such a program prints other things too.

use crate::parse::parse_object;
use crate::{LineError, Parsed};
use regex::{Captures, Regex, RegexBuilder};
use serde::{Deserialize, Serialize};
use serde_json::{Map, Number, Value};
use thiserror::Error;

/// What the lines that a pattern matches are.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Kind {
    /// An injection.
    Injection,
    /// The injector's clock.
    Tick,
    /// A supply reading.
    Rail,
}

impl Kind {
    /// The kind that a word names.
    #[must_use]
    pub fn parse(word: &str) -> Option<Kind> {
        [Kind::Injection, Kind::Tick, Kind::Rail].into_iter().find(|kind| kind.word() == word)
    }

    /// The word in the configuration.
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Kind::Injection => "injection",
            Kind::Tick => "tick",
            Kind::Rail => "rail",
        }
    }

    fn groups(self) -> &'static [&'static str] {
        match self {
            Kind::Injection => &[
                "id",
                "at",
                "controller",
                "channel",
                "slot",
                "lines",
                "hold_us",
                "shots",
                "spacing_us",
                "t",
                "force",
                "expect",
                "note",
                "who",
            ],
            Kind::Tick => &["t", "who"],
            Kind::Rail => &["rail", "millivolts", "at", "controller", "channel", "slot", "t", "who"],
        }
    }

    fn needed(self) -> &'static [&'static str] {
        match self {
            Kind::Injection => &["id"],
            Kind::Tick => &["t"],
            Kind::Rail => &["rail", "millivolts"],
        }
    }
}

/// Why a pattern of the configuration cannot be used.
#[derive(Clone, PartialEq, Debug, Error)]
pub enum PatternError {
    /// It is no regular expression.
    #[error("the pattern {pattern:?} is not a regular expression: {why}")]
    Regex {
        /// The pattern.
        pattern: String,
        /// The reason, which may have several lines.
        why: String,
    },
    /// A group has a name that means nothing here.
    #[error("the pattern {pattern:?} has a group named {group:?}; for {} the names are {}", kind.word(), kind.groups().join(", "))]
    UnknownGroup {
        /// The pattern.
        pattern: String,
        /// The group.
        group: String,
        /// What its lines are.
        kind: Kind,
    },
    /// A group that every such line needs is not there.
    #[error("the pattern {pattern:?} has no group named {group:?}, which every {} needs", kind.word())]
    NoGroup {
        /// The pattern.
        pattern: String,
        /// The group.
        group: &'static str,
        /// What its lines are.
        kind: Kind,
    },
    /// The slot is named twice, or by half.
    #[error(
        "the pattern {pattern:?} must name the slot by a group `at`, or by groups `controller` and `slot` (and `channel`)"
    )]
    Slot {
        /// The pattern.
        pattern: String,
    },
}

/// One pattern of the configuration.
#[derive(Clone, Debug)]
pub struct Pattern {
    kind: Kind,
    regex: Regex,
}

impl Pattern {
    /// Compiles a pattern and checks the names of its groups.
    ///
    /// # Errors
    ///
    /// What about the pattern cannot be used.
    pub fn new(kind: Kind, pattern: &str) -> Result<Pattern, PatternError> {
        let owned = || pattern.to_owned();
        let regex = RegexBuilder::new(pattern)
            .size_limit(1 << 20)
            .build()
            .map_err(|error| PatternError::Regex { pattern: owned(), why: error.to_string() })?;
        let groups: Vec<&str> = regex.capture_names().flatten().collect();
        if let Some(group) = groups.iter().find(|group| !kind.groups().contains(group)) {
            return Err(PatternError::UnknownGroup { pattern: owned(), group: (*group).to_owned(), kind });
        }
        if let Some(group) = kind.needed().iter().find(|group| !groups.contains(group)) {
            return Err(PatternError::NoGroup { pattern: owned(), group, kind });
        }
        let has = |group| groups.contains(&group);
        let numbers = ["controller", "channel", "slot"].into_iter().any(has);
        let by_numbers = has("controller") && has("slot");
        let named = match (has("at"), numbers) {
            (true, numbers) => !numbers,
            (false, true) => by_numbers,
            (false, false) => kind != Kind::Injection,
        };
        if !named {
            return Err(PatternError::Slot { pattern: owned() });
        }
        Ok(Pattern { kind, regex })
    }

    /// Reads a line of text: nothing if the pattern does not match.
    #[must_use]
    pub fn read(&self, line: &str) -> Option<Result<Parsed, LineError>> {
        let captures = self.regex.captures(line)?;
        let who = captures.name("who").map(|who| who.as_str().trim().to_owned()).filter(|who| !who.is_empty());
        Some(parse_object(&self.fields(&captures)).map(|parsed| Parsed { who, ..parsed }))
    }

    /// The line as the JSON form would have it.
    fn fields(&self, captures: &Captures<'_>) -> Map<String, Value> {
        let mut fields = Map::new();
        let mut place = Map::new();
        fields.insert("type".to_owned(), self.kind.word().into());
        for group in self.regex.capture_names().flatten() {
            let Some(text) = captures.name(group).map(|found| found.as_str().trim()) else { continue };
            let mut field = |name: &str, value: Value| fields.insert(name.to_owned(), value);
            match group {
                "id" | "note" => field(group, text.into()),
                "who" => None,
                "at" if self.kind == Kind::Rail => field("slot", text.into()),
                "at" => field("at", text.into()),
                "rail" => field("name", text.into()),
                "force" | "expect" => field(group, text.to_lowercase().into()),
                "lines" => {
                    let separator = |c: char| c == ',' || c == ';' || c.is_whitespace();
                    field(group, text.split(separator).filter(|name| !name.is_empty()).collect())
                }
                "controller" | "channel" | "slot" => place.insert(group.to_owned(), number(text)),
                _ => field(group, number(text)),
            };
        }
        if !place.is_empty() {
            let field = if self.kind == Kind::Rail { "slot" } else { "at" };
            fields.insert(field.to_owned(), place.into());
        }
        fields
    }
}

/// A number as JSON has it; text that is none stays text, so that the refusal can show it.
fn number(text: &str) -> Value {
    if let Ok(n) = text.parse::<i64>() {
        return n.into();
    }
    text.parse().ok().and_then(Number::from_f64).map_or_else(|| text.into(), Value::Number)
}

/// The patterns of one feed, in the order in which they are tried. Without any, the feed is JSON.
#[derive(Clone, Debug, Default)]
pub struct Patterns(pub Vec<Pattern>);

impl Patterns {
    /// Whether there are none, so that lines are JSON.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Reads a line of text by the first pattern that matches; nothing if none does.
    #[must_use]
    pub fn read(&self, line: &str) -> Option<Result<Parsed, LineError>> {
        self.0.iter().find_map(|pattern| pattern.read(line))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::FeedLine;
    use proptest::prelude::*;
    use vocabulary::{At, Force, Injection, Severity};

    fn read(kind: Kind, pattern: &str, line: &str) -> Option<Result<Parsed, String>> {
        Some(Pattern::new(kind, pattern).unwrap().read(line)?.map_err(|error| error.to_string()))
    }

    // The texts are made up for these tests.
    const SHOT: &str = r"^\[(?<t>\d+)\] (?<who>\w+): (?<force>\w+) (?<lines>[\w, ]+) at (?<at>\w+) for (?<hold_us>\S+) us, no\. (?<id>\d+)(, expect (?<expect>\w+))?";

    #[test]
    fn text_becomes_an_injection() {
        let line = "[00120] rig4: LOW DQ3, dq4 at B1 for 250 us, no. 0017, expect Uncorrected";
        let parsed = read(Kind::Injection, SHOT, line).unwrap().unwrap();
        assert_eq!(parsed.who.as_deref(), Some("rig4"));
        assert_eq!(
            parsed.line,
            FeedLine::Injection(Injection {
                id: "0017".into(),
                t: Some("120".into()),
                at: At::Label("B1".into()),
                lines: vec!["DQ3".into(), "DQ4".into()],
                hold_us: 250,
                shots: 1,
                spacing_us: 0,
                force: Some(Force::Low),
                expect: Some(Severity::Uncorrected),
                note: None,
            })
        );
        assert_eq!(read(Kind::Injection, SHOT, "ready"), None);
    }

    #[test]
    fn numbers_name_a_slot_and_one_text_may_serve_twice() {
        let pattern = r"fire (?<id>(?<t>\d+)) mc(?<controller>\d+)/(?:ch(?<channel>\d+)/)?(?<slot>\d+)";
        let place = |line| match read(Kind::Injection, pattern, line).unwrap().unwrap().line {
            FeedLine::Injection(Injection { id, t, at: At::Numbers { controller, channel, slot }, .. }) => {
                (id, t.unwrap(), controller, channel, slot)
            }
            other => panic!("{other:?}"),
        };
        assert_eq!(place("> fire 9 mc1/ch2/3 <"), ("9".into(), "9".into(), 1, Some(2), 3));
        assert_eq!(place("fire 10 mc1/3"), ("10".into(), "10".into(), 1, None, 3));
    }

    #[test]
    fn ticks_and_rails() {
        let tick = read(Kind::Tick, r"uptime (?<t>[\d.]+) ms", "uptime 1500.0 ms").unwrap().unwrap();
        assert_eq!(tick.line, FeedLine::Tick { t: 1500 });
        let rail =
            read(Kind::Rail, r"(?<rail>V\w+)@(?<at>\w+)=(?<millivolts>\S+)mV", "VPP@A2=2496.5mV").unwrap().unwrap();
        let slot = Some(At::Label("A2".into()));
        assert_eq!(rail.line, FeedLine::Rail { name: "VPP".into(), slot, millivolts: 2496.5, t: None });
    }

    #[test]
    fn what_matches_and_makes_no_sense_is_refused() {
        let refusal = |line| read(Kind::Injection, SHOT, line).unwrap().unwrap_err();
        assert_eq!(
            refusal("[1] rig4: LOW DQ3 at B1 for long us, no. 1"),
            "`hold_us` must be an integer from 0 to 86400000000; found the text \"long\""
        );
        assert_eq!(
            refusal("[1] rig4: push DQ3 at B1 for 1 us, no. 1"),
            "`force` must be one of \"low\", \"high\", \"invert\"; found the text \"push\""
        );
    }

    #[test]
    fn unusable_patterns_are_told() {
        let error = |kind, pattern| Pattern::new(kind, pattern).unwrap_err().to_string();
        assert!(error(Kind::Tick, "(?<t>").starts_with("the pattern \"(?<t>\" is not a regular expression: "));
        assert_eq!(
            error(Kind::Tick, r"(?<time>\d+)"),
            r#"the pattern "(?<time>\\d+)" has a group named "time"; for tick the names are t, who"#
        );
        assert_eq!(
            error(Kind::Injection, r"(?<at>\w+)"),
            r#"the pattern "(?<at>\\w+)" has no group named "id", which every injection needs"#
        );
        for pattern in ["(?<id>.)", "(?<id>.)(?<slot>.)", "(?<id>.)(?<at>.)(?<slot>.)", "(?<id>.)(?<at>.)(?<channel>.)"]
        {
            assert!(error(Kind::Injection, pattern).contains("must name the slot"), "{pattern}");
        }
        assert!(error(Kind::Tick, r"(?<t>\d{1000}{1000})").contains("size limit"));
    }

    proptest! {
        /// No text makes a pattern panic, and the first one that matches decides.
        #[test]
        fn any_text(line in ".*") {
            let patterns = Patterns(vec![
                Pattern::new(Kind::Injection, r"(?<id>\S+) (?<controller>\S+) (?<slot>\S+) (?<lines>\S+) (?<t>\S+)").unwrap(),
                Pattern::new(Kind::Tick, r"(?<t>\S+)").unwrap(),
            ]);
            let expected = line.split_whitespace().next().is_some();
            prop_assert_eq!(patterns.read(&line).is_some(), expected);
        }
    }
}
