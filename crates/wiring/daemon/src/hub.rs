//! Where everything meets: kernel events and feed lines go in, records for the store and replies to injectors come out.
//!
//! The hub numbers witnesses, looks places up, stamps shots, hands everything to the pairing engine and turns its answers
//! into records. It is synchronous and reads no clock, file or socket; the live daemon, the rehearsal and the replay
//! drive this very same hub. An injection reaches the engine only when the store has acknowledged it, so that what was
//! `accepted` and what is paired are the same set.

mod clocks;
pub(crate) mod foresight;
pub(crate) mod resume;

use crate::capture::Captured;
use crate::settings::Settings;
use feed_lines::{FeedLine, Reply, Unit};
use pairing::{Answer, Engine, Input, Order};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use store::{Ack, CounterValue, Numbers, Record};
use vocabulary::{
    ClockPair, Dimm, Expected, Gap, Injection, Layers, MachineSample, Mono, Shot, ShotKey, Sighted, SlotBook, SlotId,
    Source, Span, Witness,
};

/// A shot that is to be fired later than this is refused: it would be held in memory all that time.
const FURTHEST_AHEAD_NS: i64 = 24 * 3600 * 1_000_000_000;

/// One line of a feed with what is known about its way.
#[derive(Clone, Debug)]
pub(crate) struct Line<'a> {
    /// The feed's name.
    pub(crate) feed: &'a Arc<str>,
    /// Who injects.
    pub(crate) injector: &'a Arc<str>,
    /// What the injector's ticks count.
    pub(crate) unit: Unit,
    /// The line's number in its stream.
    pub(crate) number: u64,
    /// When it arrived.
    pub(crate) arrival: Mono,
    /// The line as it came.
    pub(crate) raw: &'a str,
    /// What it says.
    pub(crate) line: FeedLine,
    /// For a pong: when its ping was written.
    pub(crate) sent: Option<Mono>,
}

/// An injection on its way to the disk. `R` is the way back to its sender.
struct Pending<R> {
    reply: R,
    number: u64,
    arrival: Mono,
    injector: Arc<str>,
    injection: Injection,
    slot: SlotId,
    expected: Expected,
    first: Span,
}

/// Counts since the start of the process, for health and metrics.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, serde::Serialize)]
pub(crate) struct Counts {
    /// Trace events about memory.
    pub(crate) mc_events: u64,
    /// Machine-check records, about memory or not.
    pub(crate) mce_records: u64,
    /// Counter steps.
    pub(crate) counter_steps: u64,
    /// Injections that were accepted, resent ones not counted.
    pub(crate) injections: u64,
    /// Injections that were sent again.
    pub(crate) resent: u64,
    /// Lines that were refused.
    pub(crate) rejected: u64,
    /// Gaps.
    pub(crate) gaps: u64,
    /// Shots that were settled.
    pub(crate) settled: u64,
}

/// See the module's page.
pub(crate) struct Hub<R> {
    settings: Settings,
    foresight: foresight::Foresight,
    engine: Engine,
    book: SlotBook,
    book_changes: u64,
    told_slots: Vec<vocabulary::SlotEntry>,
    clocks: clocks::Clocks,
    rails: rails::Rails,
    pair: ClockPair,
    /// Nothing before this was watched; nothing in a replay, whose recording says so itself.
    began: Option<Mono>,
    next_witness: i64,
    /// The engine has the shots of every injection of this boot up to this number.
    last_injection: i64,
    /// Up to when the engine had worked when it was last kept.
    kept_at: Option<Mono>,
    next_token: u64,
    pending: BTreeMap<u64, Pending<R>>,
    pending_arrivals: BTreeSet<(Mono, u64)>,
    records: Vec<Record>,
    /// Counter steps and the counters' values must reach the disk together, or a restart would count the steps twice.
    counters_half_told: bool,
    capture: Option<Captured>,
    answers: Vec<Answer>,
    counts: Counts,
}

