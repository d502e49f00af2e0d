//! The question `shots`: every shot and what became of it.

use crate::filter::Conditions;
use crate::snapshot::{json_column, optional_json_column};
use crate::{Listing, OutcomeWord, Page, QuestionError, ShotFilter, Snapshot};
use dossier::Cause;
use rusqlite::{Row, params_from_iter};
use serde::Serialize;
use std::sync::Arc;
use vocabulary::WHOLE_PPM;

/// One shot.
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct ShotRow {
    /// The injection's id as the injector sent it; unique per injector.
    pub injection: String,
    /// The shot within the injection, from 1.
    pub shot: i64,
    /// The name of the slot that was injected.
    pub slot: Option<Arc<str>>,
    /// The injector's name.
    pub injector: String,
    /// JEDEC names of the forced lines.
    pub lines: Vec<String>,
    /// The boot whose clock the stamps are on.
    pub boot: i64,
    /// Earliest start of the forcing, monotonic nanoseconds.
    pub fired_ns: i64,
    /// Latest start of the forcing, monotonic nanoseconds.
    pub fired_to_ns: i64,
    /// How wide that interval is, nanoseconds: 0 where the shot counts from its line's arrival.
    pub fired_uncertainty_ns: i64,
    /// `fired_ns` as a date, RFC 3339 in UTC; null where the boot has no measured clock pair.
    pub fired: Option<String>,
    /// What became of it.
    pub outcome: OutcomeWord,
    /// The latency in nanoseconds, as far as it is proven; null unless detected.
    pub latency_ns: Option<i64>,
    /// The least that the latency can have been, nanoseconds.
    pub latency_min_ns: Option<i64>,
    /// `latency_ns` less `latency_min_ns`: how exactly the latency is known, nanoseconds.
    pub latency_uncertainty_ns: Option<i64>,
    /// The number of the report that fits.
    pub report: Option<i64>,
    /// The severity that the sender or the configuration expects, where they said.
    pub expect: Option<String>,
    /// The ECC code that the expectation was worked out from; null where it was said, or nobody knows.
    pub code: Option<String>,
    /// Of the reports that a working machine gives, the share that says corrected; null where that is not known.
    pub expected_corrected: Option<f64>,
    /// Of the reports that say corrected, the share that is a miscorrection, with wrong data.
    pub expected_miscorrected: f64,
    /// The syndromes that the code can give; null where the matrix is not known.
    pub expected_syndromes: Option<Vec<u64>>,
    /// Probability that the shot made an error that was read and reported; null where that is not known.
    pub seen_p: Option<f64>,
    /// The severity of the report.
    pub severity: Option<String>,
    /// The report blames another slot.
    pub misplaced: bool,
    /// The slot that the report blames, where it names one.
    pub blamed_slot: Option<Arc<str>>,
    /// The report's severity class is not one that a working machine may report here.
    pub misgraded: bool,
    /// The report says corrected, and the code more likely than not took several wrong bits for another one: the data are wrong then.
    pub dangerous: bool,
    /// Detected after the deadline, inside the window.
    pub late: bool,
    /// The report covers other shots too.
    pub shared: bool,
    /// Everything that could have seen it was watching through its whole window: without a report it would have been missed, not
    /// unknowable. Null while open.
    pub watched: Option<bool>,
    /// Log-likelihood distance to the second-best answer; null where pairing gives none.
    pub margin: Option<f64>,
    /// Probability of this answer; null where pairing gives none.
    pub confidence: Option<f64>,
    /// Probability that any report was about the shot, over all plausible assignments: what the estimated rates are made from;
    /// null where pairing gives none.
    pub detected_p: Option<f64>,
    /// Why nobody can know, for an unknowable shot.
    pub why: Option<String>,
    /// The likely causes, the likeliest first, if they were asked for and the shot is missed or told of by a machine-check record
    /// alone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub causes: Option<Vec<Cause>>,
}

/// A share or probability that is kept in whole millionths.
fn of_ppm(ppm: u32) -> f64 {
    f64::from(ppm) / f64::from(WHOLE_PPM)
}

/// A row and the cursor that stands behind it: injection and shot.
type Found = (ShotRow, (i64, i64));

/// The words by which SQLite finds the few notable shots through a partial index, if the database has one.
pub(crate) const NOTABLE: &str = "(outcome <> 'detected' OR misplaced + misgraded + late + shared > 0)";

const COLUMNS: &str = "i.injection, i.id, h.shot, h.slot, i.injector, i.lines, h.boot, h.fired_ns, h.fired_to_ns, \
     h.outcome, h.latency_ns, h.latency_min_ns, h.report, i.expect, o.severity, h.misplaced, h.blamed_slot, \
     h.misgraded, h.late, h.shared, h.margin, h.confidence, h.detected_p, h.why, h.watched, h.dangerous, \
     i.code, i.corrected_ppm, i.miscorrected_ppm, i.seen_ppm, i.syndromes";

