//! Makes one report out of all witnesses of the same error.
//!
//! Three facts of the kernel shape this. The memory-controller event is traced before the counters move
//! (`edac_raw_mc_handle_error` in `drivers/edac/edac_mc.c`), so an event explains counts that are read after it. The
//! machine-check record is traced before the EDAC driver decodes it (`arch/x86/kernel/cpu/mce/core.c`, order of the
//! notifier chain), so it waits for its event. And what the counters hold without any event is a report of its own: that
//! is how a lost trace event still counts.
//!
//! The fuse must not decide what a report means; it only says which witnesses are one. The engine calls it.

use crate::Settings;
use crate::table::ReportSeq;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, HashMap, VecDeque};
use vocabulary::{Class, Mono, Sighted, SlotId};

/// How long after its event a counter may move: the kernel prints to the console in between.
const COUNTER_LAG_NS: i64 = 2_000_000_000;
/// How far a machine-check record without an address may be from its event.
const NEAR_NS: i64 = 50_000_000;
/// How many recent events are searched for a machine-check record that comes after its event.
const RECENT: usize = 256;

/// Which counter an event moves: that of its slot, or the controller's "no info" one.
type CounterKey = (u16, Option<SlotId>, Class);

#[derive(Serialize, Deserialize)]
struct Explainer {
    at: Mono,
    left: u32,
    report: Option<ReportSeq>,
}

/// A counter step that events explain only in part, so far.
#[derive(Serialize, Deserialize)]
pub(crate) struct Step {
    pub(crate) witness: Sighted,
    pub(crate) left: u32,
}

#[derive(Serialize, Deserialize)]
struct RecentEvent {
    at: Mono,
    address: Option<u64>,
    class: Class,
    report: ReportSeq,
    has_record: bool,
}

/// What became of a counter step.
pub(crate) enum Explained {
    /// All of it, by this report's event; none if the report was settled before a restart.
    By(Option<ReportSeq>),
    /// Not all; it waits under this number.
    Waits(u64),
}

#[derive(Default, Serialize, Deserialize)]
pub(crate) struct Fuse {
    explainers: HashMap<CounterKey, VecDeque<Explainer>>,
    steps: BTreeMap<u64, Step>,
    records: BTreeMap<u64, Sighted>,
    recent: VecDeque<RecentEvent>,
    next: u64,
}

impl Fuse {
    /// Takes in a memory-controller event; answers which waiting machine-check record it is the event of.
    pub(crate) fn event(&mut self, event: &Sighted, report: Option<ReportSeq>, settings: &Settings) -> Option<i64> {
        if let Some(controller) = event.controller
            && event.count > 0
        {
            let key = (controller, event.blame.exact(), event.severity.class());
            let queue = self.explainers.entry(key).or_default();
            let keep = COUNTER_LAG_NS.saturating_add(settings.counter_interval_ns.saturating_mul(3));
            while queue.front().is_some_and(|e| event.span.to.since(e.at) > keep) {
                queue.pop_front();
            }
            queue.push_back(Explainer { at: event.span.to, left: event.count, report });
        }
        let report = report?;
        let found = self
            .records
            .iter()
            .find(|(_, r)| same_error(r, event.span.to, event.address, event.severity.class(), settings));
        let record = found.map(|(n, _)| *n).and_then(|n| self.records.remove(&n));
        if self.recent.len() == RECENT {
            self.recent.pop_front();
        }
        self.recent.push_back(RecentEvent {
            at: event.span.to,
            address: event.address,
            class: event.severity.class(),
            report,
            has_record: record.is_some(),
        });
        record.map(|r| r.id)
    }

    /// Takes in a machine-check record: it belongs to a recent event's report, or waits under a number.
    pub(crate) fn record(&mut self, record: Sighted, settings: &Settings) -> Result<ReportSeq, u64> {
        let twin = self
            .recent
            .iter_mut()
            .rev()
            .find(|e| !e.has_record && same_error(&record, e.at, e.address, e.class, settings));
        if let Some(event) = twin {
            event.has_record = true;
            return Ok(event.report);
        }
        let n = self.number();
        self.records.insert(n, record);
        Err(n)
    }

    /// A machine-check record that has waited long enough: it is a report of its own.
    pub(crate) fn record_due(&mut self, n: u64) -> Option<Sighted> {
        self.records.remove(&n)
    }

    /// Takes in a counter step and lets the events of that counter explain it.
    pub(crate) fn step(&mut self, witness: Sighted) -> Explained {
        let Some(controller) = witness.controller else {
            let n = self.number();
            self.steps.insert(n, Step { left: witness.count, witness });
            return Explained::Waits(n);
        };
        let key = (controller, witness.blame.exact(), witness.severity.class());
        let mut step = Step { left: witness.count, witness };
        let by = self.explainers.get_mut(&key).and_then(|queue| consume(queue, &mut step));
        if step.left == 0 {
            return Explained::By(by);
        }
        let n = self.number();
        self.steps.insert(n, step);
        Explained::Waits(n)
    }

    /// A counter step that has waited long enough. What is left of it after a last look at all events of the controller
    /// is a report of its own; nothing is left if events explain it after all.
    pub(crate) fn step_due(&mut self, n: u64) -> Option<Result<Step, (i64, Option<ReportSeq>)>> {
        let mut step = self.steps.remove(&n)?;
        let class = step.witness.severity.class();
        let mut by = None;
        if let Some(controller) = step.witness.controller {
            let own = step.witness.blame.exact();
            // Its own counter first, then the rest in a fixed order: drivers do not always count where they point.
            let mut keys: Vec<CounterKey> =
                self.explainers.keys().filter(|k| k.0 == controller && k.2 == class).copied().collect();
            keys.sort_unstable_by_key(|k| (k.1 != own, *k));
            for key in keys {
                if step.left > 0
                    && let Some(queue) = self.explainers.get_mut(&key)
                {
                    by = consume(queue, &mut step).or(by);
                }
            }
        }
        Some(if step.left == 0 { Err((step.witness.id, by)) } else { Ok(step) })
    }

    fn number(&mut self) -> u64 {
        self.next += 1;
        self.next
    }
}

/// Lets events explain a step, oldest first; answers the report of the first that did.
fn consume(queue: &mut VecDeque<Explainer>, step: &mut Step) -> Option<ReportSeq> {
    let span = step.witness.span;
    while queue.front().is_some_and(|e| e.at.plus(COUNTER_LAG_NS) < span.from) {
        queue.pop_front();
    }
    let mut first = None;
    while step.left > 0 {
        let Some(event) = queue.front_mut().filter(|e| e.at <= span.to) else { break };
        let used = event.left.min(step.left);
        event.left -= used;
        step.left -= used;
        first = first.or(event.report);
        if event.left == 0 {
            queue.pop_front();
        }
    }
    first
}

/// Whether a machine-check record and a memory-controller event are about the same error.
///
/// Pages are compared, not addresses: a driver may report the page only.
fn same_error(record: &Sighted, at: Mono, address: Option<u64>, class: Class, settings: &Settings) -> bool {
    let apart = at.since(record.span.to).abs();
    let near = match (record.address, address) {
        (Some(a), Some(b)) => a >> 12 == b >> 12 && apart <= settings.fuse_ns,
        _ => apart <= NEAR_NS,
    };
    near && record.severity.class() == class
}
