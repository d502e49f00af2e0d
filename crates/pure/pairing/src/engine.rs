//! Keeps the canonical order of inputs and timers, and works through it up to where everything is known.
//!
//! Inputs are ordered by when they became known, then by kind and content, so that equal-time inputs have one order
//! however they came. Timers due at the same instant come after them. An input that comes later than the point up to
//! which the engine was told to go on is taken at that point: the caller stamps its `known` accordingly.

use crate::Settings;
use crate::fuse::{Explained, Fuse};
use crate::settle::Desk;
use crate::table::{OpenReport, ReportSeq, Settled, ShotSeq};
use std::cmp::Reverse;
use std::collections::{BTreeSet, BinaryHeap};
use std::sync::Arc;
use vocabulary::{Gap, Mono, Outcome, ReportAnswer, Shot, ShotAnswer, Sighted, SlotId, Source};

/// What the engine takes in.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Input {
    /// A source was blind. Counts from the beginning of its span.
    Gap(Gap),
    /// A shot that was fired, or will be.
    Shot(Order),
    /// One raw observation.
    Witness(Sighted),
}

/// A shot with the order that equal-time shots have.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Order(pub Shot);

impl Ord for Order {
    fn cmp(&self, other: &Order) -> std::cmp::Ordering {
        let key = |o: &Order| (o.0.known, o.0.fired, o.0.slot, o.0.name.clone(), o.0.key.n);
        key(self).cmp(&key(other))
    }
}

impl PartialOrd for Order {
    fn partial_cmp(&self, other: &Order) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

impl Input {
    /// When it is taken in: a shot that is planned ahead only when it is fired.
    fn known(&self) -> Mono {
        match self {
            Input::Gap(gap) => gap.span.from,
            Input::Shot(order) => order.0.known.max(order.0.fired.from),
            Input::Witness(w) => w.known,
        }
    }
}

/// What the engine answers.
#[derive(Clone, PartialEq, Debug)]
pub enum Answer {
    /// A shot is settled.
    Shot(ShotAnswer),
    /// A report is settled.
    Report(ReportAnswer),
    /// A witness that belongs to no open report: a record not about memory, or one about a report settled before.
    Spent {
        /// Its number.
        witness: i64,
    },
}

/// Timers in the order in which those due at one instant are worked through.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Timer {
    RecordDue(u64),
    StepDue(u64),
    SettleShot(Mono, Arc<str>, u32, ShotSeq),
    SettleReport(ReportSeq),
    ForgetShot(ShotSeq),
}

/// Fuses and pairs; see the crate's page.
pub struct Engine {
    settings: Settings,
    inputs: BinaryHeap<Reverse<(Mono, Input)>>,
    timers: BTreeSet<(Mono, Timer)>,
    fuse: Fuse,
    desk: Desk,
    horizon: Mono,
}

impl Engine {
    /// An engine that has seen nothing. Reports are numbered from `next_report`.
    #[must_use]
    pub fn new(settings: Settings, next_report: i64) -> Engine {
        Engine {
            settings,
            inputs: BinaryHeap::new(),
            timers: BTreeSet::new(),
            fuse: Fuse::default(),
            desk: Desk::new(settings, next_report),
            horizon: Mono(i64::MIN),
        }
    }

    /// Up to when the engine has worked: what comes earlier than this comes late.
    #[must_use]
    pub fn horizon(&self) -> Mono {
        self.horizon
    }

    /// Tells which controller a slot belongs to, so that a gap of one controller hides only its slots.
    pub fn know_slot(&mut self, slot: SlotId, controller: Option<u16>) {
        self.desk.know_slot(slot, controller);
    }

    /// Takes in an input. It is worked on by the next [`advance`](Engine::advance) that reaches it.
    pub fn push(&mut self, input: Input) {
        self.inputs.push(Reverse((input.known().max(self.horizon), input)));
    }

    /// Takes in a shot that was settled before a restart, for the echoes that may still come.
    pub fn push_settled(
        &mut self,
        shot: Shot,
        outcome: Outcome,
        blamed: Option<SlotId>,
        severity: Option<vocabulary::Severity>,
    ) {
        let end = self.end_of(&shot);
        let forget = end.plus(self.settings.memory_ns());
        let seq = self.desk.table.add_shot(shot, end, Some(Settled { outcome, blamed, severity }));
        self.timers.insert((forget, Timer::ForgetShot(seq)));
    }

    /// Takes in a memory-controller event that was reported before a restart, for the counter steps that it explains.
    pub fn push_spent(&mut self, event: &Sighted) {
        self.fuse.event(event, None, &self.settings);
    }

    /// Works through everything up to `to`. The caller promises that every input known up to `to` was pushed.
    pub fn advance(&mut self, to: Mono, answers: &mut Vec<Answer>) {
        loop {
            let input = self.inputs.peek().map(|Reverse((at, _))| *at).filter(|at| *at <= to);
            let timer = self.timers.first().map(|(at, _)| *at).filter(|at| *at <= to);
            match (input, timer) {
                (Some(at), due) if due.is_none_or(|due| at <= due) => {
                    self.horizon = self.horizon.max(at);
                    if let Some(Reverse((_, input))) = self.inputs.pop() {
                        self.take(input, answers);
                    }
                }
                (_, Some(at)) => {
                    self.horizon = self.horizon.max(at);
                    if let Some((_, timer)) = self.timers.pop_first() {
                        self.fire(timer, at, answers);
                    }
                }
                (_, None) => break,
            }
        }
        self.horizon = self.horizon.max(to);
        self.desk.prune(self.horizon.minus(self.settings.memory_ns()));
    }

    /// Settles everything that is left: nothing more will come.
    pub fn finish(&mut self, answers: &mut Vec<Answer>) {
        self.advance(Mono(i64::MAX), answers);
    }

