//! `docs/ecc.md` is a contract: its tables, its example of a matrix and its refusals are what the crate says.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

use ecc::{Choice, Code, Expectation, NAMES, Override, SlotCode, SlotFacts};
use std::collections::BTreeSet;
use vocabulary::Force;

const PAGE: &str = include_str!("../../../../docs/ecc.md");

fn section(heading: &str) -> &'static str {
    let rest = PAGE.split(&format!("## {heading}\n")).nth(1).unwrap_or_else(|| panic!("no section {heading}"));
    rest.split("\n## ").next().unwrap()
}

/// The rows of a section's first table, cell by cell; the head comes first.
fn table(heading: &str) -> Vec<Vec<&'static str>> {
    let lines =
        section(heading).lines().skip_while(|line| !line.starts_with("| ")).take_while(|line| line.starts_with('|'));
    let rows = lines.map(|line| line.trim_matches('|').split('|').map(str::trim).collect());
    rows.filter(|row: &Vec<&str>| !row[0].starts_with("---")).collect()
}

fn words(cell: &str) -> Vec<&str> {
    cell.split('`').skip(1).step_by(2).collect()
}

/// `DQ3, CB0 to CB3` as names.
fn lines(cell: &str) -> Vec<String> {
    let mut all = Vec::new();
    for part in cell.split(", ") {
        match part.split_once(" to ") {
            None => all.push(part.to_owned()),
            Some((first, last)) => {
                let stem = first.trim_end_matches(|c: char| c.is_ascii_digit());
                let number = |name: &str| name[stem.len()..].parse::<u8>().unwrap();
                all.extend((number(first)..=number(last)).map(|n| format!("{stem}{n}")));
            }
        }
    }
    all
}

/// A code of the tables' heads: `sec-ded`, or with the width of the devices, `single-device x8`.
fn slot(head: &str) -> SlotCode {
    let (name, width) = head.split_once(" x").map_or((head, None), |(name, width)| (name, width.parse().ok()));
    let chosen = Override { code: Some(Choice::named(name).unwrap()), device_lines: width };
    SlotCode::of(&SlotFacts { mem_type: Some("Registered-DDR4"), ..SlotFacts::default() }, &chosen).unwrap()
}

/// What the tables say of an expectation.
fn told(expected: &Expectation) -> String {
    let may = expected.may_report;
    let percent = |p: f64| if p < 0.0005 { "under 0.1 %".to_owned() } else { format!("{:.1} %", p * 100.0) };
    let first = expected.corrected_first().map(percent);
    let danger = if expected.dangerous() { ", **with wrong data**" } else { "" };
    match (may.corrected, may.not_corrected, first) {
        (true, false, _) => format!("corrected{danger}"),
        (false, true, _) => "not corrected".to_owned(),
        (true, true, Some(first)) => format!("{first} corrected{danger}, else not corrected"),
        _ => "nothing".to_owned(),
    }
}

