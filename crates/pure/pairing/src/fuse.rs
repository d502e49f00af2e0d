//! Makes one report out of all witnesses of the same error.
//!
//! Facts of the kernel that shape this, with the files that they are from:
//!
//! - The memory-controller event is traced before the counters move (`edac_raw_mc_handle_error()` in
//!   `drivers/edac/edac_mc.c`), so an event explains counts that are read after it. What the counters hold without any event
//!   is a report of its own: that is how a lost trace event still counts. `counters` keeps these books.
//! - The machine-check record is traced before the driver decodes it (`mce_early_notifier()` in
//!   `arch/x86/kernel/cpu/mce/core.c`), so it waits for its event, and is a report of its own if none comes.
//! - A record of firmware goes to two consumers: the driver that tells it as an event, and a machine-check record that the
//!   kernel makes up, which a processor's driver may decode into one more event with a count of 0 (`ghes_do_proc()` in
//!   `drivers/acpi/apei/ghes.c`, `arch/x86/kernel/cpu/mce/apei.c`). All of these can come beside the bank's own record and
//!   event. `groups` says which tellings are of one error.
//!
//! The fuse must not decide what a report means; it only says which witnesses are one. The engine calls it.

mod counters;
mod groups;

use crate::Settings;
use crate::table::ReportSeq;
use counters::Counters;
use groups::{Groups, Kind, Telling};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use vocabulary::{FoundBy, Sighted};

pub(crate) use counters::{Explained, Step};

/// How many of the waiting machine-check records are searched, the newest first: bounded work, whatever the load.
const SEARCHED: usize = 256;
/// How many machine-check records wait at the most. The kernel's own pool holds 80, or two for each processor
/// (`arch/x86/kernel/cpu/mce/genpool.c`).
const MOST_RECORDS: usize = 4096;

#[derive(Default, Serialize, Deserialize)]
pub(crate) struct Fuse {
    counters: Counters,
    records: BTreeMap<u64, Sighted>,
    groups: Groups,
    next: u64,
}

impl Fuse {
    /// Asked first of every memory-controller event: the report about the same error, if another driver has told of it
    /// already. The event is taken in then, and must not be given to [`event`](Fuse::event).
    pub(crate) fn copy(&mut self, event: &Sighted, settings: &Settings) -> Option<ReportSeq> {
        if !self.groups.may_have(event) {
            return None;
        }
        let waits = self.waiting(&Telling::of(event), settings).map(|(_, kind)| kind);
        let report = self.groups.copy(event, waits, settings)?;
        self.counters.event(event, Some(report), settings);
        Some(report)
    }

    /// Takes in a memory-controller event; answers which waiting machine-check record it is the event of. There may be more:
    /// see [`further`](Fuse::further).
    pub(crate) fn event(&mut self, event: &Sighted, report: Option<ReportSeq>, settings: &Settings) -> Option<i64> {
        self.counters.event(event, report, settings);
        let report = report?;
        let waits = self.waiting(&Telling::of(event), settings);
        let record = waits.and_then(|(n, kind)| Some((self.records.remove(&n)?.id, kind)));
        self.groups.open(event, report, record.map(|(_, kind)| kind));
        record.map(|(id, _)| id)
    }

    /// One more waiting machine-check record about the error of a report: asked after [`copy`](Fuse::copy),
    /// [`event`](Fuse::event) and [`alone`](Fuse::alone) until there is none.
    pub(crate) fn further(&mut self, report: ReportSeq, settings: &Settings) -> Option<i64> {
        if self.records.is_empty() {
            return None;
        }
        let group = self.groups.get(report)?;
        let fits = |kind, record: &Sighted| if group.has(kind) { None } else { group.fits(record, settings) };
        let (n, kind) = nearest(&self.records, fits)?;
        self.groups.add(report, kind);
        self.records.remove(&n).map(|record| record.id)
    }

    /// How the error of an event was found that is not yet taken in, by itself or by the record that waits for it.
    pub(crate) fn found_by(&self, event: &Sighted, settings: &Settings) -> FoundBy {
        let record = self.waiting(&Telling::of(event), settings).and_then(|(n, _)| self.records.get(&n));
        record.map_or(event.found_by, |record| event.found_by.with_record(record.found_by))
    }