impl<R> Hub<R> {
    /// A hub for a run that begins. `pair` is for dates in the feed.
    pub(crate) fn new(
        settings: Settings,
        book: SlotBook,
        pair: ClockPair,
        began: Option<Mono>,
        numbers: Numbers,
    ) -> Hub<R> {
        Hub {
            engine: Engine::new(settings.pairing, numbers.next_report),
            foresight: foresight::Foresight::new(&settings.ecc, settings.expect),
            rails: rails::Rails::new(settings.rails.clone()),
            settings,
            book,
            book_changes: 0,
            told_slots: Vec::new(),
            clocks: clocks::Clocks::default(),
            pair,
            began,
            next_witness: numbers.next_witness,
            last_injection: numbers.last_injection,
            kept_at: None,
            next_token: 0,
            pending: BTreeMap::new(),
            pending_arrivals: BTreeSet::new(),
            records: Vec::new(),
            counters_half_told: false,
            capture: None,
            answers: Vec::new(),
            counts: Counts::default(),
        }
    }

    /// Keeps both streams in the replay format as well.
    pub(crate) fn capture(&mut self) {
        self.capture = Some(Captured::default());
    }

    /// A measured pair of both clocks.
    pub(crate) fn pair(&mut self, pair: ClockPair) {
        if let Some(capture) = &mut self.capture {
            capture.entry(&recording::Entry::Clock(pair));
        }
        self.pair = pair;
        self.records.push(Record::Pair(pair));
    }

    /// One object of the inventory.
    pub(crate) fn dimm(&mut self, dimm: Dimm) {
        let (_, changed) = self.book.add(dimm.clone());
        if let Some(capture) = self.capture.as_mut().filter(|_| changed) {
            capture.entry(&recording::Entry::Dimm(dimm));
        }
        self.tell_slots();
    }

    /// One raw observation, known now or at `known` if that is later.
    pub(crate) fn witness(&mut self, known: Option<Mono>, witness: Witness) {
        self.numbered_witness(self.next_witness, known, witness);
    }

    /// The same with its number given. A recording is worked through in the order of its times, but its witnesses keep the
    /// numbers that they had in the order of their coming.
    pub(crate) fn numbered_witness(&mut self, id: i64, known: Option<Mono>, witness: Witness) {
        let known = known.unwrap_or(witness.span.to).max(witness.span.to).max(self.engine.horizon());
        if let Some(capture) = &mut self.capture {
            capture.entry(&recording::Entry::Witness { known, witness: witness.clone() });
        }
        match witness.source {
            Source::McEvent => self.counts.mc_events += 1,
            Source::MceRecord => self.counts.mce_records += 1,
            Source::Counter => {
                self.counts.counter_steps += 1;
                self.counters_half_told = true;
            }
        }
        self.next_witness = self.next_witness.max(id + 1);
        let sighted = self.sighted(id, known, &witness);
        self.tell_slots();
        let memory = witness.is_memory_error();
        self.records.push(Record::Witness { id, known, witness: Arc::new(witness), slot: sighted.blame.exact() });
        if memory {
            self.engine.push(Input::Witness(sighted));
        } else {
            self.records.push(Record::Spent { witness: id });
        }
    }

    /// A source was blind. A feed that was not read hides no report, so it is kept but makes no shot unknowable.
    pub(crate) fn gap(&mut self, gap: Gap) {
        if let Some(capture) = &mut self.capture {
            capture.entry(&recording::Entry::Gap(gap.clone()));
        }
        self.counts.gaps += 1;
        self.records.push(Record::Gap(gap.clone()));
        if gap.of != "feed" {
            self.engine.push(Input::Gap(gap));
        }
    }

    /// Counter values for the next restart.
    pub(crate) fn counters(&mut self, values: Vec<CounterValue>) {
        self.counters_half_told = false;
        self.records.push(Record::Counters(values));
    }

