//! The question `run`: what a run says about itself before its numbers are believed, and its totals.

use crate::slots::Doubt;
use crate::snapshot::json_column;
use crate::sums::Sums;
use crate::{QuestionError, RoleWord, Snapshot};
use rusqlite::{OptionalExtension, params};
use serde::Serialize;
use vocabulary::Wall;

/// One run as a whole.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct RunSummary {
    /// The run's name.
    pub name: String,
    /// watch, rehearse or replay.
    pub kind: String,
    /// The machine's name, where known.
    pub host: Option<String>,
    /// The kernel of the last boot.
    pub kernel: Option<String>,
    /// The program's version that began the run.
    pub version: String,
    /// When it began, RFC 3339 in UTC.
    pub started: String,
    /// When it ended; null while it goes on, and after a crash.
    pub ended: Option<String>,
    /// Whether it has not been ended. After a crash that is true as well: `watched_until` then stays behind.
    pub running: bool,
    /// Up to when the machine is known to have been watched.
    pub watched_until: Option<String>,
    /// The boots of the run, the first one first.
    pub boots: Vec<BootLine>,
    /// What became of all shots and reports.
    pub totals: Totals,
    /// The time in nanoseconds in which everything that reports errors was watched, over all boots.
    pub watched_ns: i64,
    /// The shortest time in nanoseconds between two shots at one slot at which pairing tells their reports apart; null while too
    /// little is known.
    pub enough_spacing_ns: Option<i64>,
    /// What must be said of the answers when too many of them are not sure; null when all is well.
    pub caution: Option<String>,
    /// The intervals in which at least one source was not watching.
    pub gaps: GapTotal,
    /// What must be known before the numbers are believed, in order of time.
    pub remarks: Vec<RemarkLine>,
    /// Every setting that can change an answer.
    pub settings: serde_json::Value,
}

/// One kernel boot within the run.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct BootLine {
    /// The boot's number in the database: what rows give as `boot`.
    pub boot: i64,
    /// The kernel's own id of the boot.
    pub boot_id: String,
    /// The kernel's release.
    pub kernel: String,
    /// When the run began in this boot, monotonic nanoseconds.
    pub first_ns: i64,
    /// Up to when it is known to have been watched, monotonic nanoseconds.
    pub watched_ns: i64,
    /// `first_ns` as a date, RFC 3339 in UTC.
    pub first: Option<String>,
    /// `watched_ns` as a date.
    pub watched: Option<String>,
}

/// Totals of a run; the words are those of the slots.
#[derive(Clone, Copy, PartialEq, Debug, Default, Serialize)]
pub struct Totals {
    /// Orders from the feeds.
    pub injections: i64,
    /// Shots: detected + missed + unknowable + open.
    pub shots: i64,
    /// Shots with at least one report that fits.
    pub detected: i64,
    /// Of these, shots whose whole window was watched.
    pub watched: i64,
    /// Shots whose window closed with none, while every source was watching.
    pub missed: i64,
    /// Shots whose window overlaps a gap.
    pub unknowable: i64,
    /// Shots that are not settled yet.
    pub open: i64,
    /// Shots that share their report with another shot.
    pub shared: i64,
    /// Shots that were blamed on another slot.
    pub misplaced: i64,
    /// Shots reported with another severity class than expected.
    pub misgraded: i64,
    /// Shots reported as corrected where the data may be wrong.
    pub dangerous: i64,
    /// Shots detected after the deadline.
    pub late: i64,
    /// detected / (detected + missed); null when that is 0 / 0.
    pub detection_rate: Option<f64>,
    /// The mean of the shots' probabilities of detection; null when no shot has one.
    pub detection_estimate: Option<f64>,
    /// How sure the answers about the shots are.
    #[serde(flatten)]
    pub doubt: Doubt,
    /// How many shots have an unprovoked report in their window, on average; null where that cannot be said of any slot.
    pub accidental: Option<f64>,
    /// Reports: matches + echoes + orphans.
    pub reports: i64,
    /// Reports that detected a shot.
    pub matches: i64,
    /// Further reports explained by already detected shots.
    pub echoes: i64,
    /// Reports that no shot explains.
    pub orphans: i64,
    /// Orphans that name no slot, or several.
    pub orphans_without_place: i64,
}

