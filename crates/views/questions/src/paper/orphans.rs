//! Reports that no shot explains: how often at which slot, and the first of them.

use super::{Case, recipes::command};
use crate::sums::count;
use crate::{Page, QuestionError, ReportFilter, ReportRow, Snapshot};
use evidence::model::{Orphan, OrphanRate, Orphans};
use statistics::poisson;
use vocabulary::Mono;

/// So many are shown one by one.
const SHOWN: usize = 50;
const HOUR_NS: f64 = 3.6e12;

impl Snapshot<'_> {
    pub(super) fn paper_orphans(&self, case: &Case<'_>) -> Result<Orphans, QuestionError> {
        let background = self.background()?;
        let with_orphans = case.slots.iter().filter(|slot| slot.orphans > 0);
        let mut by_slot: Vec<OrphanRate> = with_orphans
            .map(|slot| {
                let watched_ns = background.slot_watched_ns(slot.controller);
                let hours = watched_ns as f64 / HOUR_NS;
                let interval = poisson::exact(count(slot.orphans), hours, case.alpha()).ok();
                OrphanRate {
                    slot: slot.slot.to_string(),
                    orphans: slot.orphans,
                    watched_ns,
                    per_hour: slot.chance.orphans_per_hour.or((hours > 0.0).then(|| slot.orphans as f64 / hours)),
                    low: interval.map(|i| i.lower),
                    high: interval.map(|i| i.upper),
                    confidence: case.confidence,
                }
            })
            .collect();
        // The sort keeps the order of the slots among equals.
        by_slot.sort_by_key(|rate| std::cmp::Reverse(rate.orphans));
        let first = self.orphans(&ReportFilter::default(), &Page::first(SHOWN))?.items;
        Ok(Orphans {
            total: case.summary.totals.orphans,
            without_place: case.summary.totals.orphans_without_place,
            by_slot,
            first: first.into_iter().filter_map(|row| orphan(row, case)).collect(),
            all: command(case, "orphans", ""),
        })
    }
}

fn orphan(row: ReportRow, case: &Case<'_>) -> Option<Orphan> {
    Some(Orphan {
        report: row.report?,
        seen: case.calendar.wall(row.boot, Mono(row.seen_ns)),
        slot: row.slot.as_deref().map(str::to_owned),
        severity: row.severity,
        count: row.count,
        source: row.source,
        message: row.message,
        address: row.address,
        syndrome: row.syndrome,
    })
}