    /// Takes in a machine-check record: it belongs to a recent event's report, or waits under a number.
    pub(crate) fn record(&mut self, record: Sighted, settings: &Settings) -> Result<ReportSeq, u64> {
        if let Some(report) = self.groups.record(&record, settings) {
            return Ok(report);
        }
        self.next += 1;
        self.records.insert(self.next, record);
        Err(self.next)
    }

    /// A machine-check record that has waited long enough: it is a report of its own.
    pub(crate) fn record_due(&mut self, n: u64) -> Option<Sighted> {
        self.records.remove(&n)
    }

    /// The oldest machine-check record, if more wait than the fuse will hold: it is a report of its own now.
    pub(crate) fn crowded_out(&mut self) -> Option<Sighted> {
        (self.records.len() > MOST_RECORDS).then(|| self.records.pop_first()).flatten().map(|(_, record)| record)
    }

    /// A machine-check record has become a report of its own.
    pub(crate) fn alone(&mut self, record: &Sighted, report: ReportSeq) {
        self.groups.open(record, report, None);
    }

    /// Takes in a counter step and lets the events of that counter explain it.
    pub(crate) fn step(&mut self, witness: Sighted) -> Explained {
        self.counters.step(witness)
    }

    /// A counter step that has waited long enough. What is left of it after a last look at all events of the controller, and
    /// at records without an event, is a report of its own; nothing is left if those explain it after all.
    pub(crate) fn step_due(&mut self, n: u64) -> Option<Result<Step, (i64, Option<ReportSeq>)>> {
        let (mut step, mut by) = self.counters.step_due(n)?;
        if step.left > 0 {
            by = self.groups.counted(&mut step).or(by);
        }
        if step.left == 0 {
            return Some(Err((step.witness.id, by)));
        }
        self.undecoded(&mut step);
        Some(Ok(step))
    }

    /// Gives a counter step the waiting records that it can be about: a driver has counted them, so their event was lost.
    fn undecoded(&mut self, step: &mut Step) {
        let over = counters::reach(step.witness.span);
        let class = step.witness.severity.class();
        let fits = |r: &Sighted| r.severity.class() == class && over.overlaps(r.span);
        let mut found: Vec<(bool, u64)> =
            self.records.iter().filter(|(_, r)| fits(r)).map(|(n, r)| (r.synthetic, *n)).take(SEARCHED).collect();
        found.sort_unstable();
        let mut left = step.left;
        let mut taken: Vec<Sighted> = Vec::new();
        for (synthetic, n) in found {
            // A copy of a record that was taken is no further error.
            let copy = synthetic && self.records.get(&n).is_some_and(|r| taken.iter().any(|t| groups::same_page(t, r)));
            if (left > 0 || copy)
                && let Some(record) = self.records.remove(&n)
            {
                left = if copy { left } else { left.saturating_sub(record.count.max(1)) };
                taken.push(record);
            }
        }
        // One record that explains everything says when it was, better than two reads of a counter.
        if let Some(record) = taken.first().filter(|r| r.count.max(1) >= step.left) {
            (step.witness.span, step.witness.found_by) = (record.span, record.found_by);
        }
        step.records = taken.into_iter().map(|r| r.id).collect();
    }

    /// The waiting record that an event is most likely the event of: a bank's own before one made up, then the nearest.
    fn waiting(&self, event: &Telling, settings: &Settings) -> Option<(u64, Kind)> {
        nearest(&self.records, |_, record| event.apart_from_record(record, settings))
    }
}

/// The waiting record that is least apart by the given measure, a bank's own before one made up. The newest are searched, and
/// of equally distant ones the older is taken.
fn nearest(records: &BTreeMap<u64, Sighted>, apart: impl Fn(Kind, &Sighted) -> Option<i64>) -> Option<(u64, Kind)> {
    let found = records.iter().rev().take(SEARCHED).filter_map(|(n, record)| {
        let kind = Kind::of_record(record);
        apart(kind, record).map(|apart| (record.synthetic, apart, *n, kind))
    });
    found.min_by_key(|(synthetic, apart, n, _)| (*synthetic, *apart, *n)).map(|(_, _, n, kind)| (n, kind))
}

#[cfg(test)]
mod tests;