/// Gaps taken together.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Serialize)]
pub struct GapTotal {
    /// How many.
    pub count: i64,
    /// The time in nanoseconds in which at least one source was not watching; overlapping gaps count once.
    pub total_ns: i64,
}

/// One remark.
#[derive(Clone, PartialEq, Eq, Debug, Serialize)]
pub struct RemarkLine {
    /// note or warning.
    pub level: String,
    /// What must be known.
    pub text: String,
    /// The boot whose clock the stamp is on.
    pub boot: i64,
    /// When it was written down, monotonic nanoseconds.
    pub at_ns: i64,
    /// `at_ns` as a date, RFC 3339 in UTC.
    pub at: Option<String>,
}

/// From this share of unsure answers on, a reader must be told before any single answer is believed.
const TOO_UNSURE: f64 = 0.05;

/// What must be said when too many answers are not sure.
fn caution(t: &Totals, enough_spacing_ns: Option<i64>) -> Option<String> {
    let share = t.doubt.unsure_share.filter(|share| *share > TOO_UNSURE)?;
    let mut text = format!(
        "the answers about {} of {} shots ({:.1} %) are less than 90 % sure",
        t.doubt.unsure,
        t.detected + t.missed,
        share * 100.0
    );
    if t.doubt.guessed > 0 {
        let are = if t.doubt.guessed == 1 { "is no better than a guess" } else { "are no better than guesses" };
        text += &format!(", and {} of them {are}", t.doubt.guessed);
    }
    text += ": believe the estimated detection rate, but no single one of these shots; ";
    text += &match enough_spacing_ns {
        // Rounded up, so that what is advised is enough.
        Some(ns) => {
            let ms = ns.saturating_add(999_999) / 1_000_000;
            format!("spacing too short to tell these apart: use at least {ms} ms between shots at one slot")
        }
        None => "too little is known yet to say which spacing would tell them apart".to_owned(),
    };
    Some(text)
}

