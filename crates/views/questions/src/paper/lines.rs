//! Forced lines against outcomes: one grid, and with DDR5 one for each sub-channel.

use crate::kept::LineRow as Kept;
use crate::{QuestionError, Snapshot};
use evidence::model::{LineCell, LineGrid, LineRow};
use std::collections::{BTreeMap, BTreeSet};

/// The signals that a grid has in whole rows once one of them was forced, and how many a module has: 64 data and 8 check lines
/// (JESD79-4), or 32 and 8 in each sub-channel (JESD79-5).
const WHOLE: [(&str, u16, u16); 2] = [("DQ", 64, 32), ("CB", 8, 8)];

/// The letters, the number and the sub-channel of a line's name.
fn parts(line: &str) -> Option<(&str, u16, Option<&str>)> {
    let digits = line.find(|c: char| c.is_ascii_digit())?;
    let (stem, rest) = line.split_at_checked(digits)?;
    let (number, sub_channel) = rest.split_once('_').map_or((rest, None), |(number, sub)| (number, Some(sub)));
    Some((stem, number.parse().ok()?, sub_channel))
}

/// Data lines first, then check bits, then strobes, each by its number; names of another form last.
fn rank(line: &str) -> (usize, u16, String) {
    let (stem, number) = parts(line).map_or((line, 0), |(stem, number, _)| (stem, number));
    let stems = ["DQ", "CB", "DQS"];
    (stems.iter().position(|s| *s == stem).unwrap_or(stems.len()), number, line.to_owned())
}

/// The names of the columns: all data lines where one was forced, all check bits where one was, and what else was forced.
fn columns(forced: &BTreeSet<&str>, sub_channel: Option<&str>) -> Vec<String> {
    let mut names: BTreeSet<String> = forced.iter().map(|line| (*line).to_owned()).collect();
    for (stem, of_module, of_half) in WHOLE {
        if forced.iter().any(|line| parts(line).is_some_and(|(s, ..)| s == stem)) {
            let all = if sub_channel.is_some() { of_half } else { of_module };
            let tail = sub_channel.map(|sub| format!("_{sub}")).unwrap_or_default();
            names.extend((0..all).map(|n| format!("{stem}{n}{tail}")));
        }
    }
    let mut names: Vec<String> = names.into_iter().collect();
    names.sort_by_key(|line| rank(line));
    names
}

impl Snapshot<'_> {
    pub(super) fn paper_lines(&self) -> Result<Vec<LineGrid>, QuestionError> {
        let rows = self.lines()?;
        let mut grids: BTreeMap<Option<String>, Vec<&Kept>> = BTreeMap::new();
        for row in &rows {
            let sub_channel = parts(&row.line).and_then(|(.., sub)| sub).map(str::to_owned);
            grids.entry(sub_channel).or_default().push(row);
        }
        let several = grids.len() > 1;
        Ok(grids.iter().map(|(sub_channel, rows)| grid(sub_channel.as_deref(), rows, several)).collect())
    }
}

/// One grid. The rows come slot by slot, and stay in that order.
fn grid(sub_channel: Option<&str>, rows: &[&Kept], several: bool) -> LineGrid {
    let forced: BTreeSet<&str> = rows.iter().map(|row| row.line.as_str()).collect();
    let lines = columns(&forced, sub_channel);
    let mut told: Vec<LineRow> = Vec::new();
    for row in rows {
        if told.last().is_none_or(|last| last.slot != *row.slot) {
            told.push(LineRow { slot: row.slot.to_string(), cells: vec![None; lines.len()] });
        }
        let column = lines.iter().position(|line| *line == row.line);
        let cell = told.last_mut().zip(column).and_then(|(last, column)| last.cells.get_mut(column));
        if let Some(cell) = cell {
            *cell = Some(LineCell { shots: row.watched + row.missed, missed: row.missed });
        }
    }
    let title = match sub_channel {
        Some(sub) => Some(format!("Sub-channel {sub}")),
        None => several.then(|| "No sub-channel named".to_owned()),
    };
    LineGrid { title, lines, rows: told }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn columns_are_the_modules_and_in_its_order() {
        let ddr4 = columns(&BTreeSet::from(["CB1", "DQ63", "DQS3"]), None);
        assert_eq!((ddr4.len(), ddr4[0].as_str(), ddr4[63].as_str()), (64 + 8 + 1, "DQ0", "DQ63"));
        assert_eq!(ddr4[64..], ["CB0", "CB1", "CB2", "CB3", "CB4", "CB5", "CB6", "CB7", "DQS3"]);
        let ddr5 = columns(&BTreeSet::from(["DQ9_B", "ALERT"]), Some("B"));
        assert_eq!(
            (ddr5.len(), ddr5[0].as_str(), ddr5[31].as_str(), ddr5[32].as_str()),
            (33, "DQ0_B", "DQ31_B", "ALERT")
        );
    }
}