    /// What the machine showed beside its reports. It changes no answer.
    pub(crate) fn machine(&mut self, sample: MachineSample) {
        if let Some(capture) = &mut self.capture {
            capture.entry(&recording::Entry::Machine(sample.clone()));
        }
        self.records.push(Record::Machine(sample));
    }

    /// What the run must say about itself.
    pub(crate) fn remark(&mut self, at: Mono, warning: bool, text: String) {
        self.records.push(Record::Remark { at, warning, text });
    }

    /// One line of a feed. Answers a reply that can go back at once; an injection is answered by [`ack`](Hub::ack).
    pub(crate) fn line(&mut self, mut line: Line<'_>, reply: R) -> Option<(R, Reply)> {
        line.arrival = line.arrival.max(self.engine.horizon());
        if let Some(capture) = &mut self.capture {
            capture.line(&line);
        }
        let clock = self.clocks.of(&line);
        if !matches!(line.line, FeedLine::Tick { .. } | FeedLine::Pong { .. }) {
            clock.tell(line.arrival, &mut self.records);
        }
        match line.line {
            FeedLine::Injection(injection) => {
                let first = clock.place(injection.t.as_deref(), line.arrival, self.pair);
                let id = injection.id.clone();
                let told = Told {
                    feed: line.feed,
                    injector: line.injector,
                    number: line.number,
                    arrival: line.arrival,
                    raw: line.raw,
                };
                match self.order(told, injection, first, reply) {
                    Ok(()) => None,
                    Err((reply, why)) => Some((reply, self.rejected(line.number, why, Some(id)))),
                }
            }
            FeedLine::Tick { t } => {
                self.records.push(clock.tick(t, line.arrival));
                clock.tell(line.arrival, &mut self.records);
                None
            }
            FeedLine::Pong { n, received, t } => match clock.pong(n, line.sent, (received, t, line.arrival)) {
                Ok(record) => {
                    self.records.push(record);
                    clock.tell(line.arrival, &mut self.records);
                    None
                }
                Err(why) => Some((reply, self.rejected(line.number, why, None))),
            },
            FeedLine::Rail { name, slot, millivolts, t } => {
                // What is told was measured before it arrived, whatever the injector's clock says.
                let at = clock.place(t.as_deref(), line.arrival, self.pair).to.min(line.arrival);
                let slot = slot.map(|at| self.book.resolve(&at)).transpose();
                self.tell_slots();
                let read = slot.map_err(|why| why.to_string()).and_then(|slot| {
                    self.rails.read(line.injector, &name, slot, at, millivolts).map_err(|why| why.to_string())
                });
                read.err().map(|why| (reply, self.rejected(line.number, why, None)))
            }
            FeedLine::Hello { .. } | FeedLine::Bye { .. } => None,
        }
    }

    /// Lines that made no sense; whoever read them has answered them already.
    pub(crate) fn bad_lines(&mut self, count: u64) {
        self.counts.rejected += count;
    }

    /// The store has an injection on disk: its shots go to the engine, and its sender may be told.
    pub(crate) fn ack(&mut self, ack: Ack) -> Option<(R, Reply)> {
        let Ack::Injection { token, number, is_new } = ack;
        let pending = self.take_pending(token)?;
        if is_new {
            self.counts.injections += 1;
            self.last_injection = self.last_injection.max(number);
            self.fire(&pending, number);
        } else {
            self.counts.resent += 1;
        }
        let (id, line, t_ns) = (pending.injection.id, pending.number, pending.arrival);
        Some((pending.reply, Reply::Accepted { id, line, t_ns, again: !is_new }))
    }

    /// The store could not keep an injection: it never was.
    pub(crate) fn refuse(&mut self, token: u64, why: &str) -> Option<(R, Reply)> {
        let pending = self.take_pending(token)?;
        let reply = self.rejected(pending.number, why.to_owned(), Some(pending.injection.id));
        Some((pending.reply, reply))
    }

