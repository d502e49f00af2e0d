//! Keeps the canonical order of inputs and timers, and works through it up to where everything is known.
//!
//! Inputs are ordered by when they became known, then by kind and content, so that equal-time inputs have one order
//! however they came. Timers due at the same instant come after them. An input that comes later than the point up to
//! which the engine was told to go on is taken at that point: the caller stamps its `known` accordingly.

use crate::Settings;
use crate::fuse::{Explained, Fuse};
use crate::settle::Desk;
use crate::table::{OpenReport, ReportSeq, Settled};
use crate::upcoming::Upcoming;
use serde::{Deserialize, Serialize};
use vocabulary::{FoundBy, Gap, Mono, Outcome, ReportAnswer, Shot, ShotAnswer, Sighted, SlotId, Source};

/// What the engine takes in.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize)]
pub enum Input {
    /// A source was blind. Counts from the beginning of its span.
    Gap(Gap),
    /// A shot that was fired, or will be.
    Shot(Order),
    /// One raw observation.
    Witness(Sighted),
}

/// A shot with the order that equal-time shots have.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
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

/// What is due at an instant, in the order in which those due at the same one are worked through. A report's or shot's
/// number follows the canonical order of the inputs.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
enum Timer {
    RecordDue,
    StepDue,
    SettleShot,
    SettleReport,
    ForgetShot,
}

/// When something is due, and its number.
type Due = (Mono, u64);

/// One queue for each kind of timer, since each kind comes nearly in order.
#[derive(Default, Serialize, Deserialize)]
struct Timers {
    record: Upcoming<Due>,
    step: Upcoming<Due>,
    shot: Upcoming<Due>,
    report: Upcoming<Due>,
    forget: Upcoming<Due>,
    /// The next one; nothing where it has to be looked for.
    #[serde(skip)]
    next: Option<(Mono, Timer)>,
}

impl Timers {
    fn of(&mut self, timer: Timer) -> &mut Upcoming<Due> {
        match timer {
            Timer::RecordDue => &mut self.record,
            Timer::StepDue => &mut self.step,
            Timer::SettleShot => &mut self.shot,
            Timer::SettleReport => &mut self.report,
            Timer::ForgetShot => &mut self.forget,
        }
    }

    fn push(&mut self, timer: Timer, due: Due) {
        self.next = self.next.map(|next| next.min((due.0, timer)));
        self.of(timer).push(due);
    }

    fn pop(&mut self, timer: Timer) -> Option<Due> {
        self.next = None;
        self.of(timer).pop()
    }

    /// The next one.
    fn first(&mut self) -> Option<(Mono, Timer)> {
        if self.next.is_none() {
            self.next = self.look();
        }
        self.next
    }

    fn look(&self) -> Option<(Mono, Timer)> {
        let each = [
            (&self.record, Timer::RecordDue),
            (&self.step, Timer::StepDue),
            (&self.shot, Timer::SettleShot),
            (&self.report, Timer::SettleReport),
            (&self.forget, Timer::ForgetShot),
        ];
        each.into_iter().filter_map(|(queue, timer)| queue.first().map(|due| (due.0, timer))).min()
    }
}

