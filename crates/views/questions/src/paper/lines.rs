//! Forced lines against outcomes: one grid, and with DDR5 one for each sub-channel.

use crate::kept::LineRow as Kept;
use crate::{QuestionError, Snapshot};
use evidence::model::{LineCell, LineGrid, LineRow};
use std::collections::{BTreeMap, BTreeSet};
use vocabulary::{Signal, SignalKind, SubChannel};

/// The kinds that a grid has in whole rows once one of them was forced, and how many a module has: 64 data and 8 check lines
/// (JESD79-4), or 32 and 8 in each sub-channel (JESD79-5).
const WHOLE: [(SignalKind, u8, u8); 2] = [(SignalKind::Data, 64, 32), (SignalKind::Check, 8, 8)];

/// Data lines first, then check lines, then strobes, each by its number; names of another form last.
fn rank(line: &str) -> (bool, Option<(SignalKind, u8)>, String) {
    let signal = Signal::parse(line);
    (signal.is_none(), signal.map(|signal| (signal.kind, signal.number)), line.to_owned())
}

/// The names of the columns: all data lines where one was forced, all check lines where one was, and what else was forced.
fn columns(forced: &BTreeSet<&str>, sub_channel: Option<SubChannel>) -> Vec<String> {
    let mut names: BTreeSet<String> = forced.iter().map(|line| (*line).to_owned()).collect();
    for (kind, of_module, of_half) in WHOLE {
        if forced.iter().any(|line| Signal::parse(line).is_some_and(|signal| signal.kind == kind)) {
            let all = if sub_channel.is_some() { of_half } else { of_module };
            names.extend((0..all).map(|number| Signal { kind, number, sub_channel }.to_string()));
        }
    }
    let mut names: Vec<String> = names.into_iter().collect();
    names.sort_by_key(|line| rank(line));
    names
}

impl Snapshot<'_> {
    pub(super) fn paper_lines(&self) -> Result<Vec<LineGrid>, QuestionError> {
        let rows = self.lines()?;
        let mut grids: BTreeMap<Option<SubChannel>, Vec<&Kept>> = BTreeMap::new();
        for row in &rows {
            let sub_channel = Signal::parse(&row.line).and_then(|signal| signal.sub_channel);
            grids.entry(sub_channel).or_default().push(row);
        }
        let several = grids.len() > 1;
        Ok(grids.iter().map(|(sub_channel, rows)| grid(*sub_channel, rows, several)).collect())
    }
}

/// One grid. The rows come slot by slot, and stay in that order.
fn grid(sub_channel: Option<SubChannel>, rows: &[&Kept], several: bool) -> LineGrid {
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
        Some(sub) => Some(format!("Sub-channel {}", sub.letter())),
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
        let ddr5 = columns(&BTreeSet::from(["DQ9_B", "ALERT"]), Some(SubChannel::B));
        assert_eq!(
            (ddr5.len(), ddr5[0].as_str(), ddr5[31].as_str(), ddr5[32].as_str()),
            (33, "DQ0_B", "DQ31_B", "ALERT")
        );
    }
}
