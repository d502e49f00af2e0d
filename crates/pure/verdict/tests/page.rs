//! docs/criteria.md against the criteria: every key has its row, defaults and the example are the program's, sizes are right.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;
use verdict::plan::Way;
use verdict::{Criteria, Verdict};

fn page() -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../docs/criteria.md")).unwrap()
}

fn parse(text: &str) -> Result<Criteria, verdict::CriteriaError> {
    Criteria::parse(text, Path::new("x"))
}

fn rows<'a>(page: &'a str, section: &str) -> Vec<Vec<&'a str>> {
    let section = page.split(&format!("\n{section}\n")).nth(1).unwrap().split("\n## ").next().unwrap();
    let table = section.lines().filter(|line| line.starts_with("| "));
    table.map(|line| line.trim_matches('|').split(" | ").map(str::trim).collect()).collect()
}

/// The keys that the program knows below this, as its own refusal of an unknown one lists them.
fn known_keys(path: &str, keys: &mut BTreeSet<String>) {
    let text = if path.is_empty() { "no_such_key = 0\n".to_owned() } else { format!("[{path}]\nno_such_key = 0\n") };
    let told = parse(&text).unwrap_err().to_string();
    match told.split_once("unknown field `no_such_key`, expected ") {
        Some((_, expected)) => {
            for key in expected.split('`').skip(1).step_by(2) {
                known_keys(&if path.is_empty() { key.to_owned() } else { format!("{path}.{key}") }, keys);
            }
        }
        None => drop(keys.insert(path.to_owned())),
    }
}

#[test]
fn every_key_has_its_row_and_its_place_in_the_example() {
    let page = page();
    let mut known = BTreeSet::new();
    known_keys("", &mut known);
    assert!(known.contains("version") && known.contains("cover.shots_per_line"), "{known:?}");
    let documented: BTreeMap<String, &str> = rows(&page, "## The file")
        .iter()
        .filter_map(|row| Some((row[0].strip_prefix('`')?.strip_suffix('`')?.to_owned(), row[2])))
        .collect();
    assert_eq!(documented.keys().cloned().collect::<BTreeSet<_>>(), known);

    let example = page.split("```toml example\n").nth(1).unwrap().split("```").next().unwrap();
    parse(example).unwrap();
    let mut shown = BTreeSet::new();
    for (key, value) in example.parse::<toml::Table>().unwrap() {
        match value.as_table() {
            Some(table) => shown.extend(table.keys().map(|below| format!("{key}.{below}"))),
            None => drop(shown.insert(key)),
        }
    }
    assert_eq!(shown, known);

    // The defaults, and that what must be there must be.
    let told = parse("[detection]\nat_least = 0.9\n[cover]\nlines = [\"DQ0\"]\n").unwrap();
    let value: toml::Table = toml::to_string(&told).unwrap().parse().unwrap();
    for (key, default) in documented.iter().filter(|(key, _)| !key.starts_with("cover.")) {
        let (table, name) = key.split_once('.').unwrap_or(("", key));
        if *default == "must be there" {
            let error = parse(&format!("[{table}]\n")).unwrap_err().to_string();
            assert!(error.contains("missing field"), "{key}: {error}");
        } else if *default != "none" {
            let is = if table.is_empty() { &value[name] } else { &value[table][name] };
            assert_eq!(*default, format!("`{is}`"), "{key}");
        }
    }
}

#[test]
fn words_statuses_and_spacings_are_the_programs() {
    let page = page();
    let told: Vec<_> =
        rows(&page, "## The verdict").iter().skip(1).map(|row| (row[0].to_owned(), row[1].to_owned())).collect();
    let is = [Verdict::Met, Verdict::NotMet, Verdict::NotEnough]
        .map(|verdict| (format!("`{}`", verdict.word()), verdict.exit_status().to_string()));
    assert_eq!(told[told.len() - 3..], is);

    let spacings: Vec<&str> = rows(&page, "## The plan").iter().map(|row| row[1]).collect();
    let seconds = |way: Way| format!("{} s", way.apart().0 / 1000);
    assert_eq!(
        spacings[1..],
        ["---", &seconds(Way::Interrupt), "the interval and a second", "twice the interval", &seconds(Way::Firmware)][..]
    );
    assert_eq!(Way::Polling { every_s: 300 }.apart().0, 301_000);
    assert_eq!(Way::EdacPolling { every_ms: 1000 }.apart().0, 2000);
}
