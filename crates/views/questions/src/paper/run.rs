//! The top of the page: which run it is, what was counted over it, and what it says of itself.

use super::Case;
use crate::{QuestionError, Snapshot};
use evidence::model::{Kind, Remark, Run, Totals};
use rusqlite::params;
use std::collections::BTreeMap;
use vocabulary::{Mono, Wall};

/// More remarks are not shown; warnings come first.
const MOST_REMARKS: usize = 100;

impl Snapshot<'_> {
    pub(super) fn paper_run(&self, case: &Case<'_>) -> Result<Run, QuestionError> {
        let summary = &case.summary;
        let mut ask = self.db.prepare_cached("SELECT started_wall_ns, ended_wall_ns FROM run WHERE run = ?1")?;
        let (started, ended): (i64, Option<i64>) = ask.query_row(params![self.run], |r| Ok((r.get(0)?, r.get(1)?)))?;
        let kind = match summary.kind.as_str() {
            "rehearse" => Kind::Rehearse,
            "replay" => Kind::Replay,
            _ => Kind::Watch,
        };
        let t = &summary.totals;
        Ok(Run {
            number: self.run,
            name: summary.name.clone(),
            kind,
            invented: kind == Kind::Rehearse,
            host: summary.host.clone(),
            started: Wall(started),
            ended: ended.map(Wall),
            watched_until: case.calendar.span().map(|(_, until)| until),
            watched_ns: summary.watched_ns,
            version: summary.version.clone(),
            page_version: case.order.version.to_owned(),
            page_made: case.order.made,
            database: case.order.database.to_owned(),
            schema: self.db.query_row("PRAGMA user_version", [], |r| r.get(0))?,
            totals: Totals {
                injections: t.injections,
                shots: t.shots,
                detected: t.detected,
                missed: t.missed,
                unknowable: t.unknowable,
                open: t.open,
                reports: t.reports,
                matches: t.matches,
                echoes: t.echoes,
                orphans: t.orphans,
                unsure: t.doubt.unsure,
            },
            caution: summary.caution.clone(),
            remarks: remarks(case),
        })
    }
}

/// Warnings first, then in order of time; what was said several times is said once.
fn remarks(case: &Case<'_>) -> Vec<Remark> {
    let mut said: BTreeMap<(bool, &str), (usize, Option<Wall>)> = BTreeMap::new();
    for (nth, line) in case.summary.remarks.iter().enumerate() {
        let at = case.calendar.wall(line.boot, Mono(line.at_ns));
        said.entry((line.level != "warning", &line.text)).or_insert((nth, at));
    }
    let mut remarks: Vec<_> = said.into_iter().collect();
    remarks.sort_by_key(|((is_note, _), (nth, _))| (*is_note, *nth));
    remarks.truncate(MOST_REMARKS);
    let told = |((is_note, text), (_, at)): ((bool, &str), (usize, Option<Wall>))| Remark {
        warning: !is_note,
        text: text.to_owned(),
        at,
    };
    remarks.into_iter().map(told).collect()
}
