//! The questions `reports` and `orphans`: what the kernel said, and what of it no shot explains.

use crate::filter::Conditions;
use crate::snapshot::json_column;
use crate::{Listing, Page, QuestionError, ReportFilter, RoleWord, Snapshot};
use rusqlite::{Row, params_from_iter};
use serde::Serialize;
use std::sync::Arc;
use vocabulary::{MachineCheck, Mono, Severity, Source, Span, Witness};

/// One report, or a witness that no report has taken in yet (role "open").
#[derive(Clone, PartialEq, Debug, Serialize)]
pub struct ReportRow {
    /// The report's number in the run, from 1 in the order of settling; null while open.
    pub report: Option<i64>,
    /// What it turned out to be.
    pub role: RoleWord,
    /// The slot that it blames, where it names exactly one.
    pub slot: Option<Arc<str>>,
    /// How bad: corrected, uncorrected, deferred, fatal or info.
    pub severity: String,
    /// How many errors it stands for; 0 is "at least one".
    pub count: i64,
    /// The boot whose clock the stamps are on.
    pub boot: i64,
    /// When the kernel said it, monotonic nanoseconds; for a counter step, the read that showed it.
    pub seen_ns: i64,
    /// The earliest that it can have happened; the read before, for a counter step.
    pub seen_from_ns: i64,
    /// `seen_ns` as a date, RFC 3339 in UTC; null where the boot has no measured clock pair.
    pub seen: Option<String>,
    /// The source of the witness that the report is told by: mc_event, mce_record or counter.
    pub source: String,
    /// The memory controller, where the kernel named one.
    pub controller: Option<i64>,
    /// Layer positions as the kernel had them, top layer first, unknown ones at the end left out.
    pub place: Vec<i16>,
    /// The label as the kernel printed it.
    pub label: Option<String>,
    /// The driver's message.
    pub message: Option<String>,
    /// The driver's further text.
    pub detail: Option<String>,
    /// The physical address in hexadecimal with `0x`, since a JSON number would lose bits.
    pub address: Option<String>,
    /// The syndrome in hexadecimal with `0x`.
    pub syndrome: Option<String>,
    /// The injector of the injection that explains it.
    pub injector: Option<String>,
    /// The id of the injection that explains it; the first, if it covers several.
    pub injection: Option<String>,
    /// The shot of that injection.
    pub shot: Option<i64>,
    /// What the syndrome of an orphan says: "late report" where lines forced on its slot are known to give it, "unknown
    /// fingerprint" where none are; null where there is no syndrome, or none was learned of that slot.
    pub looks_like: Option<String>,
    /// For a late report: the injector of the last shot of these lines before it that nothing was said of, where one is known.
    pub late_injector: Option<String>,
    /// And the id of its injection.
    pub late_injection: Option<String>,
    /// And the shot of that injection.
    pub late_shot: Option<i64>,
    /// How many witnesses were fused into it.
    pub witnesses: i64,
    /// The number in the database of the witness that the report is told by.
    pub witness: i64,
}

const OF_WITNESS: &str =
    "w.witness, w.source, w.controller, w.place, w.label, w.message, w.detail, w.address, w.syndrome";

