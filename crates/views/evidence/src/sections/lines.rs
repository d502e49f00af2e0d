//! Forced lines against outcomes: the grids, and the pairs of slot and line with misses as a table.

use crate::figures::count;
use crate::model::{LineCell, LineGrid, Paper, Section};
use crate::parts::{again, head, number, row_head, section, shown_of, table};
use crate::plots::lines;
use maud::{Markup, html};

/// More rows than this are no table for people.
const MOST_ROWS: usize = 60;

/// The whole part.
pub(crate) fn part(paper: &Paper) -> Markup {
    let body = html! {
        @if paper.lines.iter().all(|g| g.rows.is_empty() || g.lines.is_empty()) {
            p { "No feed named the lines that it forced." }
        } @else {
            p {
                "Each cell stands for the judged shots in which a line was forced at a slot, alone or together with others; a shot of several lines "
                "counts in each of their cells. Lines have the connector's names: the memory controller and the devices may number "
                "them otherwise."
            }
            @for grid in &paper.lines {
                @if let Some(title) = &grid.title { h3 { (title) } }
                div.scroll tabindex="0" role="region" aria-label="Misses by slot and line" { (lines::grid(grid)) }
            }
            (lines::keys())
            (missed(&paper.lines))
        }
        (again(&paper.recipes, Section::Lines))
    };
    section(Section::Lines, &body)
}

fn missed(grids: &[LineGrid]) -> Markup {
    let mut found: Vec<(&str, &str, &str, LineCell)> = Vec::new();
    for grid in grids {
        for row in &grid.rows {
            for (line, cell) in grid.lines.iter().zip(&row.cells) {
                if let Some(cell) = cell.filter(|cell| cell.missed > 0) {
                    found.push((&row.slot, grid.title.as_deref().unwrap_or_default(), line, cell));
                }
            }
        }
    }
    let total = i64::try_from(found.len()).unwrap_or(i64::MAX);
    if total == 0 {
        return html! { p { "No line at any slot has a miss." } };
    }
    // Most misses first; the sort keeps the order of the grid among equals.
    found.sort_by_key(|(_, _, _, cell)| std::cmp::Reverse(cell.missed));
    found.truncate(MOST_ROWS);
    let several = grids.len() > 1;
    let rows = html! {
        @for (slot, title, line, cell) in &found {
            tr {
                (row_head(slot))
                @if several { td { (title) } }
                td { (line) }
                (number(&count(cell.shots)))
                (number(&count(cell.missed)))
                (number(&lines::missed_share(*cell)))
            }
        }
    };
    let columns: &[&str] = if several {
        &["slot", "lines", "line", ">judged shots", ">missed", ">share missed"]
    } else {
        &["slot", "line", ">judged shots", ">missed", ">share missed"]
    };
    html! {
        (table("Slots and lines with misses", "most misses first", &head(columns), &rows))
        (shown_of(found.len(), total, "pairs of slot and line", ""))
    }
}