impl Snapshot<'_> {
    /// Shots in the order in which their injections arrived, and within one injection by number.
    ///
    /// # Errors
    /// When a filter names an unknown slot, the cursor is not one of this question, or the database cannot be read.
    pub fn shots(&self, filter: &ShotFilter, page: &Page) -> Result<Listing<ShotRow>, QuestionError> {
        Ok(Listing::of(self.found_shots(filter, page)?, page))
    }

    /// The same, with the likely causes of each miss.
    ///
    /// # Errors
    /// As [`Snapshot::shots`].
    pub fn shots_with_causes(&self, filter: &ShotFilter, page: &Page) -> Result<Listing<ShotRow>, QuestionError> {
        let mut rows = self.found_shots(filter, page)?;
        let mut case = self.case()?;
        for (shot, (injection, _)) in rows.iter_mut().take(page.limit) {
            shot.causes = self.look_into(shot, *injection, &mut case)?;
        }
        Ok(Listing::of(rows, page))
    }

    fn found_shots(&self, filter: &ShotFilter, page: &Page) -> Result<Vec<Found>, QuestionError> {
        let (injection, shot) = page.cursor()?;
        let flags = [
            ("h.misplaced", filter.misplaced),
            ("h.misgraded", filter.misgraded),
            ("h.late", filter.late),
            ("h.shared", filter.shared),
        ];
        // Where few shots can be meant, a partial index finds them; otherwise the injections of the run lead, since their
        // numbers are the order asked for. CROSS JOIN keeps SQLite from turning that round.
        let is_notable = matches!(filter.outcome, Some(OutcomeWord::Missed | OutcomeWord::Unknowable))
            || flags.iter().any(|(_, wanted)| *wanted == Some(true));
        let is_dangerous = filter.dangerous == Some(true);
        let (tables, mut which, order) = if is_notable || is_dangerous || filter.outcome == Some(OutcomeWord::Open) {
            let mut which = Conditions::new("h.run = ?", self.run);
            which.with("(h.injection, h.shot) > (?, ?)", injection);
            which.value(shot);
            if is_notable {
                which.holds(NOTABLE);
            }
            if is_dangerous {
                which.holds("h.dangerous > 0");
            }
            ("shot h CROSS JOIN injection i ON i.injection = h.injection", which, "h.injection, h.shot")
        } else {
            let mut which = Conditions::new("i.run = ?", self.run);
            which.with("i.injection >= ?", injection);
            which.with("h.shot > CASE WHEN i.injection = ? THEN ? ELSE 0 END", injection);
            which.value(shot);
            ("injection i CROSS JOIN shot h ON h.injection = i.injection", which, "i.injection, h.shot")
        };
        match filter.outcome {
            None => {}
            Some(OutcomeWord::Open) => which.holds("h.outcome IS NULL"),
            Some(outcome) => which.with("h.outcome = ?", outcome.word().to_owned()),
        }
        if let Some(name) = &filter.slot {
            which.with("i.slot = ?", self.slot_named(name)?);
        }
        if let Some(injector) = &filter.injector {
            which.with("i.injector = ?", injector.clone());
        }
        for (column, wanted) in flags.into_iter().chain([("h.dangerous", filter.dangerous)]) {
            if let Some(wanted) = wanted {
                which.with(&format!("{column} = ?"), i64::from(wanted));
            }
        }
        self.between(&mut which, "h.boot", ("h.fired_ns", "h.fired_ns"), filter.since, filter.until);
        which.value(page.one_more());
        let mut ask = self.db.prepare_cached(&format!(
            "SELECT {COLUMNS} FROM {tables} LEFT JOIN report o ON o.run = h.run AND o.report = h.report
             WHERE {} ORDER BY {order} LIMIT ?",
            which.sql()
        ))?;
        let rows = ask
            .query_map(params_from_iter(which.into_values()), |row| self.shot_row(row))?
            .collect::<rusqlite::Result<_>>()?;
        Ok(rows)
    }

    fn shot_row(&self, row: &Row<'_>) -> rusqlite::Result<Found> {
        let (boot, fired_ns, fired_to_ns): (i64, i64, i64) = (row.get(6)?, row.get(7)?, row.get(8)?);
        let (latency_ns, latency_min_ns): (Option<i64>, Option<i64>) = (row.get(10)?, row.get(11)?);
        let shot = ShotRow {
            injection: row.get(1)?,
            shot: row.get(2)?,
            slot: self.slot_name(row.get(3)?),
            injector: row.get(4)?,
            lines: json_column(row, 5)?,
            boot,
            fired_ns,
            fired_to_ns,
            fired_uncertainty_ns: fired_to_ns.saturating_sub(fired_ns),
            fired: self.dates.date(boot, fired_ns),
            outcome: OutcomeWord::of_column(row.get_ref(9)?.as_str_or_null()?),
            latency_ns,
            latency_min_ns,
            latency_uncertainty_ns: latency_ns.zip(latency_min_ns).map(|(most, least)| most.saturating_sub(least)),
            report: row.get(12)?,
            expect: row.get(13)?,
            severity: row.get(14)?,
            misplaced: row.get(15)?,
            blamed_slot: self.slot_name(row.get(16)?),
            misgraded: row.get(17)?,
            late: row.get(18)?,
            shared: row.get(19)?,
            watched: row.get(24)?,
            margin: row.get(20)?,
            confidence: row.get(21)?,
            detected_p: row.get(22)?,
            why: row.get(23)?,
            dangerous: row.get(25)?,
            code: row.get(26)?,
            expected_corrected: row.get::<_, Option<u32>>(27)?.map(of_ppm),
            expected_miscorrected: of_ppm(row.get(28)?),
            seen_p: row.get::<_, Option<u32>>(29)?.map(of_ppm),
            expected_syndromes: optional_json_column(row, 30)?,
            causes: None,
        };
        let cursor = (row.get(0)?, shot.shot);
        Ok((shot, cursor))
    }
}
