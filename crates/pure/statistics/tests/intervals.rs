//! Intervals against a stored table that scipy and mpmath made: `fixtures/statistics/intervals.csv`, with the script that writes it.
//!
//! Exact intervals agree within 10⁻⁹ of the distance from the nearer of 0 and 1, Wilson's within 10⁻¹² of it, and Poisson limits within
//! 10⁻¹² of themselves.
#![allow(clippy::unwrap_used, clippy::indexing_slicing, reason = "this is test code all through: it may panic")]

use statistics::{Interval, poisson, proportion};
use std::path::Path;

struct Row {
    kind: String,
    count: u64,
    of: u64,
    alpha: f64,
    is: Interval,
}

fn table() -> Vec<Row> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../../fixtures/statistics/intervals.csv");
    let text = std::fs::read_to_string(path).unwrap();
    let row = |line: &str| {
        let cells: Vec<&str> = line.split(',').collect();
        let number = |place: usize| -> f64 { cells[place].parse().unwrap() };
        Row {
            kind: cells[0].to_owned(),
            count: cells[1].parse().unwrap(),
            of: cells[2].parse().unwrap(),
            alpha: number(3),
            is: Interval { lower: number(4), upper: number(5) },
        }
    };
    text.lines().filter(|line| !line.starts_with('#')).map(row).collect()
}

/// How far a proportion is off, as a share of its distance from the nearer of 0 and 1; a number near 1 has no better digits than half of
/// 2⁻⁵², which is not counted.
fn off(told: f64, is: f64) -> f64 {
    let wrong = ((told - is).abs() - 1.2e-16).max(0.0);
    if wrong == 0.0 { 0.0 } else { wrong / is.min(1.0 - is) }
}

#[test]
fn as_scipy_has_them() {
    let table = table();
    assert!(table.len() >= 500 && table.iter().any(|row| row.of == 1_000_000_000));
    let mut worst = [("exact", 0.0), ("wilson", 0.0), ("rate", 0.0)];
    for Row { kind, count, of, alpha, is } in table {
        let told = match kind.as_str() {
            "exact" => proportion::exact(count, of, alpha),
            "wilson" => proportion::wilson(count, of, alpha),
            _ => poisson::exact(count, 1.0, alpha),
        };
        let told = told.unwrap();
        let off = if kind == "rate" {
            let off = |told: f64, is: f64| if told == is { 0.0 } else { (told / is - 1.0).abs() };
            off(told.lower, is.lower).max(off(told.upper, is.upper))
        } else {
            off(told.lower, is.lower).max(off(told.upper, is.upper))
        };
        let within = if kind == "exact" { 1e-9 } else { 1e-12 };
        assert!(off <= within, "{kind} {count} of {of} at {alpha}: {told:?}, not {is:?}: {off:e}");
        let worst = worst.iter_mut().find(|(name, _)| *name == kind).unwrap();
        worst.1 = off.max(worst.1);
    }
    println!("largest difference, relative: {worst:?}");
}
