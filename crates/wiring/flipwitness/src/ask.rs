//! Questions to a database: rows from crate `questions`, as a table or as JSON, to stdout.

use crate::cli::{Database, Listed, Orphans, Question, Rails, Shots};
use anyhow::Result;
use questions::{
    GapFilter, Listing, OutcomeWord, Page, RailFilter, ReportFilter, RunRef, ShotFilter, Snapshot, clock_table,
    gaps_table, orphans_table, rails_table, runs_table, shots_table, slots_table, why_table,
};
use std::io::Write;

/// Rows in a table if nothing else is said.
const TABLE_ROWS: usize = 100;
/// Rows read at a time for JSON.
const PAGE_ROWS: usize = 10_000;

pub(crate) fn slots(order: &Question) -> Result<()> {
    let connection = store::open_read(&order.database.db)?;
    let snapshot = Snapshot::of(&connection, &run(order))?;
    let rows = snapshot.slots()?;
    if order.database.json {
        return json(&rows);
    }
    say(&slots_table(&rows, &snapshot.run_summary()?))
}

pub(crate) fn shots(order: &Shots) -> Result<()> {
    let yes = |flag: bool| flag.then_some(true);
    let filter = ShotFilter {
        slot: order.slot.clone(),
        outcome: if order.missed { Some(OutcomeWord::Missed) } else { order.outcome },
        injector: order.injector.clone(),
        misplaced: yes(order.misplaced),
        misgraded: yes(order.misgraded),
        late: yes(order.late),
        shared: yes(order.shared),
        dangerous: yes(order.dangerous),
        ..ShotFilter::default()
    };
    if order.why {
        return listed(&order.listed, |snapshot, page| Ok(snapshot.shots_with_causes(&filter, page)?), why_table);
    }
    listed(&order.listed, |snapshot, page| Ok(snapshot.shots(&filter, page)?), shots_table)
}

pub(crate) fn orphans(order: &Orphans) -> Result<()> {
    let filter = ReportFilter { slot: order.slot.clone(), ..ReportFilter::default() };
    listed(&order.listed, |snapshot, page| Ok(snapshot.orphans(&filter, page)?), orphans_table)
}

pub(crate) fn gaps(order: &Listed) -> Result<()> {
    let filter = GapFilter::default();
    listed(order, |snapshot, page| Ok(snapshot.gaps(&filter, page)?), gaps_table)
}

pub(crate) fn rails(order: &Rails) -> Result<()> {
    let filter = RailFilter { slot: order.slot.clone(), rail: order.rail.clone() };
    listed(&order.listed, |snapshot, page| Ok(snapshot.rails(&filter, page)?), rails_table)
}

pub(crate) fn clock(order: &Question) -> Result<()> {
    let connection = store::open_read(&order.database.db)?;
    let snapshot = Snapshot::of(&connection, &run(order))?;
    let rows = snapshot.clocks()?;
    if order.database.json {
        return json(&rows);
    }
    say(&clock_table(&rows, &snapshot.run_summary()?))
}

pub(crate) fn runs(order: &Database) -> Result<()> {
    let connection = store::open_read(&order.db)?;
    let rows = questions::runs(&connection)?;
    if order.json { json(&rows) } else { say(&runs_table(&rows)) }
}

pub(crate) fn run(order: &Question) -> RunRef {
    RunRef::from(order.run.clone())
}

/// A long answer: one page as a table, or all of it as one JSON array, page by page so that memory stays small.
fn listed<T: serde::Serialize>(
    order: &Listed,
    ask: impl Fn(&Snapshot<'_>, &Page) -> Result<Listing<T>>,
    table: impl Fn(&Listing<T>, &questions::RunSummary) -> String,
) -> Result<()> {
    let connection = store::open_read(&order.question.database.db)?;
    let snapshot = Snapshot::of(&connection, &run(&order.question))?;
    let mut page = Page { limit: order.limit.unwrap_or(TABLE_ROWS), after: order.after.clone() };
    if !order.question.database.json {
        let rows = ask(&snapshot, &page)?;
        return say(&table(&rows, &snapshot.run_summary()?));
    }
    let mut left = order.limit.unwrap_or(usize::MAX);
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    let mut first = true;
    out.write_all(b"[")?;
    while left > 0 {
        page.limit = left.min(PAGE_ROWS);
        let rows = ask(&snapshot, &page)?;
        left -= rows.items.len().min(left);
        for row in &rows.items {
            out.write_all(if first { b"\n" } else { b",\n" })?;
            first = false;
            serde_json::to_writer(&mut out, row).map_err(std::io::Error::from)?;
        }
        match rows.next {
            Some(next) => page.after = Some(next),
            None => break,
        }
    }
    out.write_all(b"\n]\n")?;
    Ok(out.flush()?)
}

fn json<T: serde::Serialize>(rows: &[T]) -> Result<()> {
    let mut out = std::io::stdout().lock();
    serde_json::to_writer_pretty(&mut out, rows).map_err(std::io::Error::from)?;
    Ok(out.write_all(b"\n")?)
}

pub(crate) fn say(text: &str) -> Result<()> {
    let mut out = std::io::stdout().lock();
    out.write_all(text.as_bytes())?;
    if !text.ends_with('\n') {
        out.write_all(b"\n")?;
    }
    Ok(())
}
