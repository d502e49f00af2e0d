//! The grid of slots and forced lines: a cell stands out the more the larger its share of misses, and a figure says how
//! many, so that it reads without colour.

use super::names::{in_margin, width as margin};
use crate::figures::{count, percent};
use crate::model::{LineCell, LineGrid};
use crate::parts::key;
use crate::scale::px;
use maud::{Markup, html};

const CELL: f64 = 12.0;
const TOP: f64 = 34.0;

/// The shares of misses from which on a cell stands out more, and the words for it.
const STEPS: [(f64, &str); 5] =
    [(0.0, "none missed"), (1e-12, "up to 1 %"), (0.01, "up to 10 %"), (0.1, "up to half"), (0.5, "more than half")];

/// The classes of the shades, in the same order.
const SHADES: [&str; 5] = ["c0", "c1", "c2", "c3", "c4"];

/// Which step a cell is at.
fn step(cell: LineCell) -> usize {
    let share = if cell.shots > 0 { cell.missed as f64 / cell.shots as f64 } else { 0.0 };
    STEPS.iter().rposition(|(from, _)| if *from < 0.005 { share >= *from } else { share > *from }).unwrap_or(0)
}

/// The grid.
pub(crate) fn grid(grid: &LineGrid) -> Markup {
    let left = margin(grid.rows.iter().map(|row| row.slot.as_str()), 60.0);
    let width = left + CELL * grid.lines.len() as f64 + 8.0;
    let height = TOP + CELL * grid.rows.len() as f64 + 6.0;
    html! {
        svg.grid viewBox=(format!("0 0 {width} {height}")) width=(width) height=(height) role="img" {
            title { "Misses by slot and forced line" @if let Some(title) = &grid.title { ", " (title) } }
            desc { (described(grid)) }
            @for (n, line) in grid.lines.iter().enumerate() {
                @let x = left + CELL * n as f64;
                @if labelled(&grid.lines, n) {
                    text.s x=(x + 1.0) y=(TOP - 14.0) { (line) }
                    path.x d=(format!("M{x} {}V{}", TOP - 11.0, TOP - 2.0)) {}
                }
            }
            @for (n, row) in grid.rows.iter().enumerate() {
                @let y = TOP + CELL * n as f64;
                text.e x=(left - 6.0) y=(px(y + CELL - 2.6)) { (in_margin(&row.slot)) }
                @for (column, cell) in row.cells.iter().enumerate() {
                    @let x = left + CELL * column as f64;
                    @if let Some(cell) = cell { (drawn(*cell, x, y, grid.lines.get(column))) }
                }
                path.never d=(never(&row.cells, left, y)) {}
            }
        }
    }
}

fn drawn(cell: LineCell, x: f64, y: f64, line: Option<&String>) -> Markup {
    let at = step(cell);
    html! {
        rect class=(SHADES.get(at).unwrap_or(&"c0")) x=(x) y=(y) width="11" height="11" {
            title { @if let Some(line) = line { (line) ": " } (cell.missed) " of " (cell.shots) " missed" }
        }
        @if cell.missed > 0 {
            text class=(if at < 3 { "num d" } else { "num" }) x=(x + 5.5) y=(y + 8.5) textLength=[(cell.missed > 99).then_some("9.6")] lengthAdjust=[(cell.missed > 99).then_some("spacingAndGlyphs")] {
                @if cell.missed > 99 { "99+" } @else { (cell.missed) }
            }
        }
    }
}

/// Small points where a line was never forced.
fn never(cells: &[Option<LineCell>], left: f64, y: f64) -> String {
    let empty = cells.iter().enumerate().filter(|(_, cell)| cell.is_none());
    empty.map(|(n, _)| format!("M{} {}h2v2h-2z", px(left + CELL * n as f64 + 4.5), px(y + 4.5))).collect()
}

/// Every eighth line is named, and the first one of another kind.
fn labelled(lines: &[String], n: usize) -> bool {
    let kind = |n: usize| lines.get(n).map(|l| l.trim_end_matches(|c: char| c.is_ascii_digit()));
    let first = n == 0 || kind(n) != kind(n - 1);
    let since = (0..=n).rev().take_while(|m| kind(*m) == kind(n)).count() - 1;
    // A name needs the room of three cells.
    first || (since.is_multiple_of(8) && lines.len() > n)
}

fn described(grid: &LineGrid) -> String {
    let cells = grid.rows.iter().flat_map(|r| &r.cells);
    let (mut forced, mut never, mut with_misses) = (0i64, 0i64, 0i64);
    for cell in cells {
        match cell {
            None => never += 1,
            Some(cell) => {
                forced += 1;
                with_misses += i64::from(cell.missed > 0);
            }
        }
    }
    format!(
        "{} slots by {} lines. Forced: {} pairs of slot and line, of which {} have misses; never forced: {}. The table below names \
         those with misses.",
        grid.rows.len(),
        grid.lines.len(),
        count(forced),
        count(with_misses),
        count(never)
    )
}

/// A share of misses in words, for the table.
pub(crate) fn missed_share(cell: LineCell) -> String {
    if cell.shots > 0 { percent(cell.missed as f64 / cell.shots as f64) } else { crate::figures::NOT_TOLD.to_owned() }
}

/// What the shades mean.
pub(crate) fn keys() -> Markup {
    html! {
        p.small.keys {
            @for (class, (_, words)) in SHADES.iter().zip(STEPS) {
                (key(&html! { rect class=(class) x="6" y="0" width="12" height="12" {} }, words))
            }
            (key(&html! { rect.never x="11" y="5" width="2" height="2" {} }, "never forced"))
            "The figure in a cell is the number of missed shots."
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn shades_go_by_the_share_of_misses() {
        let table = [
            (0, 300, 0),
            (1, 300, 1),
            (3, 300, 1),
            (4, 300, 2),
            (30, 300, 2),
            (31, 300, 3),
            (150, 300, 3),
            (151, 300, 4),
            (0, 0, 0),
        ];
        for (missed, shots, expected) in table {
            assert_eq!(step(LineCell { shots, missed }), expected, "{missed} of {shots}");
        }
    }

    #[test]
    fn every_eighth_line_has_its_name() {
        let lines: Vec<String> = (0..64).map(|n| format!("DQ{n}")).chain((0..8).map(|n| format!("CB{n}"))).collect();
        let named: Vec<usize> = (0..72).filter(|n| labelled(&lines, *n)).collect();
        assert_eq!(named, [0, 8, 16, 24, 32, 40, 48, 56, 64]);
    }
}