fn check_told(heading: &str, force: Force) {
    let rows = table(heading);
    let mut wrong = Vec::new();
    for row in &rows[1..] {
        for (head, cell) in rows[0].iter().zip(row).skip(1) {
            let expected = slot(words(head)[0]).expect(&lines(row[0]), Some(force)).unwrap();
            if told(&expected) != *cell {
                wrong.push(format!("{} under {head}: {}", row[0], told(&expected)));
            }
        }
    }
    assert!(rows.len() > 6 && wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn what_inverted_lines_make() {
    check_told("Lines that are inverted", Force::Invert);
}

#[test]
fn what_held_lines_make() {
    check_told("Lines that are held low or high", Force::Low);
}

#[test]
fn every_code_has_its_row() {
    let named: BTreeSet<&str> = table("Codes that have a name").iter().flat_map(|row| words(row[0])).collect();
    assert_eq!(named, NAMES.into_iter().collect());
}

#[test]
fn what_the_kernel_says_makes_the_code_of_the_table() {
    let rows = table("Which code a slot has");
    assert!(rows.len() > 8);
    for row in &rows[1..] {
        for mode in words(row[0]) {
            let slot = SlotCode::of(&SlotFacts { edac_mode: Some(mode), ..SlotFacts::default() }, &Override::default());
            let slot = slot.unwrap();
            let name = words(row[1])[0];
            let width = row[1].split(" x").nth(1).map(|width| width.parse::<u8>().unwrap());
            assert_eq!((slot.name(), slot.device_lines()), (name, width), "{mode}");
        }
    }
}

#[test]
fn words_of_the_worked_example() {
    let mut wrong = Vec::new();
    for row in &table("What becomes of a word")[1..] {
        let force = if row[1] == "inverted" { Force::Invert } else { Force::High };
        let word = slot(words(row[2])[0]).expect(&lines(row[0]), Some(force)).unwrap().word.unwrap();
        let parts = [word.none, word.corrected, word.uncorrected, word.miscorrected, word.silent];
        let told: Vec<String> = parts.iter().map(|p| format!("{:.2} %", p * 100.0)).collect();
        if row[3..] != told {
            wrong.push(format!("| {} | {} |", row[..3].join(" | "), told.join(" | ")));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

#[test]
fn reads_during_the_hold() {
    let rows = table("Was it seen at all");
    assert!(rows.len() > 3);
    let mut wrong = Vec::new();
    for row in &rows[1..] {
        let hold_us: f64 = row[2].strip_suffix(" µs").unwrap().parse().unwrap();
        let rate: f64 = row[3].replace(',', "").parse().unwrap();
        let mem_type = if row[0].contains("_") { "Registered-DDR5" } else { "Registered-DDR4" };
        let facts = SlotFacts { mem_type: Some(mem_type), edac_mode: Some("SECDED"), ..SlotFacts::default() };
        let slot = SlotCode::of(&facts, &Override::default()).unwrap();
        let expected =
            slot.expect(&lines(row[0]), Some(if row[1] == "low" { Force::Low } else { Force::Invert })).unwrap();
        let seen = expected.shot((hold_us * 1000.0) as i64, rate).unwrap();
        let told = [seen.reads, seen.wrong_p, seen.reported_p, seen.corrected_first_p, seen.not_corrected_first_p];
        let told: Vec<String> = told.iter().map(|p| format!("{p:.4}")).collect();
        if row[4..] != told {
            wrong.push(format!("| {} | {} |", row[..4].join(" | "), told.join(" | ")));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}

/// The text of a fenced block.
fn block(fence: &str) -> &'static str {
    PAGE.split(&format!("```{fence}\n")).nth(1).unwrap().split("```").next().unwrap()
}

#[test]
fn the_matrix_on_the_page_is_read() {
    let code = Code::parse(block("text matrix")).unwrap();
    assert_eq!((code.name(), code.check_bits()), ("my-controller", 8));
    assert_eq!(code.columns("DQ1"), [0x0e]);
    // The page shows it so that nobody has to open the source; both must not drift apart.
    assert_eq!(code.symbols(), Code::builtin("hsiao-40-32").unwrap().symbols());
}

#[test]
fn refusals_are_as_the_page_has_them() {
    let good = block("text matrix");
    let rows = table("What is refused");
    assert!(rows.len() > 8);
    let mut wrong = Vec::new();
    for row in &rows[1..] {
        let cells = words(row[0]);
        // A row `old` → `new`: the text with one row replaced, or dropped.
        let (old, new) = (cells[0], cells.get(1).copied().unwrap_or_default());
        let whole =
            |line: &str| line.split('#').next().unwrap().split_whitespace().collect::<Vec<_>>().join(" ") == old;
        assert_eq!(good.lines().filter(|line| whole(line)).count(), 1, "{old}");
        let text: String = good.lines().map(|line| format!("{}\n", if whole(line) { new } else { line })).collect();
        let error = Code::parse(&text).map(|code| code.name().to_owned()).unwrap_err().to_string();
        if error != row[1] {
            wrong.push(format!("{}: {error}", row[0]));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
}
