//! The question why: for each missed shot what else the machine showed, and the likely causes.
//!
//! Here the facts around a shot are read; what they speak for is said by crate `dossier`. A bounded number of rows is read for
//! each shot, however long the run is. Called for the shots of one page.

use crate::shots::NOTABLE;
use crate::snapshot::json_column;
use crate::{OutcomeWord, QuestionError, ShotRow, Snapshot};
use dossier::{Facts, LoneRecord, Moved, Nearby, Place, ShotsAfter};
use rusqlite::{OptionalExtension, Row, params};
use std::collections::BTreeMap;
use vocabulary::{MachineCheck, MachineCounts, MachineSettings, Mono, Role, Severity, Source, Span, Witness};

/// How many reports before and behind the window are looked at.
const NEARBY: i64 = 64;
/// How many later shots at a controller are looked at, and how far neighbouring injections reach.
const LATER_SHOTS: i64 = 8;
const NEAR_INJECTIONS: i64 = 1000;
/// A look at the machine comes this long after the one before at the latest, with some to spare.
const LOOK_NS: i64 = 60_000_000_000;
/// Runs that do not say how long a window is have the program's own one.
const WINDOW_NS: i64 = 5_000_000_000;

/// A report as [`Snapshot::read_nearby`] takes it. The record of an event stands within 50 ms of it, or has its address; the former are
/// enough to see that a machine is polled.
const NEARBY_COLUMNS: &str = "o.report, o.seen_ns, o.slot, o.severity, o.count, o.role, w.message, \
     (w.source = 'mce_record' AND w.tsc = 0) OR EXISTS (SELECT 1 FROM witness m WHERE m.source = 'mce_record' AND m.boot = o.boot \
      AND m.t_ns BETWEEN o.seen_ns - 50000000 AND o.seen_ns + 50000000 AND m.report = o.report AND m.tsc = 0), \
     w.source = 'mce_record'";

/// What is the same for all shots of a page.
#[derive(Default)]
pub(crate) struct Case {
    window_ns: i64,
    /// By boot: whether a record says that the processor is AMD's.
    amd: BTreeMap<i64, Option<bool>>,
}

/// What the database says about the order that a shot belongs to.
struct Order {
    slot: i64,
    hold_ns: i64,
    force: Option<String>,
    expect: Option<Severity>,
    number: i64,
}

/// The counts of one look.
struct Look {
    from: i64,
    at: i64,
    counts: MachineCounts,
}

