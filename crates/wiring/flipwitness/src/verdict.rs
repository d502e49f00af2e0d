//! The command `verdict`: a run's counts held against the criteria, as a table, JSON or JUnit XML, and as an exit status.
//!
//! Nothing is decided here: crate `verdict` judges what crate `questions` counts. `plan` reads its criteria the same way.

use crate::cli::{Asked, Verdict};
use crate::{ask, exit};
use anyhow::{Context, Result, bail};
use daemon::Config;
use questions::{RunSummary, Snapshot, verdict_table};
use std::path::Path;
use verdict::junit::{Suite, junit};
use verdict::{Criteria, Judgement};

/// Says what the counts show; returns the exit status.
pub(crate) fn verdict(order: &Verdict) -> Result<u8> {
    let criteria = criteria(&order.asked)?;
    let in_place = order.junit.as_deref() == Some(Path::new("-"));
    if in_place && order.question.database.json {
        bail!(exit::WrongUsage("--json and --junit - cannot both write to stdout"));
    }
    let connection = store::open_read(&order.question.database.db)?;
    let snapshot = Snapshot::of(&connection, &ask::run(&order.question))?;
    let judgement = snapshot.verdict(&criteria, clocks::wall())?;
    let summary = snapshot.run_summary()?;
    if let Some(path) = order.junit.as_deref().filter(|_| !in_place) {
        std::fs::write(path, suite(&judgement, &summary))
            .with_context(|| format!("cannot write the JUnit file {}", path.display()))?;
    }
    let text = match (in_place, order.question.database.json) {
        (true, _) => suite(&judgement, &summary),
        (_, true) => serde_json::to_string_pretty(&judgement)?,
        _ => verdict_table(&judgement, &summary),
    };
    match ask::say(&text) {
        // Whoever read the first lines only still gets the status.
        Err(error) if !exit::is_broken_pipe(&error) => Err(error),
        _ => Ok(judgement.verdict.exit_status()),
    }
}

/// The criteria of `--criteria`, or else of the configuration.
pub(crate) fn criteria(asked: &Asked) -> Result<Criteria> {
    if let Some(path) = &asked.criteria {
        return Ok(read(path)?.0);
    }
    let configured = Config::load(asked.config.as_deref())?.criteria.read()?;
    configured.ok_or_else(|| {
        exit::WrongUsage(
            "there are no criteria: name a file with --criteria, or with criteria.file in the configuration",
        )
        .into()
    })
}

/// The criteria of a file, and what stands in it.
pub(crate) fn read(path: &Path) -> Result<(Criteria, String)> {
    let text =
        std::fs::read_to_string(path).with_context(|| format!("cannot read the criteria from {}", path.display()))?;
    Ok((Criteria::parse(&text, path)?, text))
}

fn suite(judgement: &Judgement, run: &RunSummary) -> String {
    let watched: i64 = run.boots.iter().map(|boot| boot.watched_ns.saturating_sub(boot.first_ns).max(0)).sum();
    let suite = Suite {
        host: run.host.as_deref().unwrap_or("unknown"),
        started: Some(&run.started),
        seconds: watched as f64 / 1e9,
        version: env!("CARGO_PKG_VERSION"),
    };
    junit(judgement, &suite)
}
