//! The command `evidence`: a run as one page for people, to a file or to stdout.
//!
//! What stands on the page is crate `questions`' to find and crate `evidence`'s to lay out; the verdict on it is the one of the command
//! `verdict`. Only the date of the page and where it goes are decided here.

use crate::cli::Paper;
use crate::{ask, verdict as judged};
use anyhow::{Context, Result};
use questions::{Judged, PaperOrder, RunRef, Snapshot};
use std::path::Path;
use verdict::Judgement;

/// The criteria, what they say of the run, and where they came from.
struct Held {
    judgement: Judgement,
    from: String,
    text: String,
}

/// Makes the page.
pub(crate) fn evidence(order: &Paper) -> Result<()> {
    let connection = store::open_read(&order.db)?;
    // The page asks many questions, and those about misses again and again.
    connection.set_prepared_statement_cache_capacity(64);
    let snapshot = Snapshot::of(&connection, &RunRef::from(order.run.clone()))?;
    let made = clocks::wall();
    let held = order.criteria.as_deref().map(|path| hold(&snapshot, path, made)).transpose()?;
    let database = order.db.display().to_string();
    let paper = snapshot.paper(&PaperOrder {
        database: &database,
        version: env!("CARGO_PKG_VERSION"),
        made,
        judged: held.as_ref().map(|h| Judged { judgement: &h.judgement, from: &h.from, text: &h.text }),
    })?;
    let page = evidence::page(&paper);
    if order.out == Path::new("-") {
        return ask::say(&page);
    }
    std::fs::write(&order.out, page).with_context(|| format!("cannot write the page {}", order.out.display()))
}

fn hold(snapshot: &Snapshot<'_>, path: &Path, now: vocabulary::Wall) -> Result<Held> {
    let (criteria, text) = judged::read(path)?;
    let judgement = snapshot.verdict(&criteria, now)?;
    Ok(Held { judgement, from: path.display().to_string(), text })
}