impl Snapshot<'_> {
    /// What all shots of a page have in common.
    pub(crate) fn case(&self) -> Result<Case, QuestionError> {
        Ok(Case { window_ns: self.window_ns()?.unwrap_or(WINDOW_NS), amd: BTreeMap::new() })
    }

    /// Looks into a missed shot, and into one that only a machine-check record tells of; nothing for others.
    pub(crate) fn look_into(
        &self,
        shot: &ShotRow,
        injection: i64,
        case: &mut Case,
    ) -> Result<Option<Vec<dossier::Cause>>, QuestionError> {
        let told_by_record = match (shot.outcome, shot.report) {
            (OutcomeWord::Missed, _) => false,
            (OutcomeWord::Detected, Some(report)) if self.is_told_by_record(report)? => true,
            _ => return Ok(None),
        };
        let order = self.order(injection)?;
        let end = shot.fired_to_ns.saturating_add(order.hold_ns).saturating_add(case.window_ns);
        let window = Span::new(Mono(shot.fired_ns), Mono(end));
        let controller = self.slots.get(&order.slot).and_then(|s| s.controller);
        let amd = match case.amd.get(&shot.boot) {
            Some(known) => *known,
            None => {
                let found = self.is_amd(shot.boot)?;
                case.amd.insert(shot.boot, found);
                found
            }
        };
        let settings = self.machine_settings(shot.boot, window.to)?;
        let polled_every =
            settings.as_ref().and_then(|s| s.check_interval_s).and_then(|s| i64::try_from(s).ok()).unwrap_or(0);
        let behind = case.window_ns.max(polled_every.saturating_mul(1_000_000_000)).saturating_mul(2);
        let facts = Facts {
            told_by_record,
            fired: Span::new(Mono(shot.fired_ns), Mono(shot.fired_to_ns)),
            end: window.to,
            hold_ns: order.hold_ns,
            window_ns: case.window_ns,
            lines: shot.lines.clone(),
            force: order.force.clone(),
            expect: order.expect,
            controller: controller.and_then(|c| u16::try_from(c).ok()),
            edac_mode: self.edac_mode(order.slot)?,
            settings,
            moved: self.moved(shot.boot, injection, window)?,
            records: self.lone_records(shot, window)?,
            amd,
            within: self.nearby(shot.boot, order.slot, "o.seen_ns BETWEEN ?3 AND ?4", [shot.fired_ns, end], true)?,
            before: self.nearby(
                shot.boot,
                order.slot,
                "o.seen_ns < ?3 AND o.seen_ns > ?4",
                [shot.fired_ns, i64::MIN],
                false,
            )?,
            after: self.behind(shot.boot, order.slot, end, behind)?,
            shots_after: self.shots_after(&order, shot.shot, controller)?,
            rails: self.rails_outside(shot.boot, order.slot, window)?,
        };
        Ok(Some(dossier::causes(&facts)))
    }

    fn order(&self, injection: i64) -> Result<Order, QuestionError> {
        let mut ask =
            self.db.prepare_cached("SELECT slot, hold_us, force, expect FROM injection WHERE injection = ?1")?;
        Ok(ask.query_row([injection], |row| {
            let expect: Option<String> = row.get(3)?;
            Ok(Order {
                slot: row.get(0)?,
                hold_ns: row.get::<_, i64>(1)?.saturating_mul(1000),
                force: row.get(2)?,
                expect: expect.as_deref().and_then(Severity::parse),
                number: injection,
            })
        })?)
    }

    fn is_told_by_record(&self, report: i64) -> Result<bool, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT w.source = 'mce_record' FROM report o JOIN witness w ON w.witness = o.anchor
             WHERE o.run = ?1 AND o.report = ?2",
        )?;
        Ok(ask.query_row([self.run, report], |row| row.get(0)).optional()?.unwrap_or(false))
    }

    /// The maker's number stands in every record: 2 is AMD, 9 is Hygon (`arch/x86/include/asm/processor.h`).
    fn is_amd(&self, boot: i64) -> Result<Option<bool>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT cpuvendor IN (2, 9) FROM witness WHERE source = 'mce_record' AND boot = ?1 LIMIT 1",
        )?;
        Ok(ask.query_row([boot], |row| row.get(0)).optional()?.flatten())
    }

    fn edac_mode(&self, slot: i64) -> Result<Option<String>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT edac_mode FROM dimm WHERE run = ?1 AND slot = ?2 AND edac_mode IS NOT NULL ORDER BY place LIMIT 1",
        )?;
        Ok(ask.query_row([self.run, slot], |row| row.get(0)).optional()?)
    }

    fn machine_settings(&self, boot: i64, end: Mono) -> Result<Option<MachineSettings>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT settings FROM machine_setting WHERE boot = ?1 AND at_ns <= ?2 ORDER BY at_ns DESC LIMIT 1",
        )?;
        Ok(ask.query_row([boot, end.0], |row| json_column(row, 0)).optional()?)
    }

    /// What the machine counted from the last look before the window to the first one behind it.
    fn moved(&self, boot: i64, injection: i64, window: Span) -> Result<Option<Moved>, QuestionError> {
        let look = |which: &str, values: [i64; 3]| -> Result<Option<Look>, QuestionError> {
            let mut ask = self.db.prepare_cached(&format!(
                "SELECT from_ns, at_ns, mce, mcp, thr, dfr, collected, offlined, corrupted_kb FROM machine_count
                 WHERE boot = ?1 AND {which} LIMIT 1"
            ))?;
            Ok(ask.query_row(values, read_look).optional()?)
        };
        let fired = window.from.0;
        let first = look("at_ns BETWEEN ?2 AND ?3 ORDER BY at_ns", [boot, i64::MIN, i64::MAX])?;
        let base = look("at_ns BETWEEN ?2 AND ?3 ORDER BY at_ns DESC", [boot, i64::MIN, fired])?;
        let (Some(first), Some(base)) = (first, base) else { return Ok(None) };
        // The bound on at_ns only keeps SQLite from reading on to the end of the boot.
        let last = look(
            &format!("at_ns > ?2 AND at_ns <= ?3 + {LOOK_NS} AND from_ns <= ?3 ORDER BY at_ns DESC"),
            [boot, fired, window.to.0],
        )?;
        let next = look("at_ns > ?2 AND from_ns <= ?3 ORDER BY at_ns", [boot, fired, window.to.0])?;
        let span = match (&last, next) {
            (Some(last), Some(next)) => Span::new(Mono(next.from.min(fired)), Mono(last.at.max(window.to.0))),
            _ => window,
        };
        let last = last.unwrap_or(Look { from: base.from, at: base.at, counts: base.counts });
        let mut ask = self.db.prepare_cached(
            "SELECT (SELECT count(*) FROM report WHERE run = ?1 AND boot = ?2 AND seen_ns BETWEEN ?3 AND ?4)
                  + (SELECT count(*) FROM witness WHERE source = 'mce_record' AND boot = ?2 AND t_ns BETWEEN ?3 AND ?4 AND report = 0)",
        )?;
        let reports: i64 = ask.query_row(params![self.run, boot, span.from.0, span.to.0], |row| row.get(0))?;
        Ok(Some(Moved {
            span,
            by: grown(&base.counts, &last.counts),
            reports: reports.unsigned_abs(),
            missed: self.missed_within(boot, injection, span)?,
            since_start: grown(&first.counts, &last.counts),
        }))
    }

    /// Missed shots of neighbouring injections that began in this time.
    fn missed_within(&self, boot: i64, injection: i64, span: Span) -> Result<u64, QuestionError> {
        let mut ask = self.db.prepare_cached(&format!(
            "SELECT count(*) FROM shot WHERE run = ?1 AND {NOTABLE} AND injection BETWEEN ?2 - ?6 AND ?2 + ?6
             AND outcome = 'missed' AND boot = ?3 AND fired_ns BETWEEN ?4 AND ?5"
        ))?;
        let values = params![self.run, injection, boot, span.from.0, span.to.0, NEAR_INJECTIONS];
        Ok(ask.query_row(values, |row| row.get::<_, i64>(0))?.unsigned_abs())
    }

    /// Machine-check records about memory in the window that are told by themselves, and that no other shot has.
    fn lone_records(&self, shot: &ShotRow, window: Span) -> Result<Vec<LoneRecord>, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT w.t_ns, w.severity, w.bank, w.status, w.address IS NOT NULL AND w.address <> 0, w.tsc, w.ipid, w.cpuvendor
             FROM witness w JOIN report o ON o.run = ?2 AND o.report = w.report AND o.anchor = w.witness
             WHERE w.source = 'mce_record' AND w.boot = ?1 AND w.t_ns BETWEEN ?3 AND ?4 AND (o.role <> 'match' OR o.report = ?5)
             ORDER BY w.t_ns LIMIT 16",
        )?;
        let values = params![shot.boot, self.run, window.from.0, window.to.0, shot.report];
        let records = ask.query_map(values, |row| {
            let severity: String = row.get(1)?;
            let severity = Severity::parse(&severity).unwrap_or(Severity::Info);
            let (bank, status): (Option<u8>, Option<i64>) = (row.get(2)?, row.get(3)?);
            let (tsc, ipid): (Option<i64>, Option<i64>) = (row.get(5)?, row.get(6)?);
            let check = MachineCheck {
                bank: bank.unwrap_or(0),
                status: status.unwrap_or(0).cast_unsigned(),
                ipid: ipid.unwrap_or(0).cast_unsigned(),
                cpuvendor: row.get::<_, Option<u8>>(7)?.unwrap_or(0),
                ..MachineCheck::default()
            };
            let seen = Mono(row.get(0)?);
            let record = LoneRecord {
                seen,
                bank: check.bank,
                status: check.status,
                class: severity.class(),
                has_address: row.get(4)?,
                polled: tsc == Some(0),
            };
            let mut witness = Witness::new(Source::MceRecord, Span::point(seen), severity);
            witness.machine_check = Some(Box::new(check));
            Ok(witness.is_memory_error().then_some(record))
        })?;
        Ok(records.filter_map(Result::transpose).collect::<rusqlite::Result<_>>()?)
    }

    /// Reports that fit a condition on ?3 and ?4, in order of time or backward from it. Within a window, those that are lone
    /// records are told of elsewhere.
    fn nearby(
        &self,
        boot: i64,
        slot: i64,
        which: &str,
        [from, to]: [i64; 2],
        within: bool,
    ) -> Result<Vec<Nearby>, QuestionError> {
        let order = if within { "" } else { "DESC" };
        let mut ask = self.db.prepare_cached(&format!(
            "SELECT {NEARBY_COLUMNS} FROM report o JOIN witness w ON w.witness = o.anchor
             WHERE o.run = ?1 AND o.boot = ?2 AND {which} ORDER BY o.seen_ns {order} LIMIT {NEARBY}"
        ))?;
        let rows = ask.query_map(params![self.run, boot, from, to], |row| self.read_nearby(row, slot))?;
        let rows = rows.collect::<rusqlite::Result<Vec<_>>>()?;
        Ok(rows.into_iter().filter(|(_, is_record)| !(within && *is_record)).map(|(nearby, _)| nearby).collect())
    }

    /// Reports behind the window: the nearest, and among those of a longer time the unexplained ones that could be of the slot.
    fn behind(&self, boot: i64, slot: i64, end: i64, reach: i64) -> Result<Vec<Nearby>, QuestionError> {
        let mut ask = self.db.prepare_cached(&format!(
            "SELECT * FROM (SELECT {NEARBY_COLUMNS} FROM report o JOIN witness w ON w.witness = o.anchor
                            WHERE o.run = ?1 AND o.boot = ?2 AND o.seen_ns > ?3 ORDER BY o.seen_ns LIMIT {NEARBY})
             UNION
             SELECT * FROM (SELECT {NEARBY_COLUMNS} FROM report o JOIN witness w ON w.witness = o.anchor
                            WHERE o.run = ?1 AND o.boot = ?2 AND o.seen_ns > ?3 AND o.seen_ns <= ?4 AND o.role = 'orphan'
                              AND (o.slot = ?5 OR o.slot IS NULL) ORDER BY o.seen_ns LIMIT 4)
             ORDER BY 2, 1"
        ))?;
        let values = params![self.run, boot, end, end.saturating_add(reach), slot];
        let rows = ask.query_map(values, |row| self.read_nearby(row, slot).map(|(nearby, _)| nearby))?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// A report as seen from a slot, and whether a machine-check record tells it.
    fn read_nearby(&self, row: &Row<'_>, slot: i64) -> rusqlite::Result<(Nearby, bool)> {
        let (severity, role): (String, String) = (row.get(3)?, row.get(5)?);
        let place = match row.get::<_, Option<i64>>(2)? {
            None => Place::Unknown,
            Some(named) if named == slot => Place::Here,
            Some(named) => {
                let name = self.slot_name(Some(named)).map(|n| n.to_string()).unwrap_or_default();
                let controller = |slot| self.slots.get(&slot).and_then(|s| s.controller);
                if controller(named) == controller(slot) { Place::SameController(name) } else { Place::Elsewhere(name) }
            }
        };
        let nearby = Nearby {
            report: row.get(0)?,
            seen: Mono(row.get(1)?),
            place,
            severity: Severity::parse(&severity).unwrap_or(Severity::Info),
            count: row.get(4)?,
            role: [Role::Match, Role::Echo].into_iter().find(|r| r.word() == role).unwrap_or(Role::Orphan),
            message: row.get(6)?,
            polled: row.get(7)?,
        };
        Ok((nearby, row.get(8)?))
    }

    fn shots_after(&self, order: &Order, shot: i64, controller: Option<i64>) -> Result<ShotsAfter, QuestionError> {
        let mut ask = self.db.prepare_cached(
            "SELECT h.outcome FROM injection i
             CROSS JOIN shot h ON h.injection = i.injection
             CROSS JOIN slot s ON s.run = i.run AND s.slot = i.slot
             WHERE i.run = ?1 AND i.injection >= ?2 AND i.injection < ?2 + ?4 AND (i.injection > ?2 OR h.shot > ?3)
               AND s.controller IS ?5 AND h.outcome IN ('detected', 'missed')
             ORDER BY i.injection, h.shot LIMIT ?6",
        )?;
        let values = params![self.run, order.number, shot, NEAR_INJECTIONS, controller, LATER_SHOTS];
        let mut after = ShotsAfter::default();
        for outcome in ask.query_map(values, |row| row.get::<_, String>(0))? {
            if outcome? == OutcomeWord::Detected.word() {
                after.then_detected = true;
                break;
            }
            after.missed_in_a_row += 1;
        }
        Ok(after)
    }
}

fn read_look(row: &Row<'_>) -> rusqlite::Result<Look> {
    let count = |n| row.get::<_, Option<i64>>(n).map(|n| n.map(i64::unsigned_abs));
    Ok(Look {
        from: row.get(0)?,
        at: row.get(1)?,
        counts: MachineCounts {
            mce: count(2)?,
            mcp: count(3)?,
            thr: count(4)?,
            dfr: count(5)?,
            collected: count(6)?,
            offlined: count(7)?,
            corrupted_kb: count(8)?,
        },
    })
}

/// By how much each total has grown. One that began anew has not.
fn grown(from: &MachineCounts, to: &MachineCounts) -> MachineCounts {
    let by = |from: Option<u64>, to: Option<u64>| Some(to?.saturating_sub(from?));
    MachineCounts {
        mce: by(from.mce, to.mce),
        mcp: by(from.mcp, to.mcp),
        thr: by(from.thr, to.thr),
        dfr: by(from.dfr, to.dfr),
        collected: by(from.collected, to.collected),
        offlined: by(from.offlined, to.offlined),
        corrupted_kb: by(from.corrupted_kb, to.corrupted_kb),
    }
}
