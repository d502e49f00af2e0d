//! Every moment of a run as a date: the page has one axis of time over all boots.
//!
//! A boot has the dates of its last measured clock pair, as everywhere. One without a pair begins, for the page alone, where the boot
//! before it ends, or with the run; the page says so. The parts of `paper` call this.

use crate::{QuestionError, Snapshot};
use std::collections::BTreeMap;
use vocabulary::{Mono, Wall};

/// A boot on the page's axis.
#[derive(Clone, Copy, Debug)]
pub(super) struct OnAxis {
    /// What is added to a stamp of the boot to make a date of it, nanoseconds.
    pub(super) shift_ns: i64,
    /// When the run began in it.
    pub(super) first: Wall,
    /// Up to when it was watched.
    pub(super) watched: Wall,
}

/// The boots of a run on one axis.
#[derive(Debug, Default)]
pub(super) struct Calendar {
    pub(super) boots: BTreeMap<i64, OnAxis>,
    /// How many boots have no measured clock pair.
    pub(super) without_pair: usize,
}

impl Calendar {
    pub(super) fn load(run: &Snapshot<'_>) -> Result<Calendar, QuestionError> {
        let started: i64 = run
            .db
            .prepare_cached("SELECT started_wall_ns FROM run WHERE run = ?1")?
            .query_row([run.run], |r| r.get(0))?;
        let mut ask =
            run.db.prepare_cached("SELECT boot, first_ns, watched_ns FROM boot WHERE run = ?1 ORDER BY boot")?;
        let mut found = ask.query([run.run])?;
        let mut calendar = Calendar::default();
        let mut end = started;
        while let Some(row) = found.next()? {
            let (boot, first, watched): (i64, i64, i64) = (row.get(0)?, row.get(1)?, row.get(2)?);
            let at = run.dates.wall(boot, first);
            calendar.without_pair += usize::from(at.is_none());
            let at = at.map_or(end, |at| at.0);
            let shift_ns = at.saturating_sub(first);
            let watched = Wall(watched.max(first).saturating_add(shift_ns));
            calendar.boots.insert(boot, OnAxis { shift_ns, first: Wall(at), watched });
            end = watched.0;
        }
        Ok(calendar)
    }

    /// The date of a stamp; nothing for a boot that is not one of the run's.
    pub(super) fn wall(&self, boot: i64, at: Mono) -> Option<Wall> {
        self.boots.get(&boot).map(|b| Wall(at.0.saturating_add(b.shift_ns)))
    }

    /// From the beginning of the first boot to the end of the last one.
    pub(super) fn span(&self) -> Option<(Wall, Wall)> {
        let from = self.boots.values().map(|b| b.first).min()?;
        let to = self.boots.values().map(|b| b.watched).max()?;
        Some((from, to))
    }
}
