//! A judgement as JUnit XML, which pipelines read: the run is the suite, each criterion at each slot a test.
//!
//! There is no standard; this is the shape that readers agree on: `testsuites`, `testsuite` with counts, properties and a time
//! stamp without a zone, `testcase` with at most one of `failure` (not met), `error` (nobody was watching, so that the observer
//! and not the machine is to blame) and `skipped` (not enough evidence). XML 1.0 forbids most control characters even in
//! escaped form: names that come from firmware can hold them, and get the replacement character instead. The command `verdict`
//! writes what this returns.

use crate::finding::{Finding, Judgement, Number, SlotJudgement, Value, Verdict};
use std::fmt::Write as _;

/// What the judgement itself does not hold.
#[derive(Clone, PartialEq, Debug)]
pub struct Suite<'a> {
    /// The host that was tested.
    pub host: &'a str,
    /// When the run began, RFC 3339; the zone is left out, as readers expect, so that it should be UTC.
    pub started: Option<&'a str>,
    /// How long it was, in seconds.
    pub seconds: f64,
    /// The program's version.
    pub version: &'a str,
}

/// The text of the file.
#[must_use]
pub fn junit(judgement: &Judgement, suite: &Suite<'_>) -> String {
    let count = |what| {
        judgement.slots.iter().map(|slot| slot.findings.iter().filter(|f| case(slot, f) == what).count()).sum::<usize>()
    };
    let counts = format!(
        "tests=\"{}\" failures=\"{}\" errors=\"{}\" skipped=\"{}\" time=\"{:.3}\"",
        judgement.findings().count(),
        count(Case::Failure),
        count(Case::Error),
        count(Case::Skipped),
        if suite.seconds.is_finite() { suite.seconds.max(0.0) } else { 0.0 }
    );
    let mut xml = String::from("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n");
    // Writing to a text cannot fail.
    let _ = writeln!(xml, "<testsuites name=\"flipwitness\" {counts}>");
    let stamp = suite.started.map(|at| format!(" timestamp=\"{}\"", escaped(without_zone(at)))).unwrap_or_default();
    let _ = writeln!(
        xml,
        "  <testsuite name=\"{}\" {counts}{stamp} hostname=\"{}\">",
        escaped(&judgement.run),
        escaped(suite.host)
    );
    let properties = [
        ("verdict", judgement.verdict.word().to_owned()),
        ("so_far", judgement.so_far.to_string()),
        ("version", suite.version.to_owned()),
        ("confidence", judgement.confidence.to_string()),
        ("slots_together", judgement.slots_together.to_string()),
        ("platform", judgement.criteria.platform.clone().unwrap_or_default()),
    ];
    xml.push_str("    <properties>\n");
    for (name, value) in properties.iter().filter(|(_, value)| !value.is_empty()) {
        let _ = writeln!(xml, "      <property name=\"{name}\" value=\"{}\"/>", escaped(value));
    }
    xml.push_str("    </properties>\n");
    for slot in &judgement.slots {
        for finding in &slot.findings {
            test_case(&mut xml, judgement, slot, finding);
        }
    }
    let said = std::iter::once(&judgement.sentence).chain(&judgement.cautions).map(|text| escaped(text));
    let _ = writeln!(xml, "    <system-out>{}</system-out>", said.collect::<Vec<_>>().join("\n"));
    xml.push_str("  </testsuite>\n</testsuites>\n");
    xml
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Case {
    Passed,
    Failure,
    Error,
    Skipped,
}

fn case(slot: &SlotJudgement, finding: &Finding) -> Case {
    match finding.verdict {
        Verdict::Met => Case::Passed,
        Verdict::NotMet => Case::Failure,
        Verdict::NotEnough if slot.blind => Case::Error,
        Verdict::NotEnough => Case::Skipped,
    }
}

fn test_case(xml: &mut String, judgement: &Judgement, slot: &SlotJudgement, finding: &Finding) {
    let word = finding.criterion.word();
    let _ = writeln!(
        xml,
        "    <testcase classname=\"{}.{}\" name=\"{word}: {}\" time=\"0\">",
        escaped(&judgement.run),
        escaped(&slot.slot),
        escaped(&finding.requirement)
    );
    let message = escaped(&finding.sentence);
    let ask = escaped(&finding.ask.command);
    let _ = match case(slot, finding) {
        Case::Passed => Ok(()),
        Case::Failure => writeln!(xml, "      <failure message=\"{message}\" type=\"{word}\">{ask}</failure>"),
        Case::Error => writeln!(xml, "      <error message=\"{message}\" type=\"not_watched\">{ask}</error>"),
        Case::Skipped => writeln!(xml, "      <skipped message=\"{message}\"/>"),
    };
    let _ = writeln!(xml, "      <system-out>{}</system-out>\n    </testcase>", escaped(&numbers(finding)));
}

/// The numbers behind a finding, one a line.
fn numbers(finding: &Finding) -> String {
    let mut lines = vec![finding.sentence.clone()];
    let own = [
        ("limit", Some(finding.limit)),
        ("estimate", finding.estimate),
        ("lower", finding.lower),
        ("upper", finding.upper),
    ];
    lines.extend(own.iter().filter_map(|(name, value)| Some(format!("{name} = {} {}", (*value)?, finding.unit))));
    lines.push(format!("confidence = {}", finding.confidence));
    let line = |number: &Number| match number.value {
        Value::Count(n) => format!("{} = {n} {}", number.name, number.unit),
        Value::Real(x) => format!("{} = {x} {}", number.name, number.unit),
    };
    lines.extend(finding.numbers.iter().map(line));
    lines.join("\n")
}

/// `2026-11-25T17:38:44.123Z` without fraction and zone.
fn without_zone(at: &str) -> &str {
    at.get(..19).unwrap_or(at)
}

/// Text as XML 1.0 takes it, in elements and attributes.
///
/// Source: the production `Char` of XML 1.0 (fifth edition), 2.2, and 3.3.3 for line ends in attributes.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&apos;"),
            '\n' | '\r' | '\t' => {
                let _ = write!(safe, "&#{};", u32::from(c));
            }
            '\u{0}'..='\u{1f}' | '\u{fffe}' | '\u{ffff}' => safe.push('\u{fffd}'),
            c => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
#[path = "junit_tests.rs"]
mod tests;