    /// The end of the last window of an open or planned shot, if there is any.
    #[must_use]
    pub fn last_open_end(&self) -> Option<Mono> {
        let planned = self.inputs.iter().filter_map(|Reverse((_, input))| match input {
            Input::Shot(order) => Some(self.end_of(&order.0)),
            _ => None,
        });
        self.desk.table.open_shots().map(|held| held.end).chain(planned).max()
    }

    /// What the run has taught so far, for people and benchmarks.
    #[must_use]
    pub fn learned(&self) -> String {
        self.desk.learned()
    }

    /// How many shots, reports and gaps are held.
    #[must_use]
    pub fn sizes(&self) -> (usize, usize, usize) {
        self.desk.table.sizes()
    }

    fn end_of(&self, shot: &Shot) -> Mono {
        shot.fired.to.plus(shot.hold_ns).plus(self.settings.window_ns)
    }

    fn take(&mut self, input: Input, answers: &mut Vec<Answer>) {
        match input {
            Input::Gap(gap) => self.desk.table.add_gap(gap),
            Input::Shot(Order(shot)) => {
                self.desk.note_time(shot.fired.from);
                let end = self.end_of(&shot);
                // A shot told of late is settled only after its late telling, when all its reports are known as well.
                let due = end.max(shot.known).plus(self.settings.settle_ns());
                let (from, name, n) = (shot.fired.from, shot.name.clone(), shot.key.n);
                let seq = self.desk.open_shot(shot, end, self.horizon);
                self.timers.insert((due, Timer::SettleShot(from, name, n, seq)));
            }
            Input::Witness(witness) => {
                self.desk.note_time(witness.span.from);
                self.take_witness(witness, answers);
            }
        }
    }

    fn take_witness(&mut self, witness: Sighted, answers: &mut Vec<Answer>) {
        match witness.source {
            Source::McEvent => {
                let seq = match self.fuse.copy(&witness, &self.settings) {
                    Some(seq) => {
                        self.desk.join(seq, witness.id, answers);
                        seq
                    }
                    None => {
                        let seq = self.open_report(&witness, witness.count);
                        if let Some(record) = self.fuse.event(&witness, Some(seq), &self.settings) {
                            self.desk.join(seq, record, answers);
                        }
                        seq
                    }
                };
                self.join_further(seq, answers);
            }
            Source::MceRecord => {
                let (id, due) = (witness.id, witness.known.plus(self.settings.fuse_ns));
                match self.fuse.record(witness, &self.settings) {
                    Ok(seq) => self.desk.join(seq, id, answers),
                    Err(n) => {
                        self.timers.insert((due, Timer::RecordDue(n)));
                    }
                }
                if let Some(record) = self.fuse.crowded_out() {
                    self.report_alone(&record, answers);
                }
            }
            Source::Counter => {
                let (id, due) = (witness.id, witness.known.plus(self.settings.counter_grace_ns));
                match self.fuse.step(witness) {
                    Explained::By(Some(seq)) => self.desk.join(seq, id, answers),
                    Explained::By(None) => answers.push(Answer::Spent { witness: id }),
                    Explained::Waits(n) => {
                        self.timers.insert((due, Timer::StepDue(n)));
                    }
                }
            }
        }
    }

    fn fire(&mut self, timer: Timer, at: Mono, answers: &mut Vec<Answer>) {
        match timer {
            Timer::RecordDue(n) => {
                if let Some(record) = self.fuse.record_due(n) {
                    self.report_alone(&record, answers);
                }
            }
            Timer::StepDue(n) => match self.fuse.step_due(n) {
                Some(Ok(step)) => {
                    let seq = self.open_report(&step.witness, step.left);
                    for record in step.records {
                        self.desk.join(seq, record, answers);
                    }
                }
                Some(Err((witness, Some(seq)))) => self.desk.join(seq, witness, answers),
                Some(Err((witness, None))) => answers.push(Answer::Spent { witness }),
                None => {}
            },
            Timer::SettleShot(_, _, _, seq) => {
                self.desk.settle_shot(seq, at, answers);
                let keep = at.plus(self.settings.memory_ns());
                self.timers.insert((keep, Timer::ForgetShot(seq)));
            }
            Timer::SettleReport(seq) => {
                if let Some(again) = self.desk.settle_report(seq, at, answers) {
                    self.timers.insert((again, Timer::SettleReport(seq)));
                }
            }
            Timer::ForgetShot(seq) => self.desk.table.forget_shot(seq),
        }
    }

    /// A machine-check record without an event is a report of its own.
    fn report_alone(&mut self, record: &Sighted, answers: &mut Vec<Answer>) {
        let seq = self.open_report(record, record.count);
        self.fuse.alone(record, seq);
        self.join_further(seq, answers);
    }

    /// Adds the waiting machine-check records that are about a report's error.
    fn join_further(&mut self, seq: ReportSeq, answers: &mut Vec<Answer>) {
        while let Some(record) = self.fuse.further(seq, &self.settings) {
            self.desk.join(seq, record, answers);
        }
    }

    fn open_report(&mut self, witness: &Sighted, count: u32) -> ReportSeq {
        let report = OpenReport {
            anchor: witness.id,
            witnesses: vec![witness.id],
            span: witness.span,
            blame: witness.blame.clone(),
            severity: witness.severity,
            count,
            capacity: count.max(1),
            free: 1.0,
            claimed: 0.0,
            taken: None,
        };
        let seq = self.desk.open_report(report, self.horizon);
        let due = witness.span.to.max(self.horizon).plus(self.settings.open_ns());
        self.timers.insert((due, Timer::SettleReport(seq)));
        seq
    }
}