    /// Works through everything up to `to`, but never past an injection that is on its way to the disk.
    pub(crate) fn advance(&mut self, to: Mono) {
        let to = self.pending_arrivals.first().map_or(to, |(arrival, _)| to.min(arrival.minus(1)));
        if to > self.engine.horizon() {
            self.engine.advance(to, &mut self.answers);
            self.tell_answers();
            // A replay is not gone on with.
            if self.began.is_some() {
                self.checkpoint_if_due();
            }
        }
    }

    /// Settles everything: nothing more will come. What was learned is kept for whoever asks how far shots should be apart.
    pub(crate) fn finish(&mut self) {
        self.engine.finish(&mut self.answers);
        self.tell_answers();
        self.records.extend(self.clocks.finish());
        self.checkpoint();
    }

    /// Marks the rest of every open window as not watched, and settles everything: the daemon stops.
    pub(crate) fn stop(&mut self, now: Mono) {
        self.advance(now);
        if let Some(end) = self.engine.last_open_end()
            && end > now
        {
            let why = "the daemon was stopped inside the window".to_owned();
            self.gap(Gap { span: Span::new(now, end), of: "daemon".into(), controller: None, why });
        }
        self.finish();
    }

    /// Up to when everything was worked through.
    pub(crate) fn horizon(&self) -> Mono {
        self.engine.horizon()
    }

    /// What is to be stored, in order. Empty while a counter's step waits for the counter's value.
    pub(crate) fn take_records(&mut self) -> Vec<Record> {
        if self.counters_half_told {
            return Vec::new();
        }
        let rails = self.rails.tell().into_iter().map(|told| Record::Rail(Box::new(told)));
        self.records.extend(rails);
        std::mem::take(&mut self.records)
    }

    /// How many records wait to be taken.
    pub(crate) fn record_count(&self) -> usize {
        self.records.len() + self.rails.waiting()
    }

    /// No counter values will come for the counter steps so far.
    pub(crate) fn counters_told(&mut self) {
        self.counters_half_told = false;
    }

    /// The captured lines since the last call: feed file, witness file.
    pub(crate) fn take_captured(&mut self) -> Option<Captured> {
        self.capture.as_mut().map(std::mem::take).filter(|c| !c.is_empty())
    }

    /// Counts since the start.
    pub(crate) fn counts(&self) -> Counts {
        self.counts
    }

    /// How many injections are on their way to the disk, and how many shots, reports and gaps are held.
    pub(crate) fn load(&self) -> (usize, (usize, usize, usize)) {
        (self.pending.len(), self.engine.sizes())
    }

    /// How many slots are known.
    pub(crate) fn slots(&self) -> usize {
        self.book.slots().len()
    }

    fn order(&mut self, told: Told<'_>, mut injection: Injection, first: Span, reply: R) -> Result<(), (R, String)> {
        let slot = match self.book.resolve(&injection.at) {
            Ok(slot) => slot,
            Err(why) => return Err((reply, why.to_string())),
        };
        self.tell_slots();
        if self.began.is_some_and(|began| first.to < began) {
            return Err((reply, "t lies before the run began".to_owned()));
        }
        if first.from.since(told.arrival) > FURTHEST_AHEAD_NS {
            return Err((reply, "t lies more than a day ahead".to_owned()));
        }
        injection.expect = injection.expect.or(self.settings.expect);
        let (foreseen, doubt) = self.foresight.of(slot, &injection);
        if let Some(text) = doubt {
            self.remark(told.arrival, true, text);
        }
        let expected = foreseen.expected;
        let token = self.next_token;
        self.next_token += 1;
        self.records.push(Record::Injection {
            token,
            feed: told.feed.clone(),
            injector: told.injector.clone(),
            injection: Box::new(injection.clone()),
            slot,
            foreseen: Box::new(foreseen),
            arrived: told.arrival,
            first,
            raw: told.raw.into(),
        });
        self.pending_arrivals.insert((told.arrival, token));
        let (number, arrival, injector) = (told.number, told.arrival, told.injector.clone());
        self.pending.insert(token, Pending { reply, number, arrival, injector, injection, slot, expected, first });
        Ok(())
    }

