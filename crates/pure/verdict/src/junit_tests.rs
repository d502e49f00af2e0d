//! JUnit files of verdicts made by hand, read back with a strict little parser of XML.

use super::*;
use crate::{Criteria, Evidence, RunState, SlotEvidence};
use std::path::Path;

/// A name and its attributes.
type Element = (String, Vec<(String, String)>);

/// What is wrong with a text as XML 1.0, or its elements with their attributes in the order of their beginnings.
///
/// Strict: one root, tags that close in order, attributes quoted, once each and without `<`, no character that XML forbids, no
/// reference but the five names and numbers of allowed characters.
fn elements(text: &str) -> Result<Vec<Element>, String> {
    let allowed = |c: char| matches!(c, '\t' | '\n' | '\r' | ' '..='\u{d7ff}' | '\u{e000}'..='\u{fffd}' | '\u{10000}'..='\u{10ffff}');
    if let Some(c) = text.chars().find(|c| !allowed(*c)) {
        return Err(format!("forbidden character {c:?}"));
    }
    let plain = |raw: &str| -> Result<String, String> {
        let mut parts = raw.split('&');
        let mut out = parts.next().unwrap_or_default().to_owned();
        for part in parts {
            let (name, rest) = part.split_once(';').ok_or_else(|| format!("open reference in {raw:?}"))?;
            out.push(match name {
                "amp" => '&',
                "lt" => '<',
                "gt" => '>',
                "quot" => '"',
                "apos" => '\'',
                _ => {
                    let number = name.strip_prefix('#').and_then(|n| n.parse().ok()).and_then(char::from_u32);
                    number.filter(|c| allowed(*c)).ok_or_else(|| format!("reference &{name};"))?
                }
            });
            out += rest;
        }
        Ok(out)
    };
    let mut rest = text.strip_prefix("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n").ok_or("no declaration")?;
    let (mut open, mut all): (Vec<String>, Vec<_>) = (Vec::new(), Vec::new());
    while let Some(at) = rest.find('<') {
        let between = plain(&rest[..at])?;
        if open.is_empty() && !between.trim().is_empty() {
            return Err(format!("text outside: {between:?}"));
        }
        let tag = &rest[at + 1..];
        let name_of =
            |text: &str| text.chars().take_while(|c| c.is_ascii_alphanumeric() || *c == '-').collect::<String>();
        if let Some(closing) = tag.strip_prefix('/') {
            let name = name_of(closing);
            if open.pop().as_deref() != Some(name.as_str()) {
                return Err(format!("</{name}> closes something else"));
            }
            rest = closing[name.len()..].strip_prefix('>').ok_or("closing tag with more")?;
            continue;
        }
        if open.is_empty() && !all.is_empty() {
            return Err("a second root".to_owned());
        }
        let name = name_of(tag);
        let mut inner = &tag[name.len()..];
        let mut attributes: Vec<(String, String)> = Vec::new();
        while let Some(next) = inner.strip_prefix(' ') {
            let key = name_of(next);
            let value = next[key.len()..].strip_prefix("=\"").ok_or_else(|| format!("attribute {key:?} of {name}"))?;
            let end = value.find('"').ok_or("open quote")?;
            if value[..end].contains('<') || attributes.iter().any(|(k, _)| *k == key) || key.is_empty() {
                return Err(format!("attribute {key:?} of {name}"));
            }
            attributes.push((key, plain(&value[..end])?));
            inner = &value[end + 1..];
        }
        all.push((name.clone(), attributes));
        rest = match inner.strip_prefix("/>") {
            Some(rest) => rest,
            None => {
                open.push(name);
                inner.strip_prefix('>').ok_or_else(|| format!("tag {inner:.20?}"))?
            }
        };
    }
    if !open.is_empty() || !rest.trim().is_empty() {
        return Err(format!("not closed: {open:?} {rest:?}"));
    }
    Ok(all)
}

fn judged(slots: &[(&str, u64, u64, u64)]) -> Judgement {
    let text = "platform = \"board <1>\"\nslots_together = false\n[detection]\nat_least = 0.9\n";
    let criteria = Criteria::parse(text, Path::new("c")).unwrap();
    let slot = |(name, detected, missed, unknowable): &(&str, u64, u64, u64)| SlotEvidence {
        name: (*name).to_owned(),
        shots: detected + missed + unknowable,
        detected: *detected,
        missed: *missed,
        unknowable: *unknowable,
        detected_watched: *detected,
        watched_ns: u64::MAX,
        ..SlotEvidence::default()
    };
    let slots = slots.iter().map(slot).collect();
    let run = "a \"b\" & <c>".to_owned();
    let evidence = Evidence { run, state: RunState::Running, window_ns: Some(1_000_000_000), slots };
    crate::judge::judge(&criteria, &evidence).unwrap()
}