impl Snapshot<'_> {
    /// The run as a whole.
    ///
    /// # Errors
    /// When the database cannot be read.
    pub fn run_summary(&self) -> Result<RunSummary, QuestionError> {
        let boots = self.boot_lines()?;
        let background = self.background()?;
        let (mut totals, gaps, remarks) = (self.totals()?, self.gap_total()?, self.remarks()?);
        let (sums, orphans) = (self.sums()?, self.orphans_by_slot()?);
        for (slot, sums) in &sums {
            let controller = self.slots.get(slot).and_then(|facts| facts.controller);
            let orphans = orphans.get(slot).copied().unwrap_or(0);
            if let Some(more) = background.chance(controller, orphans, sums).accidental {
                *totals.accidental.get_or_insert(0.0) += more;
            }
        }
        let enough_spacing_ns = self.enough_spacing_ns()?;
        let mut ask = self.db.prepare_cached(
            "SELECT name, kind, host, version, started_wall_ns, ended_wall_ns, settings FROM run WHERE run = ?1",
        )?;
        Ok(ask.query_row([self.run], |row| {
            let ended: Option<i64> = row.get(5)?;
            Ok(RunSummary {
                name: row.get(0)?,
                kind: row.get(1)?,
                host: row.get(2)?,
                kernel: boots.last().map(|b| b.kernel.clone()),
                version: row.get(3)?,
                started: Wall(row.get(4)?).rfc3339(),
                ended: ended.map(|at| Wall(at).rfc3339()),
                running: ended.is_none(),
                watched_until: boots.last().and_then(|b| b.watched.clone()),
                boots,
                totals,
                watched_ns: background.all_watched_ns(),
                enough_spacing_ns,
                caution: caution(&totals, enough_spacing_ns),
                gaps,
                remarks,
                settings: json_column(row, 6)?,
            })
        })?)
    }

    fn boot_lines(&self) -> Result<Vec<BootLine>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT boot, boot_id, kernel, first_ns, watched_ns FROM boot WHERE run = ?1 ORDER BY boot",
        )?;
        let lines = ask.query_map([self.run], |row| {
            let (boot, first_ns, watched_ns) = (row.get(0)?, row.get(3)?, row.get(4)?);
            Ok(BootLine {
                boot,
                boot_id: row.get(1)?,
                kernel: row.get(2)?,
                first_ns,
                watched_ns,
                first: self.dates.date(boot, first_ns),
                watched: self.dates.date(boot, watched_ns),
            })
        })?;
        Ok(lines.collect::<rusqlite::Result<_>>()?)
    }

    fn remarks(&self) -> Result<Vec<RemarkLine>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT m.level, m.text, m.boot, m.at_ns FROM remark m JOIN boot b USING (boot)
             WHERE b.run = ?1 ORDER BY m.boot, m.at_ns, m.remark",
        )?;
        let lines = ask.query_map([self.run], |row| {
            let (boot, at_ns) = (row.get(2)?, row.get(3)?);
            Ok(RemarkLine { level: row.get(0)?, text: row.get(1)?, boot, at_ns, at: self.dates.date(boot, at_ns) })
        })?;
        Ok(lines.collect::<rusqlite::Result<_>>()?)
    }

    /// What the newest checkpoint says of it that says anything.
    pub(crate) fn enough_spacing_ns(&self) -> Result<Option<i64>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT spacing_ns FROM checkpoint JOIN boot USING (boot) WHERE run = ?1 AND spacing_ns IS NOT NULL
             ORDER BY boot DESC LIMIT 1",
        )?;
        Ok(ask.query_row([self.run], |row| row.get(0)).optional()?)
    }

    fn gap_total(&self) -> Result<GapTotal, QuestionError> {
        let mut ask =
            self.db.prepare_cached("SELECT boot, from_ns, to_ns FROM gap WHERE run = ?1 ORDER BY boot, from_ns")?;
        let mut answer = ask.query([self.run])?;
        let mut total = GapTotal::default();
        let mut covered: Option<(i64, i64)> = None;
        while let Some(found) = answer.next()? {
            let (boot, from, to): (i64, i64, i64) = (found.get(0)?, found.get(1)?, found.get(2)?);
            let begin = match covered {
                Some((b, until)) if b == boot => from.max(until),
                _ => from,
            };
            total.count += 1;
            total.total_ns = total.total_ns.saturating_add(to.saturating_sub(begin).max(0));
            covered = Some((boot, to.max(begin)));
        }
        Ok(total)
    }

    fn totals(&self) -> Result<Totals, QuestionError> {
        let mut t = Totals::default();
        let mut sums = Sums::default();
        for of_slot in self.sums()?.values() {
            sums.add(of_slot);
        }
        (t.injections, t.shots, t.detected, t.missed) = (sums.injections, sums.shots, sums.detected, sums.missed);
        (t.watched, t.unknowable, t.open) = (sums.watched, sums.unknowable, sums.open());
        (t.shared, t.misplaced, t.misgraded, t.late) = (sums.shared, sums.misplaced, sums.misgraded, sums.late);
        t.dangerous = sums.dangerous;
        (t.detection_rate, t.detection_estimate) = (sums.detection_rate(), sums.detection_estimate());
        t.doubt = sums.doubt();
        let mut ask = self.db.prepare_cached(
            "SELECT coalesce(sum(reports), 0), coalesce(sum(reports) FILTER (WHERE slot < 0), 0)
             FROM report_total WHERE run = ?1 AND role = ?2",
        )?;
        let mut count = |role: RoleWord| {
            ask.query_row(params![self.run, role.word()], |row| Ok((row.get::<_, i64>(0)?, row.get::<_, i64>(1)?)))
        };
        t.matches = count(RoleWord::Match)?.0;
        t.echoes = count(RoleWord::Echo)?.0;
        (t.orphans, t.orphans_without_place) = count(RoleWord::Orphan)?;
        t.reports = t.matches + t.echoes + t.orphans;
        Ok(t)
    }
}