    fn take_pending(&mut self, token: u64) -> Option<Pending<R>> {
        let pending = self.pending.remove(&token)?;
        self.pending_arrivals.remove(&(pending.arrival, token));
        Some(pending)
    }

    fn fire(&mut self, pending: &Pending<R>, number: i64) {
        let name = store::shot_name(&pending.injector, &pending.injection.id);
        let micros = |us: u64| i64::try_from(us).unwrap_or(i64::MAX).saturating_mul(1000);
        let known = pending.arrival.max(self.engine.horizon());
        let forced = vocabulary::forced(pending.injection.lines.iter().map(String::as_str), pending.injection.force);
        for n in 1..=pending.injection.shots {
            let shift = micros(pending.injection.spacing_us).saturating_mul(i64::from(n - 1));
            self.engine.push(Input::Shot(Order(Shot {
                key: ShotKey { injection: number, n },
                name: name.clone(),
                slot: pending.slot,
                fired: Span { from: pending.first.from.plus(shift), to: pending.first.to.plus(shift) },
                hold_ns: micros(pending.injection.hold_us),
                expect: pending.expected,
                forced,
                known,
            })));
        }
    }

    fn rejected(&mut self, line: u64, why: String, id: Option<String>) -> Reply {
        self.counts.rejected += 1;
        tracing::warn!(line, id, why, "a feed line was rejected");
        Reply::Rejected { line, why, id }
    }

    fn sighted(&mut self, id: i64, known: Mono, witness: &Witness) -> Sighted {
        let blame =
            self.book.blame(witness.controller, witness.layers, witness.label.as_deref(), witness.message.as_deref());
        let counts_no_place = witness.source == Source::Counter && witness.layers == Layers::UNKNOWN;
        let synthetic = witness.machine_check.as_ref().is_some_and(|mc| mc.is_synthetic());
        Sighted {
            known,
            span: witness.span,
            source: witness.source,
            controller: witness.controller,
            layers: witness.layers,
            severity: witness.severity,
            count: witness.count,
            address: witness.physical_address(),
            syndrome: witness.driver_syndrome(),
            synthetic,
            found_by: witness.found_by(),
            blame: if counts_no_place && blame.exact().is_some() { vocabulary::Blame::Anywhere } else { blame },
            id,
        }
    }

    /// Records every slot that is new or has changed since it was last recorded.
    fn tell_slots(&mut self) {
        if self.book.changes() == self.book_changes {
            return;
        }
        self.book_changes = self.book.changes();
        self.rails.know(self.book.slots());
        for entry in self.book.slots() {
            // Of a slot that the run knew before a restart, the code is not known here yet.
            let (code, doubt) = self.foresight.know(entry);
            if self.told_slots.get(entry.id.0 as usize) != Some(entry) {
                self.engine.know_slot(entry.id, entry.controller);
                self.records.push(Record::Slot(entry.clone()));
                match self.told_slots.get_mut(entry.id.0 as usize) {
                    Some(old) => *old = entry.clone(),
                    None => self.told_slots.push(entry.clone()),
                }
            }
            if let Some(code) = code {
                self.records.push(Record::Code { slot: entry.id, code });
            }
            if let Some(text) = doubt {
                self.records.push(Record::Remark { at: self.engine.horizon(), warning: true, text });
            }
        }
    }

    fn tell_answers(&mut self) {
        for answer in self.answers.drain(..) {
            self.records.push(match answer {
                Answer::Shot(shot) => {
                    self.counts.settled += 1;
                    Record::Shot(Box::new(shot))
                }
                Answer::Report(report) => Record::Report(Box::new(report)),
                Answer::Spent { witness } => Record::Spent { witness },
            });
        }
    }
}

/// The parts of a line that outlive its parsing.
struct Told<'a> {
    feed: &'a Arc<str>,
    injector: &'a Arc<str>,
    number: u64,
    arrival: Mono,
    raw: &'a str,
}