/// Fuses and pairs; see the crate's page.
#[derive(Serialize, Deserialize)]
pub struct Engine {
    #[serde(skip)]
    settings: Settings,
    inputs: Upcoming<(Mono, Input)>,
    timers: Timers,
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
            inputs: Upcoming::default(),
            timers: Timers::default(),
            fuse: Fuse::default(),
            desk: Desk::new(settings, next_report),
            horizon: Mono(i64::MIN),
        }
    }

    pub(crate) fn settings(&self) -> Settings {
        self.settings
    }

    /// Puts back the settings, which are not part of what is kept.
    pub(crate) fn set(&mut self, settings: Settings) {
        self.settings = settings;
        self.desk.set(settings);
    }

    /// The shortest time between two shots at one slot, in nanoseconds, at which the report of the first has come before the
    /// second is fired 99 times in 100: their reports cannot be mistaken for one another then. Nothing while too little is known.
    #[must_use]
    pub fn enough_spacing(&self) -> Option<i64> {
        self.desk.learned.latencies.longest_usual()
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
        self.inputs.push((input.known().max(self.horizon), input));
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
        let seq = self.desk.table.add_shot(&shot, end, Some(Settled { outcome, blamed, severity })).seq;
        self.timers.push(Timer::ForgetShot, (forget, seq));
    }

    /// Takes in a memory-controller event that was reported before a restart, for the counter steps that it explains.
    pub fn push_spent(&mut self, event: &Sighted) {
        self.fuse.event(event, None, &self.settings);
    }

    /// Works through everything up to `to`. The caller promises that every input known up to `to` was pushed.
    pub fn advance(&mut self, to: Mono, answers: &mut Vec<Answer>) {
        loop {
            let input = self.inputs.first().map(|(at, _)| *at).filter(|at| *at <= to);
            let timer = self.timers.first().filter(|(at, _)| *at <= to);
            match (input, timer) {
                (Some(at), due) if due.is_none_or(|(due, _)| at <= due) => {
                    self.horizon = self.horizon.max(at);
                    if let Some((_, input)) = self.inputs.pop() {
                        self.take(input, answers);
                    }
                }
                (_, Some((at, timer))) => {
                    self.horizon = self.horizon.max(at);
                    if let Some((_, n)) = self.timers.pop(timer) {
                        self.fire(timer, n, at, answers);
                    }
                }
                (_, None) => break,
            }
        }
        self.horizon = self.horizon.max(to);
        self.desk.prune(self.horizon.minus(self.settings.memory_ns()));
    }

    /// Settles everything that is left, as if time went on and nothing more came. The horizon stays where it was, so that a
    /// session that goes on from here takes its inputs at their times.
    pub fn finish(&mut self, answers: &mut Vec<Answer>) {
        let horizon = self.horizon;
        self.advance(Mono(i64::MAX), answers);
        self.horizon = horizon;
    }

    /// The end of the last window of an open or planned shot, if there is any.
    #[must_use]
    pub fn last_open_end(&self) -> Option<Mono> {
        let planned = self.inputs.iter().filter_map(|(_, input)| match input {
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
                let seq = self.desk.open_shot(&shot, end, self.horizon);
                self.timers.push(Timer::SettleShot, (due, seq));
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
                if let Some(seq) = self.fuse.copy(&witness, &self.settings) {
                    self.desk.join(seq, witness.id, answers);
                    self.join_further(seq, answers);
                    return;
                }
                let found_by = self.fuse.found_by(&witness, &self.settings);
                let seq = self.open_report(&witness, witness.count, found_by);
                if let Some(record) = self.fuse.event(&witness, Some(seq), &self.settings) {
                    self.desk.join(seq, record, answers);
                }
                self.join_further(seq, answers);
            }
            Source::MceRecord => {
                let (id, due) = (witness.id, witness.known.plus(self.settings.fuse_ns));
                match self.fuse.record(witness, &self.settings) {
                    Ok(seq) => self.desk.join(seq, id, answers),
                    Err(n) => self.timers.push(Timer::RecordDue, (due, n)),
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
                        self.timers.push(Timer::StepDue, (due, n));
                    }
                }
            }
        }
    }

    fn fire(&mut self, timer: Timer, n: u64, at: Mono, answers: &mut Vec<Answer>) {
        match timer {
            Timer::RecordDue => {
                if let Some(record) = self.fuse.record_due(n) {
                    self.report_alone(&record, answers);
                }
            }
            Timer::StepDue => match self.fuse.step_due(n) {
                Some(Ok(step)) => {
                    let seq = self.open_report(&step.witness, step.left, step.witness.found_by);
                    for record in step.records {
                        self.desk.join(seq, record, answers);
                    }
                }
                Some(Err((witness, Some(seq)))) => self.desk.join(seq, witness, answers),
                Some(Err((witness, None))) => answers.push(Answer::Spent { witness }),
                None => {}
            },
            Timer::SettleShot => {
                self.desk.settle_shot(n, at, answers);
                self.timers.push(Timer::ForgetShot, (at.plus(self.settings.memory_ns()), n));
            }
            Timer::SettleReport => {
                if let Some(again) = self.desk.settle_report(n, at, answers) {
                    self.timers.push(Timer::SettleReport, (again, n));
                }
            }
            Timer::ForgetShot => self.desk.table.forget_shot(n),
        }
    }

    /// A machine-check record without an event is a report of its own.
    fn report_alone(&mut self, record: &Sighted, answers: &mut Vec<Answer>) {
        let seq = self.open_report(record, record.count, record.found_by);
        self.fuse.alone(record, seq);
        self.join_further(seq, answers);
    }

    /// Adds the waiting machine-check records that are about a report's error.
    fn join_further(&mut self, seq: ReportSeq, answers: &mut Vec<Answer>) {
        while let Some(record) = self.fuse.further(seq, &self.settings) {
            self.desk.join(seq, record, answers);
        }
    }

    fn open_report(&mut self, witness: &Sighted, count: u32, found_by: FoundBy) -> ReportSeq {
        let report = OpenReport {
            anchor: witness.id,
            witnesses: vec![witness.id],
            found_by,
            span: witness.span,
            blame: witness.blame.clone(),
            lane: None,
            severity: witness.severity,
            syndrome: witness.syndrome.filter(|syndrome| *syndrome != 0),
            count,
            capacity: count.max(1),
            chained: false,
            free: 1.0,
            claimed: 0.0,
            taken: None,
        };
        let to = report.span.to;
        let seq = self.desk.open_report(report, self.horizon);
        let open = to.max(self.horizon).plus(self.settings.open_ns());
        self.timers.push(Timer::SettleReport, (open.max(self.desk.report_due(to).plus(1)), seq));
        seq
    }
}
