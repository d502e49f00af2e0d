//! Which events explain which steps of the counters.
//!
//! Every event moves one counter by its count, a little later. A step of a counter that events do not explain at once waits
//! for them, and is then compared with all events of its controller, since drivers do not always count where they point. The
//! rest of a step is answered by its caller, `fuse`.

use crate::Settings;
use crate::table::ReportSeq;
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, VecDeque};
use vocabulary::{Class, Mono, Sighted, SlotId, Span};

/// How long after its event a counter may move: the kernel prints to the console in between.
const COUNTER_LAG_NS: i64 = 2_000_000_000;
/// How many events of one counter are kept apart; beyond it the newest are kept as one, with their counts added up.
const MOST_APART: usize = 256;
/// How many counters are kept; an event of one more explains nothing. The largest machines have some hundred slots.
const MOST_COUNTERS: usize = 4096;

/// Room is made at most once in this time: a flood of new counters must not cost a search each.
const SWEEP_NS: i64 = 100_000_000;

/// Which counter an event moves: that of its slot, or the controller's "no info" one.
type CounterKey = (u16, Option<SlotId>, Class);

/// An event, or several of one counter, whose counts are not all in the counter yet.
#[derive(Debug, Serialize, Deserialize)]
struct Explainer {
    seen: Span,
    left: u32,
    report: Option<ReportSeq>,
}

#[derive(Debug, Serialize, Deserialize)]
struct Counter {
    key: CounterKey,
    events: VecDeque<Explainer>,
}

/// A counter step that events explain only in part, so far.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct Step {
    /// What its report is told by: with the time and the finder of the record that it is about, where that is known.
    pub(crate) witness: Sighted,
    /// How many errors are not explained.
    pub(crate) left: u32,
    /// The machine-check records about the same errors: further witnesses of its report.
    pub(crate) records: Vec<i64>,
}

/// What became of a counter step.
#[derive(Debug)]
pub(crate) enum Explained {
    /// All of it, by this report's event; none if the report was settled before a restart.
    By(Option<ReportSeq>),
    /// Not all; it waits under this number.
    Waits(u64),
}

/// See the module's page.
#[derive(Default, Debug, Serialize, Deserialize)]
pub(super) struct Counters {
    /// In order of their keys.
    counters: Vec<Counter>,
    /// What was too old when room was made last.
    swept: Option<Mono>,
    steps: BTreeMap<u64, Step>,
    next: u64,
}

impl Counters {
    /// Takes in an event. One with a count of 0 moves no counter.
    pub(super) fn event(&mut self, event: &Sighted, report: Option<ReportSeq>, settings: &Settings) {
        let (Some(controller), true) = (event.controller, event.count > 0) else { return };
        let key = (controller, event.blame.exact(), event.severity.class());
        let keep = COUNTER_LAG_NS.saturating_add(settings.counter_interval_ns.saturating_mul(3));
        let over = event.span.to.minus(keep);
        let Some(counter) = self.counter(key, over) else { return };
        while counter.events.front().is_some_and(|e| e.seen.to < over) {
            counter.events.pop_front();
        }
        let explainer = Explainer { seen: event.span, left: event.count, report };
        let full = counter.events.len() >= MOST_APART;
        match counter.events.back_mut().filter(|_| full) {
            Some(last) => {
                last.seen = Span { from: last.seen.from.min(event.span.from), to: last.seen.to.max(event.span.to) };
                last.left = last.left.saturating_add(event.count);
            }
            None => counter.events.push_back(explainer),
        }
    }

    /// Takes in a counter step and lets the events of that counter explain it.
    pub(super) fn step(&mut self, witness: Sighted) -> Explained {
        let mut step = Step { left: witness.count, records: Vec::new(), witness };
        let mut by = None;
        if let Some(controller) = step.witness.controller {
            let key = (controller, step.witness.blame.exact(), step.witness.severity.class());
            if let Ok(counter) = self.counters.binary_search_by_key(&key, |c| c.key).map(|i| self.counters.get_mut(i)) {
                by = counter.and_then(|counter| consume(&mut counter.events, &mut step));
            }
            if step.left == 0 {
                return Explained::By(by);
            }
        }
        self.next += 1;
        self.steps.insert(self.next, step);
        Explained::Waits(self.next)
    }

    /// A step that has waited long enough, after a last look at all events of its controller, and the first report that
    /// explained something of it.
    pub(super) fn step_due(&mut self, n: u64) -> Option<(Step, Option<ReportSeq>)> {
        let mut step = self.steps.remove(&n)?;
        let class = step.witness.severity.class();
        let mut by = None;
        if let Some(controller) = step.witness.controller {
            let own = step.witness.blame.exact();
            // Its own counter first, then the rest in the order of their keys.
            let mut of_controller: Vec<&mut Counter> =
                self.counters.iter_mut().filter(|c| c.key.0 == controller && c.key.2 == class).collect();
            of_controller.sort_by_key(|c| c.key.1 != own);
            for counter in of_controller {
                if step.left > 0 {
                    by = by.or(consume(&mut counter.events, &mut step));
                }
            }
        }
        Some((step, by))
    }

    /// The counter of a key, made if there is room: those whose events are all older than `over` make room.
    fn counter(&mut self, key: CounterKey, over: Mono) -> Option<&mut Counter> {
        let place = match self.counters.binary_search_by_key(&key, |c| c.key) {
            Ok(place) => place,
            Err(_) => {
                let again = self.swept.is_none_or(|swept| over.since(swept).saturating_abs() >= SWEEP_NS);
                if self.counters.len() >= MOST_COUNTERS && again {
                    self.swept = Some(over);
                    self.counters.retain(|c| c.events.iter().any(|e| e.seen.to >= over));
                }
                if self.counters.len() >= MOST_COUNTERS {
                    return None;
                }
                let place = self.counters.partition_point(|c| c.key < key);
                self.counters.insert(place, Counter { key, events: VecDeque::new() });
                place
            }
        };
        self.counters.get_mut(place)
    }

    /// How many explainers, the counters that they are of, and waiting steps are held.
    #[cfg(test)]
    pub(super) fn sizes(&self) -> (usize, usize, usize) {
        (self.counters.iter().map(|c| c.events.len()).sum(), self.counters.len(), self.steps.len())
    }
}

/// When the events were traced that can have moved a counter between two reads.
pub(super) fn reach(step: Span) -> Span {
    Span { from: step.from.minus(COUNTER_LAG_NS), to: step.to }
}

/// Lets events explain a step, in the order of their coming; answers the report of the first that did.
fn consume(events: &mut VecDeque<Explainer>, step: &mut Step) -> Option<ReportSeq> {
    let over = reach(step.witness.span);
    let mut first = None;
    for event in events.iter_mut().filter(|e| e.left > 0 && e.seen.overlaps(over)) {
        if step.left == 0 {
            break;
        }
        let used = event.left.min(step.left);
        event.left -= used;
        step.left -= used;
        first = first.or(event.report);
    }
    events.retain(|e| e.left > 0);
    first
}
