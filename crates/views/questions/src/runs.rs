//! The question `runs`: which runs the database holds.

use crate::QuestionError;
use rusqlite::Connection;
use serde::Serialize;
use vocabulary::Wall;

/// One run in the list of runs.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct RunRow {
    /// The run's name.
    pub name: String,
    /// watch, rehearse or replay.
    pub kind: String,
    /// The machine's name, where known.
    pub host: Option<String>,
    /// The program's version that began the run.
    pub version: String,
    /// When it began, RFC 3339 in UTC.
    pub started: String,
    /// When it ended; null while it goes on, and after a crash.
    pub ended: Option<String>,
    /// How many shots it has.
    pub shots: i64,
    /// How many of them were missed.
    pub missed: i64,
    /// How many reports no shot explains.
    pub orphans: i64,
}

/// All runs of the database, the newest first.
///
/// # Errors
/// When the database cannot be read.
pub fn runs(connection: &Connection) -> Result<Vec<RunRow>, QuestionError> {
    let mut ask = connection.prepare_cached(
        "SELECT r.name, r.kind, r.host, r.version, r.started_wall_ns, r.ended_wall_ns,
                (SELECT coalesce(sum(shots), 0) FROM slot_total t WHERE t.run = r.run),
                (SELECT coalesce(sum(missed), 0) FROM slot_total t WHERE t.run = r.run),
                (SELECT coalesce(sum(reports), 0) FROM report_total o WHERE o.run = r.run AND o.role = 'orphan')
         FROM run r ORDER BY r.started_wall_ns DESC, r.run DESC",
    )?;
    let rows = ask.query_map([], |row| {
        Ok(RunRow {
            name: row.get(0)?,
            kind: row.get(1)?,
            host: row.get(2)?,
            version: row.get(3)?,
            started: Wall(row.get(4)?).rfc3339(),
            ended: row.get::<_, Option<i64>>(5)?.map(|at| Wall(at).rfc3339()),
            shots: row.get(6)?,
            missed: row.get(7)?,
            orphans: row.get(8)?,
        })
    })?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}