const SUITE: Suite<'_> =
    Suite { host: "rig\u{1}3", started: Some("2026-01-02T03:04:05.678Z"), seconds: 12.5, version: "0.1.0" };

#[test]
fn each_verdict_has_its_element() {
    let judgement = judged(&[("A1", 29, 0, 0), ("B1", 5, 20, 0), ("C1", 5, 0, 2), ("D1", 0, 0, 9)]);
    let all = elements(&junit(&judgement, &SUITE)).unwrap();
    let with = |name: &str| all.iter().filter(|(n, _)| n == name).collect::<Vec<_>>();
    let attribute = |element: &Element, key: &str| {
        element.1.iter().find(|(k, _)| k == key).map(|(_, value)| value.clone()).unwrap_or_default()
    };
    let suite = with("testsuite")[0];
    for (key, value) in [
        ("name", "a \"b\" & <c>"),
        ("tests", "4"),
        ("failures", "1"),
        ("errors", "1"),
        ("skipped", "1"),
        ("time", "12.500"),
        ("timestamp", "2026-01-02T03:04:05"),
        ("hostname", "rig\u{fffd}3"),
    ] {
        assert_eq!(attribute(suite, key), value, "{key}");
    }
    let names: Vec<&str> = all.iter().map(|(name, _)| name.as_str()).filter(|name| *name != "property").collect();
    assert_eq!(
        names,
        [
            "testsuites",
            "testsuite",
            "properties",
            "testcase",
            "system-out",
            "testcase",
            "failure",
            "system-out",
            "testcase",
            "skipped",
            "system-out",
            "testcase",
            "error",
            "system-out",
            "system-out"
        ]
    );
    let cases: Vec<String> = with("testcase").iter().map(|case| attribute(case, "classname")).collect();
    assert_eq!(cases, ["A1", "B1", "C1", "D1"].map(|slot| format!("a \"b\" & <c>.{slot}")));
    let failure = attribute(with("failure")[0], "message");
    assert!(failure.starts_with("25 shots with 20 misses show that at most"), "{failure}");
    let properties: Vec<_> = with("property").iter().map(|p| (attribute(p, "name"), attribute(p, "value"))).collect();
    assert!(
        properties.contains(&("platform".into(), "board <1>".into()))
            && properties.contains(&("so_far".into(), "true".into()))
    );
}

#[test]
fn no_name_breaks_the_file() {
    for name in [
        "",
        "\u{0}\u{8}\u{b}\u{1f}",
        "]]>",
        "<!--",
        "&amp;&#0;",
        "'\"'",
        "a\nb\tc\rd",
        "\u{fffe}\u{ffff}",
        "\u{85}ü\u{1f600}",
    ] {
        let told = junit(&judged(&[(name, 1, 1, 0)]), &Suite { host: name, started: Some(name), ..SUITE });
        let all = elements(&told).unwrap_or_else(|why| panic!("{name:?}: {why}\n{told}"));
        let case = all.iter().find(|(element, _)| element == "testcase").unwrap();
        let plain: String = name
            .chars()
            .map(|c| {
                if (c < ' ' && !"\t\n\r".contains(c)) || ('\u{fffe}'..='\u{ffff}').contains(&c) {
                    '\u{fffd}'
                } else {
                    c
                }
            })
            .collect();
        assert_eq!(case.1[0].1, format!("a \"b\" & <c>.{plain}"));
    }
    let odd = junit(&judged(&[]), &Suite { seconds: f64::NAN, started: None, ..SUITE });
    assert!(elements(&odd).is_ok() && odd.contains("tests=\"0\"") && odd.contains("time=\"0.000\""));
}

#[test]
fn the_parser_is_strict() {
    let head = "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n";
    for (text, why) in [
        ("<a>", "not closed"),
        ("<a></b>", "closes something else"),
        ("<a b=\"1\" b=\"2\"/>", "attribute"),
        ("<a b=\"<\"/>", "attribute"),
        ("<a>&no;</a>", "reference"),
        ("<a>&#1;</a>", "reference"),
        ("<a>\u{1}</a>", "forbidden"),
        ("<a/><b/>", "second root"),
        ("<a/>x", "not closed"),
        ("<a b=1/>", "attribute"),
    ] {
        let told = elements(&format!("{head}{text}")).unwrap_err();
        assert!(told.contains(why), "{text}: {told}");
    }
    assert!(elements(&format!("{head}<a b=\"1\"><c/>x &lt;</a>\n")).is_ok());
}
