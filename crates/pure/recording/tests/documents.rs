//! The format's page is a contract: everything that it shows is read here as the program reads it.
#![allow(clippy::unwrap_used, reason = "this is test code all through: it may panic")]

const PAGE: &str = include_str!("../../../../docs/recording.md");
const FEED: &str = include_str!("../../../../fixtures/replay/feed.jsonl");
const WITNESSES: &str = include_str!("../../../../fixtures/replay/witnesses.jsonl");

/// The lines of every fenced block of the page whose fence begins with this.
fn blocks(fence: &str) -> Vec<&'static str> {
    let mut inside = false;
    let mut lines = Vec::new();
    for line in PAGE.lines() {
        if let Some(info) = line.strip_prefix("```") {
            inside = !inside && info.starts_with(fence);
        } else if inside {
            lines.push(line);
        }
    }
    assert!(!lines.is_empty(), "no block {fence}");
    lines
}

/// The field names in the tables of a section, and of the page's other sections that it refers to.
fn fields(section: &str) -> Vec<&'static str> {
    let text = PAGE.split(&format!("### {section}\n")).nth(1).unwrap().split("\n#").next().unwrap();
    let cells = text.lines().filter_map(|line| line.strip_prefix("| ")?.split(" | ").next());
    cells.flat_map(|cell| cell.split('`').skip(1).step_by(2)).collect()
}

#[test]
fn feed_lines_are_read_and_have_their_time() {
    for line in blocks("json feed") {
        let parsed = feed_lines::parse(line).unwrap_or_else(|error| panic!("{line}: {error}"));
        assert!(parsed.t_ns.is_some(), "{line}");
    }
}

#[test]
fn witness_lines_are_read_and_hold_documented_fields_only() {
    for line in blocks("json witness") {
        recording::parse(line).unwrap_or_else(|error| panic!("{line}: {error}"));
        let object: serde_json::Map<String, serde_json::Value> = serde_json::from_str(line).unwrap();
        let source = object.get("source").unwrap().as_str().unwrap();
        let mut known = fields(source);
        if source == "mce_record" {
            known.extend(fields("mc_event"));
        }
        for field in object.keys().filter(|field| *field != "source") {
            assert!(known.contains(&field.as_str()), "{source} has {field}, which is not in its table");
        }
    }
}

/// A field that must be there is refused when it is absent, and one that may be absent is not.
#[test]
fn required_fields_are_those_of_the_tables() {
    for line in blocks("json witness") {
        let object: serde_json::Map<String, serde_json::Value> = serde_json::from_str(line).unwrap();
        let source = object.get("source").unwrap().as_str().unwrap();
        let table = PAGE.split(&format!("### {source}\n")).nth(1).unwrap().split("\n#").next().unwrap();
        for field in object.keys().filter(|field| *field != "source") {
            let row = table.lines().find(|row| row.starts_with("| `") && row.contains(&format!("`{field}`")));
            let required = row.is_some_and(|row| row.contains("| must be there |"));
            let mut without = object.clone();
            without.remove(field);
            let read = recording::parse(&serde_json::to_string(&without).unwrap());
            assert_eq!(read.is_err(), required, "{source} without {field}: {read:?}");
        }
    }
}

#[test]
fn the_whole_recording_is_part_of_the_fixture() {
    for (fence, file) in [("json feed example", FEED), ("json witness example", WITNESSES)] {
        for line in blocks(fence) {
            assert!(file.lines().any(|l| l == line), "not in the fixture: {line}");
        }
    }
}

#[test]
fn the_sources_of_the_page_are_those_of_the_program() {
    let refused = recording::parse(r#"{"source":"radio","t_ns":1}"#).unwrap_err().to_string();
    let known = refused.split("one of ").nth(1).unwrap();
    let sections = PAGE.split("\n### ").skip(1).map(|section| section.lines().next().unwrap());
    assert_eq!(sections.collect::<Vec<_>>().join(", "), known);
}