impl Snapshot<'_> {
    /// All reports by their numbers, and behind them the witnesses that no report has taken in yet, in order of arrival.
    ///
    /// Asked again with [`Listing::last`], it answers the reports that settled since and the witnesses that came since.
    ///
    /// # Errors
    /// When a filter names an unknown slot, the cursor is not one of this question, or the database cannot be read.
    pub fn reports(&self, filter: &ReportFilter, page: &Page) -> Result<Listing<ReportRow>, QuestionError> {
        let (report, witness) = page.cursor()?;
        let slot = filter.slot.as_deref().map(|name| self.slot_named(name)).transpose()?;
        let mut rows = Vec::new();
        if filter.role != Some(RoleWord::Open) {
            self.settled(filter, slot, page, (report, witness), &mut rows)?;
        }
        if matches!(filter.role, None | Some(RoleWord::Open)) && rows.len() <= page.limit {
            let last_report = rows.last().map_or(report, |(_, (report, _))| *report);
            self.open(filter, slot, page, (last_report, witness), &mut rows)?;
        }
        Ok(Listing::of(rows, page))
    }

    /// The reports that no shot explains, by their numbers.
    ///
    /// # Errors
    /// As [`Snapshot::reports`].
    pub fn orphans(&self, filter: &ReportFilter, page: &Page) -> Result<Listing<ReportRow>, QuestionError> {
        self.reports(&ReportFilter { role: Some(RoleWord::Orphan), ..filter.clone() }, page)
    }

    fn settled(
        &self,
        filter: &ReportFilter,
        slot: Option<i64>,
        page: &Page,
        (report, witness): (i64, i64),
        rows: &mut Vec<(ReportRow, (i64, i64))>,
    ) -> Result<(), QuestionError> {
        // By its role a report is found in an index that is in the order asked for; without one the reports themselves are
        // in that order. CROSS JOIN keeps SQLite from turning that round.
        let (tables, mut which) = match filter.role {
            None => ("report o", Conditions::new("o.run = ?", self.run)),
            Some(role) => {
                let mut which = Conditions::new("role.run = ?", self.run);
                which.with("role.role = ?", role.word().to_owned());
                which.with("role.report > ?", report);
                ("report role CROSS JOIN report o ON o.run = role.run AND o.report = role.report", which)
            }
        };
        which.with("o.report > ?", report);
        if let Some(slot) = slot {
            which.with("o.slot = ?", slot);
        }
        if let Some(severity) = filter.severity {
            which.with("o.severity = ?", severity.word().to_owned());
        }
        self.between(&mut which, "o.boot", ("o.seen_ns", "o.seen_ns"), filter.since, filter.until);
        which.value(page.one_more());
        let mut ask = self.db.prepare_cached(&format!(
            "SELECT {OF_WITNESS}, o.boot, o.seen_ns, o.seen_from_ns, o.slot, o.severity, o.count,
                    o.report, o.role, i.injector, i.id, o.shot, o.witnesses,
                    o.looks_like, l.injector, l.id, o.late_shot
             FROM {tables} CROSS JOIN witness w ON w.witness = o.anchor
             LEFT JOIN injection i ON i.injection = o.injection
             LEFT JOIN injection l ON l.injection = o.late_injection
             WHERE {} ORDER BY {} LIMIT ?",
            which.sql(),
            if filter.role.is_some() { "role.report" } else { "o.report" }
        ))?;
        let mut answer = ask.query(params_from_iter(which.into_values()))?;
        while let Some(found) = answer.next()? {
            let mut row = self.witness_row(found)?;
            let number: i64 = found.get(15)?;
            row.report = Some(number);
            row.role = RoleWord::of_column(found.get_ref(16)?.as_str().map_err(rusqlite::Error::from)?);
            row.injector = found.get(17)?;
            row.injection = found.get(18)?;
            row.shot = found.get(19)?;
            row.witnesses = found.get(20)?;
            row.looks_like = found.get(21)?;
            row.late_injector = found.get(22)?;
            row.late_injection = found.get(23)?;
            row.late_shot = found.get(24)?;
            rows.push((row, (number, witness)));
        }
        Ok(())
    }

    fn open(
        &self,
        filter: &ReportFilter,
        slot: Option<i64>,
        page: &Page,
        (report, witness): (i64, i64),
        rows: &mut Vec<(ReportRow, (i64, i64))>,
    ) -> Result<(), QuestionError> {
        let mut which = Conditions::new("w.run = ?", self.run);
        which.holds("w.report IS NULL");
        which.with("w.witness > ?", witness);
        if let Some(slot) = slot {
            which.with("w.slot = ?", slot);
        }
        if let Some(severity) = filter.severity {
            which.with("w.severity = ?", severity.word().to_owned());
        }
        self.between(&mut which, "w.boot", ("w.t_ns", "w.t_ns"), filter.since, filter.until);
        let mut ask = self.db.prepare_cached(&format!(
            "SELECT {OF_WITNESS}, w.boot, w.t_ns, w.from_ns, w.slot, w.severity, w.count,
                    w.bank, w.status, w.ipid, w.cpuvendor
             FROM witness w WHERE {} ORDER BY w.witness",
            which.sql()
        ))?;
        let mut answer = ask.query(params_from_iter(which.into_values()))?;
        while rows.len() <= page.limit {
            let Some(found) = answer.next()? else { break };
            if is_about_memory(found)? {
                let row = self.witness_row(found)?;
                let cursor = (report, row.witness);
                rows.push((row, cursor));
            }
        }
        Ok(())
    }

    /// What both kinds of rows have; the rest is as for a witness that is still open.
    fn witness_row(&self, row: &Row<'_>) -> rusqlite::Result<ReportRow> {
        let (boot, seen_ns) = (row.get(9)?, row.get(10)?);
        let place: Option<Vec<i16>> = match row.get_ref(3)? {
            rusqlite::types::ValueRef::Null => None,
            _ => Some(json_column(row, 3)?),
        };
        Ok(ReportRow {
            report: None,
            role: RoleWord::Open,
            slot: self.slot_name(row.get(12)?),
            severity: row.get(13)?,
            count: row.get(14)?,
            boot,
            seen_ns,
            seen_from_ns: row.get(11)?,
            seen: self.dates.date(boot, seen_ns),
            source: row.get(1)?,
            controller: row.get(2)?,
            place: place.unwrap_or_default(),
            label: row.get(4)?,
            message: row.get(5)?,
            detail: row.get(6)?,
            address: row.get::<_, Option<i64>>(7)?.map(hexadecimal),
            syndrome: row.get::<_, Option<i64>>(8)?.map(hexadecimal),
            injector: None,
            injection: None,
            shot: None,
            looks_like: None,
            late_injector: None,
            late_injection: None,
            late_shot: None,
            witnesses: 1,
            witness: row.get(0)?,
        })
    }
}

/// Machine-check records that are not about memory are kept, and no report ever takes them in: they are not open.
fn is_about_memory(row: &Row<'_>) -> rusqlite::Result<bool> {
    if row.get_ref(1)?.as_str()? != Source::MceRecord.word() {
        return Ok(true);
    }
    let mut record = Witness::new(Source::MceRecord, Span::point(Mono(0)), Severity::Info);
    record.machine_check = Some(Box::new(MachineCheck {
        bank: row.get::<_, Option<u8>>(15)?.unwrap_or_default(),
        status: row.get::<_, Option<i64>>(16)?.unwrap_or_default().cast_unsigned(),
        ipid: row.get::<_, Option<i64>>(17)?.unwrap_or_default().cast_unsigned(),
        cpuvendor: row.get::<_, Option<u8>>(18)?.unwrap_or_default(),
        ..MachineCheck::default()
    }));
    Ok(record.is_memory_error())
}

fn hexadecimal(kept_signed: i64) -> String {
    format!("{:#x}", kept_signed.cast_unsigned())
}
